"""GS1 labels: element strings with and without separators, the human-readable form, and Digital Link addresses.

The application identifiers and their patterns come from the `biip` library; dates are reckoned here, because "today"
decides the century and must be told, not taken from a clock.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from urllib.parse import parse_qsl, unquote, urlsplit

from biip import ParseConfig, ParseError
from biip.gs1_element_strings import GS1ElementString

from .label import Label, day_of, full_year

SEPARATOR = "\x1d"
_HUMAN = re.compile(r"\((\d{2,4})\)([^(]*)")
_LENIENT = ParseConfig(gs1_element_strings_verify_date=False)
_SYMBOLOGY = re.compile(r"^\](?:C1|d2|Q3|e0|J1)")
_DATED = re.compile(r"(11|17)([0-9]{6})")
_BARE = re.compile(r"[0-9]{12,14}")  # GTIN-12, -13, -14 without their identifier
_VARIABLE = ("10", "21")
_HIDDEN = re.compile(r"(?:21|10|11\d{6}|17\d{6})")


def read(raw: str, today: date) -> Label:
    """Decodes a GS1 label. What cannot be read is left out with a warning; raises ValueError where nothing can."""
    label = Label("gs1", raw)
    text = _SYMBOLOGY.sub("", raw.strip())
    if _BARE.fullmatch(text) and _check_digit_holds(text):
        # Read as an element string it would give a lot or a date that nobody printed.
        label.product = text
        label.warnings.append("this is a product number alone, which says no lot and no date; scan the other code too")
        return label
    try:
        pairs = list(_pairs(text, label))
    except ParseError as error:
        raise ValueError("the text does not begin with a GS1 application identifier") from error
    if not pairs:
        raise ValueError("the text holds no GS1 application identifier")
    for identifier, value in pairs:
        _take(label, identifier, value, today)
    return label


def _pairs(text: str, label: Label) -> Iterator[tuple[str, str]]:
    if text.lower().startswith(("http://", "https://")):
        yield from _digital_link(text)
    elif text.startswith("("):
        yield from _human_readable(text, label)
    else:
        yield from _element_string(text, label)


def _human_readable(text: str, label: Label) -> Iterator[tuple[str, str]]:
    end = 0
    for match in _HUMAN.finditer(text):
        if match.start() != end:
            break
        end = match.end()
        yield match[1], match[2].strip()
    if end != len(text):
        label.warnings.append(f"the end of the label could not be read: {text[end:]!r}")


def _digital_link(text: str) -> Iterator[tuple[str, str]]:
    parts = urlsplit(text)
    steps = [unquote(step) for step in parts.path.split("/") if step]
    # The path may begin with steps of the site's own; the identifiers are the pairs from the product (01) on.
    while steps and steps[0] != "01":
        steps.pop(0)
    yield from zip(steps[::2], steps[1::2], strict=False)
    for key, value in parse_qsl(parts.query):
        if key.isdigit():
            yield key, value


def _element_string(text: str, label: Label) -> Iterator[tuple[str, str]]:
    text = rest = text.lstrip(SEPARATOR)
    separated = SEPARATOR in rest
    while rest:
        dated = _DATED.match(rest)
        if dated is not None:
            # Taken as they stand: a date that is no day is worth a warning, not the loss of the whole label.
            identifier, value = dated[1], dated[2]
        else:
            try:
                element = GS1ElementString.extract(rest, config=_LENIENT)
            except ParseError:
                if rest is text:
                    raise
                label.warnings.append(f"the end of the label could not be read: {rest!r}")
                return
            identifier, value = element.ai.ai, element.value
        rest = rest[len(identifier) + len(value) :]
        had_separator = rest.startswith(SEPARATOR)
        rest = rest.lstrip(SEPARATOR)
        if identifier in _VARIABLE and not separated and not had_separator and _HIDDEN.search(value, 1):
            # Without a separator nothing says where a lot or serial ends; guessing could swallow a date.
            label.warnings.append(
                f"no separators in the scan: what follows ({identifier}) may hold more than one field: {value!r}; "
                "set the scanner to send FNC1, or type lot and serial"
            )
            continue
        yield identifier, value


def _take(label: Label, identifier: str, value: str, today: date) -> None:
    if identifier == "01":
        label.product = value
        if not _check_digit_holds(value):
            label.warnings.append(f"the check digit of the product number {value} is wrong; compare it with the label")
    elif identifier == "10":
        label.lot = value
    elif identifier == "21":
        label.serial = value
    elif identifier in ("11", "17"):
        try:
            day = _date(value, today)
        except ValueError:
            label.warnings.append(f"the date {value!r} under ({identifier}) is no day; type the date from the label")
            return
        if identifier == "11":
            label.made_on = day
        else:
            label.expires_on = day


def _date(value: str, today: date) -> date:
    if not re.fullmatch(r"\d{6}", value):
        raise ValueError(value)
    return day_of(full_year(int(value[:2]), today), int(value[2:4]), int(value[4:]))


def _check_digit_holds(number: str) -> bool:
    """GS1 mod 10: from the right, weights 3, 1, 3, 1 …; the sum with the check digit is a multiple of ten."""
    if not number.isascii() or not number.isdigit():
        return False
    weighted = sum(int(digit) * (3 if place % 2 else 1) for place, digit in enumerate(reversed(number)))
    return weighted % 10 == 0
