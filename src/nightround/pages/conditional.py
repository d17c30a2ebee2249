"""Conditional requests and content coding as RFC 9110 has them: whether the reader's copy will do, and as what to send.

Decides from headers alone; sends nothing.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import NamedTuple

from starlette.datastructures import Headers

NOT_MODIFIED, PRECONDITION_FAILED = 304, 412

_TAG = re.compile(r'(W/)?"([\x21\x23-\x7e\x80-\xff]*)"')
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTH = f"({'|'.join(_MONTHS)})"
_TIME = r"(\d\d):(\d\d):(\d\d)"
# RFC 9110 §5.6.7: the form to send, and two that are only to be read.
_IMF = re.compile(rf"(?:{'|'.join(_DAYS)}), (\d\d) {_MONTH} (\d{{4}}) {_TIME} GMT")
_RFC850 = re.compile(
    rf"(?:Monday|Tuesday|Wednesday|Thursday|Friday|Saturday|Sunday), (\d\d)-{_MONTH}-(\d\d) {_TIME} GMT"
)
_ASCTIME = re.compile(rf"(?:{'|'.join(_DAYS)}) {_MONTH} (\d\d| \d) {_TIME} (\d{{4}})")
_QUALITY = re.compile(r"(?:0(?:\.\d{0,3})?|1(?:\.0{0,3})?)")
_GZIP_LEVEL = 4


class Tag(NamedTuple):
    """An entity tag; `opaque` is what stands between the quotation marks."""

    weak: bool
    opaque: str


def answer_status(method: str, headers: Headers, etag: str, last_modified: datetime, now: datetime) -> int | None:
    """304 or 412 where the preconditions say so, None where the request is to be answered as if it had none.

    The order is that of RFC 9110 §13.2.2. `etag` is the strong tag of what would be sent, without quotation marks;
    `last_modified` an instant of whole seconds. If-Match compares strongly, If-None-Match weakly.
    """
    reads = method in ("GET", "HEAD")
    if (asked := _field(headers, "if-match")) is not None:
        if not _matches(asked, etag, weakly=False):
            return PRECONDITION_FAILED
    elif (asked := _field(headers, "if-unmodified-since")) is not None:
        since = read_date(asked, now)
        if since is not None and last_modified > since:
            return PRECONDITION_FAILED
    if (asked := _field(headers, "if-none-match")) is not None:
        if _matches(asked, etag, weakly=True):
            return NOT_MODIFIED if reads else PRECONDITION_FAILED
        return None
    if reads and (asked := _field(headers, "if-modified-since")) is not None:
        since = read_date(asked, now)
        if since is not None and last_modified <= since:
            return NOT_MODIFIED
    return None


def tags(text: str) -> Iterator[Tag]:
    """The entity tags of a list such as `"a", W/"b"`; what is none is passed over."""
    for found in _TAG.finditer(text):
        yield Tag(found[1] is not None, found[2])


def strongly_equal(one: Tag, other: Tag) -> bool:
    """RFC 9110 §8.8.3.2, strong comparison."""
    return not one.weak and not other.weak and one.opaque == other.opaque


def weakly_equal(one: Tag, other: Tag) -> bool:
    """RFC 9110 §8.8.3.2, weak comparison."""
    return one.opaque == other.opaque


def read_date(text: str, now: datetime) -> datetime | None:
    """The instant of an HTTP-date in any of its three forms (RFC 9110 §5.6.7); None where it is none.

    A two-digit year that seems to lie more than fifty years ahead of `now` is the past one with the same digits.
    """
    text = text.strip()
    try:
        if found := _IMF.fullmatch(text):
            day, month, year, *clock = found.groups()
            return _instant(int(year), month, day, clock)
        if found := _ASCTIME.fullmatch(text):
            month, day, *clock, year = found.groups()
            return _instant(int(year), month, day, clock)
        if found := _RFC850.fullmatch(text):
            day, month, year, *clock = found.groups()
            full = now.year // 100 * 100 + int(year)
            instant = _instant(full, month, day, clock)
            return instant if full <= now.year + 50 else instant.replace(year=full - 100)
    except ValueError:
        return None
    return None


def write_date(instant: datetime) -> str:
    """The instant as IMF-fixdate, the only form to send."""
    utc = instant.astimezone(UTC)
    return f"{_DAYS[utc.weekday()]}, {utc.day:02} {_MONTHS[utc.month - 1]} {utc.year:04} {utc:%H:%M:%S} GMT"


def takes_gzip(headers: Headers) -> bool:
    """Whether the reader accepts gzip, and does not like plain bytes better (RFC 9110 §12.5.3)."""
    wanted: dict[str, float] = {}
    for item in (_field(headers, "accept-encoding") or "").split(","):
        name, *parameters = (part.strip().lower() for part in item.split(";"))
        quality = 1.0
        for parameter in parameters:
            key, _, value = (piece.strip() for piece in parameter.partition("="))
            if key == "q":
                quality = float(value) if _QUALITY.fullmatch(value) else 0.0
        if name:
            wanted[name] = quality
    gzip = wanted.get("gzip", wanted.get("x-gzip", wanted.get("*", 0.0)))
    return gzip > 0 and gzip >= wanted.get("identity", 0.0)


def gzipped(body: bytes) -> bytes:
    """The body in gzip, the same bytes for the same body: the header holds neither name nor time."""
    packer = zlib.compressobj(_GZIP_LEVEL, zlib.DEFLATED, 16 + zlib.MAX_WBITS)
    return packer.compress(body) + packer.flush()


def gzip_tag(etag: str) -> str:
    """The tag of the gzip coding of what has that tag; codings of one thing never share a strong tag (§8.8.3.3).

    The library's version is part of it, because another one may pack the same bytes differently.
    """
    return f"{etag}-gzip-{zlib.ZLIB_RUNTIME_VERSION}"


def _matches(asked: str, etag: str, *, weakly: bool) -> bool:
    if asked.strip() == "*":
        return True
    ours = Tag(False, etag)
    equal = weakly_equal if weakly else strongly_equal
    return any(equal(theirs, ours) for theirs in tags(asked))


def _field(headers: Headers, name: str) -> str | None:
    """All lines of a field as one, in order (RFC 9110 §5.3)."""
    lines = headers.getlist(name)
    return ", ".join(lines) if lines else None


def _instant(year: int, month: str, day: str, clock: list[str]) -> datetime:
    hour, minute, second = (int(part) for part in clock)
    # A leap second counts as the one before; a reader may send it, we have none.
    return datetime(year, _MONTHS.index(month) + 1, int(day), hour, minute, min(second, 59), tzinfo=UTC)
