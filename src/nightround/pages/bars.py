"""Bars for small charts. Each stands in a row of a table that says the same in numbers; the bar only repeats it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Bar:
    """One row: a word, the class that its colour goes by, a number and perhaps a second one behind it.

    `width` and `second_width` are hundredths of the chart's width; a number above nought never has none.
    """

    word: str
    mark: str
    number: int
    second: int = 0
    width: float = 0.0
    second_width: float = 0.0


def bars(rows: Sequence[Bar]) -> list[Bar]:
    """The rows with their widths, the widest of them the whole chart."""
    widest = max((row.number + row.second for row in rows), default=0)
    return [replace(row, width=_share(row.number, widest), second_width=_share(row.second, widest)) for row in rows]


def _share(number: int, widest: int) -> float:
    return 0.0 if number == 0 else max(0.8, round(number * 100 / widest, 2))
