"""Opens CSV files as grids of cells: which letters, which delimiter. Says what it took; decides only where it can.

Letters: a byte order mark says; else UTF-8 where the bytes are that throughout; else CP932 (Japanese) or Windows-1252
(western). Almost any CP932 text can also be read as Windows-1252 and often the other way round, so what decides is
the headings, then kana, which western letters do not look like, and last a statistical library.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import TextIO

from charset_normalizer import from_bytes

from ..errors import Problem, UserError
from .cells import LONGEST, Cell
from .grids import MOST_BYTES, MOST_COLUMNS, MOST_ROWS, Grid

DELIMITERS = (",", ";", "\t")
_SAMPLE = 256_000  # bytes that the statistical library looks at
_BEGINNING = 20_000  # characters in which headings are looked for
_CHUNK = 1 << 20
_MOST_UNTOLD = 20_000_000  # bytes of a file in other letters than UTF-8
NAMES = {"cp932": "CP932 (Japanese)", "cp1252": "Windows-1252 (western)", "utf-16": "UTF-16"}

Score = Callable[[list[str]], int]


def open_csv(path: Path, score: Score, problems: list[Problem], remarks: list[str]) -> Grid:
    """One CSV file as a grid. `score` says how many of some cells are headings that mean something.

    Rows are read when they are asked for; what is wrong with the form of one goes to `problems` and ends the file.
    Raises UserError where the file is no text, too large, or in letters we cannot tell.
    """
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise UserError(
            f"{path.name} has {size // 1_000_000} MB; {MOST_BYTES // 1_000_000} MB are the most, so split it"
        )
    encoding, lines = _encoding(path, size, score)
    if encoding in NAMES:
        remarks.append(f"{path.name}: its letters were read as {NAMES[encoding]}")
    with path.open(encoding=encoding, newline="") as file:
        skipped, delimiter = _delimiter(file.read(_BEGINNING), score)
    rows = _Rows(path, encoding, delimiter, skipped, problems)
    if lines > MOST_ROWS and rows.are_too_many():
        cure = f"the file has more rows; {MOST_ROWS} are the most, so split it"
        problems.append(Problem(path.name, "", MOST_ROWS + 1, "", "", cure))
        return Grid(path.name, "", ())
    return Grid(path.name, "", rows, lines)


def _encoding(path: Path, size: int, score: Score) -> tuple[str, int]:
    """The encoding of a file and about how many lines it has. The file is never held in memory as a whole, but where
    only statistics can tell."""
    decoder, encoding, lines = codecs.getincrementaldecoder("utf-8")(), "utf-8-sig", 1
    with path.open("rb") as file:
        for first, chunk in enumerate(iter(lambda: file.read(_CHUNK), b"")):
            if not first and chunk.startswith((b"PK\x03\x04", codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                break
            if b"\x00" in chunk:
                raise UserError(f"{path.name} is not a text file; save the table as CSV (UTF-8)")
            lines += max(chunk.count(b"\n"), chunk.count(b"\r"))
            try:
                decoder.decode(chunk)
            except UnicodeDecodeError:
                break
        else:
            if not decoder.getstate()[0]:
                return encoding, lines
    if size > _MOST_UNTOLD:
        raise UserError(f"{path.name} is not UTF-8 text; save the table as CSV (UTF-8)")
    text, encoding = decode(path.read_bytes(), path.name, score)
    return encoding, max(text.count("\n"), text.count("\r")) + 1


def decode(raw: bytes, name: str, score: Score) -> tuple[str, str]:
    """The text of a file and the name of its encoding."""
    if raw.startswith(b"PK\x03\x04"):
        raise UserError(f"{name} is a workbook, not a CSV file; name it {Path(name).stem}.xlsx or .ods")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _strictly(raw, "utf-16", name), "utf-16"
    if b"\x00" in raw:
        raise UserError(f"{name} is not a text file; save the table as CSV (UTF-8)")
    try:
        return raw.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
    japanese, western = _try(raw, "cp932"), _try(raw, "cp1252")
    if _is_mostly_utf8(raw) or (japanese is None and western is None):
        raise UserError(f"{name}, row {line} has letters in it that cannot be told; save the file as CSV (UTF-8)")
    if western is None or (japanese is not None and _is_japanese(raw, japanese, western, score)):
        return japanese or "", "cp932"
    return western, "cp1252"


def _is_mostly_utf8(raw: bytes) -> bool:
    """Whether most letters beyond ASCII are good UTF-8: then the file is UTF-8 with damage, and nothing else."""
    text = raw.decode("utf-8", "replace")
    damaged = text.count("\ufffd")
    return sum(not char.isascii() for char in text) > 2 * damaged


def _is_japanese(raw: bytes, japanese: str, western: str, score: Score) -> bool:
    """Of a text that can be read both ways."""
    as_japanese, as_western = (_best(text, score)[1] for text in (japanese, western))
    if as_japanese != as_western:
        return as_japanese > as_western
    if any("\u3041" <= char <= "\u30fe" for char in japanese):
        return True
    best = from_bytes(raw[:_SAMPLE], cp_isolation=["cp932", "cp1252"]).best()
    return best is not None and best.encoding == "cp932"


def _delimiter(text: str, score: Score) -> tuple[int, str]:
    """How many lines stand before the headings, and the delimiter: the one that gives most headings with a meaning.

    A first line `sep=;`, which some spreadsheets write, decides and is no row.
    """
    first = text.partition("\n")[0]
    if first.strip("\r \ufeff").lower().startswith("sep=") and len(first.strip("\r \ufeff")) == 5:
        return 1, first.strip("\r \ufeff")[4]
    return 0, _best(text, score)[0]


def _best(text: str, score: Score) -> tuple[str, int]:
    """The delimiter that gives most headings with a meaning in the first rows, and how many; by columns on a tie."""
    start = text[:_BEGINNING]
    found = []
    for delimiter in DELIMITERS:
        rows: list[list[str]] = []
        try:
            for row in csv.reader(io.StringIO(start, newline=""), delimiter=delimiter):
                rows.append(row)
                if len(rows) == 10:
                    break
        except csv.Error:
            pass
        best = max(((score(row), len(row)) for row in rows), default=(0, 0))
        found.append((best, delimiter))
    # max() keeps the first of equals: the comma.
    (count, _), delimiter = max(found, key=lambda item: item[0])
    return delimiter, count


class _Rows:
    """The rows of a CSV file. A row whose form is broken is a problem, and the last one read."""

    def __init__(self, path: Path, encoding: str, delimiter: str, skipped: int, problems: list[Problem]) -> None:
        self._path = path
        self._encoding = encoding
        self._delimiter = delimiter
        self._skipped = skipped
        self._name = path.name
        self._problems = problems

    def are_too_many(self) -> bool:
        """Counts the rows, and not their lines; a row whose form is broken ends the count as it ends the file."""
        with self._path.open(encoding=self._encoding, newline="") as file:
            try:
                return next(islice(self._reader(file), MOST_ROWS, None), None) is not None
            except csv.Error:
                return False

    def _reader(self, file: TextIO) -> Iterator[list[str]]:
        for _ in range(self._skipped):
            file.readline()
        return csv.reader(file, delimiter=self._delimiter, strict=True)

    def __iter__(self) -> Iterator[list[Cell]]:
        with self._path.open(encoding=self._encoding, newline="") as file:
            yield from self._rows(self._reader(file))

    def _rows(self, reader: Iterator[list[str]]) -> Iterator[list[Cell]]:
        number = 0
        while True:
            number += 1
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                self._problems.append(Problem(self._name, "", number, "", "", _cure(str(error))))
                return
            if len(row) > MOST_COLUMNS:
                cure = f"has {len(row)} columns; {MOST_COLUMNS} are the most. Is this the CSV file you meant?"
                self._problems.append(Problem(self._name, "", number, "", "", cure))
                return
            yield row  # type: ignore[misc]


def _cure(error: str) -> str:
    if "field larger" in error:
        return f"has a cell far longer than {LONGEST} characters; is a quotation mark missing there or before?"
    if "unexpected end" in error:
        return "a quotation mark that is opened is never closed; close it"
    return 'a quotation mark stands inside a quoted cell; write it twice ("")'


def _try(raw: bytes, encoding: str) -> str | None:
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError:
        return None


def _strictly(raw: bytes, encoding: str, name: str) -> str:
    text = _try(raw, encoding)
    if text is None:
        raise UserError(f"{name} is not a text file; save the table as CSV (UTF-8)")
    return text
