"""The number to call in an emergency is that of the place, wherever it is told, and none is made up."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path

import pytest
from defusedxml import ElementTree
from starlette.testclient import TestClient
from tests.conftest import Clock
from tests.register.conftest import small_office
from tests.register.office import Office, write

from nightround.bootstrap import Program
from nightround.emergency import table
from nightround.pages.app import build
from nightround.register.zoning import is_country
from nightround.resources import shipped
from nightround.settings import load
from nightround.store.database import Store

__all__ = ["small_office"]  # a fixture, used by its name

PLACES = {
    "TOKYO": ("Asia/Tokyo", "JP", "", "119"),
    "FRESNO": ("America/Los_Angeles", "US", "CA", "911"),
    "BREST": ("Europe/Paris", "FR", "", "112"),
    "DOVER": ("Europe/London", "GB", "", "999"),
    "SEOUL": ("Asia/Seoul", "KR", "", "119"),
    "PERTH": ("Australia/Perth", "AU", "WA", "000"),
    "OTAGO": ("Pacific/Auckland", "NZ", "", "111"),
    "GENEVA": ("Europe/Zurich", "CH", "", "144"),
    "TORONTO": ("America/Toronto", "CA", "ON", "911"),
    "TAIPEI": ("Asia/Taipei", "TW", "", "119"),
    "BEDOK": ("Asia/Singapore", "SG", "", "995"),
    "RECIFE": ("America/Recife", "BR", "", ""),  # none that we have read of
    "ADRIFT": ("UTC", "", "", ""),  # no country on record
}


def fleet_of(office: Office, *places: str) -> None:
    (office.folder / "nightround.key").write_bytes(b"k" * 43)
    rows = [
        f"{code} | Site {code} | {zone} | {country} | {part}"
        for code, (zone, country, part, _) in PLACES.items()
        if code in places
    ]
    office.bring(
        write(
            office.folder / "files",
            sites="site | name | time_zone | country | subdivision\n" + "\n".join(rows),
            units="unit | site | spot | in_service_on\n"
            + "\n".join(f"{p}-1 | {p} | hall | 2026-01-01" for p in places),
            people="person | name | email | roles | sites\n"
            "cora | Cora Vale | cora@example.org | coordinator; manager | *\n"
            + "\n".join(f"c{p} | C {p} | {p}@example.org | site-contact; manager | {p}" for p in places),
            log="unit | at | entry | by | note\n"
            + "\n".join(f"{p}-1 | 2026-11-24T10:00 | fault | cora | beeps" for p in places),
        )
    )


def text_of(svg: Path) -> str:
    """What the picture says, in outlines or not."""
    root = ElementTree.fromstring(svg.read_bytes())
    return " ".join((root.findtext("{http://www.w3.org/2000/svg}desc") or "").split())


def label_of(office: Office, unit: str, tmp_path: Path) -> str:
    answer = office.run("label", unit, "--out", tmp_path / "label.svg")
    assert answer.status == 0, answer.err
    said = text_of(tmp_path / "label.svg")
    told = any("emergency is not known" in warning for warning in answer.document["warnings"])
    assert told == ("Call the emergency number first" in said)
    return said


def test_every_number_of_the_table_has_a_source_that_was_read() -> None:
    rows = tomllib.loads((shipped("emergency") / "numbers.toml").read_text("utf-8"))["number"]
    countries = [code for row in rows for code in row["countries"]]
    assert len(set(countries)) == len(countries)
    for row in rows:
        assert re.fullmatch(r"[0-9]{3}", row["number"])
        assert row["source"] and row["read"] in ("the text", "a copy") and row["verified_on"] == date(2026, 11, 26)
        assert row["countries"] and all(is_country(code) for code in row["countries"])
    members = [
        "AT",
        "BE",
        "BG",
        "CY",
        "CZ",
        "DE",
        "DK",
        "EE",
        "ES",
        "FI",
        "FR",
        "GR",
        "HR",
        "HU",
        "IE",
        "IT",
        "LT",
        "LU",
        "LV",
        "MT",
        "NL",
        "PL",
        "PT",
        "RO",
        "SE",
        "SI",
        "SK",
    ]
    assert all(table()[code].number == "112" for code in members), "Directive (EU) 2018/1972, article 109"


@pytest.mark.parametrize("place", sorted(PLACES))
def test_a_label_says_the_number_of_its_place(small_office: Office, tmp_path: Path, place: str) -> None:
    fleet_of(small_office, place)
    number = PLACES[place][3]
    said = label_of(small_office, f"{place}-1", tmp_path)
    assert f"Emergency? Call {number or 'the emergency number'} first." in said
    assert number or not re.search(r"\b(112|911|999|119)\b", said)


def test_the_settings_say_it_for_a_country_or_for_all(
    small_office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet_of(small_office, "RECIFE", "TOKYO")
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBERS", '{"BR": "192"}')
    assert "Call 192 first." in label_of(small_office, "RECIFE-1", tmp_path)
    assert "Call 119 first." in label_of(small_office, "TOKYO-1", tmp_path)
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBERS", '{"BR": "192", "JP": "7-119"}')
    assert "Call 7-119 first." in label_of(small_office, "TOKYO-1", tmp_path)
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBER", "2222 (porter)")
    for unit in ("RECIFE-1", "TOKYO-1"):
        assert "Call 2222 (porter) first." in label_of(small_office, unit, tmp_path)


def test_a_site_without_a_country_is_where_the_fleet_is(
    small_office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet_of(small_office, "ADRIFT")
    assert "Call the emergency number first." in label_of(small_office, "ADRIFT-1", tmp_path)
    monkeypatch.setenv("NIGHTROUND_FLEET_COUNTRY", "JP")
    assert "Call 119 first." in label_of(small_office, "ADRIFT-1", tmp_path)


@pytest.mark.parametrize("wrong", ['{"Brazil": "192"}', '{"BR": ""}', '{"BR": "call us"}'])
def test_a_number_that_cannot_be_one_is_refused_with_the_key(
    small_office: Office, monkeypatch: pytest.MonkeyPatch, wrong: str
) -> None:
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBERS", wrong)
    answer = small_office.say("duties")
    assert answer.status == 2
    assert "fleet.emergency_numbers" in answer.err and len(answer.err.strip().splitlines()) == 1


def test_verify_finds_places_whose_number_nobody_knows(small_office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet_of(small_office, "RECIFE", "ADRIFT", "TOKYO")

    def found() -> dict[str, str]:
        findings = small_office.run("verify").document
        return {one["where"]: one["cure"] for one in findings if "emergency number" in one["found"]}

    assert set(found()) == {"site RECIFE", "site ADRIFT"}
    assert 'emergency_numbers = {BR = "…"}' in found()["site RECIFE"]
    assert "country" in found()["site ADRIFT"]
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBERS", '{"BR": "192"}')
    assert set(found()) == {"site ADRIFT"}
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBER", "112")
    assert found() == {}


@pytest.mark.parametrize(
    ("places", "said"),
    [
        (("TOKYO",), "119"),
        (("TOKYO", "SEOUL"), "119"),
        (("TOKYO", "FRESNO"), "the emergency number (119 in Japan, 911 in the United States)"),
        (("TOKYO", "RECIFE"), "the emergency number (119 in Japan)"),
        (("RECIFE",), "the emergency number"),
        (("TOKYO", "FRESNO", "DOVER", "PERTH", "OTAGO"), "the emergency number of the place"),
    ],
)
def test_today_and_letters_say_it_for_all_places_they_speak_of(
    small_office: Office, places: tuple[str, ...], said: str
) -> None:
    fleet_of(small_office, *places)
    today = " ".join(small_office.say("today").out.split())
    assert f"in an emergency call {said} and follow" in today
    letter = " ".join(small_office.say("letter", "--to", "cora").out.split())
    assert f"In an emergency call {said} first" in letter
    assert "call 112" not in letter or "BREST" in places


def test_pages_say_the_number_of_the_place_they_show(small_office: Office, sqlite_store: Store, clock: Clock) -> None:
    fleet_of(small_office, "TOKYO", "DOVER", "RECIFE")
    program = Program(load(small_office.folder / "nightround.toml"), sqlite_store, clock)
    for place, said in (("TOKYO", "119"), ("DOVER", "999"), ("RECIFE", "the emergency number")):
        web = TestClient(build(program), "http://127.0.0.1:8470")
        ((label,),) = small_office.rows(f"SELECT label FROM units WHERE unit = '{place}-1'")
        page = " ".join(web.get(f"/at/{label}").text.split())
        assert f"Emergency? Call {said} first." in page
        assert f"In an emergency call {said} first." in page, "at the foot too"
        link = small_office.run("sign-in-link", "--person", f"c{place}").document["url"]
        path = link.removeprefix("http://127.0.0.1:8470")
        token = re.search(r'name="form_token" value="([^"]+)"', web.get(path).text)
        assert token is not None
        web.post(path, data={"form_token": token[1]}, headers={"Origin": "http://127.0.0.1:8470"})
        for address in (f"/units/{place}-1", f"/sites/{place}", "/", "/duties"):
            page = " ".join(web.get(address).text.split())
            assert f"In an emergency call {said} first." in page, address
    assert "In an emergency call the emergency number first." in " ".join(web.get("/no-such").text.split())
