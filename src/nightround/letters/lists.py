"""Lists of a letter: the worst few of many, and how many there are. One pass gives both, so that they always agree.

Also what of a letter is looked up only where a template asks for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

CHUNK = 500
T = TypeVar("T")
U = TypeVar("U")


@dataclass(frozen=True, slots=True)
class Cut(Generic[T]):
    """A list as a letter shows it: `total` counts what was gathered, `counted` what the shown rows stand for.

    A row may stand for several: a unit with three duties counts three.
    """

    total: int
    rows: tuple[T, ...]
    counted: int

    @property
    def more(self) -> int:
        """How many are not shown."""
        return self.total - self.counted

    def said(self, words: Callable[[T], U]) -> Cut[U]:
        """The same list with its rows in words."""
        return Cut(self.total, tuple(words(row) for row in self.rows), self.counted)


class Later(Generic[T]):
    """A value that is looked up when it is asked for, once."""

    def __init__(self, look_up: Callable[[], T]) -> None:
        self._look_up: Callable[[], T] | None = look_up
        self._found: T

    @property
    def value(self) -> T:
        """What was found. Raises whatever looking it up raises."""
        if self._look_up is not None:
            self._found = self._look_up()
            self._look_up = None
        return self._found


class Worst(Generic[T]):
    """Gathers rows and keeps the first `limit` of them by `key`; memory does not grow with the fleet."""

    def __init__(self, limit: int, key: Callable[[T], Any], weight: Callable[[T], int] = lambda _: 1) -> None:
        self._limit = limit
        self._key = key
        self._weight = weight
        self._rows: list[T] = []
        self.total = 0

    def add(self, row: T) -> None:
        self.total += self._weight(row)
        self._rows.append(row)
        if len(self._rows) >= 8 * self._limit + 64:
            self._settle()

    def cut(self) -> Cut[T]:
        """The first rows in order, and the count of all that were added."""
        self._settle()
        return Cut(self.total, tuple(self._rows), sum(map(self._weight, self._rows)))

    def _settle(self) -> None:
        self._rows.sort(key=self._key)
        del self._rows[self._limit :]


def chunks(ids: Sequence[T]) -> Iterator[Sequence[T]]:
    """A few hundred at a time: databases limit how many values a statement may have."""
    for start in range(0, len(ids), CHUNK):
        yield ids[start : start + CHUNK]
