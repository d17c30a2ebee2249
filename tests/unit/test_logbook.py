"""`log` and `strike` on the command line: who may say what, when, and what a person is told besides."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from nightround.cli import run


class House:
    """A small installation, and the command line in it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self._capsys = capsys
        assert run(["setup", str(folder / "fleet")]) == 0
        (folder / "files").mkdir()
        files = {
            "sites": "site,time_zone,country\nMILL,Asia/Tokyo,JP\n",
            "units": "unit,site,battery expiry\nM-1,MILL,2027-02\n",
            "people": "person,name,email,roles\nada,Ada,ada@example.org,coordinator\n",
        }
        for name, text in files.items():
            (folder / "files" / f"{name}.csv").write_text(text, encoding="utf-8")
        self.run("import", str(folder / "files"))

    def run(self, *words: str, status: int = 0) -> tuple[str, str]:
        assert run(["--config", str(self.folder / "fleet" / "nightround.toml"), *words]) == status
        said = self._capsys.readouterr()
        return said.out, said.err

    def json(self, *words: str) -> Any:
        return json.loads(self.run("--json", *words)[0])

    def battery(self) -> str | None:
        [duty] = [duty for duty in self.json("duties", "--unit", "M-1") if duty["kind"] == "battery"]
        day: str | None = duty["last_good_day"]
        return day


@pytest.fixture
def house(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> House:
    return House(tmp_path, capsys)


def test_nobody_who_is_not_in_the_register_strikes_an_entry(house: House) -> None:
    house.run("log", "M-1", "check", "--by", "ada")
    assert "'nobody' is not in the register" in house.run("strike", "1", "--why", "x", "--by", "nobody", status=2)[1]
    house.run("strike", "1", "--why", "x", "--by", "ada")
    house.run("export", str(house.folder / "out"))
    assert "nothing has changed" in house.run("import", str(house.folder / "out"))[0]


def test_a_passer_by_is_told_that_good_news_from_nobody_known_does_not_count(house: House) -> None:
    words = ("log", "M-1", "fitted", "--part", "kind=battery", "--part", "label_date=2031-05")
    assert "unknown passer-by" in house.run(*words)[1]
    assert house.battery() == "2027-02-28"
    assert house.run(*words, "--by", "ada")[1] == ""
    assert house.battery() == "2031-05-31"
    assert house.run("log", "M-1", "fault")[1] == ""


def test_whoever_strikes_a_fitted_part_is_told_what_is_in_the_unit_without_it(house: House) -> None:
    house.run("log", "M-1", "fitted", "--by", "ada", "--part", "kind=battery", "--part", "label_date=2031-05")
    err = house.run("strike", "1", "--why", "read wrongly", "--by", "ada")[1]
    assert "in M-1 without that entry: battery, good to 2027-02-28" in err
    assert house.battery() == "2027-02-28"
    house.run("log", "M-1", "check", "--by", "ada")
    assert house.run("strike", "3", "--why", "not done", "--by", "ada")[1] == ""


@pytest.mark.parametrize("at", ["0001-01-01", "1026-11-24T10:00", "9999-12-31T23:59", "9999-12-31T23:59-12:00"])
def test_a_year_that_is_a_slip_of_the_keyboard_is_refused_in_one_sentence(house: House, at: str) -> None:
    assert f"--at '{at}'" in house.run("log", "M-1", "check", "--by", "ada", "--at", at, status=2)[1]


def test_a_round_by_hand_for_another_day_is_never_taken_for_today_s(house: House) -> None:
    house.run("round", "--on", "2020-06-01")
    assert "NOT TODAY" in house.run("today", status=3)[0]
    house.run("round")
    assert "NOT TODAY" not in house.run("today")[0]


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
@pytest.mark.parametrize("command", [("round", "--on"), ("duties", "--on"), ("duties", "--until")])
def test_a_day_at_the_end_of_the_calendar_is_refused_in_one_sentence(
    house: House, command: tuple[str, str], day: str
) -> None:
    assert f"{day} is too far off" in house.run(*command, day, status=2)[1]


@pytest.mark.parametrize(("slip", "meant"), [("pad=missing", "pads"), ("battry=low", "battery"), ("shock=2", "shocks")])
def test_a_slip_in_the_name_of_a_reading_is_no_reading_of_ones_own(house: House, slip: str, meant: str) -> None:
    """Kept as it was, it counted for nothing, and a unit without pads was in service."""
    said = house.run("log", "M-1", "check", "--by", "ada", "--reading", slip, status=2)[1]
    assert said.rstrip().endswith(f"is not known; did you mean {meant}?")
    file = house.folder / "files" / "log.csv"
    file.write_text(f"unit,at,entry,by,readings\nM-1,2026-11-20T09:00+09:00,check,ada,{slip}\n", "utf-8")
    assert f"did you mean {meant}?" in "".join(house.run("import", str(house.folder / "files"), status=2))
    file.unlink()
    house.run("log", "M-1", "check", "--by", "ada", "--reading", "humidity=40%")  # a reading of one's own stays one
