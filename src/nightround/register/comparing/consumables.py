"""Parts as a file tells of them, against those on record: fitted, spare, removed. Nothing is ever deleted."""

from __future__ import annotations

from datetime import date
from itertools import chain
from typing import NamedTuple

from .. import labelled
from ..changes import Change, shown
from ..found import LabelDate, Row, Value
from ..matching import Held, Pairing, Told, one_at_a_time, pair, same_label
from ..plausible import Odd, of_part
from .comparison import Comparison, Where, day, text
from .known import Columns

_COMPARED = ("state", "lot", "label_date", "fitted_on", "udi", "cost")


class Owner(NamedTuple):
    """What holds a part: a unit, or a site that keeps it for no one unit."""

    of_unit: bool
    code: str


def compare_parts(comparison: Comparison) -> None:
    """Plans new and changed parts, and notes those on record of which the file says nothing though it could."""
    rows = comparison.rows("parts")
    if not rows:
        return
    groups: dict[tuple[Owner, str], list[Row]] = {}
    for row in rows:
        kind, owner = text(row, "kind"), _owner(comparison, row)
        if kind and owner is not None and _one_fitted(comparison, row, owner, groups.get((owner, kind), [])):
            groups.setdefault((owner, kind), []).append(row)
    # Columns of a units sheet speak for their own kinds only; a parts sheet speaks for every part there is.
    speaks_for_all = any("kind" in row.headings for row in rows)
    owners = {owner for owner, _ in groups} | (_in_scope(comparison) if speaks_for_all else set())
    held = _held(comparison, owners)
    for (owner, kind), told in groups.items():
        _take(comparison, owner, told, held.pop((owner, kind), []))
    if speaks_for_all:
        for (owner, kind), parts in held.items():
            for part in parts:
                if part.state != "removed":
                    comparison.missing("parts", name_of(owner, kind, part.state, part.lot))


def name_of(owner: Owner, kind: str, state: str, lot: str) -> str:
    """How a part is named in a report."""
    return f"{owner.code} {kind} {state}" + (f", lot {lot}" if lot else "")


def _owner(comparison: Comparison, row: Row) -> Owner | None:
    unit, site = text(row, "unit"), text(row, "site")
    if unit:
        where = comparison.unit(unit)
        if where is None:
            units = chain(comparison.stands, comparison.known.units)
            cure = "tell of it in a sheet or file 'units', or correct the code"
            comparison.unknown(row, "unit", "units", unit, units, cure)
            return None
        if site and where.site and site != where.site:
            cure = f"is not where the unit stands ({where.site}); correct it, or leave it empty"
            comparison.problem(row, "site", cure)
        return Owner(True, unit)
    if not site:
        return None
    if not comparison.has_site(site):
        sites = chain(comparison.zones, comparison.known.sites)
        cure = "tell of it in a sheet or file 'sites', or correct the code"
        comparison.unknown(row, "site", "sites", site, sites, cure)
        return None
    if text(row, "state") == "fitted":
        comparison.problem(row, "state", "is 'fitted', but no unit is named; write the unit it is in, or 'spare'")
        return None
    return Owner(False, site)


def _one_fitted(comparison: Comparison, row: Row, owner: Owner, before: list[Row]) -> bool:
    """Whether this may be fitted beside what came before; where not, it is a problem and has been said."""
    if text(row, "state") != "fitted" or not one_at_a_time(text(row, "kind")):
        return True
    other = next((one for one in before if text(one, "state") == "fitted"), None)
    if other is None:
        return True
    where = f"row {other.where.row}" + (f" of {other.where.sheet}" if other.where.sheet else "")
    cure = f"{owner.code} has a {text(row, 'kind')} fitted in {where} too; write 'spare' or 'removed' for one of them"
    comparison.problem(row, "state" if "state" in row.headings else "kind", cure)
    return False


def _in_scope(comparison: Comparison) -> set[Owner]:
    """Whose parts a parts sheet would tell of: the file's own units and sites; where it has none, those on record of
    the same publisher."""
    found: set[Owner] = set()
    for table, of_unit in (("units", True), ("sites", False)):
        rows = comparison.rows(table)
        if rows:
            found |= {Owner(of_unit, code) for row in rows if (code := text(row, table[:-1]))}
        elif of_unit:
            briefs = comparison.known.units.items()
            found |= {Owner(True, code) for code, brief in briefs if brief.source == comparison.reading.source}
        else:
            places = comparison.known.sites.items()
            found |= {Owner(False, code) for code, site in places if site["source"] == comparison.reading.source}
    return found


def _held(comparison: Comparison, owners: set[Owner]) -> dict[tuple[Owner, str], list[Held]]:
    """The parts on record of these owners, by owner and kind."""
    known = comparison.known
    units = {known.units[owner.code].id: owner for owner in owners if owner.of_unit and owner.code in known.units}
    found: dict[tuple[Owner, str], list[Held]] = {}
    for unit_id, part in known.parts_of_units(units):
        found.setdefault((units[unit_id], part.kind), []).append(part)
    if any(not owner.of_unit for owner in owners):
        for site_id, part in known.parts_of_sites():
            owner = Owner(False, known.site_codes[site_id])
            if owner in owners:
                found.setdefault((owner, part.kind), []).append(part)
    return found


def _take(comparison: Comparison, owner: Owner, rows: list[Row], held: list[Held]) -> None:
    today = _today(comparison, owner)
    pairing = pair([Told(text(row, "state"), _told(row, today)) for row in rows], held) if held else Pairing()
    for place, row in enumerate(rows):
        if place in pairing.overtaken:
            _leave(comparison, owner, row, pairing.overtaken[place])
        else:
            _write(comparison, owner, row, pairing.known.get(place))
    for part in pairing.displaced:
        key = name_of(owner, part.kind, part.state, part.lot)
        comparison.report.count("parts").changed += 1
        comparison.report.changes.append(Change("parts", key, "state", part.state, "removed"))
        comparison.plan.displaced.append(part.id)
        _touch(comparison, owner)
    for part in pairing.left:
        if part.state == "fitted" or all("kind" in row.headings for row in rows):
            comparison.missing("parts", name_of(owner, part.kind, part.state, part.lot))


def _told(row: Row, today: date) -> dict[str, Value]:
    """The row's values with lot and label date as its own code fills them."""
    udi = text(row, "udi")
    if not udi:
        return row.values
    settled = labelled.of_part(udi, text(row, "lot"), _label(row), today)
    return row.values | {"lot": settled.lot or None, "label_date": settled.label}


def _leave(comparison: Comparison, owner: Owner, row: Row, part: Held) -> None:
    """The file was written before something that the register knows of: what is on record stays."""
    comparison.report.count("parts").unchanged += 1
    what = name_of(owner, part.kind, text(row, "state"), part.lot)
    date = f", label date {part.label_date}" if part.label_date else ""
    comparison.remark(
        f"{what}{date}: left as it is, for on record it is {part.state} since; bring the file up to date, or log it "
        "if it is in use again"
    )


def _write(comparison: Comparison, owner: Owner, row: Row, old: Held | None) -> None:
    kind, state = text(row, "kind"), text(row, "state")
    after = _after(comparison, row, old, _today(comparison, owner))
    moved = [name for name in _COMPARED if old is None or _differs(name, old, after)]
    made_on = _made_on(comparison, owner) if state == "fitted" else None
    if old is None or {"label_date", "fitted_on"} & set(moved) or _was_made_otherwise(comparison, owner):
        after["odd"] = _check(comparison, owner, row, after, made_on)
    if old is not None and not moved and after["odd"] == old.odd:
        comparison.report.count("parts").unchanged += 1
        return
    key = name_of(owner, kind, state if old is None else old.state, after["lot"] if old is None else old.lot)
    _touch(comparison, owner)
    after["unit" if owner.of_unit else "site"] = owner.code
    if old is None:
        comparison.new("parts", key, after)
        return
    comparison.report.count("parts").changed += 1
    for name in moved:
        comparison.report.changes.append(Change("parts", key, name, shown(getattr(old, name)), shown(after[name])))
    if after["odd"] != old.odd:
        comparison.report.changes.append(Change("parts", key, "odd", shown(old.odd), shown(after["odd"])))
    comparison.change("parts", after | {"id": old.id})


def _after(comparison: Comparison, row: Row, old: Held | None, today: date) -> Columns:
    """The part's columns once the import is done. A label date that says the same day stays as it was typed."""
    values = row.values
    after: Columns = {"lot": "", "label_date": "", "last_good_day": None, "read_from": "", "fitted_on": None}
    after |= {"udi": "", "cost": "", "odd": False}
    if old is not None:
        after = {name: getattr(old, name) for name in after}
    after["kind"], after["state"] = text(row, "kind"), text(row, "state")
    for name in ("udi", "cost"):
        if name in values:
            after[name] = text(row, name)
    if "fitted_on" in values:
        after["fitted_on"] = day(row, "fitted_on")
    if old is not None and "udi" not in values and _is_of_another(row, old, today):
        after["udi"] = ""
    # Where the file has no column, what is on record was typed of this part, unless the code is that of another.
    kept = old if old is not None and old.udi in ("", after["udi"]) else None
    if kept is None and old is not None and not after["udi"]:
        kept = old
    lot = text(row, "lot") if "lot" in values else kept.lot if kept else ""
    label = _label(row) if "label_date" in values else _label_of(kept) if kept else None
    settled = labelled.of_part(after["udi"], lot, label, today)
    if after["state"] != "removed":
        comparison.heard(row, settled)
    after["lot"], found = settled.lot, settled.label
    if found is None:
        after |= {"label_date": "", "last_good_day": None, "read_from": ""}
    else:
        raw = old.label_date if old is not None and same_label(found, old) else found.raw
        after |= {"label_date": raw, "last_good_day": found.last_good_day, "read_from": found.read_from}
    return after


def _is_of_another(row: Row, old: Held, today: date) -> bool:
    """Whether a row without a code speaks of another part than the one whose code is on record."""
    if not old.udi:
        return False
    lot, label = text(row, "lot"), _label(row)
    if "label_date" in row.values and label is None:
        return True  # nothing is known of it any more
    scanned = labelled.lot_of(old.udi, today)
    if lot and lot != old.lot and scanned and lot.casefold() != scanned.casefold():
        return True
    fitted_on = day(row, "fitted_on")
    exchanged = fitted_on is not None and old.fitted_on is not None and fitted_on != old.fitted_on
    return exchanged and label is not None and not same_label(label, old)


def _label(row: Row) -> LabelDate | None:
    label = row.values.get("label_date")
    return label if isinstance(label, LabelDate) else None


def _label_of(part: Held) -> LabelDate | None:
    if part.last_good_day is None:
        return None
    return LabelDate(part.label_date, part.last_good_day, part.read_from)


def _differs(name: str, old: Held, after: Columns) -> bool:
    if name == "label_date":
        return bool(old.last_good_day != after["last_good_day"] or (not old.label_date) != (not after["label_date"]))
    return bool(getattr(old, name) != after[name])


def _today(comparison: Comparison, owner: Owner) -> date:
    site = (comparison.unit(owner.code) or Where("", None)).site if owner.of_unit else owner.code
    return comparison.today(site) if site else comparison.now.date()


def _check(comparison: Comparison, owner: Owner, row: Row, after: Columns, made_on: date | None) -> bool:
    """Whether the part's days are odd, and kept; where they are refused the problem has been said."""
    fitted_on = after["fitted_on"]
    if comparison.to_come(row, "fitted_on", fitted_on):
        fitted_on = None
    found = of_part(after["kind"], after["last_good_day"], fitted_on, made_on, comparison.latest_day())
    if _label(row) is None and text(row, "udi"):
        # The date came out of the code: that is the cell to look at.
        said = f"says {after['last_good_day']}, which "
        found = [Odd("udi", said + one.why) if one.field == "label_date" else one for one in found]
    return comparison.odd(row, found)


def _made_on(comparison: Comparison, owner: Owner) -> date | None:
    where = comparison.unit(owner.code) if owner.of_unit else None
    return where.made_on if where is not None else None


def _was_made_otherwise(comparison: Comparison, owner: Owner) -> bool:
    """Whether the same file changes when the unit was made."""
    if not owner.of_unit or owner.code not in comparison.known.units:
        return False
    return comparison.known.units[owner.code].made_on != _made_on(comparison, owner)


def _touch(comparison: Comparison, owner: Owner) -> None:
    (comparison.plan.units if owner.of_unit else comparison.plan.sites).add(owner.code)
    if owner.of_unit and comparison.known.log_count:
        comparison.plan.redigest.add(owner.code)  # a newer part ends what was seen of the one before
