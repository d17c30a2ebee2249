"""`nightround notice`: add, list, show and mark, as a coordinator types them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.cli import run
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.tables import duties, log, parts, sites
from tests.conftest import START

from .build import LOTS, NOTICE, STOP, condition, fleet, owed

# Long past, so that it is overdue whatever day the tests run on.
PAST = (
    NOTICE.replace("2026-11-20", "2016-10-06").replace("2026-12-11", "2016-10-27").replace("2027-01-01", "2016-11-17")
)


class House:
    """An installation with a small fleet, and the command line in it."""

    def __init__(self, folder: Path, url: str, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.file = folder / "nightround.toml"
        self.file.write_text(f'[database]\nurl = "{url}"\n', encoding="utf-8")
        self.program = Program(load(self.file), open_store(url), lambda: START)
        self.ids = fleet(self.program)
        self._capsys = capsys

    def run(self, *words: str, status: int = 0) -> tuple[str, str]:
        assert run(["--config", str(self.file), *words]) == status
        said = self._capsys.readouterr()
        return said.out, said.err

    def json(self, *words: str, status: int = 0) -> Any:
        return json.loads(self.run("--json", *words, status=status)[0])

    def write(self, text: str) -> str:
        path = self.folder / "notice.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)


@pytest.fixture
def house(tmp_path: Path, database_url: str, capsys: pytest.CaptureFixture[str]) -> House:
    return House(tmp_path, database_url, capsys)


@pytest.fixture
def one_house(tmp_path: Path, database_of: Callable[[str], str], capsys: pytest.CaptureFixture[str]) -> House:
    """For refusals, which have nothing to do with the kind of database."""
    return House(tmp_path, database_of("sqlite"), capsys)


def test_add_tells_whom_it_touches_and_reckons_them_at_once(house: House) -> None:
    found = house.json("notice", "add", house.write(STOP.replace("2026-11-20", "2016-10-06")))
    assert found["added"] is True
    assert found["counts"] == {"matches": 2, "cannot tell": 1, "corrected": 0, "not concerned": 0}
    assert [(unit["unit"], unit["finding"]) for unit in found["units"]] == [
        ("BARE", "cannot tell"),
        ("IN-1", "matches"),
        ("IN-2", "matches"),
    ]
    assert found["units"][0]["why"] == "serial not recorded"
    assert set(owed(house.program)) == {"BARE", "IN-1", "IN-2"}
    assert condition(house.program, "IN-1") == "not to be relied on"


def test_add_says_it_in_lines_when_piped(house: House) -> None:
    out, _ = house.run("notice", "add", house.write(PAST))
    lines = out.splitlines()
    assert lines[0] == "Notice FSN-7, version 1: added."
    assert lines[1].split("\t") == [
        "FSN-7", "1", "II", "update", "2016-10-27", "2016-11-17", "2", "1", "0", "0",
        "relay may stick", "letter of the maker, published 2016-10-06",
    ]  # fmt: skip
    assert lines[2].split("\t") == [
        "FSN-7", "BARE", "MILL", "cannot tell", "overdue", "2016-10-27", "serial not recorded"
    ]  # fmt: skip
    assert lines[-1] == "3 matters open."


def test_the_same_file_again_changes_nothing(house: House) -> None:
    house.run("notice", "add", house.write(PAST))
    with house.program.store.read() as conn:
        before = conn.execute(select(duties).order_by(duties.c.id)).all()
    assert house.json("notice", "add", house.write(PAST))["added"] is False
    with house.program.store.read() as conn:
        assert conn.execute(select(duties).order_by(duties.c.id)).all() == before


def test_a_file_with_mistakes_adds_nothing(one_house: House) -> None:
    house = one_house
    _, err = house.run("notice", "add", house.write(PAST.replace("update", "upgrade")), status=2)
    assert "notice.toml, key action: 'upgrade' is not known (did you mean update?)" in err
    assert house.json("notice", "list") == []
    _, err = house.run("notice", "add", str(house.folder / "none.toml"), status=2)
    assert "none.toml: cannot be read" in err


def test_a_follow_up_shows_what_was_before_and_both_can_be_read(house: House) -> None:
    house.run("notice", "add", house.write(PAST))
    second = PAST.replace("class", "version = 2\nclass").replace('"205787"', '"206000"')
    found = house.json("notice", "add", house.write(second))
    assert (found["version"], found["older_versions"]) == (2, [1])
    assert set(owed(house.program)) == {"BARE", "IN-2"}  # IN-1 is let go at once
    assert house.run("notice", "show", "fsn-7")[0] == second
    assert house.run("notice", "show", "FSN-7", "--version", "1")[0] == PAST
    _, err = house.run("notice", "show", "FSN-7", "--version", "3", status=2)
    assert "has no version 3 on record; there are: 2, 1" in err


def test_list_goes_through_matched_underway_corrected_and_withdrawn(house: House) -> None:
    assert house.json("notice", "list") == []
    assert "No notice is on record." in house.run("notice", "list")[0]
    house.run("notice", "add", house.write(PAST))
    house.run("log", "IN-1", "corrected", "--by", "P1", "--reading", "notice=fsn-7")
    house.run("log", "IN-2", "reported", "--by", "P1", "--reading", "notice=FSN-7")
    house.run("log", "IN-2", "withdrawn", "--by", "P1")
    (found,) = house.json("notice", "list", status=3)
    assert (found["open"], found["overdue"]) == (2, 2)
    by_unit = {unit["unit"]: unit for unit in found["units"]}
    assert by_unit["IN-1"]["finding"] == "corrected"
    assert by_unit["IN-1"]["recorded_on"] is not None
    assert by_unit["IN-1"]["standing"] == ""
    assert by_unit["IN-2"]["withdrawn"] is True
    assert (by_unit["IN-2"]["stages"], by_unit["IN-2"]["last_good_day"]) == (["underway"], "2016-11-17")
    assert by_unit["BARE"]["finding"] == "cannot tell"
    assert "OUT" not in by_unit
    assert "ALIEN" not in by_unit


def test_list_ends_with_0_where_nothing_is_open(house: House) -> None:
    house.run("notice", "add", house.write(PAST))
    for unit in ("IN-1", "IN-2"):
        house.run("notice", "mark", "FSN-7", "corrected", unit, "--by", "P1")
    house.run("notice", "list", status=3)
    house.run("notice", "mark", "FSN-7", "not-concerned", "BARE", "--by", "P1", "--note", "looked at its plate")
    (found,) = house.json("notice", "list", "FSN-7")
    assert found["counts"] == {"matches": 0, "cannot tell": 0, "corrected": 2, "not concerned": 1}
    assert owed(house.program) == {}
    closed = PAST.replace("class", "version = 2\nclosed_on = 2016-12-01\nclass")
    house.run("notice", "add", house.write(closed))
    assert house.run("notice", "list")[0].splitlines()[-1] == "Nothing is open."


def test_mark_all_says_it_once_for_every_unit_that_is_asked(house: House) -> None:
    house.run("notice", "add", house.write(PAST))
    assert house.json("notice", "mark", "FSN-7", "underway", "IN-1", "--by", "P1")["units"] == ["IN-1"]
    said = house.json("notice", "mark", "FSN-7", "underway", "--all", "--by", "P1")
    assert (said["units"], said["already"]) == (["BARE", "IN-2"], 1)
    assert {row[0].isoformat() for row in owed(house.program, duties.c.last_good_day).values()} == {"2016-11-17"}
    assert house.json("notice", "mark", "FSN-7", "underway", "--all", "--by", "P1")["units"] == []
    with house.program.store.read() as conn:
        assert len(conn.execute(select(log.c.id).where(log.c.entry == "reported")).all()) == 3


def test_a_mark_may_be_of_an_earlier_time_at_the_site(house: House) -> None:
    house.run("notice", "add", house.write(PAST))
    house.run("notice", "mark", "FSN-7", "corrected", "IN-1", "--by", "P1", "--at", "2016-10-20T00:30")
    (found,) = house.json("notice", "list", status=3)
    assert {unit["unit"]: unit["recorded_on"] for unit in found["units"]}["IN-1"] == "2016-10-20"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("underway", "--by", "P1"), "name the units, or give --all"),
        (("underway", "IN-1", "--all", "--by", "P1"), "name the units, or give --all"),
        (("corrected", "--all", "--by", "P1"), "is said of one unit at a time"),
        (("corrected", "IN-1", "--by", "P9"), "person 'P9' is not in the register"),
        (("corrected", "OUT", "--by", "P1"), "unit 'OUT' is not in the register, or notice FSN-7 does not mean it"),
        (("corrected", "IN-1", "OUT", "--by", "P1"), "unit 'OUT'"),
        (("not-concerned", "IN-1", "--by", "P1"), "correct the register"),
        (("mended", "IN-1", "--by", "P1"), "'mended' is not one of"),
        (("corrected", "IN-1", "--by", "P1", "--at", "2099-01-01"), "lies in the future"),
    ],
)
def test_what_cannot_be_marked_says_why_and_writes_nothing(one_house: House, words: tuple[str, ...], said: str) -> None:
    house = one_house
    house.run("notice", "add", house.write(PAST))
    _, err = house.run("notice", "mark", "FSN-7", *words, status=2)
    assert said in err
    with house.program.store.read() as conn:
        assert conn.execute(select(log.c.id).where(log.c.entry != "check")).first() is None


def test_an_unknown_reference_is_said(one_house: House) -> None:
    for words in (("list", "FSN-1"), ("show", "FSN-1"), ("mark", "FSN-1", "underway", "--all", "--by", "P1")):
        assert "notice 'FSN-1' is not on record" in one_house.run("notice", *words, status=2)[1]


def test_spares_kept_at_a_site_without_units_are_listed_and_owed_at_once(house: House) -> None:
    with house.program.store.write() as conn:
        values = {"site": "STORE", "name": "Store room", "time_zone": "Europe/Berlin"}
        site = conn.execute(insert(sites).values(**values).returning(sites.c.id)).scalar_one()
        conn.execute(insert(parts).values(site_id=site, kind="pads-adult", state="spare", lot="L-100"))
    found = house.json("notice", "add", house.write(LOTS.replace("2026-11-20", "2016-10-06")))
    assert [(spares["site"], spares["finding"]) for spares in found["spares"]] == [("STORE", "matches")]
    with house.program.store.read() as conn:
        kept = conn.execute(select(duties.c.key).where(duties.c.site_id == site)).scalars().all()
    assert "notice/FSN-9" in kept
    out, _ = house.run("notice", "list", status=3)
    assert "FSN-9\tspare\tSTORE\tmatches" in out
