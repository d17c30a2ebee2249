"""Decodes a scanned label, whichever of the known systems it is of."""

from __future__ import annotations

from datetime import date

from ...errors import UserError
from . import gs1, hibc
from .label import Label

LONGEST = 512


def scan(text: str, today: date) -> Label:
    """What the label says. `today` settles the century of two-digit years.

    The first character tells the system (HL7 v2 PRT-10: `(` is GS1 human-readable, READ; `+` HIBC and `=` or `&`
    ICCBBA from memory, their samples READ). Raises UserError for a text that is none of them.
    """
    raw = text.strip("\r\n")
    if not raw.strip():
        raise UserError("the scan is empty; scan the label again, or type lot and date")
    if len(raw) > LONGEST:
        raise UserError(f"the scan has {len(raw)} characters; a label has at most {LONGEST}")
    if raw.lstrip()[0] in "=&":
        raise UserError(
            "this is an ICCBBA label, for blood and tissue; parts of a defibrillator have GS1 or HIBC labels"
        )
    try:
        return hibc.read(raw, today) if raw.lstrip().startswith(("+", "*+")) else gs1.read(raw, today)
    except ValueError as error:
        raise UserError(f"the scan cannot be read: {error}; scan it again, or type lot and date") from None
