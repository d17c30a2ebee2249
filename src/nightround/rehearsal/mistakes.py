"""What was probably meant where a file of what is supposed is no TOML: one hint for the slip that is most likely.

Pure: looks at the text of the file and at what the parser says, and corrects nothing by itself.
"""

from __future__ import annotations

import re
from datetime import date

EXAMPLE = '[[used]], below it unit = "BAY-02" and at = 2026-12-03'

_SHOWN = 80
_WORD = re.compile(r"--(part|reading) ([\w-]+)=([\w-]+)")
_KEYS = {"part": "part", "reading": "readings"}
_TWICE = "Cannot overwrite a value"  # in the words of the parser
_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_WRITTEN_OTHERWISE = re.compile(r"=\s*\d{1,2}\s?[./-]\s?\d{1,2}\s?[./-]\s?\d{2,4}")
_NO_SECONDS = re.compile(r"=\s*\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?!:\d)")
_DAY = re.compile(r"=\s*(\d{4}-\d\d-\d\d)")
_BARE = re.compile(r"=\s*[^\W\d_]")


def table_of_another_kind(data: bytes) -> str:
    """What is wrong with a file that is no TOML at all, as the end of a sentence; "" where it may be TOML."""
    if data.startswith(b"PK\x03\x04") or data.startswith(b"\xd0\xcf\x11\xe0"):
        return f"is a workbook; write what happens into a text file, such as {EXAMPLE}"
    first = next((line for line in _lines(data.decode("utf-8-sig", "replace")) if line and line[0] != "#"), "")
    if first and "=" not in first and not first.startswith("[") and re.search(r"[,;\t]", first):
        return f"is a table such as a spreadsheet writes; write what happens as TOML, such as {EXAMPLE}"
    return ""


def hint(text: str, said: str) -> str:
    """The cure for what the TOML parser says, with the line itself, as the end of a sentence."""
    place, lines = _LINE.search(said), _lines(text)
    if place is None and _TWICE not in said:
        return "at its end something is missing, such as a quote or a bracket; write it"
    number = int(place[1]) if place is not None else max(n for n, line in enumerate(lines, 1) if line)
    line = lines[number - 1] if number <= len(lines) else ""
    return f"line {number} reads {line[:_SHOWN]!r}: {_cure(line, said)}"


def in_the_file(sentence: str) -> str:
    """A sentence about something that cannot happen, with its cure as keys of the file and not as options of a command:
    `part = { kind = "battery" }` for `--part kind=battery`."""
    sentence = _WORD.sub(lambda found: f'{_KEYS[found[1]]} = {{ {found[2]} = "{found[3]}" }}', sentence)
    return sentence.replace("--by PERSON", 'by = "PERSON"')


def _cure(line: str, said: str) -> str:
    if _TWICE in said:
        return "the key stands there twice; take one of them out, or begin another [[…]] above it"
    if _WRITTEN_OTHERWISE.search(line):
        return "a day is written year-month-day, such as 2026-12-03"
    if _NO_SECONDS.search(line):
        return "a time is written with its seconds, 2026-12-03T14:30:00"
    day = _DAY.search(line)
    if day is not None and not _is_day(day[1]):
        return f"there is no day {day[1]}; correct it"
    if _BARE.search(line):
        return 'a text stands between "quotes"'
    if "Illegal character '\\n'" in said:
        return "the quote that is opened there is not closed; close it"
    return f"correct it ({said.partition(' (at line')[0]})"


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.replace("\r\n", "\n").split("\n")]
