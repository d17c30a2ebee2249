"""The invented fleet's units, parts and log as rows of the import files."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from .dice import dice
from .history import Entry, History
from .parts import Model, Plan, lot, model_of, plan
from .places import CABINETS, FLOORS, SPOTS, Kind

Row = tuple[str, ...]

HEADERS: dict[str, Row] = {
    "sites": (
        "site", "name", "address", "latitude", "longitude", "time_zone", "country", "subdivision", "site_type",
        "responders",
    ),
    "units": (
        "unit", "site", "spot", "floor", "model", "serial", "made_on", "in_service_on", "firmware", "cabinet",
        "registered_with", "registered_on",
    ),
    "parts": ("unit", "site", "kind", "state", "lot", "label_date", "fitted_on", "udi", "cost"),
    "people": ("person", "name", "email", "phone", "roles", "sites", "language", "time_zone", "left_on"),
    "training": ("person", "certificate", "issued_on", "valid_to"),
    "log": ("unit", "at", "entry", "by", "readings", "part", "note"),
    "rota": ("person", "from", "until"),
}  # fmt: skip

_CURRENCY = {"US": "USD", "CA": "CAD", "GB": "GBP", "JP": "JPY", "KR": "KRW", "TW": "TWD", "AU": "AUD", "SG": "SGD"}
_PRICE = {"USD": 1, "CAD": 1.3, "GBP": 0.8, "EUR": 0.9, "JPY": 150, "KRW": 1300, "TWD": 31, "AUD": 1.5, "SGD": 1.3}


class Told(NamedTuple):
    """A unit as rows."""

    unit: Row
    parts: list[Row]
    log: list[Row]


def tell(
    seed: int, on: date, kind: Kind, site: str, place: int, number: int, story: str, coordinator: str, days: int
) -> Told:
    """The unit with that number: the `place`th of its site. Everything follows from the seed and the number."""
    rng = dice(seed, "unit", number)
    model = model_of(number)
    made = plan(rng, story, model)
    code = f"{site}-{place:02}"
    log = History(rng, kind, model, made, story, on, f"C-{site}", coordinator).write(days)
    known = story != "nothing recorded"
    parts = list(_parts(rng, kind, on, code, model, made, story))
    zone = ZoneInfo(kind.time_zone)
    return Told(
        _unit(rng, kind, on, code, site, number, model, made, known), parts, [_log(code, on, zone, e) for e in log]
    )


def spares_of_a_site(rng: random.Random, kind: Kind, site: str, on: date, first_unit: int) -> Iterator[Row]:
    """Spare parts that a site keeps for no one unit: at every third site, one, of its first unit's model."""
    if rng.random() < 0.33:
        part = rng.choice((model_of(first_unit).pads[0], "battery"))
        yield _part(rng, kind, on, ("", site), part, "spare", lot(rng), rng.randint(-40, 800), None)


def iso(on: date, day: int) -> str:
    """The day that lies so many days after `on`."""
    return (on + timedelta(days=day)).isoformat()


def _unit(
    rng: random.Random, kind: Kind, on: date, code: str, site: str, number: int, model: Model, made: Plan, known: bool
) -> Row:
    spots = SPOTS[kind.language]
    registered = known and rng.random() < 0.7
    return (
        code,
        site,
        spots[number % len(spots)],
        rng.choice(FLOORS),
        model.name,
        f"{model.serial}{number + 1:06}",
        iso(on, made.made) if known else "",
        iso(on, made.service) if known else "",
        f"{rng.randint(1, 3)}.{rng.randint(0, 12)}" if known else "",
        rng.choice(CABINETS),
        "regional register" if registered else "",
        iso(on, min(made.service + rng.randint(3, 60), -1)) if registered else "",
    )


def _parts(rng: random.Random, kind: Kind, on: date, code: str, model: Model, made: Plan, story: str) -> Iterator[Row]:
    known = story != "nothing recorded"
    for part, sets in made.sets.items():
        worn = sets[-1]
        fitted = worn.fitted if known else None
        yield _part(rng, kind, on, (code, ""), part, "fitted", worn.lot if known else "", worn.label, fitted)
    spare: int | None = None
    if story == "spare past":
        spare = -rng.randint(10, 300)
    elif story == "pads due, spare at hand" or (known and _keeps_a_spare(rng, kind, story)):
        spare = rng.randint(420, 900)
    if spare is not None:
        for part in model.pads:
            yield _part(rng, kind, on, (code, ""), part, "spare", lot(rng), spare, None)


def _keeps_a_spare(rng: random.Random, kind: Kind, story: str) -> bool:
    """Two sets of pads with each unit are asked for in Maryland; elsewhere some keep one. Never where a spare would
    tell another story: one at hand takes away what is to be ordered."""
    if story.startswith(("pads due", "pads past")):
        return False
    return kind.subdivision == "MD" or rng.random() < 0.15


def _part(
    rng: random.Random,
    kind: Kind,
    on: date,
    where: tuple[str, str],
    part: str,
    state: str,
    lot_number: str,
    label: int | None,
    fitted: int | None,
) -> Row:
    """Label dates come as people write them: to the day, or the month only where the last day of a month is meant; a
    few with the label's own code, of which some leave the rest to it."""
    text = udi = ""
    if label is not None:
        day = on + timedelta(days=label)
        text = day.isoformat()
        if (day + timedelta(days=1)).day == 1:
            text = text[:7]
        elif rng.random() < 0.2:
            udi = gs1(rng, day, lot_number)
            if label > 60 and lot_number and lot_number[-1] in "258":
                text = lot_number = ""  # the code says both
            elif lot_number[-1:] in ("1", "4", "7"):
                udi = _as_scanned(udi)
    currency = _CURRENCY.get(kind.country, "EUR")
    price = (140 if part == "battery" else 62) * _PRICE[currency]
    cost = f"{price:.2f} {currency}" if rng.random() < 0.8 else ""
    return (*where, part, state, lot_number, text, "" if fitted is None else iso(on, fitted), udi, cost)


def gs1(rng: random.Random, expires: date, lot_number: str) -> str:
    """A GS1 element string with a GTIN from the range kept for examples (prefix 952), the expiry and any lot."""
    body = f"0952{rng.randrange(10**9):09}"
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(body)))
    return f"(01){body}{-total % 10}(17){expires:%y%m%d}" + (f"(10){lot_number}" if lot_number else "")


def _as_scanned(udi: str) -> str:
    """The same as a scanner sends it: the lot before the date, so that the separator FNC1 must stand between them."""
    product, expires, lot_number = udi[4:18], udi[22:28], udi[32:]
    return f"01{product}10{lot_number}\x1d17{expires}"


def contradicted(part: Row) -> Row:
    """A part's row with a typed date a year later than the one in its code: a slip that an import reports. Other rows
    come back as they are."""
    row = dict(zip(HEADERS["parts"], part, strict=True))
    if row["state"] != "fitted" or not row["udi"] or len(row["label_date"]) != 10:
        return part
    day = date.fromisoformat(row["label_date"])
    row["label_date"] = (day + timedelta(days=365)).isoformat()
    return tuple(row.values())


def _log(code: str, on: date, zone: ZoneInfo, entry: Entry) -> Row:
    day = on + timedelta(days=entry.day)
    at = datetime(day.year, day.month, day.day, entry.minute // 60, entry.minute % 60, tzinfo=zone)
    return (code, at.isoformat(), entry.entry, entry.by, _pairs(entry.readings), _pairs(entry.part), entry.note)


def _pairs(values: dict[str, str]) -> str:
    return "; ".join(f"{key}={value}" for key, value in values.items())
