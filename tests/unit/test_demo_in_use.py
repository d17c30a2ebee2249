"""The invented fleet brought in as `deploy/try` does: what its codes fill, the one slip, its notice, its uses."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from tests.register.conftest import office, small_office
from tests.register.office import Office

__all__ = ["office", "small_office"]


@pytest.fixture
def files(small_office: Office, tmp_path: Path) -> Path:
    assert small_office.run("demo", tmp_path / "files", "--days", "300").status == 0
    return tmp_path / "files"


def test_the_import_fills_from_codes_and_reports_the_one_contradiction(small_office: Office, files: Path) -> None:
    answer = small_office.bring(files)
    (slip,) = answer.document["contradictions"]
    assert (slip["file"], slip["column"]) == ("parts.csv", "label_date")
    assert answer.document["warnings"] == []
    assert any("filled from the codes of labels" in remark for remark in answer.document["remarks"])
    typed = slip["value"]
    ((used, read_from),) = small_office.rows(
        "SELECT last_good_day, read_from FROM parts WHERE udi = '" + _udi_of(files, typed) + "'"
    )
    assert str(used) < typed and read_from == "gs1"
    before = small_office.everything()
    again = small_office.bring(files)
    assert again.changes() == [] and small_office.everything() == before


def _udi_of(files: Path, typed: str) -> str:
    with (files / "parts.csv").open(encoding="utf-8", newline="") as file:
        (udi,) = [row["udi"] for row in csv.DictReader(file) if row["label_date"] == typed and row["udi"]]
    return udi


def test_the_notice_means_some_units_and_cannot_tell_of_one(small_office: Office, files: Path) -> None:
    small_office.bring(files)
    answer = small_office.run("notice", "add", files / "notice.toml")
    assert answer.status == 0
    counts = answer.document["counts"]
    assert counts["matches"] >= 3 and counts["cannot tell"] == 1
    listed = small_office.run("notice", "list")
    assert listed.status == 3


def test_uses_have_what_a_crew_note_tells(small_office: Office, files: Path) -> None:
    small_office.bring(files)
    uses = small_office.rows("SELECT readings FROM log WHERE entry = 'used'")
    assert len(uses) >= 1
    assert all('"cpr-minutes"' in said and '"shocks"' in said and '"mode"' in said for (said,) in uses)
    owed = {duty["kind"] for duty in small_office.run("duties").document}
    assert {"restore", "download", "crew-note"} <= owed, "one use is not seen to yet"


def test_a_label_can_be_drawn_for_units_in_every_script(small_office: Office, files: Path) -> None:
    small_office.bring(files)
    codes = [code for (code,) in small_office.rows("SELECT unit FROM units")]
    for code in codes[::7]:
        assert small_office.run("label", code, "--out", files.parent / "a.svg").status == 0
