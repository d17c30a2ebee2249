"""Log entries as a file tells them, against the log. What is there is never changed; an entry that says the same as
one on record is that one."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from itertools import chain
from typing import NamedTuple

from sqlalchemy import select

from ...errors import UserError
from ...reckoning.dates import local_day
from ...store.tables import log
from ..cells import join_pairs
from ..fitting import judge
from ..found import Row
from ..log import CLOCK_SLACK, NewEntry, content_digest
from ..notices import settled
from ..plausible import of_entry
from ..recording import check_details
from ..spelling import Said, heard
from .comparison import Comparison, Draft, Where, text, to_utc
from .known import Known
from .moves import by_hand, compare_moves, complaint, recorded


class _Told(NamedTuple):
    row: Row
    draft: Draft


def compare_log(comparison: Comparison) -> None:
    """Plans the entries that are not in the log yet, in the file's order; those that strike another come last.

    Where they moved units, those stand there.
    """
    rows = comparison.rows("log")
    if not rows:
        return
    told = list(_read(comparison, rows))
    numbered = _numbered(comparison, told)
    plain = [one for one in told if one.draft.entry != "struck"]
    striking = [one for one in told if one.draft.entry == "struck" and _strikes(comparison, one, numbered)]
    plan = comparison.plan
    seen: set[str] = set()
    for batch in (plain, striking):
        drafts = [one.draft for one in batch]
        known = _already(comparison.known, drafts, plan.numbered)
        for place, there in recorded(comparison, drafts).items():
            known[place] = known[place] or there
        for one, entry_id in zip(batch, known, strict=True):
            if entry_id is not None and one.draft.number:
                plan.numbered[one.draft.number] = entry_id
            _take(comparison, one, entry_id, seen)
    comparison.moved = compare_moves(comparison, [one.draft for one in plain])


def entry_of(draft: Draft, unit_id: int, numbered: dict[str, int]) -> NewEntry:
    """The entry as the log takes it. `numbered`: number in the file → id in the log."""
    strikes = numbered[draft.strikes] if draft.strikes else None
    return NewEntry(
        unit_id, draft.at, draft.entry, draft.by, draft.readings, draft.part, draft.note, strikes, draft.file
    )


def _read(comparison: Comparison, rows: Iterable[Row]) -> Iterator[_Told]:
    """The rows that can be understood; what is wrong with the others is a problem."""
    latest = comparison.now + CLOCK_SLACK
    zones: dict[str, str] = {}
    for row in rows:
        values = row.values
        unit, entry, at = text(row, "unit"), text(row, "entry"), values.get("at")
        if not unit or not entry or not hasattr(at, "tzinfo"):
            continue
        where = comparison.unit(unit)
        if where is None:
            units = chain(comparison.stands, comparison.known.units)
            cure = "tell of it in a sheet or file 'units', or correct the code"
            comparison.unknown(row, "unit", "units", unit, units, cure)
            continue
        by = text(row, "by")
        if by and comparison.person(by) is None:
            people = chain(comparison.people, comparison.known.people)
            cure = "tell of them in a sheet or file 'people'; left empty, it is by an unknown passer-by"
            comparison.unknown(row, "by", "people", by, people, cure)
            continue
        zone = zones.get(unit)
        if zone is None:
            zone = zones[unit] = comparison.zone_of(where.site) if where.site else "UTC"
        instant = to_utc(at, zone)  # type: ignore[arg-type]
        if instant > latest:
            comparison.problem(row, "at", "lies in the future; write when it happened")
            continue
        readings, part = _pairs(row, "readings"), _pairs(row, "part")
        if not _is_understood(comparison, row, entry, part):
            continue
        if (entry == "corrected" or "notice" in readings or "stage" in readings) and not (
            readings := _about_notice(comparison, row, NewEntry(0, instant, entry, by, readings))
        ):
            continue
        number, strikes = text(row, "number"), text(row, "strikes")
        draft = Draft(unit, instant, entry, by, readings, part, text(row, "note"), number, strikes, row.where.file)
        if by_hand(draft) and (wrong := complaint(comparison, draft)):
            comparison.problem(row, "readings", wrong, join_pairs(readings))
            continue
        yield _Told(row, draft)


def _pairs(row: Row, name: str) -> dict[str, str]:
    value = row.values.get(name)
    return value if isinstance(value, dict) else {}


def _is_understood(comparison: Comparison, row: Row, entry: str, part: dict[str, str]) -> bool:
    try:
        check_details(part)
    except UserError as error:
        comparison.problem(row, "part", str(error), join_pairs(part))
        return False
    return True


def _about_notice(comparison: Comparison, row: Row, entry: NewEntry) -> dict[str, str]:
    """The readings of an entry about a notice, with its reference as it is on record; none where it says too little,
    which is a problem and has been said."""
    try:
        return settled(comparison.known.conn, entry, known=bool(entry.by_person)).readings
    except UserError as error:
        comparison.problem(row, "readings", str(error), join_pairs(entry.readings))
        return {}


def _numbered(comparison: Comparison, told: Iterable[_Told]) -> dict[str, Draft]:
    """The entries by the number that the file gives them."""
    found: dict[str, _Told] = {}
    for one in told:
        number = one.draft.number
        if number in found:
            comparison.twice(one.row, "number", found[number].row)
        elif number:
            found[number] = one
    return {number: one.draft for number, one in found.items()}


def _strikes(comparison: Comparison, one: _Told, numbered: dict[str, Draft]) -> bool:
    """Whether an entry that strikes another says which, and that one is of the same unit and no correction itself."""
    other = numbered.get(one.draft.strikes)
    if not one.draft.strikes:
        comparison.problem(one.row, "strikes", "is empty; write the number of the entry that this one corrects")
    elif other is None:
        comparison.problem(one.row, "strikes", "no entry in this file has this number; write that of the one corrected")
    elif other.unit != one.draft.unit or other.entry == "struck":
        comparison.problem(one.row, "strikes", "is the number of another unit's entry or of a correction; correct it")
    else:
        return True
    return False


def _already(known: Known, drafts: list[Draft], numbered: dict[str, int]) -> list[int | None]:
    """The ids of the entries that are in the log already, None for those that are not."""
    digests: dict[int, str] = {}
    for place, draft in enumerate(drafts):
        if draft.unit in known.units and (not draft.strikes or draft.strikes in numbered):
            digests[place] = content_digest(entry_of(draft, known.units[draft.unit].id, numbered))
    ids = dict(known.some(select(log.c.digest, log.c.id), set(digests.values()))) if known.log_count else {}
    found = [ids.get(digests[place]) if place in digests else None for place in range(len(drafts))]
    _by_number(known, drafts, digests, found, numbered)
    return found


def _by_number(
    known: Known, drafts: list[Draft], digests: dict[int, str], found: list[int | None], numbered: dict[str, int]
) -> None:
    """Entries of an export of this register that it could not write down to the letter (a control character, a blank
    at the end): the same number, and the same once it has been written and read."""
    wanted = {int(drafts[place].number): place for place in digests if found[place] is None and _is_id(drafts[place])}
    columns = (log.c.id, log.c.unit_id, log.c.at, log.c.entry, log.c.by_person, log.c.readings, log.c.part)
    for row in known.some(select(*columns, log.c.note, log.c.strikes, log.c.discarded_at), list(wanted)):
        draft = drafts[wanted[row.id]]
        strikes = numbered[draft.strikes] if draft.strikes else None
        same = (
            row.unit_id == known.units[draft.unit].id
            and (row.at, row.entry, row.by_person, row.strikes) == (draft.at, draft.entry, draft.by, strikes)
            and heard(json.loads(row.readings), json.loads(row.part), row.note)
            == Said(draft.readings, draft.part, draft.note)
        )
        # Of a discarded entry only the kind and the time are left to tell it by; it is never brought back.
        gone = row.discarded_at is not None and (row.unit_id, row.at, row.entry) == (
            known.units[draft.unit].id,
            draft.at,
            draft.entry,
        )
        if same or gone:
            found[wanted[row.id]] = row.id


def _is_id(draft: Draft) -> bool:
    return draft.number.isascii() and draft.number.isdigit() and 0 < len(draft.number) < 10


def _take(comparison: Comparison, one: _Told, entry_id: int | None, seen: set[str]) -> None:
    """Counts an entry and, where it is new, plans it."""
    draft, counts = one.draft, comparison.report.count("log")
    if entry_id is not None:
        counts.unchanged += 1
        return
    content = [draft.unit, draft.at.isoformat(), *draft[2:7], draft.strikes]
    key = json.dumps(content, sort_keys=True, ensure_ascii=False)
    if key in seen:
        counts.unchanged += 1
        return
    seen.add(key)
    where = comparison.unit(draft.unit)
    if where is not None and where.made_on is not None and where.site:
        comparison.odd(one.row, of_entry(local_day(draft.at, comparison.zone_of(where.site)), where.made_on))
    _look_at(comparison, one, where)
    counts.added += 1
    plan = comparison.plan
    plan.entries.append(draft)
    plan.units.add(draft.unit)
    plan.redigest.add(draft.unit)


def _look_at(comparison: Comparison, one: _Told, where: Where | None) -> None:
    """Says what is odd about a part that a new entry fits, as `log` does, and what its code says otherwise."""
    draft = one.draft
    if draft.entry != "fitted" or not draft.by or where is None or not where.site:
        return
    day = local_day(draft.at, comparison.zone_of(where.site))
    fitting = judge({"kind": "", **draft.part}, day, comparison.today(where.site), None, where.made_on)
    label = [odd for odd in fitting.odd if odd.field == "label_date"]  # its day is looked at as that of the entry
    comparison.odd(one.row, [odd._replace(field="part", why=f"label_date {odd.why}") for odd in label])
    for remark in fitting.remarks:
        comparison.remark(f"log, {draft.unit}: {remark}")
