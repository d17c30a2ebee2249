"""Units that a file says are out of service: each becomes a log entry, so that none is shown in service."""

from __future__ import annotations

import json
from collections.abc import Collection
from datetime import datetime, time

from sqlalchemy import select

from ...reckoning.dates import local_day, local_instant
from ...store.tables import evidence, log, units
from .. import statuses
from ..found import Row
from ..whereabouts import IMPORT, TOLD_BY
from .comparison import Comparison, Draft, text

_COLUMNS = ("out_of_service", "status")
_RETURNED = "returned"


def compare_statuses(comparison: Comparison) -> None:
    """Plans an entry `withdrawn` or `fault` for each unit that the file says is out of service, unless the log, with
    what the same file adds to it, says so already. Dated as the cell says (its noon), else at the import's instant.

    Good news writes nothing: a unit is put back into service by an entry of a person.
    """
    told = [row for row in comparison.rows("units") if any(row.values.get(name) for name in _COLUMNS)]
    bad = [(row, *found) for row in told if (found := _bad(row)) is not None]
    if len(bad) < len(told):
        comparison.remark(
            f"units: {len(told) - len(bad)} in service by a column of the file; nothing is written for that, for what "
            "the log says of a unit counts"
        )
    known = comparison.known
    ids = {known.units[code].id: code for row, *_ in bad if (code := text(row, "unit")) in known.units}
    out = _out_already(comparison, ids)
    over = _over(comparison, ids)
    before = _told_before(comparison, ids)
    count = 0
    for row, name, entry in bad:
        unit = text(row, "unit")
        where = comparison.unit(unit)
        if unit in out or where is None or not comparison.has_site(where.site):
            continue
        zone, at = comparison.zone_of(where.site), comparison.now
        since = statuses.since(text(row, name))
        if since is not None:
            at = min(local_instant(since, time(12), zone), at)
            if since > comparison.today(where.site):
                comparison.problem(row, name, "lies in the future; write since when it has been out of service")
                continue
            if any(local_day(ended, zone) >= since for ended in over.get(unit, ())):
                continue
        note = f"{row.headings.get(name, name)}: {text(row, name)} (told by an import of the register)"
        if since is None and (unit, note) in before:
            # The same cell again tells nothing new; and to let it pass would show the unit better than the file says.
            comparison.problem(
                row,
                name,
                "is what an import told before, and the log has it back in service since; correct the cell, or write "
                "into it since when the unit is out of service again",
            )
            continue
        draft = Draft(unit, at, entry, "", {TOLD_BY: IMPORT}, {}, note, "", "", row.where.file)
        comparison.plan.entries.append(draft)
        comparison.plan.units.add(unit)
        comparison.plan.redigest.add(unit)
        count += 1
    if count:
        comparison.report.count("log").added += count
        what = "1 unit is" if count == 1 else f"{count} units are"
        comparison.remark(
            f"log: {what} out of service by this file; an entry is written for each, which counts until one says that "
            "the unit is back (log UNIT returned; after a fault, a good check)"
        )


def _bad(row: Row) -> tuple[str, str] | None:
    """Which column says that the unit is out of service, and as which entry; None where neither does."""
    for name in _COLUMNS:
        means = text(row, name) and (statuses.meaning(text(row, name)) or statuses.WITHDRAWN)
        if means and means != statuses.GOOD:
            return name, means
    return None


def _out_already(comparison: Comparison, ids: dict[int, str]) -> set[str]:
    """The units that are out of service by the log, or will be by the entries of this file."""
    query = select(evidence.c.unit_id, evidence.c.out_of_service_on)
    out = {ids[unit_id] for unit_id, since in comparison.known.some(query, ids) if since is not None}
    newest = {}
    for draft in sorted(comparison.plan.entries, key=lambda draft: draft.at):
        # Of somebody unknown only a fault counts, as everywhere.
        if draft.entry == statuses.FAULT or (draft.by and draft.entry in (statuses.WITHDRAWN, _RETURNED)):
            newest[draft.unit] = draft.entry
    returned = {unit for unit, entry in newest.items() if entry == _RETURNED}
    return (out | newest.keys()) - returned


def _told_before(comparison: Comparison, ids: dict[int, str]) -> set[tuple[str, str]]:
    """Unit and note of each entry that an import wrote for a file's word, and that nobody has struck."""
    struck = select(log.c.strikes).where(log.c.strikes.is_not(None))
    query = select(log.c.unit_id, log.c.note, log.c.readings).where(
        log.c.entry.in_((statuses.WITHDRAWN, statuses.FAULT)), log.c.by_person == "", log.c.id.not_in(struck)
    )
    found = comparison.known.some(query, ids)
    return {(ids[unit_id], note) for unit_id, note, readings in found if json.loads(readings).get(TOLD_BY) == IMPORT}


def _over(comparison: Comparison, ids: Collection[int]) -> dict[str, list[datetime]]:
    """When units came back into service, by the log and by the entries of this file."""
    found: dict[str, list[datetime]] = {}
    struck = select(log.c.strikes).where(log.c.strikes.is_not(None))
    query = (
        select(log.c.unit_id, units.c.unit, log.c.at)
        .join(units, units.c.id == log.c.unit_id)
        .where(log.c.entry == _RETURNED, log.c.id.not_in(struck))
    )
    for _, unit, at in comparison.known.some(query, ids):
        found.setdefault(unit, []).append(at)
    for draft in comparison.plan.entries:
        if draft.entry == _RETURNED:
            found.setdefault(draft.unit, []).append(draft.at)
    return found
