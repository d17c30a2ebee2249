"""No value from the register adds, ends or changes a header of a letter."""

from __future__ import annotations

from email import message_from_bytes, policy
from email.header import decode_header, make_header
from email.message import EmailMessage

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from nightround.errors import Failure
from nightround.letters import headers
from nightround.letters.headers import Field, clean, mailbox, one_line, seal, text, token

from ...conftest import START

# An encoded newline: some versions of the standard library write it out as a real one, and a Bcc with it.
INJECTION = "A =?UTF-8?Q?=0A?=Bcc: i@e.com"
RIGHT_TO_LEFT = "ד״ר רחל בן־עמי מנהלת בית החולים"


def sealed(*fields: Field) -> bytes:
    message = EmailMessage(policy=policy.SMTP)
    message.set_content("x")
    return seal(message, fields)


@pytest.mark.parametrize(
    ("given_value", "kept"),
    [
        ("plain", "plain"),
        ("  two\r\n lines\tand \x00 more ", "two lines and more"),
        ("a\u2028b\u2029c\x85d", "a b c d"),
        ("an \u202eemag\u202c override", "an emag override"),
        ("\u2067isolated\u2069", "isolated"),
        ("می\u200cخواهم", "می\u200cخواهم"),  # Persian needs the joiner
        ("mark\u200f", "mark\u200f"),
        ("zero\ufeffwidth", "zero width"),
        ("\ud800 half a pair", "half a pair"),
        ("👩\u200d⚕️ doctor", "👩\u200d⚕️ doctor"),
    ],
)
def test_a_value_becomes_one_line_without_marks_that_reorder_it(given_value: str, kept: str) -> None:
    assert one_line(given_value) == kept


def test_what_reads_as_an_encoded_word_is_broken_up() -> None:
    assert clean(INJECTION, 100) == "A = ?UTF-8?Q?=0A?=Bcc: i@e.com"
    assert "=?" not in clean("==??==??", 100)


def test_a_long_value_is_cut_and_says_so() -> None:
    assert clean("x" * 998, 100) == "x" * 99 + "…"


@pytest.mark.parametrize(
    "value", [INJECTION, "a\r\nBcc: i@e.com", "a\nBcc: i@e.com", "a\u2028Bcc: i@e.com", "a\rBcc: b"]
)
def test_no_value_adds_a_header(value: str) -> None:
    data = sealed(
        mailbox("From", value, "a@example.org"), mailbox("To", value, "b@example.org"), text("Subject", value)
    )
    for rules in (policy.compat32, policy.default):
        found = message_from_bytes(data, policy=rules)
        assert found.keys()[:3] == ["From", "To", "Subject"]
        assert "Bcc" not in found
    assert b"\nBcc" not in data


NAMES = [
    "Ann",
    'Ann "the watch" Example',
    "<script>@evil",
    "O'Hara, Jr. (night)",
    "back\\slash",
    "x" * 998,
    "mot " * 300,
    RIGHT_TO_LEFT,
    "山田" * 60,
    "🙂" * 50,
    "é",
    "",
    ",",
    ":;",
    INJECTION,
    "tab\tnew\nline",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_read_back_as_it_was_cleaned(name: str) -> None:
    data = sealed(mailbox("To", name, "ann@example.org"), text("Subject", name or "-"))
    found = message_from_bytes(data)
    assert str(make_header(decode_header(found["Subject"]))) == clean(name or "-", headers.SUBJECT_LIMIT)
    to = message_from_bytes(data, policy=policy.default)["To"].addresses
    assert [address.addr_spec for address in to] == ["ann@example.org"]


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200), st.text(max_size=400))
@example(INJECTION, INJECTION)
@example("=" * 50, "?=" * 50)
def test_any_name_and_any_subject_seal(name: str, subject: str) -> None:
    # seal() itself reads the bytes back and compares; here the lines are looked at besides.
    data = sealed(mailbox("To", name, "ann@example.org"), text("Subject", subject))
    head = data.split(b"\r\n\r\n")[0]
    for line in head.split(b"\r\n"):
        assert len(line) <= 78  # RFC 5322 §2.1.1
        if b"=?" in line:
            assert len(line) <= 76  # RFC 2047 §2
        for word in line.split():
            assert not word.startswith(b"=?") or len(word) <= 75  # RFC 2047 §2


def test_the_published_example_of_two_character_sets_is_read_as_printed() -> None:
    # RFC 2047 §8, through the same reading that checks our own letters.
    written = (
        "=?ISO-8859-1?B?SWYgeW91IGNhbiByZWFkIHRoaXMgeW8=?=\r\n =?ISO-8859-2?B?dSB1bmRlcnN0YW5kIHRoZSBleGFtcGxlLg==?="
    )
    field = Field("Subject", written, "If you can read this you understand the example.")
    assert b"SWYgeW91" in sealed(field)


@pytest.mark.parametrize(
    "field",
    [
        Field("Subject", "one thing", "another"),
        Field("Subject", "a\r\nBcc: i@e.com", "a"),
        Field("To", "Ann <a@example.org>, b@example.org", ("Ann", "a@example.org")),
        Field("X-Long", "x" * 1200, "x" * 1200),
    ],
)
def test_bytes_that_do_not_read_back_as_they_were_meant_are_refused(field: Field) -> None:
    with pytest.raises(Failure, match=r"not sent|does not carry"):
        sealed(field)


def test_a_person_without_an_address_is_a_group_without_members() -> None:
    found = message_from_bytes(sealed(mailbox("To", "Front desk", None)), policy=policy.default)
    assert found["To"].addresses == ()
    assert found["To"].groups[0].display_name == "Front desk"
    assert message_from_bytes(sealed(mailbox("To", "", None)), policy=policy.default)["To"].addresses == ()


@pytest.mark.parametrize("part", ["", "two words", "é", "a\nb"])
def test_a_token_is_printable_ascii(part: str) -> None:
    with pytest.raises(Failure):
        token("X-Test", part)


def test_a_date_is_written_as_rfc_5322_has_it() -> None:
    assert headers.date("Date", START).wire == "Wed, 25 Nov 2026 09:00:00 +0000"
