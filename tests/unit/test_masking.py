"""Secrets are taken out of texts of others in whatever form they come there."""

from __future__ import annotations

import base64
import json
import string
from urllib.parse import quote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightround.masking import MASKED, Mask

SECRET = "kettle Drum-77/ü"  # noqa: S105


def b64(text: str) -> str:
    return base64.b64encode(text.encode()).decode()


@pytest.mark.parametrize(
    "form",
    [
        SECRET,
        SECRET.upper(),
        SECRET.replace(" ", "\r\n"),
        quote(SECRET),
        quote(SECRET, safe=""),
        json.dumps(SECRET),
        b64(SECRET),
        b64(SECRET).rstrip("="),
        b64(SECRET).lower(),
        b64("\0robin\0" + SECRET),
        b64("robin\0robin\0" + SECRET),
        b64("\0robin\0" + SECRET)[:20],  # cut off by the server
        b64("somebody\0else\0" + SECRET),
        base64.urlsafe_b64encode(b"x" + SECRET.encode() + b"y").decode(),
    ],
)
def test_a_secret_is_masked_in_each_form_and_what_is_around_it_stays(form: str) -> None:
    said = Mask([SECRET], "robin")(f"535 5.7.8 no login with <{form}>, says the server")
    assert said.startswith("535 5.7.8 no login with <")
    assert said.endswith(">, says the server")
    assert MASKED in said
    for piece in ("kettle", "drum", "KETTLE", form.strip('"')):
        assert piece not in said


def test_other_words_stay_as_they_are() -> None:
    text = "550 5.1.1 <pat@example.org> user unknown; message-id 4f1c2ab77d1e9c0a rejected (in reply to RCPT TO)"
    assert Mask([SECRET], "robin")(text) == text
    assert Mask(["", ""])(text) == text
    assert Mask([])(text) == text


@given(st.text(min_size=4, max_size=30), st.text(string.ascii_letters, max_size=10), st.text(max_size=20))
def test_no_secret_comes_through_whatever_it_is(secret: str, user: str, around: str) -> None:
    mask = Mask([secret], user)
    assert secret not in mask(f"{around}{secret}{around}").replace(MASKED, "\0")
    both = mask + Mask(["another secret"])
    said = both(f"{around} {secret} {b64(secret)} another secret")
    assert "another secret" not in said
    assert b64(secret).rstrip("=") not in said
