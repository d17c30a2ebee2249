"""What was seen of parts of one kind is ended by new ones of that kind alone (reckoning.md §9)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.register.office import Office, write

from .base import LOG, base, dates, in_it, log, strike

SEEN = "2026-11-20T10:00"
CHILD = ("--part", "kind=pads-child", "--part", "label_date=2029-01", "--part", "lot=C2")
ADULT = ("--part", "kind=pads-adult", "--part", "label_date=2029-03", "--part", "lot=A2")
GOOD = ("--reading", "self-test=ok", "--reading", "pads=ok")
GONE = ("overdue", "2026-11-20")


@pytest.mark.parametrize("word", ["opened", "past", "missing"])
def test_new_pads_of_one_kind_leave_those_of_another_bad(small_office: Office, tmp_path: Path, word: str) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "check", SEEN, "--reading", f"pads={word}")
    assert dates(small_office)["pads-adult"] == dates(small_office)["pads-child"] == GONE
    log(small_office, "fitted", "2026-11-22T10:00", *CHILD)
    assert dates(small_office)["pads-adult"] == GONE
    assert dates(small_office)["pads-child"] == ("ahead", "2029-01-31")
    log(small_office, "fitted", "2026-11-23T10:00", *ADULT)
    assert dates(small_office)["pads-adult"] == ("ahead", "2029-03-31")


def test_an_expiring_reading_asks_for_each_kind_until_that_kind_is_new(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "check", SEEN, "--reading", "pads=expiring")
    log(small_office, "fitted", "2026-11-22T10:00", *CHILD)
    assert dates(small_office)["pads-adult"][0] == "order now"
    assert dates(small_office)["pads-child"][0] == "ahead"


def test_a_reading_says_nothing_of_pads_that_came_later(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files", child="2026-11-22")
    log(small_office, "check", SEEN, "--reading", "pads=opened")
    assert dates(small_office)["pads-child"] == ("ahead", "2029-01-31")
    assert dates(small_office)["pads-adult"] == GONE


def test_a_newer_day_of_fitting_in_the_register_ends_an_older_reading(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    log(small_office, "check", SEEN, "--reading", "pads=opened", "--reading", "battery=low")
    log(small_office, "check", "2026-11-24T10:00", "--reading", "battery=empty")
    heading = "unit | kind | state | label_date | fitted_on | lot\n"
    newer = "U | pads-adult | fitted | 2029-05 | 2026-11-23 | A9\nU | battery | fitted | 2031-05 | 2026-11-23 | B9\n"
    small_office.bring(write(files, parts=heading + newer))
    assert dates(small_office)["pads-adult"] == ("ahead", "2029-05-31")
    assert dates(small_office)["pads-child"] == GONE
    assert dates(small_office)["battery"] == ("overdue", "2026-11-24")  # seen after the new one was put in


def test_pads_taken_out_are_of_one_kind(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "removed", SEEN, "--part", "kind=pads-child")
    assert dates(small_office)["pads-adult"] == ("ahead", "2028-10-31")
    assert dates(small_office)["pads-child"] == GONE
    [(reasons,)] = small_office.rows("SELECT reasons FROM conditions")
    assert "no pads-child fitted since 2026-11-20" in reasons
    assert "no pads fitted" not in reasons


def test_a_use_takes_the_pads_of_its_mode_and_only_such_pads_restore_it(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "used", SEEN, "--adult", "--shocks", "2")
    assert dates(small_office)["pads-adult"] == GONE
    assert dates(small_office)["pads-child"] == ("ahead", "2029-01-31")
    log(small_office, "fitted", "2026-11-21T10:00", *CHILD)
    log(small_office, "check", "2026-11-21T11:00", *GOOD)
    assert _restore(small_office)
    log(small_office, "fitted", "2026-11-22T10:00", *ADULT)
    assert _restore(small_office)
    log(small_office, "check", "2026-11-22T11:00", *GOOD)
    assert not _restore(small_office)


def test_a_use_in_no_known_mode_takes_all_pads_and_one_without_shocks_too(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "used", SEEN, "--shocks", "0", by="")
    assert dates(small_office)["pads-adult"] == dates(small_office)["pads-child"] == GONE
    log(small_office, "fitted", "2026-11-22T10:00", *ADULT)
    log(small_office, "check", "2026-11-22T11:00", *GOOD)
    assert _restore(small_office)
    log(small_office, "fitted", "2026-11-23T10:00", *CHILD)
    log(small_office, "check", "2026-11-23T11:00", *GOOD)
    assert not _restore(small_office)


def test_pads_that_were_not_opened_are_spared(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "used", SEEN, "--pads-not-opened")
    assert dates(small_office)["pads-adult"] == ("ahead", "2028-10-31")
    assert _restore(small_office)
    log(small_office, "check", "2026-11-22T11:00", *GOOD)
    assert not _restore(small_office)
    answer = small_office.run("log", "U", "used", "--by", "P", "--shocks", "1", "--pads-not-opened")
    assert (answer.status, "contradicts the shocks" in answer.err) == (2, True)


def test_a_child_mode_by_a_switch_takes_the_adult_pads(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    log(small_office, "removed", "2026-11-10T10:00", "--part", "kind=pads-child")
    log(small_office, "used", SEEN, "--child", "--shocks", "1")
    assert dates(small_office)["pads-adult"] == GONE
    assert files.is_dir()


def test_every_open_order_counts(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "check", "2026-11-18T10:00", "--reading", "pads=expiring")
    for at, expected in (("2026-11-19T10:00", "2026-12-20"), ("2026-11-20T10:00", "2026-11-24")):
        log(small_office, "ordered", at, "--part", "kind=pads-adult", "--part", f"expected={expected}")
    assert dates(small_office)["pads-adult"][0] == "ahead"
    assert dates(small_office)["pads-child"][0] == "order now"


def test_a_spare_is_at_hand_where_it_outlasts_what_the_part_is_good_for(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    heading = "unit | kind | state | label_date | fitted_on | lot\n"
    # By its label the battery in the unit outlasts the spare; by its standby life it does not.
    spare = "U | battery | fitted | 2030-03-31 | 2023-01-10 | B\nU | battery | spare | 2029-06 | | X\n"
    small_office.bring(write(files, parts=heading + spare))
    standing, good = dates(small_office)["battery"]
    assert good is not None
    assert good < "2029-06"
    assert standing in ("ahead", "open")


def _restore(office: Office) -> bool:
    return bool(office.rows("SELECT key FROM duties WHERE key = 'restore'"))


def test_a_fitting_in_an_imported_log_ends_its_own_kind_alone(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    rows = (
        "U | 2026-11-22 10:00 | fitted | P | | kind=pads-child; lot=C2; label_date=2029-02 | | |\n"
        "U | 2026-11-20 10:00 | check | P | pads=opened | | | |\n"
    )
    small_office.bring(write(files, log=LOG + rows))
    assert dates(small_office)["pads-adult"] == GONE
    assert dates(small_office)["pads-child"] == ("ahead", "2029-02-28")


def test_a_struck_fitting_leaves_the_reading_standing(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    log(small_office, "check", SEEN, "--reading", "pads=opened")
    before = in_it(small_office)
    strike(small_office, log(small_office, "fitted", "2026-11-22T10:00", *ADULT))
    assert dates(small_office)["pads-adult"] == GONE
    assert in_it(small_office) == before
