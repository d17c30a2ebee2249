"""Every change of an event's bytes moves DTSTAMP, LAST-MODIFIED and SEQUENCE, and nothing else does.

Readers keep what they have where neither moved (RFC 5546 §2.1.5). What an event is written from is changed here column
by column, setting by setting, and by the program's own commands; every pair of feeds before and after is compared.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from sqlalchemy import Boolean, Column, Date, Float, Integer, LargeBinary, select, update

from nightround.bootstrap import Program
from nightround.calendars import feed as feeds
from nightround.calendars.reading import EVENTS, TASKS
from nightround.settings import Settings
from nightround.store.database import Store, raise_version
from nightround.store.tables import conditions, duties, events, people, sites, units
from nightround.store.types import Instant
from tests.conftest import Clock
from tests.register.conftest import office, small_office
from tests.register.office import Office, write

from .build import ROUND, Fleet, because, built, without_stamps

__all__ = ["office", "small_office"]  # fixtures, used by their names

KINDS = (EVENTS, TASKS)
_COMPONENT = re.compile(rb"BEGIN:(VEVENT|VTODO)\r\n.*?END:\1\r\n", re.DOTALL)


def parts(body: bytes) -> dict[bytes, bytes]:
    """UID → the bytes of each component, the sentinel's too."""
    found = {}
    for item in _COMPONENT.finditer(body):
        found[field(item[0], b"UID")] = item[0]
    return found


def field(component: bytes, name: bytes) -> bytes:
    found = re.findall(rb"(?m)^" + name + rb":(.*)\r$", component)
    assert len(found) == 1, (name, component)
    value: bytes = found[0]
    return value


def compared(before: bytes, after: bytes) -> set[bytes]:
    """The UIDs of what changed. Fails where the stamps of anything moved without its words, or words without stamps."""
    old, new = parts(before), parts(after)
    changed = set()
    for uid in old.keys() & new.keys():
        was, now = old[uid], new[uid]
        if without_stamps(was) == without_stamps(now):
            assert was == now, f"stamps moved and nothing else:\n{was.decode()}\n{now.decode()}"
            continue
        changed.add(uid)
        said = f"\n{was.decode()}\n{now.decode()}"
        assert int(field(now, b"SEQUENCE")) > int(field(was, b"SEQUENCE")), said
        for stamp in (b"DTSTAMP", b"LAST-MODIFIED"):
            assert field(now, stamp) > field(was, stamp), said
    return changed


class Watched:
    """Both kinds of one feed, looked at again after each change."""

    def __init__(self, program: Program, fleet: Fleet) -> None:
        self.program, self.feed = program, fleet.feed()[0]
        self.seen = {kind: built(program, self.feed, kind) for kind in KINDS}

    def look(self, program: Program | None = None) -> dict[str, set[bytes]]:
        """What changed in each kind since the last look."""
        found = {}
        for kind in KINDS:
            now = built(program or self.program, self.feed, kind)
            found[kind] = compared(self.seen[kind], now)
            assert built(program or self.program, self.feed, kind) == now, "a second look changes nothing"
            self.seen[kind] = now
        return found


@pytest.fixture
def quick(settings: Settings, sqlite_store: Store, clock: Clock) -> Program:
    """On SQLite alone: the rule does not depend on the kind of database, and there are many columns."""
    return Program(settings, sqlite_store, clock)


def stocked(fleet: Fleet) -> dict[str, int]:
    """Two sites, a unit with three duties, a person's certificate, a spare of the site's, something without a date."""
    mill = fleet.site("MILL", latitude=51.5, longitude=-0.1, country="FR")
    fleet.site("PIER", time_zone="Asia/Tokyo")
    unit = fleet.unit(mill, "MILL-01", floor="2", latitude=51.25, longitude=-0.25)
    fleet.condition(unit, "in service")
    look = fleet.duty(unit, mill, "look", "2026-12-01", deadline=datetime(2026, 12, 1, 11, tzinfo=UTC))
    fleet.duty(unit, mill, "battery/fitted/3", None)
    fleet.duty(None, mill, "pads-adult/spare/5", "2027-01-31", order_by=date(2027, 1, 1))
    person = fleet.person("ada", (mill,))
    fleet.duty(
        None, mill, "certificate/1f", "2027-02-28", holder=f"p{person}", subject="certificate of Ada Keller: First aid"
    )
    return {"sites": mill, "units": unit, "duties": look, "people": person, "conditions": unit}


def other(column: Column[Any], value: Any) -> Any:
    """Another value that the column may hold."""
    if isinstance(column.type, Boolean):
        return not value
    if isinstance(column.type, Float):
        return 12.5
    if isinstance(column.type, Date):
        return date(2026, 12, 9)
    if isinstance(column.type, Instant):
        return datetime(2026, 12, 1, 9, 30, tzinfo=UTC)
    if isinstance(column.type, Integer):
        return (value or 0) + 1
    assert not isinstance(column.type, LargeBinary)
    known = {
        "time_zone": "Pacific/Auckland",
        "because": json.dumps([because("Another title", verified_on=None)]),
        "kind": "test",
        "key": "look/again",
        "standing": "overdue",
        "condition": "work due",
        "reasons": '["x"]',
        "country": "DE",
    }
    return known.get(column.name, "other")


_TABLES = {"duties": duties, "units": units, "sites": sites, "people": people, "conditions": conditions}
COLUMNS = [
    (name, column.name)
    for name, table in _TABLES.items()
    for column in table.columns
    if not column.primary_key and not column.foreign_keys
]
# What an event says of each; a change of anything else leaves every event as it is.
SHOWN = {
    "duties": {"kind", "standing", "opens", "order_by", "last_good_day", "deadline", "role", "because"},
    "units": {"unit", "spot", "floor", "latitude", "longitude"},
    "sites": {"name", "address", "latitude", "longitude", "time_zone", "site"},
}  # fmt: skip


@pytest.mark.parametrize(("table", "name"), COLUMNS)
@pytest.mark.parametrize("noticed", [False, True], ids=["as an import leaves it", "as a round leaves it"])
def test_each_column_moves_the_stamps_with_the_words_and_never_alone(
    quick: Program, clock: Clock, table: str, name: str, noticed: bool
) -> None:
    fleet = Fleet(quick)
    rows = stocked(fleet)
    watched = Watched(quick, fleet)
    clock.forward(hours=1)
    rows_of, row = _TABLES[table], rows[table]
    key = rows_of.c.unit_id if table == "conditions" else rows_of.c.id
    with quick.store.write() as conn:
        was = conn.execute(select(rows_of.c[name]).where(key == row)).scalar_one()
        conn.execute(update(rows_of).where(key == row).values({name: other(rows_of.c[name], was)}))
        if table == "duties" or noticed:
            # What a round writes beside what it found different, whether or not an event says it.
            values = {"revision": duties.c.revision + 1}
            values |= {"changed_at": clock.now} if noticed and name != "changed_at" else {}
            conn.execute(update(duties).where(duties.c.unit_id == rows["units"]).values(values))
        raise_version(conn)
    changed = watched.look()
    if name not in SHOWN.get(table, set()):
        assert not any(changed.values()), (table, name)
    elif (table, name) != ("sites", "time_zone"):
        assert any(changed.values()), (table, name)


def test_a_change_of_the_settings_moves_what_says_it(quick: Program, clock: Clock) -> None:
    fleet = Fleet(quick)
    stocked(fleet)
    watched = Watched(quick, fleet)
    all_of = {kind: set(parts(body)) for kind, body in watched.seen.items()}

    def with_(**sections: Any) -> Program:
        return Program(quick.settings.model_copy(update=sections), quick.store, clock)

    clock.forward(hours=1)
    web = quick.settings.web.model_copy(update={"base_url": "https://aed.example.org"})
    assert watched.look(with_(web=web)) == all_of, "every event names its page"
    for section in (
        {"web": web, "fleet": quick.settings.fleet.model_copy(update={"name": "Another fleet"})},
        {"web": web, "calendars": quick.settings.calendars.model_copy(update={"refresh_hours": 9, "color": "red"})},
    ):
        clock.forward(hours=1)
        assert watched.look(with_(**section)) == {kind: set() for kind in KINDS}


def test_another_release_moves_what_it_words_anew(
    quick: Program, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = Fleet(quick)
    stocked(fleet)
    watched = Watched(quick, fleet)
    clock.forward(hours=1)
    monkeypatch.setattr(feeds, "FORM", feeds.FORM + 1)
    assert not any(watched.look().values()), "made anew, and the same"
    clock.forward(hours=1)
    monkeypatch.setattr(feeds, "FORM", feeds.FORM + 2)
    monkeypatch.setattr("nightround.calendars.events.location", lambda due: "elsewhere")
    assert all(len(found) >= 3 for found in watched.look().values())


def test_the_entry_of_the_feed_itself_moves_with_what_it_says(quick: Program, clock: Clock) -> None:
    fleet = Fleet(quick)
    rows = stocked(fleet)
    watched = Watched(quick, fleet)
    clock.forward(minutes=5)
    fleet.change(rows["duties"], last_good_day=None, standing="not recorded", changed_at=clock.now)
    (uid,) = watched.look()[EVENTS]  # the event is gone, and one more has no date
    clock.forward(minutes=5)
    fleet.changed()
    assert not any(watched.look().values())
    fleet.condition(fleet.unit(rows["sites"], "MILL-02"), "in service")
    gone = fleet.unit(rows["sites"], "MILL-03")
    fleet.duty(gone, rows["sites"], "look", "2026-12-03")
    fleet.condition(gone, "withdrawn")
    assert watched.look()[EVENTS] == {uid}, "one more is left out"
    for night in range(3):
        at = ROUND + timedelta(days=night)
        fleet.round(str(at.date()), at=at)
        assert watched.look()[EVENTS] == {uid}


EDITS = st.lists(
    st.tuples(
        st.sampled_from(["name", "address", "spot", "title", "moved", "nothing", "unshown", "back"]),
        st.integers(0, 3),
        st.integers(0, 2),
    ),
    min_size=1,
    max_size=8,
)


@given(EDITS)
@hypothesis_settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True
)
def test_whatever_happens_in_whatever_order(quick: Program, clock: Clock, edits: list[tuple[str, int, int]]) -> None:
    """Edits of the register, by rounds, and of nothing, some within one second, some undone again."""
    with quick.store.write() as conn:
        for table in (events, duties, conditions, units):
            conn.execute(table.delete())
        conn.exec_driver_sql("DELETE FROM sentinels")
        conn.exec_driver_sql("DELETE FROM person_sites")
        conn.exec_driver_sql("DELETE FROM people")
        conn.execute(sites.delete())
    fleet = Fleet(quick)
    rows = stocked(fleet)
    watched = Watched(quick, fleet)
    acts: dict[str, Callable[[int], None]] = {
        "name": lambda n: fleet.edit(sites, rows["sites"], name=f"Site {n}"),
        "address": lambda n: fleet.edit(sites, rows["sites"], address=f"{n} Mill Lane"),
        "spot": lambda n: fleet.edit(units, rows["units"], spot=f"spot {n}"),
        "title": lambda n: fleet.change(rows["duties"], because=json.dumps([because(f"Rule {n}")])),
        "moved": lambda n: fleet.change(
            rows["duties"], last_good_day=date(2026, 12, 1 + n), sequence=duties.c.sequence + 1, changed_at=clock.now
        ),
        "nothing": lambda n: fleet.changed(),
        "unshown": lambda n: fleet.change(rows["duties"], changed_at=clock.now, sequence=duties.c.sequence + 1),
        "back": lambda n: setattr(clock, "now", clock.now - timedelta(hours=n)),
    }
    for act, number, seconds in edits:
        clock.forward(seconds=seconds / 2)
        acts[act](number)
        watched.look()


def test_two_who_notice_the_same_change_give_the_same(quick: Program, clock: Clock) -> None:
    """Each by a clock of its own: the first to keep what it made is the one that counts."""
    fleet = Fleet(quick)
    rows = stocked(fleet)
    feed, _ = fleet.feed()
    built(quick, feed)
    fleet.edit(sites, rows["sites"], name="Old Mill")
    both = threading.Barrier(2)
    got: list[bytes] = []

    def look(program: Program) -> None:
        both.wait(30)
        got.append(built(program, feed))

    threads = [
        threading.Thread(
            target=look, args=(Program(quick.settings, quick.store, Clock(clock.now + timedelta(hours=n))),)
        )
        for n in (1, 2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(got) == 2
    assert got[0] == got[1] == built(quick, feed)


FILES = {
    "sites": "site | name | address | time_zone | country | latitude | longitude\n"
    "MILL | Mill | 1 Lane | Europe/Paris | FR | 48.1 | 2.1\nPIER | Pier | 2 Lane | Europe/Paris | FR | |",
    "units": "unit | site | spot | floor | in_service_on | latitude | longitude\n"
    "M1 | MILL | hall | 1 | 2025-01-01 | |\n"
    "M2 | MILL | yard | | 2025-01-01 | 48.2 | 2.2",
    "parts": "unit | kind | state | label_date\nM1 | pads-adult | fitted | 2028-04\nM1 | battery | fitted | 2030-01\n"
    "M2 | pads-adult | fitted | 2028-04",
    "people": "person | name | roles | sites | language\nada | Ada Keller | coordinator | MILL | fr",
    "training": "person | certificate | issued_on | valid_to\nada | First aid | 2025-03-01 | 2027-03-01",
    "log": "unit | at | entry | by | readings\n"
    "M1 | 2026-11-20T10:00 | check | ada | self-test=ok; pads=ok; battery=ok\n"
    "M2 | 2026-11-20T10:00 | check | ada | self-test=ok; pads=ok; battery=ok",
}
RULES = """
[pack]
title = "Ours"
[[rule]]
id = "our-look"
title = "{title}"
subject = "look"
shape = {{ days = 20 }}
force = "house"
source = "{source}"
verified_on = {verified}
"""


def edited(table: str, old: str, new: str) -> Callable[[Office], None]:
    def act(office: Office) -> None:
        files = FILES | {table: FILES[table].replace(old, new)}
        assert files[table] != FILES[table]
        office.bring(write(office.folder / "files", **files))

    return act


def commanded(*arguments: str) -> Callable[[Office], None]:
    def act(office: Office) -> None:
        answer = office.say(*arguments)
        assert answer.status in (0, 3), answer.out + answer.err

    return act


@pytest.mark.parametrize(
    ("act", "moves"),
    [
        (edited("sites", "| Mill |", "| Old Mill |"), True),
        (edited("sites", "1 Lane", "3 Lane"), True),
        (edited("sites", "48.1", "48.3"), True),
        (edited("units", "| hall | 1", "| hall | 2"), True),
        (edited("units", "48.2", "48.4"), True),
        (edited("units", "| hall |", "| gate |"), True),
        (edited("people", "Ada Keller", "Ada Sorrel"), True),
        (edited("people", "| fr", "| de"), False),
        (edited("training", "2027-03-01", "2027-04-01"), True),
        (edited("parts", "2030-01", "2029-11"), True),
        (commanded("log", "M1", "moved", "--to", "MILL", "--spot", "gate", "--by", "ada"), True),
        (commanded("log", "M1", "moved", "--to", "PIER", "--spot", "gate", "--by", "ada"), True),
        # These bring other events, of another period or duty, and leave all others as they are.
        (commanded("log", "M1", "check", "--by", "ada", "--reading", "self-test=ok"), False),
        (commanded("log", "M1", "fault", "--by", "ada", "--note", "beeps"), False),
        (commanded("calendar", "add", "--fleet"), False),
        (commanded("verify"), False),
    ],
)  # fmt: skip
def test_what_people_do_moves_the_stamps_of_what_changes_and_no_other(
    small_office: Office, clock: Clock, act: Callable[[Office], None], moves: bool, tmp_path: Path
) -> None:
    office = small_office
    office.bring(write(office.folder / "files", **FILES))
    office.run("calendar", "add", "--fleet")
    before = {kind: written(office, tmp_path, kind) for kind in KINDS}
    clock.forward(hours=1)
    act(office)
    changed = {kind: compared(body, written(office, tmp_path, kind)) for kind, body in before.items()}
    assert any(changed.values()) == moves


def test_a_rule_that_is_worded_anew_moves_what_it_is_the_reason_of(
    small_office: Office, clock: Clock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    office = small_office
    folder = tmp_path / "rules"
    folder.mkdir()
    monkeypatch.setenv("NIGHTROUND_RULES_FOLDER", str(folder))
    said = {"title": "Our look", "source": "board, 2026", "verified": "2026-01-01"}
    (folder / "our.toml").write_text(RULES.format(**said), encoding="utf-8")
    office.bring(write(office.folder / "files", **FILES))
    office.run("calendar", "add", "--fleet")
    before = written(office, tmp_path, EVENTS)
    for name, value in (("title", "Our monthly look"), ("source", "board, 2027"), ("verified", "2026-02-01")):
        clock.forward(hours=1)
        said[name] = value
        (folder / "our.toml").write_text(RULES.format(**said), encoding="utf-8")
        office.say("round")
        after = written(office, tmp_path, EVENTS)
        assert len(compared(before, after)) >= 2, name
        before = after


def written(office: Office, folder: Path, kind: str) -> bytes:
    out = folder / f"{kind}.ics"
    answer = office.run("calendar", "write", "1", "--out", str(out), "--kind", kind)
    assert answer.status == 0, answer.err
    return out.read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_a_renamed_site_on_either_database(program: Program, clock: Clock, kind: str) -> None:
    fleet = Fleet(program)
    rows = stocked(fleet)
    feed, _ = fleet.feed()
    before = built(program, feed, kind)
    clock.forward(hours=1)
    fleet.edit(sites, rows["sites"], name="Old Mill")
    after = built(program, feed, kind)
    assert len(compared(before, after)) == (3 if kind == EVENTS else 4)
    stamps = {field(item, b"DTSTAMP") for uid, item in parts(after).items() if item != parts(before)[uid]}
    assert stamps == {b"20261125T100000Z"}, "when it was noticed"
    assert built(program, feed, kind) == after
