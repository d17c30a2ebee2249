"""How the register's values are written into the cells of an export, so that reading them gives the same again."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple
from zoneinfo import ZoneInfo

from . import vocabulary
from .cells import Refused, join_pairs, neutral, notes

_INSTEAD = "\N{REPLACEMENT CHARACTER}"


class Said(NamedTuple):
    """What a log entry says beside when, what and by whom."""

    readings: dict[str, str]
    part: dict[str, str]
    note: str


def text_cell(text: str) -> str:
    """A text as it is written: no spreadsheet runs it, and nothing is in it that a sheet cannot hold."""
    return neutral(_printable(text)) if text else ""


def pairs_cell(pairs: Mapping[str, str]) -> str:
    """Readings or part details: `battery=3/4; pads=ok`."""
    return text_cell(join_pairs(dict(pairs)))


def number_text(value: float) -> str:
    """A number without an exponent, exact."""
    return format(Decimal(repr(value)), "f")


def instant_text(at: datetime, zone: str) -> str:
    """An instant as the clock in the zone showed it, with its offset from UTC and every digit of its second."""
    return at.astimezone(ZoneInfo(zone)).isoformat()


def heard(readings: Mapping[str, str], part: Mapping[str, str], note: str) -> Said | None:
    """What a log entry says once it has been written to a file and read again. None where it cannot be read."""
    try:
        return Said(
            (vocabulary.readings(pairs_cell(readings)) if readings else None) or {},
            (vocabulary.details(pairs_cell(part)) if part else None) or {},
            (notes(text_cell(note)) if note else None) or "",
        )
    except Refused:
        return None


def _printable(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(
        char if char in "\n\t\x1d" or unicodedata.category(char) not in ("Cc", "Cs") else _INSTEAD
        for char in text.replace("\r\n", "\n").replace("\r", "\n")
    )
