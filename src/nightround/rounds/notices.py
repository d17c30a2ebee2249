"""Looks over the fleet for the units and spares that safety notices mean, corrected and withdrawn ones too.

Read only: what a notice asks for is written by rounds, as any other duty is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, select

from ..reckoning.concerned import Matcher
from ..reckoning.dates import local_day
from ..reckoning.facts import Part
from ..reckoning.noticed import KIND, marked, notice_duty
from ..reckoning.notices import Finding, Notice, Verdict
from ..reckoning.owed import Standing
from ..reckoning.readings import CORRECTED, STAGES
from ..reckoning.rules import ModelSheet
from ..store.tables import duties, parts, sites, units
from .loading import Loaded, load, part_columns

ASKING = (Finding.MATCHES, Finding.CANNOT_TELL)
_UNDERWAY, _COMPLETE, _NOT_CONCERNED = STAGES
_PAGE = 1000


class Touched(NamedTuple):
    """A unit that a notice means, may mean or has meant. `recorded_on`: of its correction, or that it is not meant.

    `stages` are those on record as reached; `stage`, `last_good_day` and `standing` those of its duty, "" and None
    where it owes nothing.
    """

    unit_id: int
    unit: str
    site: str
    zone: str
    finding: Finding
    why: str
    recorded_on: date | None
    stages: tuple[str, ...]
    stage: str
    last_good_day: date | None
    standing: str
    withdrawn: bool


class Spares(NamedTuple):
    """The spares kept at a site, among them at least one that a notice means or may mean."""

    site_id: int
    site: str
    finding: Finding
    why: str
    last_good_day: date | None
    standing: str


@dataclass(slots=True)
class Looked:
    """What one notice means for the fleet, units by code, spares by site."""

    notice: Notice
    units: list[Touched] = field(default_factory=list)
    spares: list[Spares] = field(default_factory=list)

    def of(self, finding: Finding) -> list[Touched]:
        """The units with that finding."""
        return [touched for touched in self.units if touched.finding is finding]

    @property
    def standings(self) -> list[str]:
        """The standing of each duty that it makes, of units and of sites with spares."""
        found = [touched.standing for touched in self.units] + [spares.standing for spares in self.spares]
        return [standing for standing in found if standing]


def look_over(
    conn: Connection,
    notices: Iterable[Notice],
    sheets: Mapping[str, ModelSheet],
    now: datetime,
    progress: Callable[[int, int | None], None] | None = None,
) -> list[Looked]:
    """What each of the notices means for the fleet as it is on record now."""
    looked = [Looked(notice) for notice in notices]
    matchers = [Matcher(one.notice, sheets) for one in looked]
    if not looked:
        return []
    total = conn.execute(select(func.count()).select_from(units)).scalar_one()
    after = done = 0
    query = select(units.c.id, units.c.model, sites.c.site).join(sites, sites.c.id == units.c.site_id)
    while rows := conn.execute(query.where(units.c.id > after).order_by(units.c.id).limit(_PAGE)).all():
        codes = {
            row.id: row.site for row in rows if any(matcher.may_concern(row.model) for matcher in matchers)
        }  # the others cannot be meant, and their facts are not read
        for loaded in load(conn, list(codes), marks=True):
            for one, matcher in zip(looked, matchers, strict=True):
                verdict = matcher.judge(loaded.facts)
                if verdict.finding is not Finding.CLEAR:
                    one.units.append(_touched(loaded, codes[loaded.id], one.notice, verdict, now))
        after = rows[-1].id
        done += len(rows)
        if progress is not None:
            progress(done, total)
    _spares(conn, looked, matchers, now)
    for one in looked:
        one.units.sort(key=lambda touched: touched.unit)
    return looked


def of_unit(
    conn: Connection, unit_id: int, notices: Iterable[Notice], sheets: Mapping[str, ModelSheet], now: datetime
) -> list[tuple[Notice, Touched]]:
    """What each of the notices means for one unit, without those that do not mean it."""
    site = conn.execute(
        select(sites.c.site).join(units, units.c.site_id == sites.c.id).where(units.c.id == unit_id)
    ).scalar_one()
    found = []
    for loaded in load(conn, [unit_id], marks=True):
        for notice in notices:
            verdict = Matcher(notice, sheets).judge(loaded.facts)
            if verdict.finding is not Finding.CLEAR:
                found.append((notice, _touched(loaded, site, notice, verdict, now)))
    return found


def is_news(touched: Touched, what: str) -> bool:
    """Whether recording that stage or correction would say something that is not on record and counts."""
    if what == CORRECTED:
        return touched.finding is not Finding.CORRECTED
    if what == _NOT_CONCERNED and touched.finding is Finding.MATCHES:
        return False
    reached = {what, _COMPLETE} if what == _UNDERWAY else {what}
    return touched.finding in ASKING and not reached & set(touched.stages)


def to_reckon(conn: Connection, one: Looked) -> tuple[list[int], list[int]]:
    """The ids of the units and of the sites whose duties the notice changes, those of an earlier version too."""
    unit_ids = {touched.unit_id for touched in one.units}
    site_ids = {spares.site_id for spares in one.spares}
    query = select(duties.c.unit_id, duties.c.site_id).where(duties.c.key == f"{KIND}/{one.notice.reference}")
    for unit_id, site_id in conn.execute(query):
        if unit_id is None:
            site_ids.add(site_id)
        else:
            unit_ids.add(unit_id)
    return sorted(unit_ids), sorted(site_ids)


def _touched(loaded: Loaded, site: str, notice: Notice, verdict: Verdict, now: datetime) -> Touched:
    facts = loaded.facts
    day = local_day(now, loaded.place.time_zone)
    stage, good, standing = "", None, ""
    if verdict.finding in ASKING and notice.in_force(day):
        duty = notice_duty(day, notice, verdict, marked(notice, facts))
        stage, good, standing = duty.period, duty.last_good_day, str(duty.standing)
    return Touched(
        loaded.id,
        facts.unit,
        site,
        loaded.place.time_zone,
        verdict.finding,
        verdict.why,
        verdict.on,
        tuple(sorted(marked(notice, facts))),
        stage,
        good,
        standing,
        facts.evidence.withdrawn_on is not None,
    )


def _spares(conn: Connection, looked: Sequence[Looked], matchers: Sequence[Matcher], now: datetime) -> None:
    query = (
        select(sites.c.id, sites.c.site, sites.c.time_zone, *part_columns(True))
        .join(parts, parts.c.site_id == sites.c.id)
        .where(parts.c.unit_id.is_(None), parts.c.state == "spare")
        .order_by(sites.c.site, parts.c.id)
    )
    kept: dict[tuple[int, str, str], list[Part]] = {}
    for site_id, site, zone, *rest in conn.execute(query):
        kept.setdefault((site_id, site, zone), []).append(Part(*rest))
    for (site_id, site, zone), listed in kept.items():
        day = local_day(now, zone)
        for one, matcher in zip(looked, matchers, strict=True):
            verdict = matcher.spares(listed)
            if verdict.finding is Finding.CLEAR:
                continue
            good, standing = None, ""
            if one.notice.in_force(day):
                duty = notice_duty(day, one.notice, verdict, frozenset())
                good, standing = duty.last_good_day, str(duty.standing)
            one.spares.append(Spares(site_id, site, verdict.finding, verdict.why, good, standing))


def as_answer(one: Looked, older: Sequence[int]) -> dict[str, Any]:
    """The notice and what it means for the fleet, for a JSON answer; `older` are its earlier versions on record."""
    notice = one.notice
    return {
        "reference": notice.reference,
        "version": notice.version,
        "older_versions": list(older),
        "class": notice.grade,
        "title": notice.title,
        "source": notice.source,
        "force": str(notice.force),
        "published_on": notice.published_on,
        "received_on": notice.received_on,
        "action": str(notice.action),
        "what_to_do": notice.what_to_do,
        "underway_by": notice.underway_by,
        "complete_by": notice.complete_by,
        "closed_on": notice.closed_on,
        "corrections_from": notice.corrections_from,
        "open": len(one.standings),
        "overdue": one.standings.count(Standing.OVERDUE),
        "counts": {str(finding): len(one.of(finding)) for finding in Finding if finding is not Finding.CLEAR},
        "units": [
            {key: value for key, value in touched._asdict().items() if key not in ("unit_id", "zone")}
            for touched in one.units
        ],
        "spares": [
            {key: value for key, value in spares._asdict().items() if key != "site_id"} for spares in one.spares
        ],
    }
