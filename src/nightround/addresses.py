"""Reads e-mail addresses as SMTP needs them: domain in punycode, and whether the part before the @ needs SMTPUTF8."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from email_validator import EmailNotValidError, validate_email

_ATOM = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
# RFC 5321 §4.1.2, Dot-string "@" Domain; §4.5.3.1: at most 64 octets and 255.
_PLAIN = re.compile(rf"(?=.{{1,64}}@.{{1,255}}$)({_ATOM}(?:\.{_ATOM})*)@({_LABEL}(?:\.{_LABEL})*)")


@dataclass(frozen=True, slots=True)
class Mailbox:
    """An address that can stand in an SMTP command. `needs_utf8`: only a server with SMTPUTF8 (RFC 6531) takes it."""

    address: str
    needs_utf8: bool


def read(address: str) -> Mailbox | None:
    """The mailbox that an address names, or None where it is no address. Looks nothing up.

    Addresses within one's own network (`desk@mail.local`) are addresses too, which the library would refuse.
    """
    plain = _PLAIN.fullmatch(address)
    if plain is not None:
        return Mailbox(f"{plain[1]}@{plain[2].lower()}", False)
    try:
        found = validate_email(
            address,
            check_deliverability=False,
            globally_deliverable=False,
            allow_quoted_local=True,
            allow_domain_literal=True,
        )
    except EmailNotValidError:
        return None
    return Mailbox(f"{found.local_part}@{found.ascii_domain or found.domain}", not found.local_part.isascii())


def mark(address: str) -> str:
    """A short mark of an e-mail address, the same whatever the case; it does not show the address."""
    return hashlib.sha256(address.strip().lower().encode("utf-8")).hexdigest()[:16]
