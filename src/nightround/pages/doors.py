"""The way into every page: who is there, whether the form is ours, and a plain page for every refusal.

A page is two plain functions: one shows (GET, HEAD; it never changes anything) and one acts (POST). Both run in a
worker thread and get a `Visit`; what they cannot do they say by raising `Refused`.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from urllib.parse import quote

import anyio
from jinja2.exceptions import TemplateError
from sqlalchemy import select
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Match, Route

from .. import emergency
from ..bootstrap import Program
from ..errors import UserError
from ..register import sessions
from ..store.tables import sites
from .look import Look
from .people import Viewer, viewer_of
from .session import Cookies, Session, form_token, from_our_pages, is_form_token

# No form of ours comes near these.
MAX_FORM = 32 * 1024
MAX_FIELDS = 60
TOKEN_FIELD = "form_token"  # noqa: S105


class Refused(Exception):
    """The page cannot do what was asked. `why` and `way` (what to do instead) are sentences for the visitor."""

    def __init__(
        self, status: int, why: str, way: str = "", retry_after: int | None = None, *, offer_sign_in: bool = False
    ) -> None:
        super().__init__(why)
        self.status = status
        self.why = why
        self.way = way
        self.retry_after = retry_after
        self.offer_sign_in = offer_sign_in


@dataclass(frozen=True, slots=True)
class Office:
    """What every page works with."""

    program: Program
    look: Look
    cookies: Cookies
    wait: Callable[[float], Awaitable[None]] = anyio.sleep


@dataclass(slots=True)
class Visit:
    """One request. `now` is the moment it came in; `form` holds what was sent, one value a field."""

    office: Office
    request: Request
    now: datetime
    session: Session | None = None
    viewer: Viewer | None = None
    form: Mapping[str, str] = field(default_factory=dict)
    _new_form_id: str = ""

    @property
    def program(self) -> Program:
        return self.office.program

    @property
    def known(self) -> Viewer:
        """The signed-in person; pages that let strangers in ask for `viewer` instead."""
        assert self.viewer is not None
        return self.viewer

    def path(self, name: str) -> str:
        """A part of the address, as the route names it."""
        return str(self.request.path_params[name])

    def asked(self, name: str) -> str:
        """A value from the address's query, without surrounding blanks; "" where it is not there."""
        return self.request.query_params.get(name, "").strip()

    def number(self, name: str) -> int:
        """A whole number from the address's query; 0 where it is none."""
        return whole(self.asked(name))

    def holder(self) -> str:
        """What forms are tied to: the session, or the browser of a stranger."""
        if self.session is not None:
            return self.session.id
        return self.office.cookies.form_id(self.request) or self._new_form_id

    def token(self) -> str:
        """The token for a form on the page that is being shown."""
        if not self.holder():
            self._new_form_id = secrets.token_urlsafe(16)
        return form_token(self.program.settings, self.holder())

    def page(
        self, template: str, status: int = 200, countries: Collection[str] | None = None, **content: object
    ) -> Response:
        """The page, with what every page shows. `countries` are those of the places that it is about; left out, those
        of the viewer's sites."""
        if countries is None:
            countries = self._countries() if self.viewer is not None and status < 400 else ()
        html = self.office.look.render(
            template,
            viewer=self.viewer,
            form_token=self.token,
            now=self.now,
            path=self.request.scope["path"],
            emergency_number=emergency.words(self.program.settings, countries),
            **content,
        )
        response = Response(html, status, media_type="text/html")
        if self._new_form_id:
            self.office.cookies.tie(response, self._new_form_id)
        return response

    def _countries(self) -> frozenset[str]:
        """The countries of the viewer's sites, as far as the number to call in an emergency depends on them."""
        if self.program.settings.fleet.emergency_number:
            return frozenset()
        with self.program.store.read() as conn:
            return frozenset(conn.execute(select(sites.c.country).where(self.known.sees()).distinct()).scalars())

    def go(self, path: str) -> Response:
        """Sends the browser on to a page of ours after an act."""
        return RedirectResponse(self.office.look.at(path), 303)


def whole(text: str) -> int:
    """The whole number that the text is, if a database can hold it; else 0."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0


Handler = Callable[[Visit], Response]


def door(
    office: Office,
    path: str,
    show: Handler | None = None,
    act: Handler | None = None,
    *,
    strangers: bool = False,
    bare_act: bool = False,
    least_seconds: float = 0.0,
) -> Route:
    """A route to a page.

    `strangers` lets anybody in; without it whoever is not signed in is led to the sign-in page. `bare_act` lets an
    act through without a form token, for an address that is itself the secret (RFC 8058 one-click).
    An act is answered no sooner than `least_seconds`, whatever it did.
    """

    async def endpoint(request: Request) -> Response:
        if request.method != "POST":
            assert show is not None
            return await run_in_threadpool(_show, office, request, show, strangers)
        assert act is not None
        form = await _form(request)
        started = time.monotonic()
        response = await run_in_threadpool(_act, office, request, form, act, strangers, bare_act)
        if least_seconds:
            await office.wait(max(0.0, least_seconds - (time.monotonic() - started)))
        return response

    methods = (["GET"] if show is not None else []) + (["POST"] if act is not None else [])
    return Route(path, endpoint, methods=methods)


def _show(office: Office, request: Request, show: Handler, strangers: bool) -> Response:
    visit = _visit(office, request)
    if visit.viewer is None and not strangers:
        # As it was sent: a code with a slash or a question mark in it must come back as it is.
        wanted = bytes(request.scope["raw_path"]).decode("latin-1")
        wanted += _query(request)
        return visit.go("/sign-in" + (f"?next={quote(wanted, safe='')}" if wanted != "/" else ""))
    return _guarded(visit, show)


def _act(
    office: Office, request: Request, form: Mapping[str, str], act: Handler, strangers: bool, bare: bool
) -> Response:
    visit = _visit(office, request, form)
    if not bare:
        if not from_our_pages(request, office.program.settings.web.base_url):
            return refusal(visit, Refused(403, "This form was sent from another site, so nothing was done.", _AGAIN))
        if visit.viewer is None and not strangers:
            return refusal(visit, Refused(403, "You are not signed in, so nothing was recorded.", _SIGN_IN))
        if not is_form_token(office.program.settings, visit.holder(), form.get(TOKEN_FIELD, "")):
            why = "The page with this form was too old, or your browser keeps no cookies, so nothing was done."
            return refusal(visit, Refused(403, why, _AGAIN))
    return _guarded(visit, act)


_AGAIN = "Open the page again from here and send the form once more."
_SIGN_IN = "Sign in, open the page again and send the form once more."


def _guarded(visit: Visit, handler: Handler) -> Response:
    try:
        return handler(visit)
    except Refused as refused:
        return refusal(visit, refused)
    except UserError as error:
        return refusal(visit, Refused(400, f"{error}".rstrip(".") + ".", "Go back, put it right and send it again."))


def _visit(office: Office, request: Request, form: Mapping[str, str] | None = None) -> Visit:
    visit = Visit(office, request, office.program.clock(), form=form or {})
    session = office.cookies.session(request, visit.now)
    if session is not None:
        with office.program.store.read() as conn:
            number = sessions.number_of(conn, session.id, session.person, session.mailbox, visit.now)
            if number is not None:
                visit.viewer = viewer_of(conn, office.program.settings, session.person, session.mailbox, visit.now)
        if number is not None and visit.viewer is not None:
            visit.session = replace(session, number=number)
    return visit


async def _form(request: Request) -> dict[str, str]:
    """The fields sent, the last value of each; files are not taken."""
    said = request.headers.get("content-length", "")
    if said.isdigit() and int(said) > MAX_FORM:
        raise HTTPException(413)
    data: FormData = await request.form(max_files=0, max_fields=MAX_FIELDS, max_part_size=16 * 1024)
    return {name: value for name, value in data.multi_items() if isinstance(value, str)}


def refusal(visit: Visit, refused: Refused) -> Response:
    """The page that says why not, and what to do instead."""
    response = visit.page(
        "refused.html",
        refused.status,
        code=refused.status,
        why=refused.why,
        way=refused.way,
        offer_sign_in=refused.offer_sign_in and visit.viewer is None,
    )
    if refused.retry_after is not None:
        response.headers["Retry-After"] = str(refused.retry_after)
    return response


NOT_FOUND = (
    "There is no such page here, or it is not one that you may see.",
    "Check the address, or start from the first page.",
)

_SAID: dict[int, tuple[str, str]] = {
    400: ("What the browser sent cannot be read.", _AGAIN),
    404: NOT_FOUND,
    405: ("This address takes forms only; it is not a page to open.", "Start from the first page."),
    413: ("What was sent is too long, so nothing was done.", "Shorten it and send it again."),
}


def not_found() -> Refused:
    """What does not exist and what somebody may not see look the same."""
    return Refused(404, *NOT_FOUND)


def refused_by_the_frame(office: Office) -> Callable[[Request, Exception], Response]:
    """Answers what the web framework itself refuses, as a page where a person reads it."""

    def answer(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        if request.scope["path"].startswith(FOR_PROGRAMS):
            return Response(f"{error.detail}\n", error.status_code, error.headers, "text/plain")
        if error.status_code == 404 and (path := _without_slash(request)) is not None:
            return RedirectResponse(office.look.at(path), 307)
        why, way = _SAID.get(error.status_code, (f"{error.detail}.", "Start from the first page."))
        # No look at the database here: the answer must not need anything that may be missing.
        visit = Visit(office, request, office.program.clock())
        response = refusal(visit, Refused(error.status_code, why, way))
        response.headers.update(error.headers or {})
        return response

    return answer


def _without_slash(request: Request) -> str | None:
    """The page's path where somebody wrote a slash at its end; None where there is no such page.

    Only ever a path beneath our own address: what the Host field says may come from anybody.
    """
    path = request.scope["path"].rstrip("/")
    if request.method not in ("GET", "HEAD") or not path or path == request.scope["path"]:
        return None
    scope = {**request.scope, "path": path}
    if not any(route.matches(scope)[0] is Match.FULL for route in request.app.router.routes):
        return None
    return quote(path) + _query(request)


def _query(request: Request) -> str:
    """The query as it was sent, with its question mark; "" where there is none."""
    query = bytes(request.scope["query_string"]).decode("latin-1")
    return f"?{query}" if query else ""


FOR_PROGRAMS = ("/calendar/", "/healthz", "/readyz", "/metrics")


def broken(office: Office) -> Callable[[Request, Exception], Response]:
    """Answers an error of ours; the error itself goes to the log, never to the visitor."""

    def answer(request: Request, error: Exception) -> Response:
        visit = Visit(office, request, office.program.clock())
        why = "Something went wrong here. What you sent may or may not have been recorded."
        way = "Look at the unit's page before you send it again; if it stays so, tell whoever runs this service."
        if isinstance(error, TemplateError):
            return Response(f"{why} {way}\n", 500, media_type="text/plain")  # the page of refusals may be as broken
        return refusal(visit, Refused(500, why, way))

    return answer
