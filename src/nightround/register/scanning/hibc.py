"""HIBC labels (ANSI/HIBC 2.x): primary, secondary and concatenated, with every form of date.

No kept library reads HIBC, so this is ours; layout and check values in the project's table of published facts.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

from .label import Label, day_of, day_of_year, full_year

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
_PRIMARY = re.compile(r"([A-Z][A-Z0-9]{3})([A-Z0-9]{1,18})([0-9])")
# First character of a date in `$$`: its length after that character. 0 and 1 begin a month, so they count too.
_DATES = {"0": 4, "1": 4, "2": 6, "3": 6, "4": 8, "5": 5, "6": 7, "7": 0}
_QUANTITY = {"8": 2, "9": 5}


def check_character(text: str) -> str:
    """The mod 43 character over the text, which includes the leading `+`. Raises ValueError for a foreign character."""
    return ALPHABET[sum(ALPHABET.index(character) for character in text) % 43]


def read(raw: str, today: date) -> Label:
    """Decodes a HIBC label; raises ValueError where it is none."""
    label = Label("hibc", raw)
    text = raw.strip("\r\n\t").lstrip().strip("*").replace("_", " ")  # a space can be the check character
    if len(text) < 3 or not text.startswith("+"):
        raise ValueError("a HIBC label begins with + and has a check character at its end")
    body, check = text[:-1], text[-1]
    try:
        expected = check_character(body)
    except ValueError:
        raise ValueError("the text has characters that HIBC does not know") from None
    if check != expected:
        label.warnings.append(f"the check character is {check!r} and should be {expected!r}; compare with the label")
    parts = body[1:].split("/")
    if parts[0].startswith("$") or (len(parts[0]) > 5 and parts[0][:5].isdigit()):
        # A secondary label alone ends in a link character besides the check character.
        _secondary(label, parts[0][:-1], today)
    else:
        _primary(label, parts[0])
    for part in parts[1:]:
        _further(label, part, today)
    return label


def _primary(label: Label, text: str) -> None:
    match = _PRIMARY.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is no HIBC product: a labeller of four, a product of up to 18, a unit of measure")
    label.product = match[1] + match[2]


def _further(label: Label, text: str, today: date) -> None:
    if text.startswith("$") or (len(text) >= 5 and text[:5].isdigit() and not text.startswith(("14D", "16D"))):
        _secondary(label, text, today)
    elif text.startswith("S"):
        label.serial = text[1:]
    elif text.startswith(("14D", "16D")) and len(text) == 11:
        day = _try(label, text[3:], lambda digits: date(int(digits[:4]), int(digits[4:6]), int(digits[6:])))
        if text.startswith("14D"):
            label.expires_on = day
        else:
            label.made_on = day
    else:
        label.warnings.append(f"the field {text!r} is not known and was left out")


def _secondary(label: Label, text: str, today: date) -> None:
    if text.startswith("$$+"):
        label.serial = _dated(label, text[3:], today)
    elif text.startswith("$$"):
        label.lot = _dated(label, text[2:], today)
    elif text.startswith("$+"):
        label.serial = text[2:]
    elif text.startswith("$"):
        label.lot = text[1:]
    else:
        label.expires_on = _try(label, text[:5], lambda digits: _year_day(digits, today))
        label.lot = text[5:]


def _dated(label: Label, text: str, today: date) -> str:
    """Takes quantity and date off the front of a `$$` field and gives what is left: the lot or serial."""
    if text[:1] in _QUANTITY:
        text = text[1 + _QUANTITY[text[0]] :]
    form = text[:1]
    if form not in _DATES:
        label.warnings.append(f"the date of {text!r} has a form that HIBC does not know; type the date from the label")
        return text
    skip = 0 if form in "01" else 1
    digits, rest = text[skip : skip + _DATES[form]], text[skip + _DATES[form] :]
    if form != "7":
        label.expires_on = _try(label, digits, lambda found: _day(form, found, today))
    return rest


def _day(form: str, digits: str, today: date) -> date:
    if form in "01":  # MMYY: good to the end of the month
        return day_of(full_year(int(digits[2:4]), today), int(digits[:2]), 0)
    if form == "2":  # MMDDYY
        return date(full_year(int(digits[4:6]), today), int(digits[:2]), int(digits[2:4]))
    if form in "34":  # YYMMDD, YYMMDDHH: the hour is not a day of ours
        return date(full_year(int(digits[:2]), today), int(digits[2:4]), int(digits[4:6]))
    return _year_day(digits[:5], today)  # YYJJJ, YYJJJHH


def _year_day(digits: str, today: date) -> date:
    return day_of_year(full_year(int(digits[:2]), today), int(digits[2:5]))


def _try(label: Label, digits: str, reckon: Callable[[str], date]) -> date | None:
    try:
        if not digits.isascii() or not digits.isdigit():
            raise ValueError(digits)
        return reckon(digits)
    except (ValueError, IndexError):
        label.warnings.append(f"the date {digits!r} is no day; type the date from the label")
        return None
