"""Reads a safety notice that a person wrote down as a TOML file, and says everything that is wrong with it at once.

It never guesses: two kinds of mark in one group need the word `any` or `all` between them, a version needs its quotes.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from ..errors import UserError
from ..reckoning.dates import month_end
from ..reckoning.notices import Action, Concern, Days, Notice
from ..reckoning.numbering import Range, alike, taken_apart, version_order
from ..reckoning.rules import Force
from .tomlfile import Table, parse, read_text

ISSUERS = {"manufacturer": Force.MANUFACTURER, "authority": Force.GUIDANCE}
PART_KINDS = ("pads-adult", "pads-child", "pads-universal", "battery")
REFERENCE_LENGTH = 40
_LENGTHS = {"class": 40, "title": 200, "source": 300, "what_to_do": 1000}
_NUMBER_LENGTH = 64
_KIT = re.compile(r"kit-[a-z0-9-]{1,27}")
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")
# What a person writes between or behind two numbers, meaning all that lie there.
_WORDS_OF_A_RANGE = re.compile(
    r"[<>≤≥–—…]|\.\.|\b(?:and|or|to|through|until|up|from|earlier|later|before|after)\b", re.I
)
_AS_A_RANGE = 'write a range as { from = "…", to = "…" }, one end left out where it is open'
T = TypeVar("T")


def read_notice(path: Path) -> tuple[Notice, str]:
    """The notice and the text of its file. Raises one UserError that tells all that is wrong."""
    problems: list[str] = []
    text = read_text(path, path.name, problems)
    if text is None:
        raise UserError(problems[0])
    return parse_notice(text, path.name), text


@lru_cache(maxsize=256)
def parse_notice(text: str, name: str) -> Notice:
    """The notice in the text of a file. Raises one UserError that tells all that is wrong."""
    problems: list[str] = []
    top = parse(text, name, problems)
    found = None if top is None else _notice(top)
    if problems or found is None:
        told = problems[0] if len(problems) == 1 else f"{len(problems)} things are wrong:\n" + "\n".join(problems)
        raise UserError(told)
    return found


def _notice(top: Table) -> Notice | None:
    reference = " ".join(top.text("reference", required=True).split())
    if len(reference) > REFERENCE_LENGTH:
        top.wrong("reference", f"has more than {REFERENCE_LENGTH} characters; shorten it")
    if any(sign in reference for sign in ";="):
        top.wrong("reference", "holds ; or =, which part the readings of a log entry; write another sign")
    version = top.number("version", 1, 9999) if top.holds("version") else 1
    texts = {key: _text(top, key, required=key in ("title", "source")) for key in _LENGTHS}
    issued_by = top.word("issued_by", ISSUERS, required=True)
    published_on, received_on = top.day("published_on", required=True), top.day("received_on")
    action = top.word("action", list(Action), required=True)
    underway_by, complete_by = top.day("underway_by"), top.day("complete_by")
    closed_on, corrections_from = top.day("closed_on"), top.day("corrections_from")
    for key, day, least in (
        ("underway_by", underway_by, published_on),
        ("complete_by", complete_by, underway_by or published_on),
        ("closed_on", closed_on, published_on),
    ):
        if day is not None and least is not None and day < least:
            top.wrong(key, f"{day} lies before {least}; correct one of the two")
    concerns = [_concern(table) for table in top.tables("concerns", required=True)]
    top.finish()
    if top.problems or version is None or published_on is None:
        return None
    return Notice(
        reference,
        version,
        texts["class"],
        texts["title"],
        texts["source"],
        ISSUERS[issued_by],
        published_on,
        received_on,
        Action(action),
        texts["what_to_do"],
        underway_by,
        complete_by,
        closed_on,
        corrections_from,
        tuple(concerns),
    )


def _text(table: Table, key: str, *, required: bool) -> str:
    text = " ".join(table.text(key, required=required, lines=True).split())
    if len(text) > _LENGTHS[key]:
        table.wrong(key, f"has {len(text)} characters; {_LENGTHS[key]} are the most, shorten it")
    return text


def _concern(table: Table) -> Concern:
    models, every_model = table.texts("models"), table.yes("every_model")
    serials = _listed(table, "serials", _number, _numbers)
    made = _listed(table, "made", _days, _between)
    firmware = _listed(table, "firmware", _version, _versions)
    lots, parts = _listed(table, "lots", _number, _numbers), table.texts("parts")
    every_unit, combine = table.yes("every_unit"), table.word("combine", ("any", "all"))
    kinds = [key for key in ("serials", "made", "firmware", "lots") if table.holds(key)]
    if every_model and (models or kinds != ["lots"]):
        table.wrong("every_model", "is for lots of parts that fit any model, and nothing beside; write models instead")
    if not models and not every_model:
        table.wrong("models", 'is missing; write the models as the register names them, such as ["Model A"]')
    if every_unit and kinds:
        table.wrong("every_unit", f"leaves no choice, but {' and '.join(kinds)} would make one; take one of them out")
    if not every_unit and not kinds:
        said = "does not say which units of these models are meant"
        table.wrong("every_unit", f"{said}; write serials, made, firmware or lots, or every_unit = true")
    if len(kinds) > 1 and not table.holds("combine"):
        table.wrong("combine", f'is missing; write "all" where {" and ".join(kinds)} must all hold, else "any"')
    if lots and not parts:
        table.wrong("parts", 'is missing; write which parts the lots are of, such as ["pads-adult"]')
    if parts and "lots" not in kinds:
        table.wrong("parts", "is only for lots; write the lots, or take it out")
    for kind in parts:
        if kind not in PART_KINDS and not _KIT.fullmatch(kind):
            table.wrong("parts", f"{kind!r} is not known; write any of: {', '.join(PART_KINDS)}, or kit-…")
    table.finish()
    return Concern(models, serials, made, firmware, parts, lots, combine == "all", every_unit)


def _listed(
    table: Table,
    key: str,
    one: Callable[[Table, str, Any], T | None],
    between: Callable[[Table, str, Any, Any], T | None],
) -> tuple[T, ...]:
    """A list of single values and of ranges `{ from, to }`."""
    value = table.value(key)
    if value is None:
        return ()
    if not isinstance(value, list) or not value:
        table.wrong(key, f"is not a list; write it in [ ], and {_AS_A_RANGE}")
        return ()
    found: list[T] = []
    for item in value:
        if isinstance(item, dict):
            if not item or not set(item) <= {"from", "to"}:
                table.wrong(key, f"{item!r} is not a range; {_AS_A_RANGE}")
                continue
            said = between(table, key, item.get("from"), item.get("to"))
        else:
            said = one(table, key, item)
        if said is not None:
            found.append(said)
    return tuple(found)


def _plain(table: Table, key: str, value: Any) -> str | None:
    """A serial or lot number as a text; whole numbers are allowed, as nothing is lost with them."""
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        value = str(value)
    if not isinstance(value, str) or not taken_apart(value).runs or len(value) > _NUMBER_LENGTH:
        table.wrong(key, f'{value!r} is not a number as it is printed; write it between "quotes"')
        return None
    return str(value).strip()


def _number(table: Table, key: str, value: Any) -> Range | None:
    text = _plain(table, key, value)
    if text is None:
        return None
    ends = text.split("-")
    two = len(ends) == 2 and len(ends[0]) == len(ends[1]) and alike(ends[0], ends[1])
    if two or _WORDS_OF_A_RANGE.search(text):
        table.wrong(key, f"{text!r} looks like a range; {_AS_A_RANGE}, the same number twice where it is only one")
        return None
    return Range(text, text)


def _numbers(table: Table, key: str, first: Any, last: Any) -> Range | None:
    ends = [None if value is None else _plain(table, key, value) for value in (first, last)]
    if (first is not None and ends[0] is None) or (last is not None and ends[1] is None):
        return None
    one, other = ends[0] or ends[1] or "", ends[1] or ends[0] or ""
    if one == other and first is not None and last is not None:
        return Range(one, other)
    if not alike(one, other):
        said = f"from {one!r} to {other!r} is no range that can be counted"
        table.wrong(key, f"{said}; both ends need the same letters in the same places, and digits")
        return None
    if taken_apart(one).values > taken_apart(other).values:
        table.wrong(key, f"from {one!r} to {other!r} runs backwards; correct one of the two")
        return None
    return Range(ends[0] or "", ends[1] or "")


def _version(table: Table, key: str, value: Any) -> Range | None:
    return _versions(table, key, value, value)


def _versions(table: Table, key: str, first: Any, last: Any) -> Range | None:
    for value in (first, last):
        if value is None:
            continue
        if not isinstance(value, str) or not taken_apart(value).runs or len(value) > _NUMBER_LENGTH:
            table.wrong(key, f'{value!r} is not a version; write it between "quotes", so that 2.10 is not 2.1')
            return None
        if _WORDS_OF_A_RANGE.search(value):
            table.wrong(key, f"{value!r} looks like a range; {_AS_A_RANGE}")
            return None
    if first is not None and last is not None:
        order = version_order(first, last)
        if order is None or order > 0:
            why = "cannot be compared" if order is None else "runs backwards"
            table.wrong(key, f"from {first!r} to {last!r} {why}; correct one of the two")
            return None
    return Range((first or "").strip(), (last or "").strip())


def _days(table: Table, key: str, value: Any) -> Days | None:
    return _between(table, key, value, value)


def _between(table: Table, key: str, first: Any, last: Any) -> Days | None:
    ends: list[date | None] = []
    for value, is_last in ((first, False), (last, True)):
        if isinstance(value, str) and _MONTH.fullmatch(value):
            day = date.fromisoformat(f"{value}-01")
            ends.append(month_end(day) if is_last else day)
        elif value is None or (isinstance(value, date) and not isinstance(value, datetime)):
            ends.append(value)
        else:
            table.wrong(key, f'{value!s} is not a day; write 2004-05-31 without quotes, or a month as "2004-05"')
            return None
    if ends[0] is not None and ends[1] is not None and ends[0] > ends[1]:
        table.wrong(key, f"from {ends[0]} to {ends[1]} runs backwards; correct one of the two")
        return None
    return Days(ends[0], ends[1])
