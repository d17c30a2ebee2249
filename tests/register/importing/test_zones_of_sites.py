"""Where a new site gets its time zone from, and when that is asked instead of guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.register.zoning import is_country, keeps, only_zone, same_time, zones_of
from tests.register.office import Office, write


# Zones by country: `zone.tab` of the tz database, release 2026 (package tzdata).
@pytest.mark.parametrize(
    ("country", "zone"),
    [
        ("JP", "Asia/Tokyo"),
        ("FR", "Europe/Paris"),
        ("GB", "Europe/London"),
        ("DE", "Europe/Berlin"),  # and Busingen, whose clocks show the same
        ("TW", "Asia/Taipei"),
        ("KR", "Asia/Seoul"),
        ("US", None),
        ("AU", None),
        ("ES", None),  # the Canary Islands
        ("PT", None),  # the Azores
        ("ZZ", None),
        ("", None),
    ],
)
def test_a_country_settles_the_zone_where_all_of_it_keeps_the_same_time(country: str, zone: str | None) -> None:
    assert only_zone(country, 2026) == zone


def test_zones_that_differ_for_half_of_the_year_only_are_not_the_same() -> None:
    assert not same_time("America/Phoenix", "America/Denver", 2026)
    assert not same_time("Australia/Lord_Howe", "Australia/Sydney", 2026)  # half an hour of summer time
    assert same_time("Asia/Calcutta", "Asia/Kolkata", 2026)


def test_whether_a_country_keeps_a_zones_time() -> None:
    assert keeps("US", "America/Los_Angeles", 2026)
    assert keeps("IN", "Asia/Calcutta", 2026)
    assert not keeps("DE", "Europe/London", 2026)
    assert keeps("XK", "Europe/Belgrade", 2026)  # nothing is known of it


def test_countries_are_those_of_iso_3166() -> None:
    assert is_country("GB") and is_country("TW") and is_country("XK")
    assert not is_country("UK") and not is_country("EN")
    assert "Europe/Berlin" in zones_of("DE")


def _zones(office: Office) -> dict[str, str]:
    return dict(office.rows("SELECT site, time_zone FROM sites"))


def _units(*sites: str) -> str:
    return "unit | site\n" + "\n".join(f"U-{site} | {site}" for site in sites)


def test_a_new_site_takes_the_only_zone_of_its_country(office: Office, tmp_path: Path) -> None:
    sites = "site | name | country\nA | Here | DE\nB | There | JP"
    answer = office.bring(write(tmp_path / "files", sites=sites, units=_units("A", "B")))
    assert _zones(office) == {"A": "Europe/Berlin", "B": "Asia/Tokyo"}
    assert any("Europe/Berlin" in remark for remark in answer.document["remarks"])


def test_a_country_of_several_zones_is_asked_about(office: Office, tmp_path: Path) -> None:
    sites = "site | name | country\nA | Here | US\nB | There | US"
    answer = office.run("import", write(tmp_path / "files", sites=sites, units=_units("A", "B")))
    assert [(row, column) for _, row, column, _ in answer.problems()] == [(2, "time_zone"), (3, "time_zone")]
    assert "America/New_York" in answer.problems()[0][3]
    assert office.rows("SELECT count(*) FROM sites") == [(0,)]


def test_the_settings_say_the_zone_where_the_country_does_not(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTROUND_FLEET_TIME_ZONE", "America/Chicago")
    sites = "site | name | country\nA | Here | US\nB | There |"
    answer = office.bring(write(tmp_path / "files", sites=sites, units=_units("A", "B")))
    assert _zones(office) == {"A": "America/Chicago", "B": "America/Chicago"}
    assert any("fleet.time_zone" in remark and "2 sites (A, B)" in remark for remark in answer.document["remarks"])


def test_the_settings_zone_is_not_taken_for_another_country(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTROUND_FLEET_TIME_ZONE", "Europe/Paris")
    answer = office.run("import", write(tmp_path / "files", sites="site | country\nA | US", units=_units("A")))
    assert [problem[2] for problem in answer.problems()] == ["time_zone"]


def test_the_settings_country_is_that_of_sites_which_say_none(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTROUND_FLEET_COUNTRY", "FR")
    answer = office.bring(write(tmp_path / "files", sites="site | name\nA | Ici", units=_units("A")))
    assert office.rows("SELECT country, time_zone FROM sites") == [("FR", "Europe/Paris")]
    assert any("fleet.country" in remark for remark in answer.document["remarks"])


def test_a_site_keeps_its_zone_until_a_file_says_another(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write(tmp_path / "files", sites="site | name | country\nA | Here | DE", units=_units("A"))
    office.bring(folder)
    monkeypatch.setenv("NIGHTROUND_FLEET_TIME_ZONE", "Asia/Tokyo")
    assert office.bring(folder).document["changes"] == []
    answer = office.bring(write(folder, sites="site | name | country\nA | Here | JP"))
    assert answer.changes() == [("A", "time_zone", "Europe/Berlin", "Asia/Tokyo"), ("A", "country", "DE", "JP")]


def test_a_zone_that_the_country_does_not_keep_is_pointed_out(small_office: Office, tmp_path: Path) -> None:
    sites = "site | country | time_zone\nA | DE | Europe/London\nB | DE | Europe/Vienna"
    answer = small_office.bring(write(tmp_path / "files", sites=sites, units=_units("A", "B")))
    (remark,) = [remark for remark in answer.document["remarks"] if "does not keep this time" in remark]
    assert "A (DE, Europe/London)" in remark and "B" not in remark.split("?")[1]


def test_a_zone_that_nobody_knows_is_named_with_the_closest(small_office: Office, tmp_path: Path) -> None:
    sites = "site | country | time_zone\nA | JP | Asia/Tokio"
    (problem,) = small_office.run("import", write(tmp_path / "files", sites=sites, units=_units("A"))).problems()
    assert problem[:3] == ("sites.csv", 2, "time_zone")
    assert problem[3].endswith("did you mean Asia/Tokyo?")
