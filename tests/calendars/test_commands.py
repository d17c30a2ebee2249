"""`nightround calendar`: the address is shown once, the file is whole or not there."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.cli import run
from nightround.pages import calendar
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate

from .agreement import agreed
from .build import Fleet

BASE = "http://127.0.0.1:8470"


class House:
    """An installation in a folder, and the command line in it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.file = folder / "nightround.toml"
        self.file.write_text('[fleet]\nname = "Test fleet"\n', encoding="utf-8")
        settings = load(self.file)
        store = open_store(settings.database_url())
        now = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
        migrate(store, now)
        self.program = Program(settings, store, lambda: now)
        self.fleet = Fleet(self.program)
        self._capsys = capsys

    def run(self, *words: str, status: int = 0) -> tuple[str, str]:
        assert run(["--config", str(self.file), *words]) == status
        said = self._capsys.readouterr()
        return said.out, said.err

    def json(self, *words: str) -> Any:
        return json.loads(self.run("--json", *words)[0])


@pytest.fixture
def house(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> House:
    house = House(tmp_path, capsys)
    site = house.fleet.site()
    house.fleet.duty(house.fleet.unit(site), site)
    house.fleet.person("P7", (site,))
    return house


def test_add_prints_the_address_and_nothing_else_on_standard_output(house: House) -> None:
    out, err = house.run("calendar", "add", "--fleet")
    address = out.removesuffix("\n")
    assert address.startswith(f"{BASE}/calendar/")
    assert "not shown again" in err
    client = TestClient(Starlette(routes=calendar.routes(house.program)), BASE)
    assert len(agreed(client.get(address).content)) == 2


@pytest.mark.parametrize(
    ("words", "scope", "of"),
    [(("--fleet",), "fleet", ""), (("--site", "MILL"), "site", "MILL"), (("--person", "P7"), "person", "P7")],
)
def test_each_scope_can_be_added_and_is_listed_without_its_address(
    house: House, words: tuple[str, ...], scope: str, of: str
) -> None:
    made = house.json("calendar", "add", *words)
    assert (made["scope"], made["of"]) == (scope, of)
    key = made["address"].rpartition("/")[2].removesuffix(".ics")
    listed = house.run("--json", "calendar", "list")[0]
    assert key not in listed
    assert [(item["id"], item["scope"], item["of"], item["withdrawn_at"]) for item in json.loads(listed)] == [
        (made["id"], scope, of, None)
    ]
    assert key not in house.run("calendar", "list")[0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "name one of"),
        (("--fleet", "--site", "MILL"), "name one of"),
        (("--site", "NOWHERE"), "no site 'NOWHERE'"),
        (("--person", "P9"), "no person 'P9'"),
    ],
)
def test_what_cannot_be_added_is_said(house: House, words: tuple[str, ...], says: str) -> None:
    out, err = house.run("calendar", "add", *words, status=2)
    assert out == ""
    assert says in err
    assert house.json("calendar", "list") == []


def test_a_withdrawn_calendar_stays_listed_and_cannot_be_written(house: House, tmp_path: Path) -> None:
    house.run("calendar", "add", "--fleet")
    assert house.json("calendar", "withdraw", "1")["id"] == 1
    assert house.json("calendar", "list")[0]["withdrawn_at"] is not None
    _, err = house.run("calendar", "write", "1", "--out", str(tmp_path / "a.ics"), status=2)
    assert "was withdrawn on" in err
    assert not (tmp_path / "a.ics").exists()
    assert "there is no calendar 9" in house.run("calendar", "withdraw", "9", status=2)[1]


def test_the_file_holds_the_bytes_that_are_served(house: House, tmp_path: Path) -> None:
    address = house.json("calendar", "add", "--fleet")["address"]
    client = TestClient(Starlette(routes=calendar.routes(house.program)), BASE)
    served = client.get(address).content
    out = tmp_path / "fleet.ics"
    said = house.json("calendar", "write", "1", "--out", str(out), "--source", address)
    assert out.read_bytes() == served
    assert (said["shown"], said["not_recorded"], said["bytes"]) == (1, 0, len(served))
    house.run("calendar", "write", "1", "--out", str(out))
    without = [line for line in served.replace(b"\r\n ", b"").split(b"\r\n") if not line.startswith(b"SOURCE")]
    assert out.read_bytes().replace(b"\r\n ", b"").split(b"\r\n") == without
    assert [path.name for path in tmp_path.iterdir() if path.suffix == ".ics"] == ["fleet.ics"]


def test_tasks_can_be_written(house: House, tmp_path: Path) -> None:
    house.run("calendar", "add", "--fleet")
    house.run("calendar", "write", "1", "--out", str(tmp_path / "a.ics"), "--kind", "tasks")
    assert {seen.kind for seen in agreed((tmp_path / "a.ics").read_bytes()).values()} == {"VTODO"}


@pytest.mark.parametrize("source", ["fleet.ics", "https://example.org/a b.ics", "https://example.org/a\r\nX:y"])
def test_an_address_that_is_none_is_refused(house: House, tmp_path: Path, source: str) -> None:
    house.run("calendar", "add", "--fleet")
    out = str(tmp_path / "a.ics")
    assert "is not an address" in house.run("calendar", "write", "1", "--out", out, "--source", source, status=2)[1]


def test_a_file_that_cannot_be_written_leaves_nothing_behind(house: House, tmp_path: Path) -> None:
    house.run("calendar", "add", "--fleet")
    _, err = house.run("calendar", "write", "1", "--out", str(tmp_path / "nowhere" / "a.ics"), status=2)
    assert "cannot be written" in err
    before = sorted(path.name for path in tmp_path.iterdir())
    (tmp_path / "folder.ics").mkdir()
    house.run("calendar", "write", "1", "--out", str(tmp_path / "folder.ics"), status=2)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*before, "folder.ics"])
