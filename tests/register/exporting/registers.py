"""Random registers for the round trip: values as they are kept, with everything in them that a file could spoil."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from hypothesis import strategies as st

from nightround.errors import UserError
from nightround.register import cells
from nightround.register.cells import Refused
from nightround.register.days import Days
from nightround.register.fields import Convert
from nightround.register.found import Place, Reading, Row, Value
from nightround.register.log import ENTRIES, NewEntry
from nightround.register.recording import check_words

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
ZONES = ("Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu")

# What sheets, CSV files and our own lists give a meaning to, and letters that are easily lost.
_NASTY = "=+-@'\"\t\n;,\\|#*0 1aB éß漢あ＝＠　\u00a0\u200b\u202e\ufeff😀"
_LABELS = ("2027-04", "2027-04-30", "04/2027", "June 2027", "30/04/2027", "03/04/2027", "2027年4月", "Apr. 2028")


def _kept(read: Convert, longest: int, *, multiline: bool = False) -> st.SearchStrategy[str]:
    """Texts as an import keeps them."""
    alphabet = _NASTY if multiline else _NASTY.replace("\n", "")

    def keep(text: str) -> str:
        # A cell is read once when it comes in; what is read then is what is kept.
        try:
            return str(read(text) or "") if text.strip() else ""
        except Refused:
            return ""

    return st.text(alphabet, max_size=longest).map(keep)


def _codes(most: int) -> st.SearchStrategy[list[str]]:
    return st.lists(_kept(cells.code, 8).filter(bool), max_size=most, unique=True)


_LINE, _NOTES = _kept(cells.line, 12), _kept(cells.notes, 20, multiline=True)
_DAY = st.none() | st.dates(date(1990, 1, 1), date(2026, 11, 24))
_SOME_DAY = st.dates(date(2020, 1, 1), date(2029, 12, 31))
_LABEL = st.none() | st.sampled_from([Days("day-first").label(text) for text in _LABELS])


def _number(limit: int) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(-limit, limit)


def _row(values: dict[str, Value]) -> Row:
    return Row(Place("random", "", 2), values, {name: name for name in values} | {"kind": "kind"})


@st.composite
def registers(draw: st.DrawFn) -> Reading:
    """A register as it is read from somewhere: sites, units, parts, people, certificates, rota, absences, closures."""
    reading = Reading()
    tables = reading.tables
    sites = draw(_codes(3).filter(bool))
    for site in sites:
        values = {"site": site, "name": draw(_LINE), "address": draw(_LINE), "notes": draw(_NOTES)}
        values |= {"latitude": draw(_number(90)), "longitude": draw(_number(180))}
        values |= {"time_zone": draw(st.sampled_from(ZONES)), "country": "", "site_type": "school"}
        tables.setdefault("sites", []).append(_row(values))
    units = draw(_codes(3))
    for unit in units:
        values = {"unit": unit, "site": draw(st.sampled_from(sites)), "latitude": draw(_number(90))}
        values |= {name: draw(_LINE) for name in ("spot", "floor", "model", "cabinet", "registered_with")}
        values |= {name: draw(_kept(cells.code, 8)) for name in ("serial", "firmware")}
        values |= {name: draw(_DAY) for name in ("made_on", "in_service_on", "registered_on")}
        tables.setdefault("units", []).append(_row(values | {"notes": draw(_NOTES)}))
    fitted = set()
    for _ in range(draw(st.integers(0, 5))):
        owner = draw(st.sampled_from([*(("unit", unit) for unit in units), *(("site", site) for site in sites)]))
        kind = draw(st.sampled_from(["battery", "pads-adult", "kit-razor"]))
        state = draw(st.sampled_from(["fitted", "spare", "removed"] if owner[0] == "unit" else ["spare", "removed"]))
        if state == "fitted" and (owner, kind) in fitted:
            continue
        fitted.add((owner, kind))
        values = {owner[0]: owner[1], "kind": kind, "state": state, "lot": draw(_kept(cells.code, 6))}
        values |= {"label_date": draw(_LABEL), "fitted_on": draw(_DAY), "udi": draw(_kept(cells.scanned, 12))}
        tables.setdefault("parts", []).append(_row(values | {"cost": draw(_LINE)}))
    people = draw(_codes(3))
    for person in people:
        theirs = draw(st.sets(st.sampled_from([site for site in sites if _can_be_listed(site)] or ["*"])))
        roles = draw(st.sets(st.sampled_from(["coordinator", "site-contact", "on-call", "manager", "responder"])))
        values = {"person": person, "name": draw(_LINE), "email": draw(st.sampled_from(["", "a@example.org"]))}
        values |= {"phone": draw(_LINE), "language": "fr", "time_zone": draw(st.sampled_from(["", *ZONES]))}
        tables.setdefault("people", []).append(_row(values | {"roles": tuple(roles), "sites": tuple(theirs)}))
        for certificate in draw(st.sets(_LINE.filter(bool), max_size=2)):
            values = {"person": person, "certificate": certificate, "issued_on": draw(_DAY), "valid_to": draw(_LABEL)}
            tables.setdefault("training", []).append(_row(values))
        for start in draw(st.sets(st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)), max_size=2)):  # noqa: DTZ001
            end = start + timedelta(hours=draw(st.integers(0, 200)))
            values = {"person": person, "from": start.replace(tzinfo=UTC), "until": end.replace(tzinfo=UTC)}
            tables.setdefault("rota", []).append(_row(values))
        for first in draw(st.sets(_SOME_DAY, max_size=2)):
            last = first + timedelta(days=draw(st.integers(0, 400)))
            values = {"person": person, "from": first, "until": last, "note": draw(_LINE)}
            tables.setdefault("absences", []).append(_row(values))
    for site in sites:
        for first in draw(st.sets(_SOME_DAY, max_size=2)):
            days, yearly = draw(st.integers(0, 360)), draw(st.booleans())
            until = first + timedelta(days=days) if yearly or days % 2 else None
            values = {"site": site, "from": first, "until": until, "every_year": "yes" if yearly else "no"}
            tables.setdefault("closures", []).append(_row(values | {"reason": draw(_LINE)}))
    return reading


def _can_be_listed(site: str) -> bool:
    """A code with one of the list's own separators in it can only be listed where its parts stand close."""
    return site != "*" and not set(site) & set(";,\n")


@st.composite
def entries(draw: st.DrawFn, units: int, people: list[str]) -> list[NewEntry]:
    """Log entries as people may write them by day; the last may strike one before it."""
    found: list[NewEntry] = []
    text = st.text(_NASTY + "\r\x07", max_size=12)
    for _ in range(draw(st.integers(0, 4)) if units else 0):
        readings = draw(st.dictionaries(text.map(_name).filter(bool), text.map(str.strip).filter(bool), max_size=2))
        part = draw(st.sampled_from([{}, {"kind": "battery"}]))
        if part:
            part = part | {"lot": draw(text.map(str.strip)), "note": draw(text.map(str.strip))}
        at = draw(st.datetimes(datetime(2000, 1, 1), datetime(2026, 11, 24))).replace(tzinfo=UTC)  # noqa: DTZ001
        entry = draw(st.sampled_from([name for name in ENTRIES if name not in ("struck", "corrected")]))
        by = draw(st.sampled_from(["", *people]))
        found.append(NewEntry(draw(st.integers(1, units)), at, entry, by, readings, part, draw(text).strip()))
    if found and draw(st.booleans()):
        found.append(NewEntry(found[0].unit_id, NOW, "struck", "", note="a slip", strikes=1))
    return found


def _name(text: str) -> str:
    """A reading's name as the commands take it; "" for one that they do not."""
    name = text.partition("=")[0].strip()
    try:
        check_words({name: "x"})
    except UserError:
        return ""
    return name if name not in ("notice", "stage") else ""
