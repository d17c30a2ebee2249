"""Errors a user can cause: values with the place and the cure, caught once at the edge."""

from __future__ import annotations

from dataclasses import dataclass


class UserError(Exception):
    """Something the user can put right. The text is one clear sentence that names the place and the cure.

    The command line prints it and exits 2; pages answer 400 with it.
    """


class Failure(Exception):
    """Something went wrong that the user's input did not cause. The command line exits 1."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in an input file, said so that a person can act on it.

    `row` counts as a spreadsheet does (the header is row 1), `column` is the heading as the file spells it.
    """

    file: str
    sheet: str
    row: int | None
    column: str
    value: str
    cure: str

    def sentence(self) -> str:
        place = self.file
        if self.sheet:
            place += f", sheet {self.sheet}"
        if self.row is not None:
            place += f", row {self.row}"
        if self.column:
            place += f", column {self.column}"
        shown = f": {self.value!r}" if self.value else ""
        return f"{place}{shown}: {self.cure}"

    def as_dict(self) -> dict[str, object]:
        return {
            "file": self.file,
            "sheet": self.sheet,
            "row": self.row,
            "column": self.column,
            "value": self.value,
            "cure": self.cure,
        }
