"""A sheet of cells as it came from a file, before anybody asked what it means; and how large one may be."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from .cells import Cell

MOST_BYTES = 200_000_000  # of one file as it lies on disk
MOST_UNPACKED = 400_000_000  # bytes of a workbook's parts together
MOST_RATIO = 250  # unpacked to packed, once a workbook's parts come to more than MODEST bytes
MODEST = 30_000_000
MOST_ROWS = 1_048_576  # of one sheet, as in the common spreadsheets
MOST_COLUMNS = 256
MOST_CELLS = 4_000_000  # of one sheet of a workbook
MOST_SPARSE = 8  # rows times columns of a sheet to the cells that are there, once there are more than MODEST_CELLS
MODEST_CELLS = 2_000_000
MOST_TEXT = 150_000_000  # bytes of text in one sheet, each cell counted with its own


@dataclass(slots=True)
class Grid:
    """`rows` begin at row 1 of the sheet, each at column A; empty cells are "" or, at the end, left out.

    `faults`: (row, column) → why that cell, which looks empty, has no value; both count from 0.
    """

    file: str
    sheet: str
    rows: Iterable[Sequence[Cell]]
    height: int | None = None
    from_1904: bool = False
    faults: dict[tuple[int, int], str] = field(default_factory=dict)


def column_name(index: int) -> str:
    """The letters of a column; 0 is A."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def column_index(letters: str) -> int:
    """The column of its letters; A is 0."""
    index = 0
    for letter in letters.upper():
        index = index * 26 + ord(letter) - ord("A") + 1
    return index - 1
