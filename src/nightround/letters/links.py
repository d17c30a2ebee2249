"""Makes and reads the signed links that letters carry. A link says who may act; it never acts by itself.

Each purpose has its own salt, so that a link made for one is worthless for another. Whoever changes a person's
e-mail address withdraws every sign-in and personal link sent to the old one. `now` is an aware instant.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote

from itsdangerous import BadData, BadSignature, SignatureExpired, TimestampSigner, URLSafeSerializer
from itsdangerous.url_safe import URLSafeTimedSerializer

from ..addresses import mark
from ..settings import Settings

SIGN_IN_MINUTES = 30
PERSONAL_DAYS = 30
TAKE_DAYS = 14
LONGEST_DAYS = 366

_SIGN_IN = "nightround sign-in link"
_PERSONAL = "nightround personal link"
_TAKE = "nightround take link"
_STOP = "nightround weekly letter stop"
_SIGNING = {"key_derivation": "hmac", "digest_method": hashlib.sha256}


class Expired(Exception):
    """The link was ours and its time is over."""


class NotOurs(Exception):
    """The link was not made here, or was changed on its way."""


@dataclass(frozen=True, slots=True)
class Link:
    """Whom a link is for. `mailbox` marks the address it was made for."""

    person: str
    mailbox: str


@dataclass(frozen=True, slots=True)
class SignIn(Link):
    """One that signs in. `until` is the last instant at which it is good; `next` is the page to go to, or ""."""

    until: datetime
    next: str = ""


class Stamped(TimestampSigner):
    """A signer whose time is handed in."""

    def __init__(self, secret_key: Any, now: datetime, **options: Any) -> None:
        super().__init__(secret_key, **options)
        self._now = now

    def get_timestamp(self) -> int:
        return int(self._now.timestamp())


def timed(settings: Settings, salt: str, now: datetime) -> URLSafeTimedSerializer:
    """A serializer that signs with the installation's secret at the given time."""
    return URLSafeTimedSerializer(settings.secret(), salt, signer=Stamped, signer_kwargs={**_SIGNING, "now": now})


def mailbox(address: str) -> str:
    """A short mark of an e-mail address, the same whatever the case; it does not show the address."""
    return mark(address)


def sign_in_url(settings: Settings, person: str, address: str, now: datetime, next_page: str = "") -> str:
    """A link that signs the person in once, within half an hour from now."""
    value = {"p": person, "m": mailbox(address), "n": next_page, "x": _another()}
    return _url(settings, "/me/" + str(timed(settings, _SIGN_IN, now).dumps(value)))


def personal_url(settings: Settings, person: str, address: str, now: datetime, days: int = PERSONAL_DAYS) -> str:
    """A link that signs the person in once, within that many days from now (366 at most)."""
    if not 1 <= days <= LONGEST_DAYS:
        raise ValueError(f"a personal link lasts from 1 to {LONGEST_DAYS} days, not {days}")
    value = {"p": person, "m": mailbox(address), "d": days, "x": _another()}
    return _url(settings, "/me/" + str(timed(settings, _PERSONAL, now).dumps(value)))


def take_url(settings: Settings, person: str, address: str, case_id: int, now: datetime, *, unit: bool = False) -> str:
    """A link on which the person can take that one case, for a fortnight; with `unit` every urgent case that is open
    of its unit by then. It shows, and acts only when told to."""
    value = {"p": person, "m": mailbox(address), "c": case_id, **({"u": 1} if unit else {})}
    return _url(settings, "/take/" + str(timed(settings, _TAKE, now).dumps(value)))


def unsubscribe_url(settings: Settings, person: str) -> str:
    """The address that ends the person's weekly letter: shown by GET, done by POST (RFC 8058). It has no end."""
    return _url(settings, "/letters/stop/" + str(_stopping(settings).dumps(person)))


def case_url(settings: Settings, case_id: int) -> str:
    """The page of a case."""
    return _url(settings, f"/cases/{case_id}")


def unit_url(settings: Settings, unit: str) -> str:
    """The page of a unit, by its code."""
    return _url(settings, "/units/" + quote(unit, safe=""))


def site_url(settings: Settings, site: str) -> str:
    """The page of a site, by its code."""
    return _url(settings, "/sites/" + quote(site, safe=""))


def label_url(settings: Settings, label: str) -> str:
    """The page behind the cabinet label's QR code."""
    return _url(settings, "/at/" + quote(label, safe=""))


def read_me(settings: Settings, token: str, now: datetime) -> SignIn:
    """Whom a sign-in or personal link is for. Raises Expired or NotOurs."""
    try:
        value, made = timed(settings, _SIGN_IN, now).loads(token, max_age=SIGN_IN_MINUTES * 60, return_timestamp=True)
        until = made.astimezone(UTC) + timedelta(minutes=SIGN_IN_MINUTES)
        return SignIn(value["p"], value["m"], until, value["n"])
    except SignatureExpired:
        raise Expired from None
    except BadData:
        pass
    try:
        value, made = timed(settings, _PERSONAL, now).loads(token, return_timestamp=True)
    except BadData:
        raise NotOurs from None
    until = made.astimezone(UTC) + timedelta(days=value["d"])
    if now > until:
        raise Expired
    return SignIn(value["p"], value["m"], until)


def read_take(settings: Settings, token: str, now: datetime) -> tuple[Link, int, bool]:
    """Whom a take link is for, the case, and whether for all that is urgent of its unit. Raises Expired or NotOurs."""
    try:
        value = timed(settings, _TAKE, now).loads(token, max_age=TAKE_DAYS * 24 * 3600)
        return Link(value["p"], value["m"]), int(value["c"]), bool(value.get("u"))
    except SignatureExpired:
        raise Expired from None
    except (BadData, KeyError, TypeError, ValueError):
        raise NotOurs from None


def read_stop(settings: Settings, token: str) -> str:
    """The code of the person whose weekly letter the link ends. Raises NotOurs."""
    try:
        return str(_stopping(settings).loads(token))
    except (BadSignature, BadData):
        raise NotOurs from None


def _stopping(settings: Settings) -> URLSafeSerializer:
    return URLSafeSerializer(settings.secret(), _STOP, signer_kwargs=dict(_SIGNING))


def _another() -> str:
    """Makes two links of one moment differ, since each is good for one use."""
    return secrets.token_urlsafe(6)


def _url(settings: Settings, path: str) -> str:
    return settings.web.base_url.rstrip("/") + path
