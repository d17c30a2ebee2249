"""`rules` on the command line, the announcement in `today`, and old sources in `verify`."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.conftest import START
from tests.rounds.night.build import add_site, add_unit
from tests.rounds.rulebook.build import HEAD, RULE

from nightround import cli
from nightround.commands.findings import look_at_age
from nightround.rounds.rulebook import load as load_rulebook
from nightround.settings import Settings
from nightround.store.database import Store

GERMAN = "de-remote-self-test-from-2027"


@pytest.fixture
def file(tmp_path: Path, sqlite_store: Store) -> Path:
    """A fleet of two sites in two countries, and one site of which the country is not recorded."""
    with sqlite_store.write() as conn:
        berlin, school = (
            add_site(conn, "BER", country="DE"),
            add_site(conn, "MDS", "America/New_York", "US", subdivision="MD", site_type="school"),
        )
        add_unit(conn, "BER-1", berlin, model="Quennick S")
        add_unit(conn, "BER-2", berlin, in_service_on=None)
        add_unit(conn, "MDS-1", school)
        add_site(conn, "NOWHERE")
    settings = tmp_path / "nightround.toml"
    settings.write_text('[mail]\nsecurity = "plain"\n[rules]\nfolder = "packs"\n', "utf-8")
    (tmp_path / "packs").mkdir()
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    return settings


def answer(file: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, Any]:
    status = cli.run(["--config", str(file), "--json", *arguments], clock=lambda: START)
    return status, json.loads(capsys.readouterr().out)


def test_the_fleet_is_told_by_kind_of_place_with_what_is_to_come(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, found = answer(file, capsys, "rules")
    assert status == 3
    assert found["on"] == "2026-11-25"
    places = {(p["country"], p["subdivision"], p["site_type"]): p for p in found["places"]}
    assert {key: (p["sites"], p["units"]) for key, p in places.items()} == {
        ("", "", ""): (1, 0),
        ("DE", "", ""): (1, 2),
        ("US", "MD", "school"): (1, 1),
    }
    bound = {rule["rule"] for rule in places["US", "MD", "school"]["rules"]}
    assert "us-md-school-look-weekly" in bound
    assert "house-look-monthly" in bound
    assert [item["rule"] for item in found["announced"]] == [GERMAN]
    assert found["announced"][0]["units"] == ["BER-2"]
    assert [lack["place"] for lack in found["not_recorded"]] == ["no country recorded"]
    assert "not legal advice" in found["caution"]
    for place in found["places"]:
        for rule in place["rules"]:
            assert rule["source"]
            assert rule["verified_on"]


def test_a_site_is_told_each_rule_and_which_were_left_out(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, found = answer(file, capsys, "rules", "--site", "MDS")
    assert status == 0
    (place,) = found["places"]
    (weekly,) = [rule for rule in place["rules"] if rule["rule"] == "us-md-school-look-weekly"]
    # COMAR 13A.05.10.03B(4): weekly, in place of the state's monthly look
    assert weekly["owed"] in ("at least every 7 days", "once each ISO week, Monday to Sunday")
    assert weekly["why"] == "country US, subdivision MD, site type school"
    left_out = {rule["rule"]: rule["why_not"] for rule in place["left_out"]}
    for name in weekly["replaces"]:
        assert left_out[name].startswith(("replaced by us-md-school-look-weekly", "ended "))
    assert weekly["replaces"]
    assert found["announced"] == []


def test_on_new_years_day_germanys_rule_is_no_longer_announced_but_binds(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, before = answer(file, capsys, "rules", "--site", "BER", "--on", "2026-12-31")
    assert status == 3
    assert {item["rule"]: item["why_not"] for item in before["places"][0]["left_out"]}[GERMAN] == "starts 2027-01-01"
    status, after = answer(file, capsys, "rules", "--site", "BER", "--on", "2027-01-01")
    assert status == 0
    assert GERMAN in [rule["rule"] for rule in after["places"][0]["rules"]]


def test_a_source_not_read_for_a_year_is_flagged(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = (HEAD + RULE).replace("verified_on = 2026-11-25", "verified_on = 2025-10-01")
    (file.parent / "packs" / "ours.toml").write_text(old, "utf-8")
    status, found = answer(file, capsys, "rules", "--site", "MDS")
    assert status == 3
    assert [(flag["what"], flag["verified_on"]) for flag in found["not_verified_for_a_year"]] == [
        ("rule ours-look", "2025-10-01")
    ]
    assert cli.run(["--config", str(file), "rules", "--site", "MDS"], clock=lambda: START) == 3
    said = capsys.readouterr().out
    assert "rule ours-look: verified 2025-10-01, more than a year ago: check the source (our own plan)" in said


def test_two_years_on_a_model_sheet_that_is_used_is_flagged_too(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, found = answer(file, capsys, "rules", "--site", "BER", "--on", "2028-11-25")
    assert status == 3
    assert "model sheet Quennick S" in [flag["what"] for flag in found["not_verified_for_a_year"]]


@pytest.mark.parametrize("arguments", [[], ["--site", "MDS"]])
def test_the_table_ends_with_the_caution(file: Path, capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    cli.run(["--config", str(file), "rules", *arguments], clock=lambda: START)
    said = capsys.readouterr().out
    assert "us-md-school-look-weekly" in said
    assert "not legal advice" in said.splitlines()[-1]


def test_an_unknown_site_is_said(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--config", str(file), "rules", "--site", "NO"], clock=lambda: START) == 2
    assert "site 'NO' is not in the register" in capsys.readouterr().err


def test_today_has_one_line_for_the_rules_to_come(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cli.run(["--config", str(file), "today"], clock=lambda: START)
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Rules to come")]
    assert len(lines) == 1
    assert "1 rule starts within 90 days, the first on 2027-01-01: Units for lay use" in lines[0]
    assert lines[0].endswith("units touched: 1; see: nightround rules")
    _, found = answer(file, capsys, "today")
    assert [item["rule"] for item in found["rules_to_come"]] == [GERMAN]


def test_today_is_told_even_where_a_pack_is_faulty(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (file.parent / "packs" / "ours.toml").write_text("[pack]\n", "utf-8")
    assert cli.run(["--config", str(file), "today"], clock=lambda: START) == 3
    said = capsys.readouterr().out
    assert "3 units:" in said
    assert "No round can run: " in said
    assert "key title: is missing" in said


def test_verify_names_packs_and_sheets_that_nobody_has_read_for_a_year() -> None:
    book = load_rulebook(Settings())
    assert list(look_at_age(book, date(2026, 11, 25))) == []
    found = {finding.where: finding.found for finding in look_at_age(book, date(2028, 1, 1))}
    assert "rule pack us-arizona" in found
    assert "2 of 2 rules were verified more than a year ago, the first 2026-11-25" in found["rule pack us-arizona"]
    assert any(where.startswith("model sheet ") for where in found)
