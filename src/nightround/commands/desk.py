"""What every command is handed: the settings it was called with, and one way to answer in a table or in JSON."""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, time
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..bootstrap import Clock, Program, start, system_clock

# What only some commands need is imported where they need it: `nightround --help` is to be there at once.
if TYPE_CHECKING:
    from rich.console import Console

    from ..settings import Settings

# Marks that turn the direction of writing around, and the separators that a terminal may take for a line's end.
_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029")


def counted(number: int, word: str, many: str = "") -> str:
    """`1 unit`, `2 units`."""
    return f"{number} {word if number == 1 else many or word + 's'}"


def visible(text: str) -> str:
    """The text with its control characters shown as signs, so that stored text cannot steer a terminal: no colour, no
    cursor, no link, nothing hidden or turned around. Line ends and tabs stay."""
    if text.isprintable():
        return text
    return "".join(sign if sign in "\n\t" else _shown(sign) for sign in text)


def _shown(sign: str) -> str:
    number, category = ord(sign), unicodedata.category(sign)
    if number < 0x20:
        return chr(0x2400 + number)  # its picture: ␛ for escape
    if number == 0x7F:
        return "\N{SYMBOL FOR DELETE}"
    if category in ("Cc", "Cs") or sign in _TURNING:
        return "\N{REPLACEMENT CHARACTER}"
    return sign


def screen(**how: Any) -> Console:
    """A terminal, or what stands in its place, to which no control character goes but those for our own looks."""
    from rich.console import Console

    class Screen(Console):
        def print(self, *objects: Any, **how: Any) -> None:
            super().print(*(visible(one) if isinstance(one, str) else one for one in objects), **how)

    return Screen(highlight=False, **how)


class Desk:
    """One run of the command line. `json` asks for one JSON document on standard output and nothing else there."""

    def __init__(
        self, config: str | None, as_json: bool, clock: Clock = system_clock, program: Program | None = None
    ) -> None:
        self._config = config
        self.json = as_json
        self.clock = clock
        self._program = program

    @cached_property
    def out(self) -> Console:
        return screen(soft_wrap=not sys.stdout.isatty())

    @cached_property
    def err(self) -> Console:
        return screen(stderr=True, soft_wrap=not sys.stderr.isatty())

    @property
    def settings(self) -> Settings:
        if self._program is not None:
            return self._program.settings
        from ..settings import find, load

        return load(find(self._config))

    @property
    def program(self) -> Program:
        """The program on its database; raises UserError where the database is empty or of another schema."""
        if self._program is None:
            from ..register.rereading import read_anew

            program = start(self.settings, clock=self.clock)
            read_anew(program.store, program.clock())  # does nothing but after an upgrade that was broken off
            self._program = program
        return self._program

    def answer(self, document: Any) -> None:
        """Prints the JSON document."""
        sys.stdout.write(json.dumps(document, default=plain, ensure_ascii=False, indent=1) + "\n")

    def table(self, columns: Sequence[str], rows: Iterable[Sequence[object]], title: str | None = None) -> None:
        """Prints a table: ruled and coloured in a terminal, tab-separated without decoration when piped."""
        if not self.out.is_terminal:
            for row in rows:
                sys.stdout.write("\t".join(_cell(value) for value in row) + "\n")
            return
        from rich.table import Table

        grid = Table(title=title, title_justify="left", header_style="bold")
        for column in columns:
            grid.add_column(column, overflow="fold")
        for row in rows:
            grid.add_row(*(_cell(value) for value in row))
        self.out.print(grid, markup=False)

    def say(self, sentence: str) -> None:
        """Prints a sentence; on standard error when standard output belongs to a JSON document."""
        (self.err if self.json else self.out).print(sentence, markup=False)

    @contextmanager
    def progress(self, what: str) -> Iterator[Callable[[int, int | None], None]]:
        """A progress bar on standard error while the block runs; shows nothing where that is no terminal.

        The block calls what it is given with (done, total); a total of None means that nobody knows yet.
        """
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        bar = Progress(*columns, console=self.err, transient=True, disable=not self.err.is_terminal)
        with bar:
            task = bar.add_task(what, total=None)

            def show(done: int, total: int | None) -> None:
                bar.update(task, completed=done, total=total)

            yield show


def _cell(value: object) -> str:
    if value is None:
        return "–"
    return visible(" ".join(str(value).split()))


def plain(value: Any) -> Any:
    """Days, instants and paths as JSON writes them: ISO 8601, instants in UTC."""
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, set | frozenset):
        return sorted(value)
    raise TypeError(f"{type(value).__name__} has no place in a JSON answer")


pass_desk = click.make_pass_decorator(Desk)
