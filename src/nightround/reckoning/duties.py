"""Facts, rules and a day in; duties and the unit's condition out.

Same input, same output, to the byte. Results for equal facts are remembered within one `Reckoner`, which stands for
one kind of place on one day: that is what makes a fleet of a hundred thousand units a matter of seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date

from .aftermath import (
    crew_note_duty,
    download_duty,
    put_right_duty,
    replace_duty,
    report_duties,
    restore_duty,
)
from .beginnings import Starts, start_of
from .checks import interval_rules, round_duty
from .condition import condition_of
from .dates import WorkingDays, local_day
from .facts import Part, Place, Stay, UnitFacts
from .noticed import Board
from .owed import Duty, Reckoned, Standing
from .parts import (
    FROM_FITTING,
    NONE,
    Limits,
    at_hand,
    kinds_wanted,
    limits_of,
    missing_part_duty,
    part_duty,
    relieved,
    subject_of,
)
from .placing import registration_duties, renewal_duties, responders_duty
from .rules import ModelSheet, Rule, Span, Subject
from .sharing import Claim

ROUNDS = (Subject.LOOK, Subject.TEST, Subject.INSPECTION, Subject.REPORT_CHECK, Subject.SELF_TEST)
# Which field of the evidence says when it was last done.
_DONE = {
    Subject.LOOK: "looked_on",
    Subject.TEST: "tested_on",
    Subject.INSPECTION: "inspected_on",
    Subject.REPORT_CHECK: "reported_on",
    Subject.SELF_TEST: "sent_on",
}

PARTS = (Subject.PADS, Subject.BATTERY, Subject.KIT)

# Results kept at most; a fleet has few distinct dates, but memory must not depend on that.
KEPT = 20_000

_Era = tuple[bool, ...]
_Begun = tuple[date | None, tuple[Stay, ...]]  # day of putting in service, stays: as far as they can matter
_Round = tuple[Subject, tuple[Rule, ...], bool, bool]
_NOT_BEGUN: _Begun = (None, ())
_CheckKey = tuple[Subject, _Era, date | None, _Begun, date | None, str]
_PartKey = tuple[str, str, date | None, date | None, Limits, _Begun]


class Reckoner:
    """Reckons the units of one kind of place on one day.

    `rules` are those that bind there on that day (`rules.binding`), `sheets` the model sheets by model name,
    `working` the place's calendar of working days, `board` the safety notices in force, None where there are none.
    `bound` gives the names of the rules that bind at another place on that day; without it, what they say of their
    reach decides.
    """

    def __init__(
        self,
        place: Place,
        rules: Sequence[Rule],
        sheets: Mapping[str, ModelSheet],
        working: WorkingDays,
        day: date,
        board: Board | None = None,
        bound: Callable[[Place], Collection[str]] | None = None,
    ) -> None:
        self._place = place
        self._bound = bound or (lambda where: {rule.id for rule in rules if rule.binds_at(where)})
        self._of_packs = frozenset(rule.id for rule in rules)
        self._day = day
        self._sheets = sheets
        self._working = working
        self._board = board
        self._rules: dict[Subject, tuple[Rule, ...]] = {
            subject: tuple(rule for rule in rules if rule.subject is subject) for subject in Subject
        }
        # Rules for units put in service from some day on; which of them touch a unit is its era.
        self._dated = tuple(rule for rule in rules if rule.in_service_from is not None and rule.subject in ROUNDS)
        # The kinds of part for which a rule counts from the day of fitting, so that its start can matter.
        self._from_fitting = {
            rule.subject for rule in rules if rule.subject in PARTS and rule.shape.span in FROM_FITTING
        }
        self._places = any(self._rules[subject] for subject in (Subject.REGISTER, Subject.RENEW, Subject.NOTIFY))
        self._rounds: dict[tuple[_Era, str], tuple[_Round, ...]] = {}
        self._own_rules: dict[str, tuple[Rule, ...]] = {}
        self._known_checks: dict[_CheckKey, Duty] = {}
        self._known_parts: dict[_PartKey, Duty] = {}

    def unit(self, facts: UnitFacts) -> Reckoned:
        """Everything one unit owes, in a fixed order, and its condition."""
        checks = self._checks(facts)
        duties = [*checks, *self._parts(facts)]
        starts = self._starts(facts.in_service_on, _stays(facts))
        evidence = facts.evidence
        if evidence.used_at is not None:
            rules = self._rules[Subject.RESTORE]
            used_on = evidence.day_of_use() or local_day(evidence.used_at, self._place.time_zone)
            duties.append(restore_duty(self._day, evidence.used_at, used_on, rules))
        if evidence.uses:
            duties += self._after_use(facts, starts)
        if self._places:
            duties += self._placing(facts, starts)
        covered_by_loan = facts.cover is not None and facts.cover.holds
        if evidence.out_of_service_on is not None and self._rules[Subject.REPLACE] and not covered_by_loan:
            rules = self._rules[Subject.REPLACE]
            duties.append(replace_duty(self._day, evidence.out_of_service_on, rules, self._working, starts))
        if evidence.fault_on is not None or evidence.bad_readings:
            duties.append(put_right_duty(self._day, evidence))
        stopped: tuple[str, ...] = ()
        if self._board is not None:
            noticed, stopped = self._board.duties(self._day, facts)
            duties += noticed
        look = checks[0] if checks and checks[0].kind == Subject.LOOK else None
        condition, reasons = condition_of(self._day, facts, duties, look, stopped)
        return Reckoned(tuple(duties), condition, reasons)

    def _starts(self, in_service_on: date | None, stays: tuple[Stay, ...]) -> Starts:
        """From when on each rule binds such a unit."""
        return lambda rule: start_of(
            rule, stays, in_service_on, self._bound if rule.id in self._of_packs else _goes_along
        )

    def _after_use(self, facts: UnitFacts, starts: Starts) -> list[Duty]:
        """What uses leave to be done besides restoring the unit."""
        uses, zone = facts.evidence.uses, self._place.time_zone
        found = report_duties(self._day, uses, self._rules[Subject.REPORT_USE], zone, self._working, starts)
        others = (
            download_duty(self._day, uses, self._sheets.get(facts.model)),
            crew_note_duty(self._day, uses),
        )
        return [*found, *(duty for duty in others if duty is not None)]

    def _placing(self, facts: UnitFacts, starts: Starts) -> list[Duty]:
        """What registers and responders near by are to be told of the unit."""
        day, working, rules = self._day, self._working, self._rules
        found = registration_duties(day, facts, rules[Subject.REGISTER], working, starts)
        found += renewal_duties(day, facts, rules[Subject.RENEW], working, starts)
        told = responders_duty(day, facts, rules[Subject.NOTIFY], working, starts)
        return found if told is None else [*found, told]

    def claims(self, facts: UnitFacts) -> list[Claim]:
        """What the unit would have to order, or has to replace already, without anything of its own at hand.

        Of a kind that is missing only where it is known since when. A withdrawn unit needs nothing.
        """
        if facts.evidence.withdrawn_on is not None:
            return []
        owed = self._parts(facts)
        missing = (Part(0, duty.kind, "fitted", None, None) for duty in owed[len(facts.parts) :])
        found = []
        for part, duty in zip((*facts.parts, *missing), owed, strict=True):
            good = duty.last_good_day
            if part.state == "fitted" and good is not None and self._day >= (duty.order_by or good):
                own = at_hand(self._day, part, facts.parts, facts.evidence.ordered)
                if own is None or own <= good:
                    found.append(Claim(good, facts.unit, part.kind, part.id))
        return found

    def spare(self, part: Part) -> Duty:
        """The duty of a spare that is kept at a site, for no one unit."""
        return self._named(part, NONE)

    def noticed_spares(self, parts: Sequence[Part]) -> list[Duty]:
        """What safety notices ask about the spares that are kept at one site, for no one unit."""
        return [] if self._board is None else self._board.spares(self._day, parts)

    def _checks(self, facts: UnitFacts) -> list[Duty]:
        said = facts.evidence
        found: list[Duty] = []
        era = tuple([rule.touches(facts.in_service_on) for rule in self._dated]) if self._dated else ()
        own = self._sheet_rules(facts.model)
        which = (era, facts.model if own else "")
        rounds = self._rounds.get(which)
        if rounds is None:
            rounds = self._rounds[which] = self._rounds_of(era, own)
        for subject, rules, use_counts, per_model in rounds:
            done: date | None = getattr(said, _DONE[subject])
            begun = _begun(facts, done)
            used_on = said.last_used_on if use_counts else None
            model = facts.model if per_model or own else ""
            key = (subject, era, done, begun, used_on, model)
            known = self._known_checks.get(key)
            if known is None:
                if len(self._known_checks) >= KEPT:
                    self._known_checks.clear()
                sheet = self._sheets.get(model)
                starts = self._starts(*begun)
                known = round_duty(self._day, subject, rules, done, begun[0], used_on, sheet, self._working, starts)
                self._known_checks[key] = known
            found.append(known)
        return found

    def _sheet_rules(self, model: str) -> tuple[Rule, ...]:
        """What the manual asks for by itself, where no pack says that the manual binds for that subject."""
        known = self._own_rules.get(model)
        if known is None:
            if len(self._own_rules) >= KEPT:
                self._own_rules.clear()
            sheet = self._sheets.get(model)
            known = self._own_rules[model] = () if sheet is None else interval_rules(sheet)
        return known

    def _rounds_of(self, era: _Era, own: tuple[Rule, ...]) -> tuple[_Round, ...]:
        """The rules of each round that touch a unit of that era, and what they look at."""
        passed = {rule.id for rule, touched in zip(self._dated, era, strict=True) if not touched}
        found: list[_Round] = []
        for subject in ROUNDS:
            rules = tuple(rule for rule in self._rules[subject] if rule.id not in passed)
            if not any(rule.shape.span is Span.PER_MODEL for rule in rules):
                rules += tuple(rule for rule in own if rule.subject is subject)
            if rules:
                use_counts = any(rule.use_counts for rule in rules)
                per_model = any(rule.shape.span is Span.PER_MODEL for rule in rules)
                found.append((subject, rules, use_counts, per_model))
        return tuple(found)

    def _parts(self, facts: UnitFacts) -> list[Duty]:
        evidence = facts.evidence
        sheet = self._sheets.get(facts.model)
        duties: list[Duty] = []
        fitted: set[str] = set()
        for part in facts.parts:
            limits = limits_of(part, evidence, sheet, facts.monthly_celsius)
            begun = _NOT_BEGUN
            if part.state == "fitted" and subject_of(part.kind) in self._from_fitting:
                begun = _begun(facts, part.fitted_on)
            duty = self._named(part, limits, begun)
            if duty.standing is Standing.ORDER_NOW:
                duty = relieved(self._day, duty, at_hand(self._day, part, facts.parts, evidence.ordered))
                for part_id, good in facts.promised:
                    if part_id == part.id:
                        duty = relieved(self._day, duty, good)
            duties.append(duty)
            if part.state == "fitted":
                fitted.add(part.kind)
        for kind in kinds_wanted(fitted, sheet):
            duties.append(missing_part_duty(kind, self._rules[subject_of(kind)], evidence, self._day))
        return duties

    def _named(self, part: Part, limits: Limits, begun: _Begun = _NOT_BEGUN) -> Duty:
        key = (part.kind, part.state, part.last_good_day, part.fitted_on, limits, begun)
        known = self._known_parts.get(key)
        if known is None:
            if len(self._known_parts) >= KEPT:
                self._known_parts.clear()
            rules = self._rules[subject_of(part.kind)]
            starts = self._starts(*begun)
            known = part_duty(self._day, part, rules, limits, self._working, starts)
            self._known_parts[key] = known
        name = f"{part.kind}/{part.state}/{part.id}"
        _, kind, subject, standing, opens, order_by, good, deadline, role, _, because, _ = known
        return Duty(name, kind, subject, standing, opens, order_by, good, deadline, role, name, because)


def _goes_along(_place: Place) -> None:
    """Where a rule of the manual binds: wherever the unit goes."""
    return None


def _stays(facts: UnitFacts) -> tuple[Stay, ...]:
    return () if facts.evidence.placing is None else facts.evidence.placing.stays


def _begun(facts: UnitFacts, done: date | None) -> _Begun:
    """What may put off a day that counts from that evidence: only what happened after it."""
    in_service_on, stays = facts.in_service_on, _stays(facts)
    if done is not None:
        if in_service_on is not None and in_service_on <= done:
            in_service_on = None
        if stays and (stays[-1].since is None or stays[-1].since <= done):
            stays = ()
    return in_service_on, stays
