"""`deliver`, and the test letter that `verify --mail-to` sends."""

from __future__ import annotations

import signal
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import click
from sqlalchemy import select

from .. import addresses
from ..bootstrap import Program
from ..cases.absences import first_known
from ..errors import UserError
from ..letters import box
from ..letters.compose import Addressee, compose
from ..letters.delivery import deliver
from ..letters.put_off import PutOff, put_off
from ..rounds.troubles import OF_MAIL, Kind
from ..store.tables import messages
from ..sweeping import deliver_and_tell
from .desk import Desk, counted, pass_desk
from .rota import in_zone
from .troubles import speak_of_troubles

SHOWN = 20  # rows of what was put off


@click.command("deliver")
@click.option(
    "--now", "everything", is_flag=True, help="Also letters that the server put off and whose time is not yet."
)
@pass_desk
def deliver_command(desk: Desk, everything: bool) -> int:
    """Sends what waits in the letter box, once.

    Exit: 0 all went well, 1 the mail server could not be used, 3 letters were given up or cannot be sent for long.
    """
    program = desk.program
    with _stopped_by_signals() as stop, desk.progress("sending") as progress:
        done = deliver_and_tell(program, stop=stop, everything=everything, progress=progress)
    with program.store.read() as conn:
        query = select(messages.c.key, messages.c.to_address, messages.c.last_answer, messages.c.id)
        given_up = conn.execute(query.where(messages.c.id.in_(done.given_up)).order_by(messages.c.id)).all()
        waiting = put_off(conn, program.settings)
    if desk.json:
        listed = [{"key": row.key, "to": row.to_address, "answer": row.last_answer} for row in given_up]
        answer = {"sent": done.sent, "waiting": done.waiting, "given_up": listed, "trouble": done.trouble}
        desk.answer(answer | {"put_off": [one.as_dict() for one in waiting]})
    else:
        desk.say(f"sent {done.sent}, waiting {done.waiting}, given up {len(given_up)}")
        if given_up:
            desk.table(("given up", "to", "answer"), [row[:3] for row in given_up], title="Given up")
        show_put_off(desk, waiting)
    # What is left because we were asked to stop is nobody's fault.
    wrong = [] if stop.is_set() else speak_of_troubles(desk, set(Kind) - {*OF_MAIL, Kind.DISK_FULL})
    if done.trouble:
        desk.err.print(f"nightround: {done.trouble}", markup=False)
        return 1
    return 3 if given_up or wrong else 0


def show_put_off(desk: Desk, waiting: list[PutOff]) -> None:
    """Who waits for a letter that the mail server has not taken, why, and when it is tried again."""
    if not waiting:
        return
    desk.say(f"Not taken by the mail server so far: {counted(len(waiting), 'letter')}.")
    say = in_zone(first_known(desk.settings.fleet.time_zone))
    rows = [(one.called, one.to, one.answer, say(one.next_try_at), say(one.given_up_at)) for one in waiting[:SHOWN]]
    desk.table(("waits", "address", "the mail server said", "next try", "given up after"), rows)
    if len(waiting) > SHOWN:
        desk.say(f"and {len(waiting) - SHOWN} more; all of them: nightround --json deliver")


def post_test(program: Program, address: str) -> str:
    """Sends a test letter to the address, through the letter box like any other; nothing else is sent.

    Gives "" once the server has taken it, else why not. Raises UserError where the address is none.
    """
    if addresses.read(address) is None:
        raise UserError(f"{address!r} is not an e-mail address; write it as name@example.org")
    settings, now = program.settings, program.clock()
    letter = compose(
        settings,
        "test",
        f"test/{now:%Y-%m-%dT%H:%M:%SZ}/{uuid.uuid4().hex[:12]}",
        Addressee(None, "", address),
        {
            "zone": settings.fleet.time_zone,
            "host": f"{settings.mail.host}:{settings.mail.port}",
            "security": settings.mail.security,
        },
        now,
        urgent=True,
    )
    with program.store.write() as conn:
        posted = box.post(conn, letter)
    if posted is None:
        raise AssertionError("a test letter's key is random")
    done = deliver(program, only=posted)
    if done.sent:
        return ""
    with program.store.read() as conn:
        answer = conn.execute(select(messages.c.last_answer).where(messages.c.id == posted)).scalar_one()
    return done.trouble or f"the mail server did not take the letter: {answer}"


class _Asked:
    """Whether the end was asked for. A handler of signals may be interrupted by the next signal, so it takes no lock:
    a `threading.Event` set in one would wait for itself for ever."""

    def __init__(self) -> None:
        self._asked = False

    def set(self) -> None:
        self._asked = True

    def is_set(self) -> bool:
        return self._asked


@contextmanager
def _stopped_by_signals() -> Iterator[_Asked]:
    """SIGTERM and SIGINT ask for the end: the letter in hand is finished first."""
    stop = _Asked()

    def ask(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {number: signal.signal(number, ask) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
