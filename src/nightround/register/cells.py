"""What one cell of text or number means, and how text is written so that no spreadsheet runs it. It never guesses.

Every reader here takes a cell that is not empty and raises `Refused`, with the cure, for what it cannot take.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import date, datetime, time, timedelta
from math import isfinite

Cell = str | float | bool | date | datetime | time | timedelta

LONGEST = 32_767  # characters in one cell, as in the common spreadsheets

# What a spreadsheet may take for the start of a formula, in either width.
_RUNS = tuple("=+-@\t\r\n＝＋－＠'")
_ERRORS = frozenset({"#N/A", "#REF!", "#VALUE!", "#NAME?", "#DIV/0!", "#NULL!", "#NUM!", "#SPILL!", "#CALC!"})
_LINE_BREAKS = str.maketrans({"\r": "\n", "\x85": "\n", "\u2028": "\n", "\u2029": "\n", "\x0b": "\n", "\x0c": "\n"})
_INVISIBLE = str.maketrans(dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad\u200e\u200f")))
# What may stand around a text without being part of it: every blank, and what nobody sees.
_AROUND = "".join(filter(str.isspace, map(chr, range(0x3001)))) + "\ufeff\u200b"
_SCIENTIFIC = re.compile(r"\d[.,]\d+[Ee]\+\d+")
_DASHES = str.maketrans(dict.fromkeys(map(ord, "‐‑‒–—―−"), "-"))
_GROUP_SEPARATOR = "\x1d"  # GS1's FNC1: part of a scanned code

NOT_WORKED_OUT = "the spreadsheet could not work this cell out; correct the formula or type the value"


class Refused(ValueError):
    """A cell that cannot be taken. The text is the cure, as the end of a sentence that names the place."""


def neutral(text: str) -> str:
    """The text as it is written into a sheet: behind an apostrophe where a spreadsheet might run it.

    `restore` undoes it exactly, for every text, also for one that begins with an apostrophe itself.
    """
    return f"'{text}" if _might_run(text) else text


def restore(text: str) -> str:
    """The text that `neutral` was given. A text that nobody neutralised stays as it is."""
    return text[1:] if text.startswith("'") and _might_run(text[1:]) else text


def _might_run(text: str) -> bool:
    return text.lstrip(" \u00a0\u3000").startswith(_RUNS)


def line(cell: Cell) -> str | None:
    """Text on one line, as typed but for blanks around it; a line break is a blank."""
    if cell.__class__ is str and cell.isprintable() and cell[0] not in " '#" and cell[-1] != " ":
        return cell
    text = bare(cell)
    if not text.isprintable():
        parts = re.split(r"[\n\t]", _without_control(text, "\n\t"))
        text = " ".join(part for part in (part.strip(_AROUND) for part in parts) if part)
    _refuse_error(text)
    return text or None


def notes(cell: Cell) -> str | None:
    """Text of several lines, as typed but for blanks around it."""
    text = bare(cell)
    if not text.isprintable():
        text = _without_control(text, "\n\t")
    _refuse_error(text)
    return text or None


def code(cell: Cell) -> str | None:
    """A code: text, whatever the spreadsheet made of it. Full-width letters and digits become plain ones."""
    if isinstance(cell, str) and cell.isascii() and cell.isalnum():
        return cell
    if cell.__class__ is not str:
        if isinstance(cell, float) and not abs(cell) < 1e15:  # nor is "not a number" a code
            raise Refused("the spreadsheet has rounded this long number; make the column text and type it again")
        if not isinstance(cell, int | float | str) or isinstance(cell, bool):
            raise Refused(
                f"the spreadsheet made a {_made(cell)} of this code; make the column text and type the code again"
            )
    text = line(cell)
    if text is None:
        return None
    if _SCIENTIFIC.fullmatch(text):
        raise Refused("the spreadsheet has shortened this long number; make the column text and type it again")
    if text.isascii():
        return text
    return " ".join(unicodedata.normalize("NFKC", text).translate(_INVISIBLE).split()) or None


def scanned(cell: Cell) -> str | None:
    """A label's machine-readable text, kept as scanned, separators too."""
    if not isinstance(cell, str):
        return code(cell)
    text = bare(cell)
    if not text.isprintable():
        text = _without_control(text, _GROUP_SEPARATOR)
    _refuse_error(text)
    return text or None


def number(cell: Cell) -> float | None:
    """A number; a decimal comma and full-width digits will do, thousands separators will not."""
    if isinstance(cell, bool) or not isinstance(cell, int | float | str):
        raise Refused(f"the spreadsheet made a {_made(cell)} of this number; type the number again")
    if not isinstance(cell, str):
        if not isfinite(cell):
            raise Refused("is no number that can be; type the number again")
        return float(cell)
    text = plain(cell)
    if not text:
        return None
    if not re.fullmatch(r"[+-]?\d{1,15}([.,]\d{1,20})?", text):
        raise Refused("is not a number; write it as 51.5074")
    return float(text.replace(",", "."))


def latitude(cell: Cell) -> float | None:
    """Degrees north, from -90 to 90."""
    return _degrees(cell, 90, "latitude", " (are latitude and longitude exchanged?)")


def longitude(cell: Cell) -> float | None:
    """Degrees east, from -180 to 180."""
    return _degrees(cell, 180, "longitude", "")


def monthly_celsius(cell: Cell) -> str | None:
    """The mean temperatures of the twelve months in degrees Celsius, January first: `2;3.5;6;…`, to a tenth."""
    if isinstance(cell, str) and not bare(cell):
        return None
    means = [number(part) for part in bare(cell).split(";")] if isinstance(cell, str) else []
    if len(means) != 12 or None in means:
        raise Refused("is not twelve numbers; write the mean of each month with ; between, January first")
    found = [round(mean, 1) + 0.0 for mean in means if mean is not None]
    for mean in found:
        if not -60 <= mean <= 60:
            raise Refused(f"has a month of {mean:g} °C; write degrees Celsius from -60 to 60")
    return ";".join(f"{mean:g}" for mean in found)


def count(cell: Cell) -> int | None:
    """A whole number from 0 to 1000."""
    if isinstance(cell, str) and not bare(cell):
        return None
    found = number(cell)
    if found is None or found != int(found) or not 0 <= found <= 1000:
        raise Refused("is not a whole number from 0 to 1000; write how many")
    return int(found)


_YES = frozenset({"t", "true", "yes", "y", "1", "有", "あり", "ja", "oui", "vrai", "wahr", "o", "x"})
_NO = frozenset({"f", "false", "no", "n", "0", "無", "なし", "nein", "non", "faux", "falsch"})


def flag(cell: Cell) -> bool | None:
    """Yes or no."""
    if isinstance(cell, bool):
        return cell
    text = plain(bare(cell)).casefold()
    if not text:
        return None
    if text in _YES:
        return True
    if text in _NO:
        return False
    raise Refused("is neither yes nor no; write true or false")


def join_pairs(values: dict[str, str]) -> str:
    """Readings or part details in one cell: `battery=3/4; pads=ok`.

    `split_pairs` undoes it exactly for values that have no blanks around them.
    """
    return "; ".join(f"{_escaped(key)}={_escaped(value)}" for key, value in values.items())


def split_pairs(cell: Cell) -> dict[str, str] | None:
    """The pairs of a cell; a `;` or `\\` inside a value stands behind a `\\`. A name that comes twice is refused."""
    text = _without_control(bare(cell), "\n\t" + _GROUP_SEPARATOR)
    _refuse_error(text)
    found: dict[str, str] = {}
    for part in re.findall(r"((?:[^;\\]|\\.?)*)(?:;|$)", text, re.DOTALL):
        if not part.strip():
            continue
        name, sign, value = part.partition("=")
        name = plain(re.sub(r"\\(.)", _unescaped, name, flags=re.DOTALL))
        if not sign or not name:
            raise Refused(f"{part.strip()!r} is not of the form name=value; write it as self-test=ok; battery=3/4")
        if name in found:
            raise Refused(f"says {name} twice; take one out")
        found[name] = re.sub(r"\\(.)", _unescaped, value.strip(), flags=re.DOTALL)
    return found or None


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace(";", "\\;").replace("\n", "\\n")


def _unescaped(found: re.Match[str]) -> str:
    return "\n" if found[1] == "n" else found[1]


def words(text: str) -> list[str]:
    """The items of a list in one cell, set apart by `;`, `,`, `、` or a line break."""
    return [item for part in re.split(r"[;,、，；\n]", text) if (item := part.strip())]


def plain(text: str) -> str:
    """Text for reading numbers and dates: plain widths, plain dashes, no invisible characters, single blanks; and
    without the apostrophe by which people tell a spreadsheet to leave a cell alone."""
    text = restore(text.strip()).removeprefix("'")
    if not text.isascii():
        text = unicodedata.normalize("NFKC", text).translate(_INVISIBLE).translate(_DASHES)
    return " ".join(text.split())


def bare(cell: Cell) -> str:
    """The cell as text: without blanks around it, and without the apostrophe that neutralised it."""
    if isinstance(cell, str):
        return restore(cell.strip(_AROUND))
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, int | float):
        return str(int(cell)) if abs(cell) < 1e15 and cell == int(cell) else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ", timespec="minutes" if cell.second == 0 else "seconds")
    if isinstance(cell, time):
        return cell.isoformat("minutes" if cell.second == 0 else "seconds")
    if isinstance(cell, timedelta):
        minutes, seconds = divmod(int(cell.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02}" + (f":{seconds:02}" if seconds else "")
    return cell.isoformat()


def _degrees(cell: Cell, limit: int, name: str, hint: str) -> float | None:
    value = number(cell)
    if value is not None and not -limit <= value <= limit:
        raise Refused(f"is no {name}: it lies beyond {limit} degrees{hint}; write degrees such as 51.5074")
    return value


def _without_control(text: str, allowed: str) -> str:
    text = text.replace("\r\n", "\n").translate(_LINE_BREAKS)
    for char in text:
        if char not in allowed and unicodedata.category(char) in ("Cc", "Cs"):
            raise Refused(f"has the control character U+{ord(char):04X} in it; take it out")
    return text


def _refuse_error(text: str) -> None:
    if text.startswith("#") and text in _ERRORS:
        raise Refused(NOT_WORKED_OUT)


def _made(cell: Cell) -> str:
    if isinstance(cell, bool):
        return "true-or-false value"
    return "time" if isinstance(cell, time | timedelta) else "date"
