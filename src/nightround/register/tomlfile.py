"""Reads a TOML file that a person wrote, and collects everything wrong with it, each with its place and cure.

It never guesses: a key it does not know, a value of another kind, a word with a typing error are all said, at once.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Collection, Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Any

from .. import files


class Table:
    """One table of such a file. What is wrong goes into `problems`, which all tables of a file share."""

    def __init__(self, given: dict[str, Any], where: str, problems: list[str]) -> None:
        self._given = given
        self._asked: list[str] = []
        self.where = where
        self.problems = problems

    def wrong(self, key: str, sentence: str) -> None:
        """Notes what is wrong with a key; the sentence says the cure too."""
        self.problems.append(f"{self.where}, key {key}: {sentence}")

    def holds(self, key: str) -> bool:
        """Whether the key is written at all."""
        return key in self._given

    def names(self) -> tuple[str, ...]:
        """The keys that are written, in their order."""
        return tuple(self._given)

    def text(self, key: str, *, required: bool = False, lines: bool = False) -> str:
        """A text; "" where there is none. Of one line unless `lines`."""
        value = self._take(key, required)
        if value is None:
            return ""
        if not isinstance(value, str) or not value.strip():
            self.wrong(key, 'write a text between "quotes", or take the key out')
            return ""
        value = value.strip()
        if any(not char.isprintable() and not (lines and char == "\n") for char in value):
            self.wrong(key, "has a line break or an invisible character in it; write it on one line")
            return ""
        return value

    def day(self, key: str, *, required: bool = False) -> date | None:
        """A civil day."""
        value = self._take(key, required)
        if value is None:
            return None
        if isinstance(value, datetime) or not isinstance(value, date):
            self.wrong(key, f"{value!s} is not a day; write year-month-day without quotes, such as 2026-11-25")
            return None
        return value

    def number(self, key: str, least: int, most: int) -> int | None:
        """A whole number between two bounds, both allowed."""
        value = self._take(key, False)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.wrong(key, f"{value!r} will not do; write a whole number from {least} to {most}")
            return None
        return value

    def yes(self, key: str) -> bool:
        """true or false; false where it is not written."""
        value = self._take(key, False)
        if value is None or isinstance(value, bool):
            return bool(value)
        self.wrong(key, f"{value!r} will not do; write true or false")
        return False

    def word(self, key: str, words: Iterable[str], *, required: bool = False) -> str:
        """One of the given words; "" where there is none."""
        value = self.text(key, required=required)
        known = list(words)
        if value and value not in known:
            self.wrong(key, f"{value!r} is not known{meant(value, known)}; write one of: {', '.join(known)}")
            return ""
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, in the order written; an empty list where the key is not there."""
        value = self._take(key, False)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
            self.wrong(key, 'write a list of texts, such as ["school"]')
            return ()
        found = tuple(item.strip() for item in value)
        if len(set(found)) < len(found):
            self.wrong(key, "says one thing twice; take the second out")
        return found

    def table(self, key: str, *, required: bool = False) -> Table | None:
        """A table inside this one."""
        value = self._take(key, required)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.wrong(key, "is not a table; write { key = value }")
            return None
        return Table(value, f"{self.where}, {key}", self.problems)

    def tables(self, key: str, *, required: bool = False) -> tuple[Table, ...]:
        """A list of tables inside this one, each named by its place."""
        value = self._take(key, required)
        if value is None:
            return ()
        if not isinstance(value, list) or not value or not all(isinstance(item, dict) for item in value):
            self.wrong(key, f"is not a list of tables; write [[{key}]] above the keys of each")
            return ()
        return tuple(
            Table(item, f"{self.where}, {key} {place}", self.problems) for place, item in enumerate(value, start=1)
        )

    def value(self, key: str) -> Any:
        """The bare value of a key; the caller judges it."""
        return self._take(key, False)

    def finish(self) -> None:
        """To be called when every key was asked for: what is left is not known."""
        for key in self._given:
            if key not in self._asked:
                self.wrong(key, f"is not known{meant(key, self._asked)}; take it out or correct it")

    def _take(self, key: str, required: bool) -> Any:
        if key not in self._asked:
            self._asked.append(key)
        value = self._given.get(key)
        if value is None and required:
            self.wrong(key, "is missing; write it")
        return value


def meant(word: str, known: Collection[str]) -> str:
    """The known word that was probably meant, as the middle of a sentence; "" where none comes close."""
    folded = {one.casefold(): one for one in known}
    close = difflib.get_close_matches(word.casefold(), list(folded), n=1)
    return f" (did you mean {folded[close[0]]}?)" if close else ""


def read(path: Path, name: str, problems: list[str]) -> Table | None:
    """The whole file as a table; None where it cannot be read, which is then among the problems."""
    text = read_text(path, name, problems)
    return None if text is None else parse(text, name, problems)


def read_text(path: Path, name: str, problems: list[str]) -> str | None:
    """The text of the file; None where it cannot be read, which is then among the problems."""
    try:
        # Some editors begin a file with a mark that says which letters it has.
        return files.read_bytes(path).decode("utf-8-sig")
    except files.Unfit as unfit:
        problems.append(f"{name}: {unfit}")
    except OSError as error:
        problems.append(f"{name}: cannot be read ({error.strerror}); correct the file's rights or take it away")
    except UnicodeDecodeError:
        problems.append(f"{name}: is not UTF-8 text; save it as UTF-8")
    return None


def parse(text: str, name: str, problems: list[str]) -> Table | None:
    """The text as a table; None where it is not TOML, which is then among the problems."""
    try:
        return Table(files.toml(text), name, problems)
    except files.Unfit as unfit:
        problems.append(f"{name}: {unfit}")
    except tomllib.TOMLDecodeError as error:
        problems.append(f"{name}: is not TOML ({error}); correct that place")
    return None
