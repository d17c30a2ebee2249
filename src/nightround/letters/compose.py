"""Makes a letter: content in, finished bytes out, ready for the letter box. Never sends, never looks anything up.

The same key, content and instant give the same bytes. Nothing that stands in the register can break a letter: names
are cleaned, and an address that is none still gives a letter, which delivery gives up with the reason.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from typing import Any

from .. import addresses
from ..errors import UserError
from ..settings import Settings
from . import headers
from .lists import Later
from .templates import render

ONE_CLICK = "List-Unsubscribe=One-Click"  # RFC 8058 §3.1: the header's value, and the body that is posted


@dataclass(frozen=True, slots=True)
class Addressee:
    """Who gets a letter. `person_id` is None for somebody who is not in the register; `countries` are those of the
    places that letters to them may be about."""

    person_id: int | None
    name: str
    address: str
    countries: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Letter:
    """A finished message. `body` is what goes on the wire; `created_at` is an instant in UTC."""

    key: str
    kind: str
    person_id: int | None
    to_address: str
    subject: str
    message_id: str
    body: bytes
    urgent: bool
    created_at: datetime
    counts_as: str = ""  # which limit of an hour (`letters.brake`)


_outlined: ContextVar[set[str] | None] = ContextVar("outlined", default=None)


@contextmanager
def outlines() -> Iterator[None]:
    """Within the block only the first letter of each kind is written out, which shows whether its templates are good;
    those after it have their headers' values and no body. For letters that nobody will read: a rehearsal's.
    """
    token = _outlined.set(set())
    try:
        yield
    finally:
        _outlined.reset(token)


def compose(
    settings: Settings,
    kind: str,
    key: str,
    to: Addressee,
    content: Mapping[str, Any],
    now: datetime,
    *,
    urgent: bool = False,
    counts_as: str = "",
    references: Sequence[str] | Later[tuple[str, ...]] = (),
    unsubscribe_url: str | None = None,
) -> Letter:
    """Renders a letter of that kind.

    `key` is what makes it unique; its Message-ID follows from it. `references` are the Message-IDs of the thread,
    oldest first. `unsubscribe_url` is for the weekly letter only (RFC 8058); templates see it too.
    Raises UserError where a template or a mail setting is wrong.
    """
    outlined = _outlined.get()
    bare = outlined is not None and kind in outlined
    given = {**content, "unsubscribe_url": unsubscribe_url}
    words = render(settings, kind, given, to.name, now, subject_only=bare, countries=to.countries)
    if outlined is not None:
        outlined.add(kind)
    box = addresses.read(to.address)
    identity = message_id(settings, key)
    letter = Letter(
        key=key,
        kind=kind,
        person_id=to.person_id,
        to_address=box.address if box else headers.clean(to.address, 320),
        subject=headers.clean(words.subject, headers.SUBJECT_LIMIT),
        message_id=identity,
        body=b"",
        urgent=urgent,
        created_at=now,
        counts_as=counts_as,
    )
    if bare:
        return letter
    fields = [
        headers.mailbox("From", settings.mail.sender_name, sender(settings)),
        headers.mailbox("To", to.name, box.address if box else None),
        headers.text("Subject", letter.subject),
        headers.date("Date", now),
        headers.token("Message-ID", identity),
        headers.token("List-Id", f"<{settings.mail.list_id}>"),
        headers.token("Auto-Submitted", "auto-generated"),
        headers.token("X-Auto-Response-Suppress", "All"),
    ]
    thread = references.value if isinstance(references, Later) else references
    if thread:
        fields += [headers.token("References", *thread), headers.token("In-Reply-To", thread[-1])]
    if unsubscribe_url is not None:
        fields.append(headers.token("List-Unsubscribe", f"<{unsubscribe_url}>"))
        if unsubscribe_url.startswith("https:"):
            # RFC 8058 §3.1 knows one click over HTTPS only.
            fields.append(headers.token("List-Unsubscribe-Post", ONE_CLICK))
    utf8 = box is not None and box.needs_utf8
    return replace(letter, body=headers.seal(_body(words.text, words.html, identity), fields, utf8=utf8))


def message_id(settings: Settings, key: str) -> str:
    """The Message-ID of the letter with that key: the same on every try, and of no other installation."""
    mark = hmac.new(settings.secret(), b"message-id\0" + key.encode("utf-8"), hashlib.sha256).hexdigest()[:32]
    return f"<{mark}@{sender(settings).rpartition('@')[2]}>"


def sender(settings: Settings) -> str:
    """The address in From. Raises UserError where the setting is no address that every server takes."""
    box = addresses.read(settings.mail.sender)
    if box is None or box.needs_utf8:
        raise UserError(f"mail.sender: {settings.mail.sender!r} cannot send; set an address such as rounds@example.org")
    return box.address


def _body(text: str, html: str, identity: str) -> EmailMessage:
    message = EmailMessage(policy=SMTP.clone(cte_type="7bit"))
    message.set_content(text)
    message.add_alternative(html, subtype="html")
    # A random boundary would make two runs over the same data differ.
    message.set_boundary("=_" + hashlib.sha256(identity.encode("ascii")).hexdigest()[:24])
    return message
