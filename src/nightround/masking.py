"""Takes secrets out of text that others wrote (a mail server, a database, a traceback) before it is kept or shown.

A secret is found as it is written, in capitals or not, escaped as in addresses, JSON and Python, and in base64, alone
or with the user name before it, as it is sent at a login (RFC 4616, and AUTH LOGIN). What it is found in stays.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any
from urllib.parse import quote, quote_plus

from sqlalchemy import make_url
from sqlalchemy.exc import SQLAlchemyError

from .errors import UserError
from .settings import Settings

MASKED = "***"
_BASE64 = re.compile(r"[A-Za-z0-9+/_-]{8,}={0,2}")


class Mask:
    """A mask for these secrets; empty ones are none. `user` is the name that goes before them at a login."""

    def __init__(self, secrets: Iterable[str], user: str = "") -> None:
        self._secrets = [secret for secret in secrets if secret]
        encoded = {_base64(form) for secret in self._secrets for form in _at_login(secret, user)}
        self._encoded = [form.casefold() for form in encoded]
        written = {form for secret in self._secrets for form in _written(secret)} | encoded
        self._found = (
            re.compile("|".join(map(_anyhow_spaced, sorted(written, key=len, reverse=True))), re.IGNORECASE)
            if written
            else None
        )

    def __call__(self, text: str) -> str:
        """The text without the secrets."""
        if self._found is None or not text:
            return text
        return _BASE64.sub(self._unless_encoded, self._found.sub(MASKED, text))

    def inside(self, value: Any) -> Any:
        """The value with every text inside it masked, as it is logged: what is neither text, list nor table stays."""
        if isinstance(value, str):
            return self(value)
        if isinstance(value, dict):
            return {key: self.inside(one) for key, one in value.items()}
        if isinstance(value, list | tuple | set | frozenset):
            return [self.inside(one) for one in value]
        return value

    def __add__(self, other: Mask) -> Mask:
        both = Mask(())
        both._secrets = [*self._secrets, *other._secrets]
        both._encoded = [*self._encoded, *other._encoded]
        found = [mask._found for mask in (self, other) if mask._found is not None]
        both._found = re.compile("|".join(one.pattern for one in found), re.IGNORECASE) if found else None
        return both

    def _unless_encoded(self, match: re.Match[str]) -> str:
        """The token; masked where it is a piece of what goes over the line at a login, or holds a secret in base64."""
        token = match[0].rstrip("=")
        if any(token.casefold() in form for form in self._encoded):
            return MASKED
        decoded = _decoded(token)
        return MASKED if any(secret.encode() in decoded for secret in self._secrets) else match[0]


def of(settings: Settings) -> Mask:
    """A mask for all secrets of these settings, as far as they can be read."""
    return Mask([_readable(settings.mail_password)], settings.mail.username) + Mask(
        [
            _readable(lambda: make_url(settings.database_url()).password),
            _readable(lambda: make_url(settings.database.url).password),
            _readable(lambda: settings.secret().decode("utf-8", "replace")),
        ]
    )


def _readable(secret: Callable[[], str | None]) -> str:
    """The secret; "" where there is none, or where a mistake in the settings, told elsewhere, keeps it from us."""
    with suppress(UserError, SQLAlchemyError):
        return secret() or ""
    return ""


def _written(secret: str) -> set[str]:
    """The ways in which programs write a secret into a text."""
    inner = {json.dumps(secret, ensure_ascii=plain)[1:-1] for plain in (True, False)}
    return {secret, quote(secret), quote(secret, safe=""), quote_plus(secret), repr(secret)[1:-1], *inner}


def _at_login(secret: str, user: str) -> Iterable[bytes]:
    raw, name = secret.encode(), user.encode()
    yield raw
    yield b"\0" + name + b"\0" + raw
    yield name + b"\0" + name + b"\0" + raw
    yield b"user=" + name + b"\x01auth=Bearer " + raw + b"\x01\x01"


def _base64(octets: bytes) -> str:
    return base64.b64encode(octets).decode("ascii").rstrip("=")


def _decoded(token: str) -> bytes:
    standard = token.translate(str.maketrans("-_", "+/"))
    try:
        return base64.b64decode(standard[: len(standard) // 4 * 4] if len(standard) % 4 == 1 else _padded(standard))
    except binascii.Error:
        return b""


def _padded(token: str) -> str:
    return token + "=" * (-len(token) % 4)


def _anyhow_spaced(form: str) -> str:
    """A pattern for the form in which blanks and line ends may have been put in each other's place."""
    return r"\s+".join(re.escape(piece) for piece in form.split()) or re.escape(form)
