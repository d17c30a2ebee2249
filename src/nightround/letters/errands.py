"""Decides who is to be told of which case now. Looks only; each case and mailbox at most once.

1. Every open case that nobody has in hand climbs its ladder (`cases.ladders`); where it stands says who is to be told,
   and whoever of them was not told at that step yet is told now, if their hours allow it.
2. Whoever belongs to an earlier step and heard nothing in this lap (somebody took over the watch, or got an address)
   is told too.
3. Whoever hears of something urgent for the first time is told at once. Where everybody of a step has had many urgent
   letters within the hour, the next step is told at once as well.
4. Whoever was told before hears again with their letter of the day, more days apart each time (`letters.turns`).
5. What was already wrong when a unit came in, and was never escalated, goes to those and to the site's coordinators
   and managers in one opening letter each.
6. Whoever was told of a case is told once that it is closed.
7. All of it within what a mailbox, and the fleet, may get within an hour (`letters.brake`).

A rehearsal leaves cases alone of which it knows that nothing is owed yet (`letters.resting`).
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlalchemy import Connection, bindparam, select

from ..cases import ladders
from ..cases.climbing import Change, Ladders, Open, Told, open_cases, told_in_lap
from ..cases.ladders import Climb, Ladder
from ..reckoning.dates import local_day, local_instant
from ..settings import Settings
from ..store.recalling import notes, recall
from ..store.tables import cases, messages, sites, tellings
from ..store.types import Instant
from . import brake, closing
from .gathering import OPENED_TO, Letters, Standing
from .lists import chunks
from .planned import Errand, Mark, Plan
from .resting import Resting
from .templates import say_count
from .views import View, Views
from .watch import Watch

# An opening letter is for what has just come in; what is found later to be untold is told like any other case.
OPENING = timedelta(hours=48)
SHOWN_SITES = 5


def plan(conn: Connection, settings: Settings, now: datetime, on: date | None = None) -> Plan:
    """What is owed at that instant, or on a civil date."""
    at = moment(settings, now, on)
    open_now = open_cases(conn, at)
    known = recall(conn, "ladders", (), lambda: Ladders(settings))
    hour = brake.Hour(conn, settings, now)
    closings = closing.errands(conn, settings, known, now, on)
    if not open_now:
        made = Plan((), (), tuple(closings), (), ())
        return made if on is not None else brake.within(conn, settings, now, made, None, hour)
    watch = _watch(conn, settings, at, open_now, known)
    views = Views(watch, settings, notes(conn, "called"))
    newcomers = _never_escalated(conn, now, open_now)
    resting = Resting(conn, lambda case: views.of(case.site_id, known.of(case.severity, case.site_type)).everybody)
    stirring = [case for case in open_now if on is not None or case.id in newcomers or not resting.still(case, at)]
    told = told_in_lap(conn, stirring)
    changes: list[Change] = []
    unreached: list[tuple[Open, str]] = []
    ahead: list[datetime] = resting.until
    standing: list[Standing] = []
    for case in stirring:
        ladder = known.of(case.severity, case.site_type)
        view = views.of(case.site_id, ladder)
        was = case.climb
        climb = was or ladders.start(case.grade, min(case.opened_at, at))
        climb, move = ladders.go_on(ladder, climb, at, view, case.grade)
        had = told.get(case.id, set()) if climb.lap == (0 if was is None else was.lap) else set()
        climb, full = _past_the_full(case, ladder, climb, at, view, had, hour)
        # Where the first step has not begun there is nothing to keep, unless its wait is counted from the new lap.
        if climb != was and (climb.rung >= 0 or was is not None):
            changes.append(Change(case.id, was, climb))
        if not view.anybody:
            unreached.append((case, view.gap))
            continue
        if full:
            move = ladders.next_move(ladder, climb, at, view)
        turns = [] if move is None else [move.at]
        if climb.rung < 0:
            ahead += turns
            continue
        standing.append(Standing(case, ladder, view, climb, had, tuple(full), turns))
    letters = Letters(settings, now, on, views.hours, newcomers)
    letters.tell(conn, standing)
    for one in standing:
        ahead += one.turns
        if on is None and one.case.id not in newcomers and not one.unsettled:
            resting.lay(one.case._replace(climb=one.climb), one.owed, one.turns)
    marks = {one.case.id: one.mark for one in standing}
    _open_to_all(watch, [case for case in open_now if case.id in newcomers], marks, letters, now, on)
    openings, escalations = letters.openings, letters.escalations()
    _told_before(conn, openings, escalations)
    made = Plan(
        tuple(sorted(escalations, key=_by_code)),
        tuple(sorted((errand for errand in openings if errand.marks), key=_by_code)),
        tuple(closings),
        tuple(changes),
        _untellable(conn, unreached),
        min((instant for instant in ahead if instant > at), default=None),
        resting=resting,
    )
    # A round of another date, run by hand, knows no hours.
    return made if on is not None else brake.within(conn, settings, now, made, watch, hour)


def _past_the_full(
    case: Open, ladder: Ladder, climb: Climb, at: datetime, view: View, had: set[Told], hour: brake.Hour
) -> tuple[Climb, list[str]]:
    """The climb of an urgent case beyond steps where everybody who would hear of it now has had their letters of this
    hour: they are told all the same, and the next at once. Also who that is."""
    full: list[str] = []
    told = {said.mailbox for said in had}
    while case.severity == "urgent" and climb.rung >= 0 and climb.turn == 0 and climb.lap == climb.fresh:
        here = view.people(climb.rung)
        if not here or not all(hour.full(reader.mailbox) for reader in here):
            break
        if all(reader.mailbox in told for reader in here):
            break
        beyond = ladders.pass_on(ladder, climb, at, view)
        if beyond is None:
            break
        full += [reader.called for reader in here]
        climb = beyond
    return climb, full


def _by_code(errand: Errand) -> tuple[str, str]:
    return errand.reader.person, errand.reader.mailbox


def _watch(
    conn: Connection,
    settings: Settings,
    at: datetime,
    open_now: list[Open],
    known: Ladders,
) -> Watch:
    site_ids = {case.site_id for case in open_now if case.site_id is not None}
    return Watch.over(conn, settings, at, site_ids, known.names())


def _open_to_all(
    watch: Watch,
    newcomers: list[Open],
    marks: dict[int, Mark],
    letters: Letters,
    now: datetime,
    on: date | None,
) -> None:
    """Adds the cases that came in with their units for those who get the opening letter beside who is called."""
    had: dict[str, set[int]] = {}
    for errand in (*letters.escalations(), *letters.openings):
        had.setdefault(errand.reader.mailbox, set()).update(errand.marks)
    for case in newcomers:
        for role in OPENED_TO:
            for reader in watch.holders(case.site_id, role):
                theirs = had.setdefault(reader.mailbox, set())
                if not reader.reached or case.id in theirs:
                    continue
                theirs.add(case.id)
                letters.open_to(reader, case, marks.get(case.id, (0, 0, 0)))


def _told_before(conn: Connection, openings: list[Errand], escalations: list[Errand]) -> None:
    """Fills in what each was told of earlier; an opening letter leaves that out."""
    told = _ever_told(conn, [*openings, *escalations])
    for errand in openings:
        before = told.get(errand.reader.mailbox, set())
        errand.marks = {case_id: mark for case_id, mark in sorted(errand.marks.items()) if case_id not in before}
    for errand in escalations:
        errand.before = told.get(errand.reader.mailbox, set()) & errand.marks.keys()


def moment(settings: Settings, now: datetime, on: date | None) -> datetime:
    """The instant by which rotas, takings and steps are judged: now, or the morning of another civil date."""
    zone = settings.fleet.time_zone
    return now if on is None or on == local_day(now, zone) else local_instant(on, settings.letters.at, zone)


def _never_escalated(conn: Connection, now: datetime, open_now: list[Open]) -> set[int]:
    """The cases that came in with their units not long ago and that no escalation has told of yet."""
    new = {case.id for case in open_now if case.found_at_import and now - case.opened_at <= OPENING}
    if not new:
        return new
    return new - set(conn.execute(_ESCALATED, {"b_since": now - OPENING}).scalars())


_ESCALATED = (
    select(tellings.c.case_id)
    .join(messages, messages.c.id == tellings.c.message_id)
    .join(cases, cases.c.id == tellings.c.case_id)
    .where(
        cases.c.found_at_import,
        cases.c.closed_at.is_(None),
        cases.c.opened_at >= bindparam("b_since", type_=Instant),
        messages.c.kind == "escalation",
    )
    .distinct()
)


def _ever_told(conn: Connection, errands: list[Errand]) -> dict[str, set[int]]:
    """By mailbox, the cases that it was told of at any time: of all those that any of them is to be told of now."""
    found: dict[str, set[int]] = {}
    case_ids = sorted({case_id for errand in errands for case_id in errand.marks})
    mailboxes = sorted({errand.reader.mailbox for errand in errands})
    for some in chunks(mailboxes):
        for chunk in chunks(case_ids):
            for mailbox, case_id in conn.execute(_EVER_TOLD, {"b_ids": chunk, "b_mailboxes": some}).all():
                found.setdefault(mailbox, set()).add(case_id)
    return found


_EVER_TOLD = (
    select(tellings.c.mailbox, tellings.c.case_id)
    .where(
        tellings.c.case_id.in_(bindparam("b_ids", expanding=True)),
        tellings.c.mailbox.in_(bindparam("b_mailboxes", expanding=True)),
    )
    .distinct()
)


def _untellable(conn: Connection, unreached: list[tuple[Open, str]]) -> tuple[str, ...]:
    """The sites where something is open and nobody can be told, by what is missing there."""
    missing: dict[str, list[Open]] = {}
    for case, gap in unreached:
        missing.setdefault(gap, []).append(case)
    found = []
    for gap, listed in missing.items():
        site_ids = sorted({case.site_id for case in listed if case.site_id is not None})
        query = select(sites.c.site).where(sites.c.id.in_(site_ids[:SHOWN_SITES])).order_by(sites.c.site)
        codes = list(conn.execute(query).scalars())
        more = f" and {len(site_ids) - len(codes)} more" if len(site_ids) > len(codes) else ""
        at = f" (sites: {', '.join(codes)}{more})" if codes else ""
        found.append(f"nobody is told of {say_count(len(listed), 'open case')}: {gap}{at}")
    return tuple(found)
