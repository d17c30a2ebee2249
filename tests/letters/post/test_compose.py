"""A finished letter: its headers, its two parts, and that nothing in the register can break it."""

from __future__ import annotations

from email import message_from_bytes, policy
from email.message import EmailMessage

import pytest

from nightround.errors import Failure, UserError
from nightround.letters.compose import ONE_CLICK, Addressee, Letter, compose, message_id
from nightround.settings import Settings

from ...conftest import START
from ..samples.test import CONTENT
from .test_headers import INJECTION, NAMES


def made(settings: Settings, name: str = "Ann", address: str = "ann@example.org", **given: object) -> Letter:
    return compose(settings, "test", "test/1", Addressee(None, name, address), CONTENT, START, **given)  # type: ignore[arg-type]


def read(letter: Letter) -> EmailMessage:
    found = message_from_bytes(letter.body, policy=policy.default)
    assert isinstance(found, EmailMessage)
    return found


def test_the_headers_of_a_letter_are_these_and_no_others(settings: Settings) -> None:
    found = read(made(settings))
    assert found.keys() == [
        "From",
        "To",
        "Subject",
        "Date",
        "Message-ID",
        "List-Id",
        "Auto-Submitted",
        "X-Auto-Response-Suppress",
        "MIME-Version",
        "Content-Type",
    ]
    assert found.get_all("Auto-Submitted") == ["auto-generated"]  # RFC 3834 §5.1: exactly one
    assert found["X-Auto-Response-Suppress"] == "All"
    assert found["List-Id"] == "<nightround.example.org>"  # RFC 2919
    assert found["Date"].datetime == START
    assert found["Subject"] == "Test letter from Test fleet"
    assert found["From"].addresses[0].addr_spec == "nightround@example.org"


def test_a_thread_is_told_by_references(settings: Settings) -> None:
    found = read(made(settings, references=("<first@example.org>", "<second@example.org>")))
    assert found["References"].split() == ["<first@example.org>", "<second@example.org>"]  # RFC 5322 §3.6.4
    assert found["In-Reply-To"] == "<second@example.org>"


def test_only_a_letter_that_can_be_stopped_says_how(settings: Settings) -> None:
    assert "List-Unsubscribe" not in read(made(settings))
    stop = "https://rounds.example.org/letters/stop/abc"
    found = read(made(settings, unsubscribe_url=stop))
    assert found["List-Unsubscribe"] == f"<{stop}>"
    assert found["List-Unsubscribe-Post"] == ONE_CLICK
    for part in ("plain", "html"):
        body = found.get_body((part,))
        assert body is not None and stop in body.get_content()


def test_the_one_click_body_is_that_of_the_standard() -> None:
    # RFC 8058 §8.1: 26 octets.
    assert ONE_CLICK == "List-Unsubscribe=One-Click"
    assert len(ONE_CLICK.encode()) == 26


def test_one_click_is_offered_over_https_only(settings: Settings) -> None:
    # RFC 8058 §3.1
    found = read(made(settings, unsubscribe_url="http://127.0.0.1:8470/letters/stop/abc"))
    assert found["List-Unsubscribe"] == "<http://127.0.0.1:8470/letters/stop/abc>"
    assert "List-Unsubscribe-Post" not in found


def test_both_parts_are_whole_and_say_the_same(settings: Settings) -> None:
    found = read(made(settings))
    assert found.get_content_type() == "multipart/alternative"
    plain, html = found.iter_parts()
    assert (plain.get_content_type(), html.get_content_type()) == ("text/plain", "text/html")
    for words in (
        "This is a test",
        "Wed 25 Nov 2026, 10:00 (Europe/Paris)",
        "starttls",
        "call the emergency number first",
        "not legal",
    ):
        assert words in " ".join(plain.get_content().split())
        assert words in " ".join(html.get_content().split())
    assert "<" not in plain.get_content()


def test_the_same_key_content_and_instant_give_the_same_bytes(settings: Settings) -> None:
    assert made(settings) == made(settings)


def test_a_message_id_follows_from_the_key_and_belongs_to_one_installation(settings: Settings) -> None:
    first = message_id(settings, "weekly/P7/2026-W48")
    assert first == message_id(settings, "weekly/P7/2026-W48")
    assert first != message_id(settings, "weekly/P7/2026-W49")
    assert first.startswith("<") and first.endswith("@example.org>")
    settings.path(settings.key_file).write_bytes(b"another installation's secret, as long as it must be")
    assert first != message_id(settings, "weekly/P7/2026-W48")


@pytest.mark.parametrize("name", NAMES)
def test_no_name_breaks_a_letter(settings: Settings, name: str) -> None:
    letter = made(settings, name)
    found = read(letter)
    assert [address.addr_spec for address in found["To"].addresses] == ["ann@example.org"]
    assert "Bcc" not in found
    assert max(len(line) for line in letter.body.split(b"\r\n")) <= 998  # RFC 5322 §2.1.1
    assert letter.body.isascii()


def test_a_fleet_with_a_hostile_name_breaks_no_letter(settings: Settings) -> None:
    fleet = settings.fleet.model_copy(update={"name": f'{INJECTION}\r\nBcc: j@e.com <b>&"'})
    letter = made(settings.model_copy(update={"fleet": fleet}))
    assert "Bcc" not in read(letter)
    assert letter.subject == 'Test letter from A = ?UTF-8?Q?=0A?=Bcc: i@e.com Bcc: j@e.com <b>&"'


@pytest.mark.parametrize(
    ("address", "stored"),
    [
        ("ann@example.org", "ann@example.org"),
        ("Ann@EXAMPLE.org", "Ann@example.org"),
        ("ann@bücher.example.org", "ann@xn--bcher-kva.example.org"),
        ("desk@mail.local", "desk@mail.local"),
    ],
)
def test_an_address_is_stored_as_it_goes_on_the_wire(settings: Settings, address: str, stored: str) -> None:
    letter = made(settings, address=address)
    assert letter.to_address == stored
    assert read(letter)["To"].addresses[0].addr_spec == stored


def test_an_address_beyond_ascii_makes_a_letter_in_utf_8(settings: Settings) -> None:
    letter = made(settings, address="jürgen@bücher.example.org")
    assert letter.to_address == "jürgen@xn--bcher-kva.example.org"
    assert 'To: "Ann" <jürgen@xn--bcher-kva.example.org>\r\n'.encode() in letter.body


@pytest.mark.parametrize("address", ["", "front desk", "a@b@c", "a\r\nBcc: i@e.com", "x" * 999, "<a@example.org>"])
def test_an_address_that_is_none_still_makes_a_letter_which_delivery_can_give_up(
    settings: Settings, address: str
) -> None:
    letter = made(settings, address=address)
    assert read(letter)["To"].addresses == ()
    assert len(letter.to_address) <= 320 and letter.to_address.isprintable()
    assert "Bcc" not in read(letter)


def test_a_sender_that_cannot_send_is_an_error_of_the_settings(settings: Settings) -> None:
    mail = settings.mail.model_copy(update={"sender": "the night round"})
    with pytest.raises(UserError, match=r"mail\.sender"):
        made(settings.model_copy(update={"mail": mail}))


def test_a_letter_that_would_not_read_back_is_not_made(settings: Settings) -> None:
    with pytest.raises(Failure):
        made(settings, references=("<a@b>\r\nBcc: i@e.com",))
