"""Rules: when something is owed, by whom it is asked, and which of them bind at a place on a day."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from enum import StrEnum
from typing import NamedTuple

from .facts import Place

ANNOUNCED_DAYS = 90


class Force(StrEnum):
    """How strongly a rule binds."""

    LAW = "law"
    GUIDANCE = "guidance"
    MANUFACTURER = "manufacturer"
    COMMON_PRACTICE = "common practice"
    HOUSE = "house"


class Subject(StrEnum):
    """What a rule is about. The evidence for each is said in `reckoning.duties`."""

    LOOK = "look"
    TEST = "test"
    INSPECTION = "inspection"
    REPORT_CHECK = "report-check"
    SELF_TEST = "self-test-report"  # what the unit sends by itself: no check by a person stands for it
    RESTORE = "restore"
    REPORT_USE = "report-use"
    REPLACE = "replace"
    REGISTER = "register"  # the unit, and what changes about it, with the register of the place
    RENEW = "renew-registration"
    NOTIFY = "notify-responders"  # of the most recent placement
    PADS = "pads"
    BATTERY = "battery"
    KIT = "kit"
    CERTIFICATE = "certificate"  # of a person, by its name
    REFRESHER = "refresher"  # recommended in between; nobody's certificate ends for want of one
    RESPONDERS = "responders"  # how many people with a certificate in date a site is to have
    RECORDS = "records"  # how long what the log says is kept: nothing is owed by it, and reckoning passes it over


class Span(StrEnum):
    """The shapes of reckoning.md §1, each a way from the evidence to the last good day."""

    DAYS = "days"
    MONTHS = "months"
    MONTHS_TO_MONTH_END = "months to month end"
    EACH = "each"
    WORKING_DAYS = "working days"
    HOURS = "hours"
    AT_ONCE = "at once"
    PER_MODEL = "per model"
    LABEL = "label"
    NUMBER = "number"  # of responders: no date by itself
    # How long records are kept; only for the subject `records`.
    KEPT_MONTHS = "kept months"
    KEPT_FOR_LIFE = "kept for the life of the unit"
    KEPT_UNTIL_NEXT_CHECK = "kept until the next check"
    KEPT_AFTER_ROLE = "kept months after the role"


KEPT = (Span.KEPT_MONTHS, Span.KEPT_FOR_LIFE, Span.KEPT_UNTIL_NEXT_CHECK, Span.KEPT_AFTER_ROLE)


class Shape(NamedTuple):
    """A span with its number (`n`, in the span's own unit) or calendar period (week, month, quarter, year)."""

    span: Span
    n: int = 0
    period: str = ""


class Staffing(NamedTuple):
    """How many responders a rule asks for: at least so many; one a unit up to so many, then one a full `then_per`."""

    at_least: int = 0
    per_unit_up_to: int = 0
    then_per: int = 0

    def needed(self, units: int) -> int:
        """The number for a site with so many units; 0 where there are none."""
        if units <= 0:
            return 0
        found = min(units, self.per_unit_up_to)
        if self.then_per and units > self.per_unit_up_to:
            found += (units - self.per_unit_up_to) // self.then_per
        return max(found, self.at_least)


class Rule(NamedTuple):
    """One rule of a pack. `effective_from` and `effective_to` are both days on which it still counts."""

    id: str
    title: str
    subject: Subject
    shape: Shape
    country: str
    subdivision: str
    site_types: tuple[str, ...]
    force: Force
    source: str
    verified_on: date
    effective_from: date | None = None
    effective_to: date | None = None
    replaces: tuple[str, ...] = ()
    use_counts: bool = False  # a use restarts the clock, as a check does
    order_lead_months: int | None = None  # parts: how long before the last good day to order
    opens_days: int | None = None  # the window before the last good day; None: the default of reckoning.md §1
    note: str = ""
    in_service_from: date | None = None  # binds only units put in service (or placed) on or after that day
    occasions: tuple[str, ...] = ()  # of a rule about placing: what it asks by (`placing.OCCASIONS`)
    not_in_force: str = ""  # why the text does not bind (yet); such a rule is shown and never reckoned
    certificates: tuple[str, ...] = ()  # names that certificates are known by; "*" is every certificate
    part: str = ""  # of a certificate that holds for its parts differently long: which
    staffing: Staffing | None = None  # of the subject `responders`

    def in_force(self, day: date) -> bool:
        """Whether the rule counts on that day; its first and last day are inside."""
        return (
            not self.not_in_force
            and (self.effective_from is None or self.effective_from <= day)
            and (self.effective_to is None or day <= self.effective_to)
        )

    def binds_at(self, place: Place) -> bool:
        """Whether the rule's scope holds the place. An empty scope field holds every place."""
        return (
            (not self.country or self.country == place.country)
            and (not self.subdivision or self.subdivision == place.subdivision)
            and (not self.site_types or place.site_type in self.site_types)
        )

    def touches(self, in_service_on: date | None) -> bool:
        """Whether the rule is about a unit put in service on that day; where the day is not known, it may be."""
        return self.in_service_from is None or in_service_on is None or self.in_service_from <= in_service_on


class ModelSheet(NamedTuple):
    """What a device model needs, from its manual. None or empty: the sheet is silent, which is never a default."""

    model: str
    source: str
    verified_on: date
    standby_months: int | None = None
    pads: tuple[str, ...] = ()  # pad kinds that must be fitted
    child_by_switch: bool = False
    kit: tuple[str, ...] = ()  # kit parts with dates that must be there
    battery_bars: int | None = None  # the full reading of its window
    intervals: tuple[tuple[str, Shape], ...] = ()  # subject → the manufacturer's interval
    memory_events: int | None = None
    memory_hours_each: int | None = None
    rated_shocks: int | None = None  # of a new battery
    rated_minutes: int | None = None  # that a new battery keeps the unit switched on
    doubling_celsius: int = 10  # self-discharge doubles with every so many degrees above 25
    min_celsius: int | None = None
    max_celsius: int | None = None

    def interval(self, subject: str) -> Shape | None:
        """The manufacturer's interval for the subject; None where the manual gives none."""
        return dict(self.intervals).get(subject)


def binding(rules: Iterable[Rule], place: Place, day: date) -> tuple[Rule, ...]:
    """The rules that bind at the place on the day, in a fixed order, less those that another of them replaces."""
    bound = [rule for rule in rules if rule.binds_at(place) and rule.in_force(day)]
    replaced = {rule_id for rule in bound for rule_id in rule.replaces}
    return tuple(sorted((rule for rule in bound if rule.id not in replaced), key=lambda rule: rule.id))


def announced(rules: Iterable[Rule], place: Place, day: date) -> tuple[Rule, ...]:
    """The rules that will bind at the place but start only within the next 90 days."""
    limit = day + timedelta(days=ANNOUNCED_DAYS)
    coming = [
        rule
        for rule in rules
        if rule.binds_at(place) and not rule.not_in_force
        if rule.effective_from is not None and day < rule.effective_from <= limit
    ]
    return tuple(sorted(coming, key=lambda rule: (rule.effective_from, rule.id)))
