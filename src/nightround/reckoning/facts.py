"""What reckoning is told: plain values, no behaviour. Days are civil dates at the site; instants are aware UTC."""

from __future__ import annotations

from datetime import date, datetime
from typing import NamedTuple


class Place(NamedTuple):
    """What decides which rules bind at a site."""

    time_zone: str
    country: str  # ISO 3166-1 alpha-2, or ""
    subdivision: str  # ISO 3166-2 without the country, or ""
    site_type: str


class Part(NamedTuple):
    """A part on record. `last_good_day` is derived from its label date; None: no date recorded."""

    id: int
    kind: str  # pads-adult, pads-child, pads-universal, battery, kit-…
    state: str  # fitted, spare
    last_good_day: date | None
    fitted_on: date | None
    lot: str = ""  # read only while a notice is in force; "": not recorded


class Use(NamedTuple):
    """One use that still has to do with today: something after it is open, the unit is not restored since, or it
    drained the battery now in.

    `shocks` and `minutes` (of CPR, which the unit was at least switched on for) are None where nobody recorded them.
    They are facts about a person: they may be reckoned with, but no reason, case or letter may say them.
    """

    at: datetime
    day: date  # of `at`, where the unit stood at the time
    shocks: int | None = None
    minutes: int | None = None
    reported: bool = False  # to everybody whom the place's rules name
    reported_for: tuple[str, ...] = ()  # rules whose report alone was made; sorted
    downloaded: bool = False  # the record of the event was taken out of the unit
    note_handed: bool = False  # the crew note was handed over
    on_battery: bool = True  # no battery was logged as fitted since


class Change(NamedTuple):
    """A unit moved, withdrawn or returned, which nobody has reported to a register yet.

    `country` and `subdivision` are those of where a moved unit came from; "" where that is not on record.
    """

    event: str  # moved, withdrawn, returned
    day: date
    country: str = ""
    subdivision: str = ""


class Stay(NamedTuple):
    """A time at places that the same rules see as one. Only what decides rules is kept of a place, so no time zone."""

    since: date | None  # the day on which it came there; None: from the beginning of what is on record
    place: Place


class Placing(NamedTuple):
    """What the log says of where a unit stands and who was told of it."""

    changes: tuple[Change, ...] = ()  # not reported to the register since, in the order of their time
    unannounced: tuple[date, ...] = ()  # days of moves that local responders were not told of since, in order
    announced_on: date | None = None  # the last day on which local responders were told
    registered_on: date | None = None  # the last report that the unit was registered, or its registration renewed
    stays: tuple[Stay, ...] = ()  # in order, the present one last; empty: it never came from where other rules hold


class Cover(NamedTuple):
    """A loan unit that stands in the place of another."""

    unit: str  # its code
    since: date
    condition: str  # of the loan unit, in words
    holds: bool  # whether it can be relied on, so that the spot counts as covered


class Pads(NamedTuple):
    """What the log says of the fitted pads of one kind. Each day is the first on which somebody saw it so."""

    kind: str
    low_on: date | None = None  # the window says they expire soon, and none of the kind fitted since
    bad_on: date | None = None  # opened, used or past by the window, and none of the kind fitted since
    missing_on: date | None = None  # known to be missing


class Fitting(NamedTuple):
    """A part that the register's own files tell of as fitted, beside the log. `on`: at the site; None: not recorded."""

    kind: str
    on: date | None


class Evidence(NamedTuple):
    """What the log says of one unit today. Every day is the day at the site; None: nothing of the kind on record."""

    looked_on: date | None = None  # last check of any scope by a known person
    tested_on: date | None = None  # last check of scope test or wider
    inspected_on: date | None = None  # last check of scope inspection
    reported_on: date | None = None  # last report of a check to the authority
    withdrawn_on: date | None = None  # withdrawn and not returned since
    used_at: datetime | None = None  # a use not yet restored
    last_used_on: date | None = None  # the last use, restored or not
    fault_on: date | None = None  # a fault not cleared since
    fault: str = ""
    battery_low_on: date | None = None  # lowest non-empty reading on the battery now fitted
    battery_empty_on: date | None = None
    # Of pads of any kind that `pads` does not name: seen while none was on record as fitted.
    pads_low_on: date | None = None
    pads_bad_on: date | None = None
    pads_missing_on: date | None = None
    ordered: tuple[tuple[str, date], ...] = ()  # every open order: part kind, day it is expected; sorted
    bad_readings: tuple[tuple[str, str, date], ...] = ()  # reading, value, bad since; not mended yet, sorted
    uses: tuple[Use, ...] = ()  # in the order of their time
    out_of_service_on: date | None = None  # withdrawn, faulty, used, without pads or battery, and not replaced
    sent_on: date | None = None  # last self-test result that the unit sent by itself
    placing: Placing | None = None  # None: never moved, withdrawn, returned or reported as registered
    pads: tuple[Pads, ...] = ()  # kinds of which it says something else than of the others; sorted
    # Reference of a safety notice, what was recorded about it (`readings.STAGES`, corrected), last day of that; sorted.
    notices: tuple[tuple[str, str, date], ...] = ()

    def day_of_use(self) -> date | None:
        """The day of the use that is not yet restored, where the unit stood at the time; None where `uses` lacks it."""
        return next((use.day for use in self.uses if use.at == self.used_at), None)

    def of_pads(self, kind: str) -> Pads:
        """What it says of the pads of one kind."""
        for said in self.pads:
            if said.kind == kind:
                return said
        return Pads(kind, self.pads_low_on, self.pads_bad_on, self.pads_missing_on)


class Marks(NamedTuple):
    """What tells one unit from another of its model, by which a safety notice finds it. "" or None: not recorded."""

    serial: str = ""
    made_on: date | None = None
    firmware: str = ""


class UnitFacts(NamedTuple):
    """All that reckoning knows of one unit."""

    unit: str
    model: str
    in_service_on: date | None
    parts: tuple[Part, ...]
    evidence: Evidence
    marks: Marks | None = None  # None: not read, because no notice is in force
    monthly_celsius: tuple[float, ...] = ()  # mean of each month where it stands, January first; empty: not recorded
    registered_with: str = ""
    registered_on: date | None = None
    cover: Cover | None = None  # the loan unit in its place
    # Spares of its site that are kept for it: number of the fitted part that one is to replace, last good day of the
    # spare. 0: for a part that is missing.
    promised: tuple[tuple[int, date], ...] = ()


class Certificate(NamedTuple):
    """A certificate of a person as recorded; `printed` is the last good day printed on it, None: none recorded."""

    name: str
    issued_on: date | None
    printed: date | None


class Entry(NamedTuple):
    """One log entry as reckoning sees it. `known` is whether a known person made it; struck entries are left out."""

    at: datetime
    day: date  # of `at`, at the site
    entry: str
    known: bool
    readings: dict[str, str]
    part: dict[str, str]
    note: str
    origin: tuple[str, str] = ("", "")  # of a move: country and subdivision it came from; "": not on record
    id: int = 0  # its place in the log
