"""Signing in by a link that comes by mail. The answer never says whether an address is known, nor does its time.

Opening a link only shows whose it is; the button on that page signs in, once.
"""

from __future__ import annotations

import re
import secrets
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from sqlalchemy import Connection, func, select
from starlette.responses import Response

from ..letters import box, links
from ..letters.compose import Addressee, compose
from ..register import sessions
from ..store.tables import fleet, messages
from .doors import Refused, Visit
from .forms import clean
from .people import Viewer, viewer_of, with_address
from .session import SESSION_SECONDS, Session

# At most so many sign-in letters to one address in the time that one of them is good for.
MOST_LETTERS = 3
_WINDOW = timedelta(minutes=links.SIGN_IN_MINUTES)

# Every answer takes this long, known address or not; longer than looking it up and writing a letter.
ANSWER_SECONDS = 0.4

_SHAPE = re.compile(r"[^@\s]{1,64}@[^@\s]{1,255}")


def show(visit: Visit) -> Response:
    """The form for the address."""
    return visit.page("sign-in.html", asked=False, next=_ours(visit.asked("next")), wrong="", address="")


def send(visit: Visit) -> Response:
    """Stores a letter with a link if the address is known, and says the same either way."""
    address = clean(visit.form.get("address", ""))
    wanted = _ours(visit.form.get("next", ""))
    if not _SHAPE.fullmatch(address):
        wrong = "That is not an e-mail address; write it as name@example.org."
        return visit.page("sign-in.html", 400, asked=False, next=wanted, wrong=wrong, address=address)
    _post(visit, address, wanted)
    return visit.page(
        "sign-in.html", asked=True, next="", wrong="", address="", minutes=links.SIGN_IN_MINUTES, most=MOST_LETTERS
    )


def _post(visit: Visit, address: str, wanted: str) -> None:
    settings, now = visit.program.settings, visit.now
    with visit.program.store.read() as conn:
        known = with_address(conn, settings, address, now)
    if not known:
        return
    # One letter to an address, with a link for each person who shares it; to the address as the register has it.
    person_id, _, name, recorded = known[0]
    to = Addressee(person_id, name, recorded) if len(known) == 1 else Addressee(None, "", recorded)
    content = {
        "minutes": links.SIGN_IN_MINUTES,
        "links": [
            {"name": name, "url": links.sign_in_url(settings, code, recorded, now, wanted)}
            for _, code, name, recorded in known
        ],
    }
    key = f"sign-in/{links.mailbox(recorded)}/{now.isoformat()}"
    letter = compose(settings, "sign-in", key, to, content, now, urgent=True)
    with visit.program.store.write() as conn:
        conn.execute(select(fleet.c.id).with_for_update())  # so that two requests at once count each other
        if _recent(conn, letter.to_address, now) < MOST_LETTERS:
            box.post(conn, letter)


def _recent(conn: Connection, address: str, now: datetime) -> int:
    query = select(func.count()).where(
        messages.c.kind == "sign-in",
        func.lower(messages.c.to_address) == func.lower(address),
        messages.c.created_at > now - _WINDOW,
    )
    return conn.execute(query.select_from(messages)).scalar_one()


def welcome(visit: Visit) -> Response:
    """Shows whose link it is, with the button that signs in."""
    _, person = _person(visit)
    return visit.page("me-link.html", name=person.name)


def enter(visit: Visit) -> Response:
    """Signs in. Whoever was signed in with this browser before is so no more."""
    link, person = _person(visit)
    session = Session(secrets.token_urlsafe(16), link.person, link.mailbox)
    until = visit.now + timedelta(seconds=SESSION_SECONDS)
    device = clean(visit.request.headers.get("user-agent", ""))
    with visit.program.store.write() as conn:
        if not sessions.use(conn, visit.path("token"), link.until):
            raise _used()
        sessions.begin(conn, person.id, session.id, device, visit.now, until)
        if visit.session is not None:
            sessions.end(conn, [visit.session.number])
    response = visit.go(_ours(link.next) or "/")
    visit.office.cookies.begin(response, session, visit.now)
    return response


def leave(visit: Visit) -> Response:
    """Signs out: the session ends here, not only in the browser."""
    if visit.session is not None:
        with visit.program.store.write() as conn:
            sessions.end(conn, [visit.session.number])
    response = visit.go("/sign-in")
    visit.office.cookies.end(response)
    return response


def _person(visit: Visit) -> tuple[links.SignIn, Viewer]:
    try:
        link = links.read_me(visit.program.settings, visit.path("token"), visit.now)
    except links.Expired:
        raise Refused(410, "This link is too old.", "", offer_sign_in=True) from None
    except links.NotOurs:
        why = "This link is not complete, or it was not made here. Copy all of it from the letter, in one line."
        raise Refused(404, why, "", offer_sign_in=True) from None
    with visit.program.store.read() as conn:
        person = viewer_of(conn, visit.program.settings, link.person, link.mailbox, visit.now)
        used = sessions.is_used(conn, visit.path("token"))
    if used:
        raise _used()
    if person is None:
        why = "The person that this link was made for is no longer known here under that e-mail address."
        raise Refused(410, why, "", offer_sign_in=True)
    return link, person


def _used() -> Refused:
    return Refused(410, "This link has been used already; each signs in once.", "", offer_sign_in=True)


def _ours(page: str) -> str:
    """The page to go to after signing in, if it is one of ours; "" for anything else."""
    parts = urlsplit(page)
    plain = page.startswith("/") and not page.startswith("//") and "\\" not in page and page == clean(page)
    return page if plain and not parts.scheme and not parts.netloc and len(page) <= 300 else ""
