"""Makes text from the register fit for a calendar: one line, no control characters, no longer than a reader shows.

Also folds content lines. One bad name must never stop a whole feed, so nothing here raises.
"""

from __future__ import annotations

import re

# What a TEXT value may not hold (RFC 5545 §3.3.11) and what line-based readers take for the end of a line.
_UNFIT = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")

LINE_OCTETS = 75
SUMMARY_OCTETS = 255  # RFC 5545 §5 (4): readers may cut a SUMMARY there


def one_line(value: str | None) -> str:
    """The value as one line: unfit characters and runs of blanks become one space; None becomes ""."""
    return " ".join(_UNFIT.sub(" ", value or "").split())


def shortened(line: str, octets: int = SUMMARY_OCTETS) -> str:
    """The line, cut to so many octets of UTF-8 with an ellipsis at the end, never inside a character."""
    if len(line.encode("utf-8")) <= octets:
        return line
    room = octets - len("…".encode())
    return line.encode("utf-8")[:room].decode("utf-8", "ignore").rstrip() + "…"


def joined(*values: str, by: str = ", ") -> str:
    """Those of the values that say something, in a row."""
    return by.join(value for value in values if value)


def folded(line: str) -> bytes:
    r"""A content line as octets with its CRLF, folded so that no line has more than 75 octets (RFC 5545 §3.1).

    A fold divides neither a character nor an escape such as `\n`, which some readers would not put together again.
    The library folds one octet early and takes its time over it.
    """
    octets = line.encode("utf-8")
    if len(octets) <= LINE_OCTETS:
        return octets + b"\r\n"
    pieces = []
    start, room = 0, LINE_OCTETS
    while len(octets) - start > room:
        end = start + room
        while octets[end] & 0xC0 == 0x80:  # inside a character
            end -= 1
        if (end - len(octets[start:end].rstrip(b"\\")) - start) % 2:  # between a backslash and what it escapes
            end -= 1
        pieces.append(octets[start:end])
        start, room = end, LINE_OCTETS - 1  # the blank at the start of the next line counts
    pieces.append(octets[start:])
    return b"\r\n ".join(pieces) + b"\r\n"
