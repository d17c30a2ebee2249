"""The invented fleet: the same from the same seed, alive on its day, sound in every field, and of a realistic mix."""

from __future__ import annotations

import csv
import json
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

import biip
import holidays
import pytest

from nightround.demo.fleet import write_fleet
from nightround.demo.parts import MODELS
from nightround.demo.places import KINDS, SITES_A_BLOCK, UNITS_A_BLOCK
from nightround.demo.rows import HEADERS
from nightround.demo.stories import DECK, dealt
from nightround.errors import UserError
from nightround.reckoning.dates import working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.evidence import digest
from nightround.reckoning.facts import Entry, Part, Place, UnitFacts
from nightround.reckoning.owed import Condition, Reckoned, Standing
from nightround.reckoning.readings import is_word
from nightround.reckoning.rules import binding
from nightround.reckoning.site_types import SITE_TYPES
from nightround.register.fitting import label_day
from nightround.register.log import ENTRIES
from nightround.register.noticefile import read_notice
from nightround.register.reading import read as read_register
from nightround.register.recording import PART_KINDS
from nightround.rounds.rulebook import RuleBook
from nightround.rounds.rulebook import load as load_rules
from nightround.settings import load as load_settings

ON = date(2026, 11, 25)


def _quiet(_done: int, _total: int | None) -> None:
    pass


def _files(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in sorted(folder.iterdir())}


def _rows(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "demo"
    write_fleet(folder, 60, 1, ON, _quiet)
    return folder


@pytest.fixture(scope="module")
def book() -> RuleBook:
    return load_rules(load_settings(None))


def test_the_tables_hold_sixty_units_on_twenty_four_sites_and_a_story_for_each() -> None:
    assert (SITES_A_BLOCK, UNITS_A_BLOCK, len(DECK)) == (24, 60, 60)


def test_the_same_seed_and_day_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_fleet(tmp_path / name, 75, 7, ON, _quiet)
    assert _files(tmp_path / "a") == _files(tmp_path / "b")


@pytest.mark.parametrize(("seed", "on"), [(8, ON), (7, ON + timedelta(days=1))])
def test_another_seed_or_day_gives_others(tmp_path: Path, seed: int, on: date) -> None:
    write_fleet(tmp_path / "a", 5, 7, ON, _quiet)
    write_fleet(tmp_path / "b", 5, seed, on, _quiet)
    assert _files(tmp_path / "a") != _files(tmp_path / "b")


@pytest.mark.parametrize("units", [1, 5, 59, 61, 130])
def test_any_size_is_to_the_unit(tmp_path: Path, units: int) -> None:
    written = write_fleet(tmp_path / "demo", units, 1, ON, _quiet, days=30)
    assert written["units"] == units == len(_rows(tmp_path / "demo", "units"))
    sites = {row["site"] for row in _rows(tmp_path / "demo", "sites")}
    assert {row["site"] for row in _rows(tmp_path / "demo", "units")} == sites


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(UserError, match="not an empty folder"):
        write_fleet(tmp_path, 5, 1, ON, _quiet)
    assert _files(tmp_path) == {"mine.txt": b"mine"}


def test_what_is_stopped_half_way_leaves_nothing(tmp_path: Path) -> None:
    def stop(_done: int, _total: int | None) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_fleet(tmp_path / "demo", 60, 1, ON, stop)
    assert list(tmp_path.iterdir()) == []


def test_headers_are_those_of_the_register_files(fleet: Path) -> None:
    for name, header in HEADERS.items():
        assert (fleet / f"{name}.csv").read_text("utf-8").splitlines()[0] == ",".join(header)


def test_the_log_lies_within_two_years_and_wholly_in_the_past(fleet: Path) -> None:
    entries = _rows(fleet, "log")
    instants = [datetime.fromisoformat(row["at"]) for row in entries]
    midnight = datetime(ON.year, ON.month, ON.day, tzinfo=UTC)
    assert max(instants) < midnight
    assert midnight - min(instants) < timedelta(days=732)
    assert midnight - max(instants) < timedelta(days=1, hours=12)
    assert len(entries) > 1500


def test_each_unit_s_log_is_in_the_order_of_its_time(fleet: Path) -> None:
    by_unit: dict[str, list[datetime]] = {}
    for row in _rows(fleet, "log"):
        by_unit.setdefault(row["unit"], []).append(datetime.fromisoformat(row["at"]))
    assert all(times == sorted(times) for times in by_unit.values())


def test_every_word_is_one_that_the_register_knows(fleet: Path) -> None:
    sites, units, people = ({row[key] for row in _rows(fleet, name)} for name, key in
                            (("sites", "site"), ("units", "unit"), ("people", "person")))  # fmt: skip
    for row in _rows(fleet, "sites"):
        assert row["time_zone"] in available_timezones()
        assert row["site_type"] in SITE_TYPES
        assert row["country"] in holidays.list_supported_countries()
        assert row["subdivision"] in ("", *holidays.list_supported_countries()[row["country"]])
    for row in _rows(fleet, "parts"):
        assert row["kind"] in PART_KINDS
        assert row["state"] in ("fitted", "spare")
        assert (row["unit"] in units) != (row["site"] in sites)
    for row in _rows(fleet, "log"):
        assert row["entry"] in ENTRIES
        assert row["unit"] in units
        assert row["by"] in ("", *people)
        readings = _pairs(row["readings"])
        assert all(is_word(name, value) for name, value in readings.items()), readings
    for name in ("training", "rota"):
        assert {row["person"] for row in _rows(fleet, name)} <= people
    for row in _rows(fleet, "people"):
        assert row["sites"] == "*" or set(row["sites"].split("; ")) <= sites
        assert set(row["roles"].split("; ")) <= {"coordinator", "site-contact", "on-call", "manager", "responder"}
        assert row["email"] == "" or row["email"].endswith("@example.org")


def test_keys_are_unique_in_a_fleet_of_several_blocks(tmp_path: Path) -> None:
    write_fleet(tmp_path / "demo", 200, 1, ON, _quiet, days=20)
    for name, key in (("sites", "site"), ("units", "unit"), ("people", "person"), ("units", "serial")):
        values = [row[key] for row in _rows(tmp_path / "demo", name)]
        assert len(values) == len(set(values)), name
    mails = [row["email"] for row in _rows(tmp_path / "demo", "people") if row["email"]]
    assert len(mails) == len(set(mails))


def test_a_unit_is_made_before_it_is_put_in_service_and_before_its_parts_were_fitted(fleet: Path) -> None:
    service = {row["unit"]: row["in_service_on"] for row in _rows(fleet, "units")}
    for row in _rows(fleet, "units"):
        assert row["made_on"] < row["in_service_on"] or row["made_on"] == row["in_service_on"] == ""
    for row in _rows(fleet, "parts"):
        if row["fitted_on"]:
            assert service[row["unit"]] <= row["fitted_on"] < ON.isoformat()


def test_label_codes_say_what_the_label_says_but_for_one_slip(fleet: Path) -> None:
    coded = [row for row in _rows(fleet, "parts") if row["udi"]]
    assert coded
    slips = []
    for row in coded:
        day, lot = _code(row["udi"])
        assert row["lot"] in ("", lot)
        if row["label_date"] and label_day(row["label_date"]) != day:
            slips.append((label_day(row["label_date"]) - day).days)
    assert slips == [365]
    assert any(not row["label_date"] and not row["lot"] for row in coded), "some leave it all to the code"
    assert any("\x1d" in row["udi"] for row in coded), "some are as a scanner sends them"


def test_uses_are_told_with_what_was_done_and_the_crew_note_of_one_is_handed_over(fleet: Path) -> None:
    entries = _rows(fleet, "log")
    uses = [_pairs(row["readings"]) for row in entries if row["entry"] == "used"]
    assert uses == [{"cpr-minutes": "14", "shocks": "2", "mode": "adult"}] or len(uses) == 2
    assert all(set(use) == {"cpr-minutes", "shocks", "mode"} for use in uses)
    assert {"about": "crew"} in [_pairs(row["readings"]) for row in entries if row["entry"] == "reported"]


@pytest.mark.parametrize(("units", "seed"), [(60, 1), (60, 2), (130, 3), (1, 1), (5, 4)])
def test_the_notice_can_be_read_and_is_about_units_of_the_fleet(tmp_path: Path, units: int, seed: int) -> None:
    write_fleet(tmp_path / "demo", units, seed, ON, _quiet, days=20)
    notice, _ = read_notice(tmp_path / "demo" / "notice.toml")
    (concern,) = notice.concerns
    (made,) = concern.made
    listed = [row for row in _rows(tmp_path / "demo", "units")[:60] if row["model"] in concern.models]
    assert listed
    assert notice.published_on < ON
    if units >= 60:
        days = [date.fromisoformat(row["made_on"]) for row in listed if row["made_on"]]
        assert len(days) < len(listed), "of one the day is not recorded"
        assert made.first is not None and made.last is not None
        assert 1 <= sum(made.first <= day <= made.last for day in days) <= 5


def test_names_with_accents_other_scripts_and_from_right_to_left_are_met(fleet: Path) -> None:
    names = [row["name"] for name in ("people", "sites") for row in _rows(fleet, name)]
    spots = [row["spot"] for row in _rows(fleet, "units")]
    everything = " ".join(names + spots)
    assert all(letter in everything for letter in "éöüßñ")
    for script in ("\u0600\u06ff", "\u3040\u30ff", "\uac00\ud7a3", "\u4e00\u9fff"):
        assert any(script[0] <= letter <= script[1] for letter in " ".join(names)), script


def test_somebody_is_on_call_from_now_to_seven_weeks_ahead_without_a_gap(fleet: Path) -> None:
    shifts = sorted((datetime.fromisoformat(row["from"]), datetime.fromisoformat(row["until"]))
                    for row in _rows(fleet, "rota"))  # fmt: skip
    assert all(end == start for (_, end), (start, _) in pairwise(shifts))
    assert shifts[0][0].date() <= ON
    assert shifts[-1][1].date() >= ON + timedelta(days=49)


# Sixty units have no room for places that ask for nothing but a registration; Madrid and South Australia show one.
WITHOUT_A_SITE = ("us-per-manufacturer", "us-minnesota", "us-new-hampshire", "ca-ontario")


def test_every_shipped_pack_but_those_named_has_a_site_that_it_binds(fleet: Path, book: RuleBook) -> None:
    places = {Place("", row["country"], row["subdivision"], row["site_type"]) for row in _rows(fleet, "sites")}
    for pack in book.packs:
        if pack.name not in WITHOUT_A_SITE:
            assert any(rule.binds_at(place) for rule in pack.rules for place in places), pack.name


def test_every_model_but_one_has_a_sheet_that_agrees_with_the_generator(book: RuleBook) -> None:
    for model in MODELS[:-1]:
        sheet = book.sheets[model.name]
        assert sheet.pads == model.pads
        assert (sheet.battery_bars or 0) == model.bars
        assert sheet.standby_months is not None
        assert abs(sheet.standby_months * 30.44 - model.standby_days) < 3
    assert MODELS[-1].name not in book.sheets


# What each story must come out as when it is reckoned by the shipped rules; the rest may be `work due` as well, as in
# any fleet where a look falls due now and then.
EXPECTED = {
    "pads past": Condition.NOT_TO_BE_RELIED_ON,
    "battery past": Condition.NOT_TO_BE_RELIED_ON,
    "pads opened": Condition.NOT_TO_BE_RELIED_ON,
    "fault reported by a passer-by": Condition.NOT_TO_BE_RELIED_ON,
    "used, not restored": Condition.NOT_TO_BE_RELIED_ON,
    "pads date not recorded": Condition.NO_EVIDENCE,
    "battery date not recorded": Condition.NO_EVIDENCE,
    "not looked at for long": Condition.NO_EVIDENCE,
    "never checked": Condition.NO_EVIDENCE,
    "nothing recorded": Condition.NO_EVIDENCE,
    "withdrawn": Condition.WITHDRAWN,
    "pads due": Condition.WORK_DUE,
    "pads due, order overdue": Condition.WORK_DUE,
    "look overdue": Condition.WORK_DUE,
    "battery standby over": Condition.WORK_DUE,
    "battery low": Condition.WORK_DUE,
    "spare past": Condition.WORK_DUE,
}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_story_comes_out_as_told_when_it_is_reckoned(tmp_path: Path, book: RuleBook, seed: int) -> None:
    write_fleet(tmp_path / "demo", 180, seed, ON, _quiet)
    reckoned = _reckon(tmp_path / "demo", book)
    models = {row["unit"]: row["model"] for row in _rows(tmp_path / "demo", "units")}
    stories = [story for block in range(3) for story in dealt(seed, block)]
    for (unit, found), story in zip(reckoned.items(), stories, strict=True):
        expected = EXPECTED.get(story)
        if story == "battery standby over" and models[unit] not in book.sheets:
            expected = None  # nobody has entered how long its battery lasts
        if expected is not None:
            assert found.condition is expected, (unit, story, found.condition, found.reasons)
        elif story not in ("well",):
            assert found.condition in (Condition.IN_SERVICE, Condition.WORK_DUE), (unit, story, found.reasons)
        standings = {duty.kind: duty.standing for duty in found.duties if "/spare/" not in duty.key}
        if story in ("pads due", "pads due, order overdue", "battery low"):
            assert Standing.ORDER_NOW in standings.values(), (unit, story, found.duties)
        if story in ("pads due, ordered", "pads due, spare at hand"):
            assert Standing.ORDER_NOW not in standings.values(), (unit, story, found.duties)
    well = Counter(found.condition for found, story in zip(reckoned.values(), stories, strict=True) if story == "well")
    assert well[Condition.IN_SERVICE] > sum(well.values()) * 0.4, well
    assert set(well) <= {Condition.IN_SERVICE, Condition.WORK_DUE}, well


def test_past_a_date_and_no_date_recorded_are_about_as_common(tmp_path: Path, book: RuleBook) -> None:
    # Keelung audit, Taiwan, 2025: of 235 units 57 past a date, 47 with none recorded: 24 and 20 in a hundred there.
    write_fleet(tmp_path / "demo", 600, 1, ON, _quiet)
    parts = _rows(tmp_path / "demo", "parts")
    fitted = [row for row in parts if row["state"] == "fitted"]
    past = {row["unit"] for row in fitted if (day := _good(row)) and day < ON}
    unrecorded = {row["unit"] for row in fitted if _good(row) is None}
    assert 0.7 < len(unrecorded) / len(past) < 1.4


def _code(udi: str) -> tuple[date, str]:
    """Expiry and lot of a label's code. biip reads GS1 element strings independently of us; its check digit must hold
    too."""
    plain = udi.replace("(01)", "01").replace("(17)", "17").replace("(10)", "10")
    read = biip.parse(plain, config=biip.ParseConfig(separator_chars=("\x1d",)))
    assert read.gs1_message is not None, read
    expires, lot = (read.gs1_message.element_strings.get(ai=ai) for ai in ("17", "10"))
    assert expires is not None and expires.date is not None
    return expires.date, "" if lot is None else lot.value


def _good(row: dict[str, str]) -> date | None:
    """The part's last good day: as typed, as its code says, or the earlier of the two."""
    days = [label_day(row["label_date"])] if row["label_date"] else []
    days += [_code(row["udi"])[0]] if row["udi"] else []
    return min(days, default=None)


def _pairs(text: str) -> dict[str, str]:
    return dict(pair.split("=", 1) for pair in text.split("; ") if pair)


def _reckon(folder: Path, book: RuleBook) -> dict[str, Reckoned]:
    """Every unit reckoned straight from the files, past the register."""
    sites = {row["site"]: row for row in _rows(folder, "sites")}
    logs: dict[str, list[Entry]] = {}
    units = {row["unit"]: row for row in _rows(folder, "units")}
    for row in _rows(folder, "log"):
        at = datetime.fromisoformat(row["at"])
        zone = ZoneInfo(sites[units[row["unit"]]["site"]]["time_zone"])
        logs.setdefault(row["unit"], []).append(
            Entry(
                at, at.astimezone(zone).date(), row["entry"], bool(row["by"]), _pairs(row["readings"]),
                _pairs(row["part"]), row["note"],
            )
        )  # fmt: skip
    parts: dict[str, list[Part]] = {}
    for number, row in enumerate(_rows(folder, "parts")):
        good = _good(row)
        fitted = date.fromisoformat(row["fitted_on"]) if row["fitted_on"] else None
        parts.setdefault(row["unit"], []).append(Part(number, row["kind"], row["state"], good, fitted))
    found = {}
    for code, row in units.items():
        site = sites[row["site"]]
        place = Place(site["time_zone"], site["country"], site["subdivision"], site["site_type"])
        working = working_days(place.country, place.subdivision)
        reckoner = Reckoner(place, binding(book.rules, place, ON), book.sheets, working, ON)
        service = date.fromisoformat(row["in_service_on"]) if row["in_service_on"] else None
        evidence = digest(logs.get(code, []))
        found[code] = reckoner.unit(UnitFacts(code, row["model"], service, tuple(parts.get(code, ())), evidence))
    return found


def test_the_kinds_of_site_are_those_that_rules_know() -> None:
    assert {kind.site_type for kind in KINDS} <= set(SITE_TYPES)
    assert json.dumps(sorted({kind.time_zone for kind in KINDS})).count("/") >= 12


@pytest.mark.parametrize("seed", [1, 2])
def test_the_register_reads_every_file_without_a_problem(tmp_path: Path, seed: int) -> None:
    written = write_fleet(tmp_path / "demo", 100, seed, ON, _quiet, days=90)
    found = read_register(tmp_path / "demo")
    assert found.problems == []
    assert found.remarks == []
    assert {name: len(rows) for name, rows in found.tables.items()} == written
