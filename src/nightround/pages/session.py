"""Who is at the page: the signed cookies, and the token that proves that a form came from a page of ours.

What the browser holds names a session that is kept on the server (`register.sessions`) and is worth nothing once that
has ended. Every session ends after 30 days, and when the key file changes.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from itsdangerous import BadData
from starlette.requests import Request
from starlette.responses import Response

from ..letters.links import timed
from ..settings import Settings

SESSION_SECONDS = 30 * 24 * 3600

_SALT = "nightround session"


@dataclass(frozen=True, slots=True)
class Session:
    """What a browser holds of a session: that it was begun here, not that it is still good.

    `id` is random and ties forms to this one session. `number` is that of the session on the server, 0 until it was
    found there.
    """

    id: str
    person: str
    mailbox: str
    number: int = 0


class Cookies:
    """Sets and reads the two cookies: one for a signed-in person, one that ties a stranger's forms to a browser."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        base = urlsplit(settings.web.base_url)
        self._secure = base.scheme == "https"
        self._path = base.path.rstrip("/") or "/"
        # A browser takes a __Host- cookie only over TLS and from this very host.
        prefix = "__Host-" if self._secure and self._path == "/" else ""
        self._session = prefix + "nightround"
        self._form = prefix + "nightround-form"

    def session(self, request: Request, now: datetime) -> Session | None:
        """The session that the request names; None where it names none, or one that was tampered with or is too old."""
        token = request.cookies.get(self._session, "")
        try:
            value = timed(self._settings, _SALT, now).loads(token, max_age=SESSION_SECONDS)
            return Session(value["s"], value["p"], value["m"])
        except (BadData, KeyError, TypeError):
            return None

    def form_id(self, request: Request) -> str:
        """What ties a stranger's forms to their browser; "" where the browser has no such cookie yet."""
        return request.cookies.get(self._form, "")[:64]

    def begin(self, response: Response, session: Session, now: datetime) -> None:
        """Gives the browser a new session to hold."""
        value = {"s": session.id, "p": session.person, "m": session.mailbox}
        self._set(response, self._session, str(timed(self._settings, _SALT, now).dumps(value)), SESSION_SECONDS)
        self._drop(response, self._form)

    def end(self, response: Response) -> None:
        """Takes the session from the browser."""
        self._drop(response, self._session)

    def tie(self, response: Response, form_id: str) -> None:
        """Gives the browser the cookie for a stranger's forms; it lasts as long as the browser is open."""
        self._set(response, self._form, form_id, None)

    def _set(self, response: Response, name: str, value: str, seconds: int | None) -> None:
        response.set_cookie(
            name, value, max_age=seconds, path=self._path, secure=self._secure, httponly=True, samesite="lax"
        )

    def _drop(self, response: Response, name: str) -> None:
        response.delete_cookie(name, path=self._path, secure=self._secure, httponly=True, samesite="lax")


def form_token(settings: Settings, holder: str) -> str:
    """The token of the forms shown to this session or browser."""
    return hmac.new(settings.secret(), b"nightround form " + holder.encode("utf-8"), hashlib.sha256).hexdigest()


def is_form_token(settings: Settings, holder: str, token: str) -> bool:
    """Whether the token is the one of this session or browser; compared in constant time."""
    if not holder:
        return False
    return hmac.compare_digest(form_token(settings, holder).encode(), token.encode("utf-8"))


def from_our_pages(request: Request, base_url: str) -> bool:
    """Whether the browser says that the form was sent from a page of ours.

    Browsers say so in Sec-Fetch-Site and Origin; one that says neither is judged by the form's token alone.
    """
    site = request.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    if origin is None:
        return True
    base = urlsplit(base_url)
    said = urlsplit(origin)
    if (said.scheme, said.netloc) == (base.scheme, base.netloc):
        return True
    # Reached by another name, such as localhost for 127.0.0.1: then it must at least be the name it was asked by.
    return bool(said.netloc) and said.netloc == request.headers.get("host")
