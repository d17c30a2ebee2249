"""Writes the headers of a letter so that no value from the register can add, end or change one.

The standard library alone is not enough: some versions turn an encoded newline in a subject into a new header. So
every value is cleaned first, encoded here (RFC 2047), and the finished bytes are read back and compared.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from email import message_from_string
from email.header import Header, decode_header, make_header
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, getaddresses, parseaddr

from ..errors import Failure

LINE = 78  # RFC 5322 §2.1.1: characters a line should not exceed
LONGEST_LINE = 998  # the same: octets it must not exceed
NAME_LIMIT = 100
SUBJECT_LIMIT = 180
_ENCODED_LINE = 75  # keeps a header line with an encoded word within the 76 of RFC 2047 §2

# Format characters that scripts need within words: joiners and the marks of direction that change nothing else.
_KEPT = {"\u200c", "\u200d", "\u200e", "\u200f", "\u061c"}
_DROPPED = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_SPACES = re.compile(r"\s+")


def one_line(value: str) -> str:
    """The value as one line of text: control characters, and marks that reorder the text around them, become spaces."""
    if not value.isascii() or not value.isprintable():
        value = "".join(" " if unicodedata.category(char) in _DROPPED and char not in _KEPT else char for char in value)
    return _SPACES.sub(" ", value).strip()


def clean(value: str, limit: int) -> str:
    """A value fit for a header: one line, nothing that reads as an encoded word, at most `limit` characters."""
    line = one_line(value).replace("=?", "= ?")
    return line if len(line) <= limit else line[: limit - 1].rstrip() + "…"


@dataclass(frozen=True, slots=True)
class Field:
    """One header: as it goes on the wire, and what a reader must get out of it."""

    name: str
    wire: str
    meaning: str | tuple[str, str]


def text(name: str, value: str, limit: int = SUBJECT_LIMIT) -> Field:
    """A header of free text, such as the subject."""
    value = clean(value, limit)
    if value.isascii() and len(name) + 2 + len(value) <= LINE:
        return Field(name, value, value)
    return Field(name, _encoded_words(name, value), value)


def mailbox(name: str, person: str, address: str | None) -> Field:
    """From or To. Without an address that can be written, the person alone, as a group without members."""
    person = clean(person, NAME_LIMIT)
    most = LINE
    if person.isascii() and len(person) + len(name) + 4 <= LINE:
        phrase = '"' + person.replace("\\", "\\\\").replace('"', '\\"') + '"'
    else:
        phrase, most = _encoded_words(name, person), _ENCODED_LINE
    if address is None:
        return Field(name, f"{phrase}:;" if person else "undisclosed-recipients:;", (person, ""))
    if not person:
        return Field(name, address, ("", address))
    fold = "\r\n " if len(name) + 2 + len(phrase) + len(address) + 3 > most else " "
    return Field(name, f"{phrase}{fold}<{address}>", (person, address))


def token(name: str, *parts: str) -> Field:
    """A header whose parts are ours or come from settings: printable ASCII without spaces, one a line when many.

    Raises Failure where a part is anything else.
    """
    for part in parts:
        if not part or not part.isascii() or not part.isprintable() or " " in part:
            raise Failure(f"header {name} cannot hold {part!r}")
    return Field(name, "\r\n ".join(parts), " ".join(parts))


def date(name: str, at: datetime) -> Field:
    """An instant as RFC 5322 writes it."""
    written = format_datetime(at)
    return Field(name, written, written)


def seal(message: EmailMessage, fields: Sequence[Field], *, utf8: bool = False) -> bytes:
    """The finished bytes of a message with exactly these headers before those of its body.

    Raises Failure where reading the bytes back gives any other header, or a line is longer than SMTP carries.
    """
    policy = SMTP.clone(cte_type="7bit", refold_source="none", utf8=utf8, max_line_length=LINE)
    body = [(name, str(value)) for name, value in message.items()]
    for name, _ in body:
        del message[name]
    finished = message.__class__(policy=policy)
    for field in fields:
        finished.set_raw(field.name, field.wire)
    for name, value in body:
        finished.set_raw(name, value)
    finished.set_payload(message.get_payload())
    data = finished.as_bytes(policy=policy)
    _compare(data, fields, [name for name, _ in body])
    return data


def _compare(data: bytes, fields: Sequence[Field], body_names: Iterable[str]) -> None:
    found = message_from_string(data.decode("utf-8"))
    wanted = [field.name for field in fields] + list(body_names)
    if found.keys() != wanted or found.defects:
        raise Failure(f"a letter's headers came out as {found.keys()} instead of {wanted}; it is not sent")
    for field in fields:
        value = str(found[field.name])
        if _read(field, value) != field.meaning:
            raise Failure(f"header {field.name} of a letter does not read back as it was set; it is not sent")
    for line in data.split(b"\r\n"):
        if len(line) > LONGEST_LINE or b"\n" in line or b"\r" in line:
            raise Failure("a letter holds a line that SMTP does not carry; it is not sent")


def _read(field: Field, value: str) -> str | tuple[str, str]:
    unfolded = re.sub(r"\r?\n(?=[ \t])", "", value)
    if isinstance(field.meaning, str):
        return _decoded(unfolded)
    if field.meaning[1] == "":
        phrase = unfolded.removesuffix(":;")
        return (_decoded(parseaddr(f"{phrase} <x@example.org>")[0]) if field.meaning[0] else "", "")
    found = getaddresses([unfolded])
    return (_decoded(found[0][0]), found[0][1]) if len(found) == 1 else ("", "")


def _decoded(value: str) -> str:
    return str(make_header(decode_header(value)))


def _encoded_words(name: str, value: str) -> str:
    return Header(value, "utf-8", header_name=name, maxlinelen=_ENCODED_LINE).encode(linesep="\r\n")
