"""Who is on call now and next, and what is wrong with the rota, as every page, command and letter says it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, select

from ...settings import Settings
from ...store.tables import people, sites
from .roster import Gap, Rota

FINDING_DAYS = 14
_SHOWN_SITES = 3

Say = Callable[[datetime], str]


class Named(NamedTuple):
    """Somebody on call, and whether they are away then."""

    person: str
    name: str
    away: bool

    @property
    def called(self) -> str:
        known = (self.person, "away") if self.away else (self.person,)
        return f"{self.name} ({', '.join(known)})" if self.name else " – ".join(known)


@dataclass(frozen=True, slots=True)
class SaidGap:
    """A gap with the names of its sites; none where it is of every site that is looked at. `goes_on`: it reaches to
    the end of the days looked at, and may go on."""

    from_at: datetime
    until_at: datetime
    sites: tuple[str, ...]
    why: str
    goes_on: bool = False

    def line(self, say: Say) -> str:
        where = ""
        if self.sites:
            more = len(self.sites) - _SHOWN_SITES
            where = f" for {', '.join(self.sites[:_SHOWN_SITES])}{f' and {more} more sites' if more > 0 else ''}"
        least = "at least " if self.goes_on else ""
        why = "" if self.why == "nobody has a shift" else f" ({self.why})"
        return f"Nobody is on call from {say(self.from_at)} to {least}{say(self.until_at)}{where}{why}"


@dataclass(frozen=True, slots=True)
class OnCall:
    """What is to be said of the rota at one moment. People are as the rota names them, away or not; `until` is when it
    changes next, None where that lies beyond the days looked at. `kept`: whether there is a rota at all."""

    at: datetime
    kept: bool
    now: tuple[Named, ...]
    until: datetime | None
    then: tuple[Named, ...]
    gaps: tuple[SaidGap, ...]
    problems: tuple[str, ...]

    @property
    def found(self) -> bool:
        """Whether something is wrong: a gap within 14 days, or something that cannot be read or used."""
        return bool(self.problems) or bool(self.soon)

    @property
    def soon(self) -> tuple[SaidGap, ...]:
        """The gaps that begin within 14 days."""
        return tuple(gap for gap in self.gaps if gap.from_at < self.at + timedelta(days=FINDING_DAYS))

    def line(self, say: Say) -> str:
        """One sentence, without a full stop."""
        if not self.kept:
            return "No rota is kept: everybody with the role on-call is asked"
        change = ""
        if self.until is not None:
            change = f" until {say(self.until)}, then {_names(self.then) or 'nobody'}"
        return f"On call now: {_names(self.now) or 'nobody'}{change}"

    def wrong(self, say: Say) -> tuple[str, ...]:
        """A sentence, without a full stop, for each thing that is wrong."""
        return (*(gap.line(say) for gap in self.soon), *self.problems)

    def as_dict(self) -> dict[str, Any]:
        """For JSON; instants are UTC."""
        return {
            "kept": self.kept,
            "now": _dicts(self.now),
            "until": self.until,
            "next": _dicts(self.then),
            "gaps": [
                {"from": gap.from_at, "until": gap.until_at, "sites": list(gap.sites), "why": gap.why}
                for gap in self.gaps
            ],
            "problems": list(self.problems),
        }


def on_call_now(
    conn: Connection, settings: Settings, at: datetime, seen: ColumnElement[bool] | None = None, days: int = 0
) -> OnCall:
    """The rota at an instant, looked at for `days` from then (default: the settings' horizon, 14 at least).

    `seen`: the condition on `sites` that holds for those to look at; None: all of them.
    """
    days = days or settings.rota.horizon_days
    return said(conn, Rota.load(conn, settings, at, at + timedelta(days=days)), at, seen)


def said(conn: Connection, rota: Rota, at: datetime, seen: ColumnElement[bool] | None = None) -> OnCall:
    """The same of a rota that is loaded already."""
    wanted = None if seen is None else frozenset(conn.execute(select(sites.c.id).where(seen)).scalars())
    now = rota.on_call_among(at, wanted)
    until = rota.next_change(at, wanted)
    then = frozenset() if until is None else rota.on_call_among(until, wanted)
    called = names(conn, now | then)
    gaps = rota.unwatched(at, rota.end)
    return OnCall(
        at,
        rota.kept,
        _called(called, now, rota.absent(at)),
        until,
        _called(called, then, frozenset() if until is None else rota.absent(until)),
        tuple(_said_gaps(conn, gaps, rota.sites if wanted is None else rota.sites & wanted, rota.end)),
        rota.problems,
    )


def names(conn: Connection, ids: Iterable[int]) -> dict[int, tuple[str, str]]:
    """Code and name of these people."""
    query = select(people.c.id, people.c.person, people.c.name).where(people.c.id.in_(sorted(ids)))
    return {row.id: (row.person, row.name) for row in conn.execute(query)}


def _said_gaps(conn: Connection, gaps: Iterable[Gap], among: frozenset[int], end: datetime) -> Iterable[SaidGap]:
    """Gaps of the sites looked at. Those at the same time for the same reason are one."""
    merged: dict[tuple[datetime, datetime, str], set[int]] = {}
    for gap in gaps:
        here = among & set(gap.site_ids)
        if here:
            merged.setdefault((gap.from_at, gap.until_at, gap.why), set()).update(here)
    partial = {site_id for theirs in merged.values() if theirs != among for site_id in theirs}
    called: dict[int, str] = {}
    listed = sorted(partial)
    for start in range(0, len(listed), 500):
        query = select(sites.c.id, sites.c.site, sites.c.name).where(sites.c.id.in_(listed[start : start + 500]))
        called |= {row.id: row.name or row.site for row in conn.execute(query)}
    for (start_at, end_at, why), theirs in sorted(merged.items()):
        shown = () if theirs == among else tuple(sorted(called[site_id] for site_id in theirs))
        yield SaidGap(start_at, end_at, shown, why, end_at == end)


def _called(called: dict[int, tuple[str, str]], ids: Iterable[int], absent: frozenset[int]) -> tuple[Named, ...]:
    return tuple(sorted(Named(*called[person_id], person_id in absent) for person_id in ids))


def _names(listed: Iterable[Named]) -> str:
    return " and ".join(one.called for one in listed)


def _dicts(listed: Iterable[Named]) -> list[dict[str, Any]]:
    return [one._asdict() for one in listed]
