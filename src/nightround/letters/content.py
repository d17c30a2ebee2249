"""What a weekly letter says, as data: one pass over the reader's units and one over their duties. Sends nothing.

Every count stands beside the list that it counts, and both come from the same pass.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import NamedTuple

from ..reckoning.certificates import REFRESHER
from ..reckoning.owed import Condition, Standing
from ..settings import Settings
from . import links
from .items import (
    NOTICE,
    Item,
    by_day,
    by_order,
    models_line,
    notice_item,
    order_line,
    overdue_item,
    part_title,
    recommended_line,
    unit_item,
    visit_items,
)
from .lists import Cut, Worst
from .situation import NOT_RECKONED, WEEK, Owing, Situation, UnitNow, Where
from .templates import say_day
from .wording import Sources, thing

# How many rows of a list a letter shows before it says how many more there are, and where.
SHOWN = 10
SHOWN_THIS_WEEK = 20
SHOWN_A_KIND = 6
SHOWN_SITES = 8
EXAMPLES = 3

WORKING = (str(Condition.IN_SERVICE), str(Condition.WORK_DUE))
# Worst first. The colours (Okabe and Ito) repeat the word beside them and mean nothing alone.
_COLOURS = {
    str(Condition.NOT_TO_BE_RELIED_ON): "#d55e00",
    str(Condition.NO_EVIDENCE): "#cc79a7",
    str(Condition.WORK_DUE): "#0072b2",
    str(Condition.IN_SERVICE): "#56b4e9",
    str(Condition.WITHDRAWN): "#767676",
}


class Bar(NamedTuple):
    """Units of one condition: the word and the number say it, the bar (`width` in hundredths) repeats it."""

    word: str
    number: int
    width: int
    colour: str


class Group(NamedTuple):
    """Parts of one kind to order: for which models, and the rows by the day to order by."""

    title: str
    models: str
    rows: Cut[str]


class Gap(NamedTuple):
    """What is not recorded at one site; `word` is how much, `total` the same as a number."""

    title: str
    word: str
    lines: tuple[str, ...]
    url: str
    total: int


@dataclass(frozen=True, slots=True)
class Content:
    """All the lists of a weekly letter. `conditions` has how many units are in which condition, the worst first: every
    unit once. One that no round has reckoned yet has no evidence for it; `not_reckoned` names those.

    `until` is the last of the seven days that "this week" looks ahead to. Units are counted in `unreliable`,
    `no_evidence`, `not_reckoned` and `withdrawn`; duties in all others.
    """

    units: int
    in_service: int
    conditions: tuple[tuple[int, str], ...]
    bars: tuple[Bar, ...]
    unreliable: Cut[Item]
    overdue: Cut[Item]
    this_week: Cut[Item]
    may_be_done: tuple[tuple[int, str], ...]
    recommended: Cut[str]
    order_now: tuple[Group, ...]
    order_total: int
    no_evidence: Cut[Item]
    not_recorded: Cut[Gap]
    not_recorded_kinds: tuple[tuple[int, str], ...]
    not_reckoned: Cut[str]
    notices: Cut[Item]
    withdrawn: Cut[Item]
    until: date
    sources: Sources

    @property
    def quiet(self) -> bool:
        """Whether nothing is wrong: every unit in service, nothing overdue, due this week, to order or unknown."""
        wrong = self.overdue.total + self.this_week.total + self.order_total + self.not_recorded.total
        wrong += self.notices.total
        working = sum(number for number, word in self.conditions if word in WORKING)
        return 0 < self.units == working and not wrong

    @property
    def owed(self) -> tuple[tuple[int, str], ...]:
        """How long each list of duties is; nought is said too, so that nobody wonders whether a list is missing."""
        return (
            (self.overdue.total, "overdue"),
            (self.this_week.total, f"to do by {say_day(self.until)}"),
            (self.order_total, "to order now"),
            (self.not_recorded.total, "not recorded"),
            (self.notices.total, "under a safety notice"),
        )


def gather(settings: Settings, situation: Situation, today: date) -> Content:
    """The content, from rows of one moment. `today` is the reader's civil day."""
    conditions: Counter[str] = Counter()
    by_condition: dict[str, Worst[UnitNow]] = {word: Worst(SHOWN, _longest) for word in (*_COLOURS, NOT_RECKONED)}
    for unit in situation.units():
        conditions[unit.condition] += 1
        if unit.condition not in WORKING:
            by_condition[unit.condition].add(unit)
    owed = _Owed()
    for _, duties in groupby(situation.duties(), key=lambda duty: duty.holder):
        owed.add(list(duties))
    sources = Sources()
    listed = {word: worst.cut() for word, worst in by_condition.items()}
    counts = Counter(conditions)
    counts[str(Condition.NO_EVIDENCE)] += counts.pop(NOT_RECKONED, 0)
    return Content(
        units=conditions.total(),
        in_service=counts[Condition.IN_SERVICE],
        conditions=tuple((counts[word], word) for word in _COLOURS if counts[word]),
        bars=_bars(counts),
        unreliable=listed[Condition.NOT_TO_BE_RELIED_ON].said(lambda unit: unit_item(settings, unit, to_do=True)),
        overdue=owed.overdue.cut().said(lambda duties: overdue_item(settings, sources, duties)),
        this_week=visit_items(settings, sources, owed.this_week.cut()),
        may_be_done=_numbered(owed.may_be_done),
        recommended=owed.recommended.cut().said(recommended_line),
        order_now=owed.orders(sources),
        order_total=sum(worst.total for worst in owed.order_now.values()),
        no_evidence=listed[Condition.NO_EVIDENCE].said(lambda unit: unit_item(settings, unit)),
        not_recorded=owed.gaps(settings),
        notices=owed.noticed(settings, sources),
        not_recorded_kinds=_numbered(owed.lacking),
        not_reckoned=listed[NOT_RECKONED].said(lambda unit: unit.where.title),
        withdrawn=listed[Condition.WITHDRAWN].said(lambda unit: unit_item(settings, unit)),
        until=today + timedelta(days=WEEK - 1),
        sources=sources,
    )


class _Owed:
    """Sorts duties into the lists of the letter, the duties of one holder at a time."""

    def __init__(self) -> None:
        self.overdue: Worst[list[Owing]] = Worst(SHOWN, lambda duties: by_day(duties[0]), len)
        self.this_week: Worst[Owing] = Worst(SHOWN_THIS_WEEK, by_day)
        self.may_be_done: Counter[str] = Counter()
        self.recommended: Worst[Owing] = Worst(SHOWN, by_day)
        self.order_now: dict[str, Worst[Owing]] = {}
        self._models: dict[str, Counter[str]] = {}
        self.lacking: Counter[str] = Counter()
        self._noticed: dict[str, list[Owing]] = {}
        self._lacking_at: dict[str, tuple[Where, Counter[str], list[str]]] = {}

    def add(self, duties: list[Owing]) -> None:
        overdue = sorted((duty for duty in duties if duty.standing == Standing.OVERDUE), key=by_day)
        if overdue:
            self.overdue.add(overdue)
        for duty in duties:
            if duty.standing == Standing.NOT_RECORDED:
                self._lack(duty)
            elif duty.standing != Standing.OVERDUE:
                self._ahead(duty)
            if duty.kind == NOTICE:
                self._noticed.setdefault(duty.subject, []).append(duty)  # apart: those it means, those it may mean

    def _ahead(self, duty: Owing) -> None:
        last = duty.today + timedelta(days=WEEK - 1)
        if duty.kind == REFRESHER:
            # No round ever calls it overdue, so that it is nothing to do by any day.
            if duty.opens is not None and duty.opens <= last:
                self.recommended.add(duty)
            return
        order = duty.standing == Standing.ORDER_NOW
        if order:
            kind = duty.key.rpartition("/")[0]
            self.order_now.setdefault(kind, Worst(SHOWN_A_KIND, by_order)).add(duty)
            self._models.setdefault(kind, Counter())[_for_what(duty.where)] += 1
        if duty.last_good_day is not None and duty.last_good_day <= last:
            self.this_week.add(duty)
        elif not order and duty.kind != NOTICE and duty.opens is not None and duty.opens <= last:
            self.may_be_done[duty.kind] += 1

    def _lack(self, duty: Owing) -> None:
        self.lacking[duty.kind] += 1
        _, kinds, examples = self._lacking_at.setdefault(duty.where.site, (duty.where, Counter(), []))
        kinds[duty.kind] += 1
        code = duty.where.unit or duty.where.whose
        if code not in examples and len(examples) <= EXAMPLES:
            examples.append(code)

    def orders(self, sources: Sources) -> tuple[Group, ...]:
        """The parts to order, the kind whose turn comes first at the top."""
        cuts = [(kind, worst.cut()) for kind, worst in self.order_now.items()]
        cuts.sort(key=lambda pair: (by_order(pair[1].rows[0]), pair[0]))
        return tuple(
            Group(part_title(kind), models_line(self._models[kind]), cut.said(lambda duty: order_line(sources, duty)))
            for kind, cut in cuts
        )

    def noticed(self, settings: Settings, sources: Sources) -> Cut[Item]:
        """The safety notices that are open at units, a row a notice; those past their day are overdue beside."""
        worst: Worst[list[Owing]] = Worst(SHOWN, lambda duties: (-len(duties), duties[0].subject), len)
        for duties in self._noticed.values():
            worst.add(duties)
        return worst.cut().said(lambda duties: notice_item(settings, sources, duties))

    def gaps(self, settings: Settings) -> Cut[Gap]:
        """What is not recorded, the sites that lack most first."""
        worst: Worst[Gap] = Worst(SHOWN_SITES, lambda gap: (-gap.total, gap.title, gap.url), lambda gap: gap.total)
        for where, kinds, examples in self._lacking_at.values():
            what = ", ".join(f"{thing(kind)}: {number}" for kind, number in _ranked(kinds))
            shown = f"{', '.join(examples[:EXAMPLES])}{' and others' if len(examples) > EXAMPLES else ''}"
            url = links.site_url(settings, where.site)
            total = kinds.total()
            worst.add(Gap(where.site_name, f"{total}", (f"{what} ({shown})",), url, total))
        return worst.cut()


def _for_what(where: Where) -> str:
    """What a part to order is for, as far as the register knows."""
    if not where.unit:
        return "the stock of a site"
    return where.model or "units whose model is not recorded"


def _longest(unit: UnitNow) -> tuple[date, str]:
    return (unit.since or date.max, unit.where.unit)


def _ranked(counts: Counter[str]) -> list[tuple[str, int]]:
    return sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))


def _numbered(counts: Counter[str]) -> tuple[tuple[int, str], ...]:
    return tuple((number, thing(kind)) for kind, number in _ranked(counts))


def _bars(conditions: Counter[str]) -> tuple[Bar, ...]:
    widest = max(conditions.values(), default=0)
    return tuple(
        Bar(word, conditions[word], max(1, round(100 * conditions[word] / widest)) if conditions[word] else 0, colour)
        for word, colour in _COLOURS.items()
    )
