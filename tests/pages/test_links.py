"""Signed links: who they are for, how long they last, and that each is good for one purpose only."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from nightround.letters import links
from nightround.settings import Settings

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
ADDRESS = "ada@example.org"


def token(url: str) -> str:
    return url.rsplit("/", 1)[1]


def test_a_sign_in_link_lasts_half_an_hour_to_the_second(settings: Settings) -> None:
    link = token(links.sign_in_url(settings, "P1", ADDRESS, NOW, "/units/A"))
    read = links.read_me(settings, link, NOW + timedelta(minutes=30))
    assert (read.person, read.next, read.mailbox) == ("P1", "/units/A", links.mailbox("ADA@example.org "))
    with pytest.raises(links.Expired):
        links.read_me(settings, link, NOW + timedelta(minutes=30, seconds=1))


def test_a_personal_link_lasts_the_days_it_was_made_for(settings: Settings) -> None:
    link = token(links.personal_url(settings, "P1", ADDRESS, NOW, 3))
    assert links.read_me(settings, link, NOW + timedelta(days=3)).person == "P1"
    with pytest.raises(links.Expired):
        links.read_me(settings, link, NOW + timedelta(days=3, seconds=1))


@pytest.mark.parametrize("days", [0, -1, 367])
def test_a_personal_link_is_not_made_for_ever(settings: Settings, days: int) -> None:
    with pytest.raises(ValueError, match="from 1 to 366 days"):
        links.personal_url(settings, "P1", ADDRESS, NOW, days)


def test_a_link_for_one_purpose_is_worthless_for_another(settings: Settings) -> None:
    stop = token(links.unsubscribe_url(settings, "P1"))
    me = token(links.personal_url(settings, "P1", ADDRESS, NOW))
    with pytest.raises(links.NotOurs):
        links.read_me(settings, stop, NOW)
    with pytest.raises(links.NotOurs):
        links.read_stop(settings, me)
    assert links.read_stop(settings, stop) == "P1"


@pytest.mark.parametrize("at", range(0, 104, 7))
def test_a_link_with_one_letter_changed_is_not_ours(settings: Settings, at: int) -> None:
    link = token(links.personal_url(settings, "P1", ADDRESS, NOW))
    assert len(link) > 103
    changed = link[:at] + ("A" if link[at] != "A" else "B") + link[at + 1 :]
    with pytest.raises(links.NotOurs):
        links.read_me(settings, changed, NOW)


@pytest.mark.parametrize("link", ["", ".", "x", "a.b.c", "é", "\x00", "W10.x.y", "9" * 5000])
def test_nonsense_is_not_ours(settings: Settings, link: str) -> None:
    with pytest.raises(links.NotOurs):
        links.read_me(settings, link, NOW)
    with pytest.raises(links.NotOurs):
        links.read_stop(settings, link)


def test_another_key_file_ends_every_link(settings: Settings) -> None:
    link = token(links.personal_url(settings, "P1", ADDRESS, NOW))
    (settings.folder / "nightround.key").write_bytes(b"q" * 43)
    with pytest.raises(links.NotOurs):
        links.read_me(settings, link, NOW)


def test_codes_with_slashes_and_blanks_stay_one_step_of_the_address(settings: Settings) -> None:
    assert links.unit_url(settings, "A/ 1?#é").endswith("/units/A%2F%201%3F%23%C3%A9")
    assert links.site_url(settings, "S/1").endswith("/sites/S%2F1")
    assert links.case_url(settings, 31) == "http://127.0.0.1:8470/cases/31"
    assert links.label_url(settings, "x") == "http://127.0.0.1:8470/at/x"
