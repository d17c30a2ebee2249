"""Records what somebody did or saw: one log entry, with what it does to the parts on record.

Which parts are in the unit then is what its log says, replayed (`register.fitted`). Everything happens in the caller's
unit of work; reckoning the unit again is the caller's next step.
"""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import Connection, select

from ..errors import UserError
from ..reckoning.dates import local_day
from ..reckoning.placing import MOVED
from ..reckoning.readings import WORDS, is_word, meant, pads_were_opened, understood
from ..store import marks
from ..store.tables import fleet, log, people
from . import moving, registration
from .cells import plain
from .evidence import refresh
from .fitting import code_of, label_day, look_at, refuse_odd
from .gravestones import DISCARDED
from .headings import normal
from .log import NewEntry, append
from .notices import settled
from .whereabouts import stays

PART_KEYS = ("kind", "lot", "label_date", "udi", "expected", "note")
NEEDS_KIND = ("fitted", "removed", "ordered")
PART_KINDS = ("pads-adult", "pads-child", "pads-universal", "battery")
_SPELLED = {normal(name): name for name in WORDS}


def record(
    conn: Connection, entry: NewEntry, now: datetime, *, accept_odd: bool = False, remarks: list[str] | None = None
) -> int:
    """Writes the entry and what follows from it, and gives its id.

    `remarks` is added to: sentences about a fitted part's label, above all where its code contradicts what was typed.
    Raises UserError, naming the field and the cure, for readings or part details that cannot be understood, and for
    the days of a fitted part that cannot be right unless `accept_odd`: then they are kept, marked.
    """
    check_words(entry.readings)
    _check_part(entry)
    known = bool(entry.by_person) and _is_known(conn, entry.by_person)
    entry = settled(conn, entry, known=known)
    # Whoever else moves the unit waits here: what the entry keeps of the register is true when it is written.
    conn.execute(select(fleet.c.id).with_for_update())
    entry = registration.prepared(conn, moving.prepared(conn, entry, known=known), known=known)
    before = conn.execute(select(fleet.c.log_count)).scalar_one()
    entry_id = append(conn, entry, now)
    if entry_id <= before:
        return entry_id  # the same entry was there already
    if known:
        if entry.entry == "fitted":
            _look_at(conn, entry, now, accept_odd, [] if remarks is None else remarks)
        elif entry.entry == MOVED:
            moving.carry_out(conn, entry)
        elif entry.entry == "reported":
            registration.carry_out(conn, entry, local_day(entry.at, _zone(conn, entry)))
    refresh(conn, [entry.unit_id])
    marks.leave(conn, now, units=[entry.unit_id])
    return entry_id


def as_told(readings: dict[str, str], entry: str) -> dict[str, str]:
    """The readings as somebody told them, without what recording added to them."""
    return registration.as_told(moving.as_told(entry, readings))


def strike(conn: Connection, entry_id: int, why: str, by_person: str, now: datetime) -> int:
    """Corrects the log: a new entry that strikes an old one, which stays readable.

    Raises UserError where the entry does not exist, is struck already or is itself a correction, or no reason is
    given. The parts are those of the log without the entry, used spares included. A move and a registration are turned
    back where the register still stands as they left it.
    """
    if not why.strip():
        raise UserError("a correction needs a reason: --why TEXT")
    row = conn.execute(
        select(log.c.unit_id, log.c.at, log.c.entry, log.c.discarded_at).where(log.c.id == entry_id)
    ).first()
    if row is None:
        raise UserError(f"log entry {entry_id} does not exist; see: nightround history UNIT")
    if row.discarded_at is not None or row.entry == DISCARDED:
        raise UserError(f"log entry {entry_id} was discarded or tells what was; there is nothing to correct in it")
    if row.entry == "struck":
        raise UserError(f"log entry {entry_id} is itself a correction; log what is true now instead")
    if conn.execute(select(log.c.id).where(log.c.strikes == entry_id)).first() is not None:
        raise UserError(f"log entry {entry_id} is struck already")
    conn.execute(select(fleet.c.id).with_for_update())
    entry = NewEntry(row.unit_id, now, "struck", by_person, note=why.strip(), strikes=entry_id)
    turn_back(conn, entry_id)
    new_id = append(conn, entry, now)
    refresh(conn, [row.unit_id])
    marks.leave(conn, now, units=[row.unit_id])
    return new_id


def turn_back(conn: Connection, entry_id: int) -> None:
    """Takes back what an entry that is about to be struck did to the register, where that still stands as it left it.

    Parts need none of it: they follow from what is left of the log.
    """
    row = conn.execute(select(log.c.unit_id, log.c.at, log.c.entry).where(log.c.id == entry_id)).one()
    if row.entry == MOVED:
        moving.turn_back(conn, entry_id, row.unit_id)
    elif row.entry == "reported":
        day = local_day(row.at, stays(conn, row.unit_id).zone(row.at))
        registration.turn_back(conn, entry_id, row.unit_id, day)


def check_words(readings: dict[str, str]) -> None:
    """Raises UserError for a reading whose name is not written as it is known, or whose value is not one of its words.

    A "Self-Test" beside the "self-test" would be kept and count for nothing.
    """
    for name, value in readings.items():
        known = _SPELLED.get(normal(name), plain(name))
        if name != known:
            raise UserError(f"reading {name!r} is not understood" + (f"; write it as {known}" if known else ""))
        if close := meant(name):
            raise UserError(f"reading {name!r} is not known; did you mean {close}?")
        if not is_word(name, value):
            raise UserError(f"reading {name}={value!r} is not understood; use {understood(name)}")
    if readings.get("pads-opened") == "no" and pads_were_opened(readings):
        raise UserError("pads-opened=no contradicts the shocks given, or the pads seen opened; leave one of them out")


def check_details(part: dict[str, str]) -> None:
    """Raises UserError for part details whose names or values are not understood."""
    for key in part:
        if key not in PART_KEYS:
            raise UserError(f"part detail {key!r} is not known; use one of: {', '.join(PART_KEYS)}")
    kind = part.get("kind", "")
    if kind and kind not in PART_KINDS and not kind.startswith("kit-"):
        raise UserError(f"part kind {kind!r} is not known; use one of: {', '.join(PART_KINDS)}, or kit-…")
    if "expected" in part:
        try:
            date.fromisoformat(part["expected"])
        except ValueError:
            raise UserError(f"expected {part['expected']!r} is not a date; write it as 2027-01-15") from None
    if "label_date" in part:
        label_day(part["label_date"])
    if "udi" in part:
        code_of(part["udi"])


def _check_part(entry: NewEntry) -> None:
    if entry.entry in NEEDS_KIND and not entry.part.get("kind"):
        raise UserError(f"'{entry.entry}' needs to say which part: --part kind=battery")
    check_details(entry.part)
    if entry.entry == "ordered" and "expected" not in entry.part:
        raise UserError("'ordered' needs the day on which the part is expected: --part expected=2027-01-15")


def _is_known(conn: Connection, person: str) -> bool:
    return conn.execute(select(people.c.id).where(people.c.person == person)).first() is not None


def _look_at(conn: Connection, entry: NewEntry, now: datetime, accept_odd: bool, remarks: list[str]) -> None:
    """Refuses days of a fitted part that cannot be right, unless they are to be kept, and says what its label says."""
    zone = _zone(conn, entry)
    fitting = look_at(conn, entry.unit_id, entry.part, local_day(entry.at, zone), local_day(now, zone))
    if fitting.odd and not accept_odd:
        refuse_odd(fitting)
    remarks += fitting.remarks


def _zone(conn: Connection, entry: NewEntry) -> str:
    """The time zone of the place at which the unit stood at the time."""
    return stays(conn, entry.unit_id).zone(entry.at)
