"""What placing and moving a unit leaves to be said: to the register of the place, and to the responders near by.

A placement is known from the day of putting in service and from the log; what was reported since then is met. A unit
whose registration is not on record owes it, and one whose day is not on record says so: it is never taken as done.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from .beginnings import Start, Starts, always
from .dates import WorkingDays, last_good_day, opens
from .facts import Change, Placing, UnitFacts
from .owed import Because, Duty, Standing, by_date, standing_of
from .rules import Rule, Span

PLACED, MOVED, WITHDRAWN, RETURNED = "placed", "moved", "withdrawn", "returned"
# What a rule about placing can be asked by.
OCCASIONS = (PLACED, MOVED, WITHDRAWN, RETURNED)
_NOTHING = Placing()
_SAID = {MOVED: "moved", WITHDRAWN: "withdrawn", RETURNED: "returned to service"}


def registration_duties(
    day: date, facts: UnitFacts, rules: Sequence[Rule], working: WorkingDays, starts: Starts = always
) -> list[Duty]:
    """The registrations that the place's rules ask for: at most one duty a rule, each goes to another register.

    The first registration counts from the day of putting in service, or from the move that brought the unit into the
    rule's country or subdivision; a change from the day of the change. Of several the first decides, so that a later
    one never gives more time. `register/RULE` is the first registration, `re-register/RULE` a change of one.
    """
    found = []
    for rule in rules:
        owed = _owed_to(rule, facts)
        if owed is not None:
            found.append(_duty(day, rule, working, starts(rule), *owed))
    return found


def renewal_duties(
    day: date, facts: UnitFacts, rules: Sequence[Rule], working: WorkingDays, starts: Starts = always
) -> list[Duty]:
    """Registrations that end: reckoned from the newest day of registration on record; without one, not recorded.

    A registration from before the unit came into the rule's reach was with another register: what is to be renewed
    here has its whole time from the first day on.
    """
    since = registered_on(facts)
    found = []
    kind, what = "renew-registration", "renew the registration"
    for rule in rules:
        key = f"{kind}/{rule.id}"
        if since is None:
            said = "the day of registration is not on record" if facts.registered_with else "no registration on record"
            found.append(_unknown(key, kind, what, rule, said))
            continue
        begun = starts(rule)
        base = since if begun.is_here(since) else begun.floor(since)
        after = last_good_day(rule.shape, base, working)
        good, begins = begun.floor(after), opens(rule.shape, base, after, rule.opens_days)
        because = (Because.of(rule, good, begun.said(f"registered {since}", after if base == since else since)),)
        standing = standing_of(day, begins, good)
        found.append(Duty(key, kind, what, standing, begins, None, good, None, "coordinator", str(base), because))
    return found


def responders_duty(
    day: date, facts: UnitFacts, rules: Sequence[Rule], working: WorkingDays, starts: Starts = always
) -> Duty | None:
    """Responders near by are told of the most recent placement; the earliest of the rules decides.

    Counted from the first placement that they were not told of; a rule with `in_service_from` passes over placements
    before that day. A unit of which no placement is on record owes nothing by this: there is no event to tell of.
    """
    placing = facts.evidence.placing or _NOTHING
    events = [(on, MOVED) for on in placing.unannounced]
    if placing.announced_on is None and facts.in_service_on is not None:
        events.append((facts.in_service_on, PLACED))
    found: list[Because] = []
    since: list[date] = []
    for rule in rules:
        first = rule.in_service_from or date.min
        owed = sorted((on, event) for on, event in events if on >= first and event in rule.occasions)
        if owed:
            on, event = owed[0]
            said = f"{'put in service' if event == PLACED else 'moved'} {on}, local responders not told since"
            begun = starts(rule)
            base = begun.floor(on)
            found.append(Because.of(rule, last_good_day(rule.shape, base, working), begun.said(said, on)))
            since.append(base)
    if not found:
        return None
    because = by_date(found, [])
    opened, good = min(since), because[0].last_good_day or min(since)
    kind, what = "notify-responders", "tell local responders where the unit stands"
    standing, period = standing_of(day, opened, good), str(opened)
    return Duty(kind, kind, what, standing, opened, None, good, None, "coordinator", period, because)


def registered_on(facts: UnitFacts) -> date | None:
    """The newest day of registration on record, in the register or in the log."""
    reported = (facts.evidence.placing or _NOTHING).registered_on
    return max((on for on in (facts.registered_on, reported) if on is not None), default=None)


def _owed_to(rule: Rule, facts: UnitFacts) -> tuple[str, date | None, str] | None:
    """Kind of duty, day that it counts from (None: not recorded) and the evidence; None where nothing is owed."""
    placing = facts.evidence.placing or _NOTHING
    changes = [change for change in placing.changes if _counts(rule, change, facts.registered_on)]
    arrived = [change for change in changes if _came_from_outside(rule, change)]
    registered = facts.registered_with != "" or registered_on(facts) is not None
    if PLACED in rule.occasions and rule.touches(facts.in_service_on):
        if arrived:
            return "register", arrived[0].day, f"moved here {arrived[0].day}, no registration since on record"
        if not registered:
            on = facts.in_service_on
            said = "no registration on record"
            return (
                "register",
                on,
                f"put in service {on}, {said}" if on else f"{said}, nor the day of putting in service",
            )
    asked = [change for change in changes if change.event in rule.occasions]
    if not asked:
        return None
    first = asked[0]
    said = f"{_SAID[first.event]} {first.day}, not reported to the register since"
    return "re-register", first.day, said


def _counts(rule: Rule, change: Change, registered: date | None) -> bool:
    """A registration on a later day answers the change; one of the same day may have been before it."""
    if registered is not None and registered > change.day:
        return False
    return rule.in_service_from is None or change.day >= rule.in_service_from


def _came_from_outside(rule: Rule, change: Change) -> bool:
    """Whether the unit came from where the rule does not hold. A move from a place not on record is one within."""
    if change.event != MOVED or not change.country:
        return False
    return (rule.country not in ("", change.country)) or (rule.subdivision not in ("", change.subdivision))


def _duty(day: date, rule: Rule, working: WorkingDays, begun: Start, kind: str, on: date | None, said: str) -> Duty:
    key = f"{kind}/{rule.id}"
    what = "register the unit" if kind == "register" else "report the change to the register"
    if on is None:
        return _unknown(key, kind, what, rule, said)
    # Nobody owed it before the rule bound the unit: what was there already has the same time from that day on.
    on, said = begun.floor(on), begun.said(said, on)
    good = last_good_day(rule.shape, on, working)
    because = (Because.of(rule, good, said),)
    standing = standing_of(day, on, good)
    return Duty(key, kind, f"{what} {_within(rule)}", standing, on, None, good, None, "coordinator", str(on), because)


def _unknown(key: str, kind: str, what: str, rule: Rule, said: str) -> Duty:
    because = (Because.of(rule, None, said),)
    return Duty(key, kind, what, Standing.NOT_RECORDED, None, None, None, None, "coordinator", "", because)


def _within(rule: Rule) -> str:
    n, span = rule.shape.n, rule.shape.span
    if span is Span.AT_ONCE:
        return "at once"
    word = {Span.WORKING_DAYS: "working day", Span.MONTHS: "month"}.get(span, "day")
    return f"within {n} {word}" + ("" if n == 1 else "s")
