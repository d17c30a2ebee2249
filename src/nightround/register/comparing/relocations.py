"""Moves that a file tells of by another site or spot alone: each becomes a log entry, and none goes by unseen."""

from __future__ import annotations

from ...reckoning.placing import MOVED
from ..whereabouts import FLOOR, FROM, FROM_FLOOR, FROM_SPOT, IMPORT, SITE, SPOT, TOLD_BY
from .comparison import Comparison, Draft


def compare_places_of_units(comparison: Comparison) -> None:
    """Plans an entry `moved`, at the instant of the import, for each unit that comes to stand elsewhere by it.

    A spot or floor that was not recorded before and is now is no move, nor is one that is no longer recorded. Where
    the file tells of a move of that unit itself by which it stands there, no other is made.
    """
    changed = comparison.plan.changed.get("units", ())
    if not changed:
        return
    told = {(draft.unit, draft.readings.get(SITE, ""), draft.readings.get(SPOT, "")) for draft in _moves(comparison)}
    held = comparison.known.unit_rows({row["unit"] for row in changed})
    count = 0
    for row in changed:
        unit, old = row["unit"], held[row["unit"]]
        readings: dict[str, str] = {}
        if row["site"] != old["site"]:
            readings[SITE] = row["site"]
        for name in (SPOT, FLOOR):
            if row[name] and row[name] != old[name] and (old[name] or SITE in readings):
                readings[name] = row[name]
        if unit in comparison.moved or not readings or (unit, readings.get(SITE, ""), readings.get(SPOT, "")) in told:
            continue
        readings |= {FROM: old["site"], FROM_SPOT: old["spot"], FROM_FLOOR: old["floor"], TOLD_BY: IMPORT}
        note = "told by an import of the register"
        draft = Draft(unit, comparison.now, MOVED, "", readings, {}, note, "", "", "import")
        comparison.plan.entries.append(draft)
        comparison.plan.units.add(unit)
        comparison.plan.redigest.add(unit)
        count += 1
    if count:
        comparison.report.count("log").added += count
        what = "1 unit stands" if count == 1 else f"{count} units stand"
        comparison.remark(f"log: {what} elsewhere by this file; an entry 'moved' is written for each")


def _moves(comparison: Comparison) -> list[Draft]:
    return [draft for draft in comparison.plan.entries if draft.entry == MOVED]
