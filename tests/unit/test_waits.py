"""Spans as people write them."""

from __future__ import annotations

import pytest

from nightround.waits import Wait, read


@pytest.mark.parametrize(
    ("text", "wait", "said"),
    [
        ("4 hours", Wait(240), "4 hours"),
        ("1 hour", Wait(60), "1 hour"),
        ("90 minutes", Wait(90), "90 minutes"),
        ("0 minutes", Wait(0), "0 minutes"),
        ("2 days", Wait(2880), "2 days"),
        ("1 week", Wait(7 * 1440), "1 week"),
        ("2  Working Hours", Wait(120, True), "2 working hours"),
        ("30 working minutes", Wait(30, True), "30 working minutes"),
        ("48 working hours", Wait(2880, True), "48 working hours"),
        ("3 working days", Wait(working=True, days=3), "3 working days"),
        ("1 working day", Wait(working=True, days=1), "1 working day"),
    ],
)
def test_a_span_is_read_and_said_again(text: str, wait: Wait, said: str) -> None:
    assert read(text) == wait
    assert str(wait) == said
    assert read(said) == wait


@pytest.mark.parametrize("word", ["daily", "weekly", " Daily "])
def test_a_cadence_is_read_only_where_one_may_stand(word: str) -> None:
    assert str(read(word, cadence=True)) == word.strip().lower()
    with pytest.raises(ValueError, match="write it as"):
        read(word)


@pytest.mark.parametrize("text", ["", "4", "hours", "-1 hours", "4 fortnights", "1.5 hours", "4 hours later"])
def test_what_is_no_span_says_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError, match=r"write it as"):
        read(text, cadence=True)


def test_a_working_week_is_refused_with_the_cure() -> None:
    with pytest.raises(ValueError, match="5 working days"):
        read("1 working week")


@pytest.mark.parametrize("text", ["367 days", "9000 hours", "261 working days"])
def test_more_than_a_year_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="longer than a year"):
        read(text)
