"""Programs that people use read a feed over HTTP, each into its own collection: all that the feed holds must arrive.

`vdirsyncer` fetches the feed as any subscriber does and splits it into files, `khal` shows the events of those files,
`todo` (todoman) the tasks. None of them knows anything of ours.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from icalendar import Calendar

from nightround.bootstrap import Program
from nightround.pages.app import build
from nightround.settings import load
from nightround.store.database import Store
from tests.conftest import Clock
from tests.pages.serving import serving
from tests.register.conftest import small_office
from tests.register.office import Office, write

__all__ = ["small_office"]  # a fixture, used by its name

SITES = "site | name | address | time_zone | country\n" + "\n".join(
    f"S{n} | Site {n}; wing “{n}” | {n} Mill Lane | {zone} | {country}"
    for n, (zone, country) in enumerate((("Europe/Paris", "FR"), ("Asia/Tokyo", "JP"), ("America/Los_Angeles", "US")))
)
UNITS = "unit | site | spot | in_service_on\n" + "\n".join(
    f"U{n:02} | S{n % 3} | spot {n} | 2025-01-01" for n in range(12)
)
PARTS = "unit | kind | label_date\n" + "\n".join(
    f"U{n:02} | {kind} | {2026 + n % 3}-{1 + n:02}" for n in range(12) for kind in ("pads-adult", "battery")
)


@pytest.fixture
def subscribed(small_office: Office, sqlite_store: Store, clock: Clock) -> Iterator[tuple[str, Office]]:
    """The address of the fleet's feed on a running server."""
    small_office.bring(write(small_office.folder / "files", sites=SITES, units=UNITS, parts=PARTS))
    address = small_office.run("calendar", "add", "--fleet").document["address"]
    program = Program(load(small_office.folder / "nightround.toml"), sqlite_store, clock)
    with serving(build(program)) as port:
        yield f"http://127.0.0.1:{port}/calendar/{address.rpartition('/')[2]}", small_office


def client(home: Path, module: str, *arguments: str) -> str:
    """What a program says that is run with a home of its own; it must end well."""
    environment = {"HOME": str(home), "PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "TZ": "UTC"}
    done = subprocess.run(
        [sys.executable, "-m", module, *arguments], capture_output=True, text=True, env=environment, check=False
    )
    assert done.returncode == 0, (module, arguments, done.stdout, done.stderr)
    return done.stdout


def synchronised(home: Path, address: str) -> Path:
    """The collection after a first synchronisation with the address."""
    collection = home / "collection"
    collection.mkdir(parents=True)
    (home / "vdirsyncer.ini").write_text(
        f'[general]\nstatus_path = "{home / "status"}"\n'
        '[pair feed]\na = "here"\nb = "there"\ncollections = null\nconflict_resolution = "b wins"\n'
        f'[storage here]\ntype = "filesystem"\npath = "{collection}"\nfileext = ".ics"\n'
        f'[storage there]\ntype = "http"\nurl = "{address}"\n',
        encoding="utf-8",
    )
    for act in ("discover", "sync"):
        client(home, "vdirsyncer", "-c", str(home / "vdirsyncer.ini"), act)
    return collection


def components(folder: Path, name: str) -> dict[str, list[date | None]]:
    """UID → the days of each component of that name in the files of a collection."""
    found: dict[str, list[date | None]] = {}
    for file in folder.glob("*.ics"):
        for item in Calendar.from_ical(file.read_bytes()).walk(name):
            end = item.get("due" if name == "VTODO" else "dtstart")
            found.setdefault(str(item["uid"]), []).append(None if end is None else end.dt)
    return found


def owed(office: Office) -> list[date | None]:
    """The last good days of everything that the feed holds, as the command `duties` tells them."""
    days = [duty["last_good_day"] for duty in office.run("duties").document]
    return [None if day is None else date.fromisoformat(day) for day in days]


def test_every_event_arrives_in_a_synchronised_collection_and_is_shown(
    subscribed: tuple[str, Office], tmp_path: Path
) -> None:
    address, office = subscribed
    home = tmp_path / "home"
    collection = synchronised(home, address)
    arrived = components(collection, "VEVENT")
    days = [day for day in owed(office) if day is not None]
    assert len(days) > 30
    assert len(arrived) == len(list(collection.glob("*.ics"))) == len(days) + 1, "every duty and the sentinel"
    assert all(len(found) == 1 for found in arrived.values())

    (home / "khal.conf").write_text(
        f"[calendars]\n[[feed]]\npath = {collection}\ntype = calendar\nreadonly = True\n"
        "[locale]\nlocal_timezone = UTC\ndefault_timezone = UTC\n"
        "dateformat = %Y-%m-%d\nlongdateformat = %Y-%m-%d\ndatetimeformat = %Y-%m-%d %H:%M\n"
        "longdatetimeformat = %Y-%m-%d %H:%M\ntimeformat = %H:%M\n"
        f"[sqlite]\npath = {home / 'khal.db'}\n",
        encoding="utf-8",
    )
    shown = client(
        home,
        "khal", "-c", str(home / "khal.conf"), "list", "--once", "--day-format", "", "--format",
        "{uid} {start-date-long} {end-date-long}", "2020-01-01", "2040-01-01",
    )  # fmt: skip
    listed = {uid: (start, end) for uid, start, end in (line.split() for line in shown.splitlines() if line)}
    assert listed == {uid: (str(day), str(day)) for uid, (day,) in arrived.items()}, "each on its last good day alone"


def test_every_task_arrives_and_is_shown_due_on_the_last_good_day(
    subscribed: tuple[str, Office], tmp_path: Path
) -> None:
    address, office = subscribed
    home = tmp_path / "home"
    collection = synchronised(home, address + "?kind=tasks")
    arrived = components(collection, "VTODO")
    days = owed(office)
    assert len(arrived) == len(list(collection.glob("*.ics"))) == len(days) + 1

    (home / "todoman.py").write_text(
        f'path = "{collection}"\ndate_format = "%Y-%m-%d"\ntime_format = "%H:%M"\n'
        f'default_list = "collection"\ncache_path = "{home / "todoman.sqlite3"}"\n',
        encoding="utf-8",
    )
    shown = json.loads(client(home, "todoman", "--config", str(home / "todoman.py"), "--porcelain", "list"))
    assert len(shown) == len(days) + 1

    def day(task: dict[str, object]) -> str:
        due = client(home, "todoman", "--config", str(home / "todoman.py"), "show", str(task["id"]))
        return due

    overdue = next(task for task in shown if "Overdue" in str(task["summary"]) and task["due"] is not None)
    code = str(overdue["summary"]).partition(" of ")[2].partition(",")[0]
    told = [
        duty["last_good_day"] for duty in office.run("duties", "--unit", code).document if duty["standing"] == "overdue"
    ]
    assert any(said in day(overdue) for said in told), (told, day(overdue))
