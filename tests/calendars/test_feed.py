"""The feed as a whole: what is in it, that the same data gives the same bytes, and what a change costs."""

from __future__ import annotations

import json
import logging
import re
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, event, select, update

from nightround.bootstrap import Program
from nightround.calendars import feed as feeds
from nightround.calendars import keys
from nightround.calendars.reading import EVENTS, TASKS
from nightround.errors import UserError
from nightround.rounds.tonight import run_round
from nightround.settings import Settings, load
from nightround.store.database import Store
from nightround.store.tables import duties, events, feed_states, sites, units
from nightround.store.tables import fleet as fleet_row
from tests.bench import fleet as invented
from tests.conftest import NAMESPACE, Clock

from .agreement import agreed, lines
from .build import ROUND, Fleet, because, built, components, parsed, sentinel, without_stamps


@pytest.fixture
def fleet(program: Program) -> Fleet:
    return Fleet(program)


def _two_sites(fleet: Fleet) -> tuple[int, int]:
    mill, pier = fleet.site("MILL"), fleet.site("PIER", time_zone="Asia/Tokyo")
    for site, code in ((mill, "MILL"), (pier, "PIER")):
        for n in (1, 2):
            unit = fleet.unit(site, f"{code}-0{n}")
            fleet.duty(unit, site, "look", f"2026-12-0{n}")
            fleet.duty(unit, site, f"battery/fitted/{unit}", "2029-05-31")
    return mill, pier


def _units(body: bytes) -> set[str]:
    return set(re.findall(r"(?:MILL|PIER)-\d\d", " ".join(str(item["summary"]) for item in components(body))))


def test_the_head_says_what_the_calendar_is(program: Program, fleet: Fleet) -> None:
    fleet.site()
    feed, key = fleet.feed()
    body = feeds.build(program, feed, EVENTS, keys.address(program.settings, key)).body
    assert body.startswith(b"BEGIN:VCALENDAR\r\n")
    assert body.endswith(b"END:VCALENDAR\r\n")
    for line in (
        b"VERSION:2.0",
        b"PRODID:-//nightround//duties of defibrillators//EN",
        b"NAME:Test fleet",
        b"X-WR-CALNAME:Test fleet",
        b"REFRESH-INTERVAL;VALUE=DURATION:PT6H",
        b"COLOR:teal",
        b"URL:http://127.0.0.1:8470/duties",
    ):
        assert body.split(b"BEGIN:VEVENT")[0].split(b"\r\n").count(line) == 1, line
    source = f"SOURCE;VALUE=URI:http://127.0.0.1:8470/calendar/{key}.ics"
    assert source in body.decode().replace("\r\n ", "")
    for name in (b"METHOD", b"ORGANIZER", b"VTIMEZONE", b"VALARM"):
        assert name not in body
    # A reader that copies the head into each event's file would take them for the event's.
    for name in ("uid", "last-modified", "dtstamp", "sequence"):
        assert name not in parsed(body)
    assert all(len(line) <= 75 for line in lines(body))


@pytest.mark.parametrize("color", ["#ff0000", "tael", "rgb(1,2,3)"])
def test_a_colour_that_is_no_name_of_css3_is_refused(settings: Settings, tmp_path: Path, color: str) -> None:
    # RFC 7986 §5.9.
    (tmp_path / "nightround.toml").write_text(f'[calendars]\ncolor = "{color}"\n', encoding="utf-8")
    with pytest.raises(UserError, match=r"calendars\.color: .*CSS3"):
        load(tmp_path / "nightround.toml")


def test_a_name_with_a_comma_is_escaped_in_the_head(program: Program, fleet: Fleet) -> None:
    # icalendar 7.3.2 writes NAME as it is: tried 2026-11-25.
    site = fleet.site(name="Mill; Lane, \n north")
    feed, _ = fleet.feed(site_id=site)
    body = built(program, feed).decode().replace("\r\n ", "")
    assert "\r\nNAME:Mill\\; Lane\\, north – Test fleet\r\n" in body
    assert "\r\nX-WR-CALNAME:Mill\\; Lane\\, north – Test fleet\r\n" in body


def test_every_uid_is_one_that_names_nobody(program: Program, fleet: Fleet) -> None:
    # RFC 7986 §5.3 and published-facts §10.21.
    _two_sites(fleet)
    feed, _ = fleet.feed()
    for uid in agreed(built(program, feed)):
        assert re.fullmatch(r"[A-Za-z0-9-]{1,254}", uid)


def test_a_feed_holds_the_duties_of_its_scope(program: Program, fleet: Fleet) -> None:
    mill, pier = _two_sites(fleet)
    contact = fleet.person("P1", (pier,))
    everywhere = fleet.person("P2", (), whole_fleet=True)
    nowhere = fleet.person("P3")
    for of, expected in (
        ({}, {"MILL-01", "MILL-02", "PIER-01", "PIER-02"}),
        ({"site_id": mill}, {"MILL-01", "MILL-02"}),
        ({"person_id": contact}, {"PIER-01", "PIER-02"}),
        ({"person_id": everywhere}, {"MILL-01", "MILL-02", "PIER-01", "PIER-02"}),
        ({"person_id": nowhere}, set()),
    ):
        feed, _ = fleet.feed(**of)
        body = built(program, feed)
        assert _units(body) == expected
        assert sentinel(body)


def test_events_come_by_last_good_day_then_unit_then_key(program: Program, fleet: Fleet) -> None:
    site = fleet.site()
    for code in ("b", "a", "B"):
        unit = fleet.unit(site, code)
        fleet.duty(unit, site, "test", "2026-12-02", subject="x")
        fleet.duty(unit, site, "look", "2026-12-01", subject="x")
    feed, _ = fleet.feed()
    found = [str(item["summary"]).split(",")[0] for item in components(built(program, feed))]
    assert found == ["Look at B", "Look at a", "Look at b", "Test B", "Test a", "Test b"]


def test_an_empty_feed_still_has_a_component(program: Program, fleet: Fleet) -> None:
    # RFC 5545 §3.6: at least one.
    feed, _ = fleet.feed()
    for kind, name in ((EVENTS, "VEVENT"), (TASKS, "VTODO")):
        body = built(program, feed, kind)
        assert [item.name for item in parsed(body).subcomponents] == [name]
        assert len(agreed(body)) == 1
        assert "No duty is on record here." in sentinel(body)["description"]


def test_what_has_no_date_is_counted_in_the_events_and_stands_in_the_tasks(program: Program, fleet: Fleet) -> None:
    site = fleet.site()
    unit = fleet.unit(site)
    dated = fleet.duty(unit, site, "look")
    fleet.duty(unit, site, "battery/fitted/1", None)
    fleet.duty(unit, site, "pads-adult/fitted/2", None)
    feed, _ = fleet.feed()
    body = built(program, feed)
    assert len(components(body)) == 1
    says = "No date recorded: 2 duties; each stands nowhere in this calendar. That does not mean all is well."
    assert says in sentinel(body)["description"]
    assert says in parsed(body)["description"]
    tasks = components(built(program, feed, TASKS))
    assert [str(item["summary"]).split(":")[0] for item in tasks if "due" not in item] == ["No date recorded"] * 2
    assert sum("due" in item for item in tasks) == 1
    fleet.change(dated, last_good_day=None, standing="not recorded")
    assert "No duty here has a date." in sentinel(built(program, feed))["description"]


def test_duties_of_a_withdrawn_unit_are_left_out_and_that_is_said(program: Program, fleet: Fleet) -> None:
    site = fleet.site()
    gone, here = fleet.unit(site, "MILL-01"), fleet.unit(site, "MILL-02")
    for unit in (gone, here):
        fleet.duty(unit, site)
    fleet.condition(gone, "withdrawn")
    fleet.condition(here, "in service")
    feed, _ = fleet.feed()
    for kind in (EVENTS, TASKS):
        body = built(program, feed, kind)
        assert _units(body) == {"MILL-02"}
        assert "Left out: 1 duty of units that are withdrawn." in parsed(body)["description"]


def test_a_spare_kept_at_a_site_is_in_the_feed(program: Program, fleet: Fleet) -> None:
    site = fleet.site()
    fleet.duty(None, site, "pads-adult/spare/5", "2027-01-31")
    feed, _ = fleet.feed(site_id=site)
    (item,) = components(built(program, feed))
    assert item["summary"] == "Replace spare adult pads kept at Mill Lane"
    assert item["url"] == "http://127.0.0.1:8470/sites/MILL"


def test_three_parsers_agree_on_every_event_and_task(program: Program, fleet: Fleet) -> None:
    _two_sites(fleet)
    site = fleet.site("QUAY", name='Quay "north"; pier, 2', latitude=51.5, longitude=-0.1)
    unit = fleet.unit(site, "QUAY-01", spot="lift: left, “2”")
    fleet.duty(unit, site, "look", "2024-02-29", standing="overdue")
    fleet.duty(unit, site, "restore", None)
    feed, _ = fleet.feed()
    events_seen, tasks_seen = agreed(built(program, feed)), agreed(built(program, feed, TASKS))
    assert len(events_seen) == 10
    assert len(tasks_seen) == 11
    with program.store.read() as conn:
        stored = {row.uid: row.last_good_day for row in conn.execute(select(duties.c.uid, duties.c.last_good_day))}
    for uid, good in stored.items():
        if good is not None:
            assert (events_seen[uid].start, events_seen[uid].end) == (good, good + timedelta(days=1))
            assert tasks_seen[uid].end == good
        else:
            assert uid not in events_seen
            assert tasks_seen[uid].end is None


def test_unchanged_data_gives_the_same_bytes_made_anew_and_kept(program: Program, fleet: Fleet, clock: Clock) -> None:
    _two_sites(fleet)
    feed, _ = fleet.feed()
    first = built(program, feed)
    assert fleet.count(events) == 8
    clock.forward(days=1)
    assert built(program, feed) == first
    with program.store.write() as conn:
        conn.execute(delete(events))
    assert built(program, feed) == first


def test_two_processes_give_the_same_bytes(
    program: Program, fleet: Fleet, settings: Settings, tmp_path: Path, database_url: str
) -> None:
    _two_sites(fleet)
    feed, _ = fleet.feed()
    here = built(program, feed)
    with program.store.write() as conn:
        conn.execute(delete(events))
    code = (
        "import sys, datetime\n"
        "from pathlib import Path\n"
        "from nightround.bootstrap import Program\n"
        "from nightround.calendars import feed, keys\n"
        "from nightround.settings import load\n"
        "from nightround.store.database import open_store\n"
        "store = open_store(sys.argv[2])\n"
        "clock = lambda: datetime.datetime(2031, 1, 1, tzinfo=datetime.UTC)\n"
        "program = Program(load(Path(sys.argv[1])), store, clock)\n"
        "with store.read() as conn:\n"
        "    found = keys.get(conn, int(sys.argv[3]))\n"
        "sys.stdout.buffer.write(feed.build(program, found).body)\n"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "nightround.toml"), database_url, str(feed.id)]
    there = subprocess.run(command, capture_output=True, check=True, env={"PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"})
    assert there.stdout == here


def test_a_moved_duty_keeps_its_uid_and_a_met_one_leaves(program: Program, fleet: Fleet, clock: Clock) -> None:
    site = fleet.site()
    unit = fleet.unit(site)
    moved, met = fleet.duty(unit, site, "look"), fleet.duty(unit, site, "battery/fitted/1", "2028-01-31")
    feed, _ = fleet.feed()
    before = {str(item["uid"]): item for item in components(built(program, feed))}
    later = ROUND + timedelta(days=1)
    fleet.change(moved, last_good_day=date(2026, 12, 5), sequence=1, changed_at=later)
    with program.store.write() as conn:
        conn.execute(delete(duties).where(duties.c.id == met))
    fleet.changed()
    (after,) = components(built(program, feed))
    was = before[str(after["uid"])]
    assert (was["sequence"], after["sequence"]) == (0, 1)
    assert after["dtstamp"].dt == later
    assert (after["dtstart"].dt, after["dtend"].dt) == (date(2026, 12, 5), date(2026, 12, 6))
    assert "CANCELLED" not in built(program, feed).decode()


def test_only_what_changed_is_made_anew(program: Program, fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    mill, _ = _two_sites(fleet)
    feed, _ = fleet.feed()
    built(program, feed)
    made: list[int] = []
    real = feeds.render

    def counted(due: Any, *rest: Any) -> tuple[bytes, bool]:
        made.append(due.id)
        return real(due, *rest)

    monkeypatch.setattr(feeds, "render", counted)
    with program.store.read() as conn:
        first = conn.execute(select(duties.c.id).order_by(duties.c.id)).scalars().first()
        unit = conn.execute(select(units.c.id).order_by(units.c.id)).scalars().first()
    assert first is not None and unit is not None
    built(program, feed)
    assert made == []
    fleet.change(first, standing="overdue")
    assert "Overdue: look at MILL-01" in built(program, feed).decode()
    assert made == [first]
    made.clear()
    fleet.edit(units, unit, spot="by the lift")
    assert "MILL-01\\, by the lift" in built(program, feed).decode().replace("\r\n ", "")
    assert len(made) == 2
    made.clear()
    fleet.edit(sites, mill, name="Old Mill")
    assert "Old Mill" in built(program, feed).decode()
    assert len(made) == 4


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        *(("units", name, "other") for name in ("unit", "spot", "floor")),
        *(("units", name, 12.5) for name in ("latitude", "longitude")),
        *(("sites", name, "other") for name in ("site", "name", "address")),
        *(("sites", name, 12.5) for name in ("latitude", "longitude")),
        ("sites", "time_zone", "Pacific/Auckland"),
    ],
)
def test_whatever_an_event_shows_of_its_unit_and_site_makes_it_anew(
    program: Program, fleet: Fleet, table: str, column: str, value: str | float
) -> None:
    place = {"latitude": 1.0, "longitude": 2.0}
    site = fleet.site(**place, name="" if column == "site" else "Mill Lane")
    unit = fleet.unit(site, **(place if table == "units" else {}))
    fleet.duty(unit, site, changed_at=datetime(2026, 11, 25, 22, 0, tzinfo=UTC))
    feed, _ = fleet.feed()
    before = built(program, feed)
    rows, number = (units, unit) if table == "units" else (sites, site)
    fleet.edit(rows, number, **{column: value})
    after = built(program, feed)
    assert after != before
    with program.store.write() as conn:
        conn.execute(delete(events))
    # What was given is forgotten with it, so it is of the duty's own revision again, and says the same.
    assert without_stamps(built(program, feed)) == without_stamps(after)


def test_a_new_base_address_makes_every_event_anew(program: Program, fleet: Fleet) -> None:
    _two_sites(fleet)
    feed, _ = fleet.feed()
    built(program, feed)
    web = program.settings.web.model_copy(update={"base_url": "https://aed.example.org/"})
    other = Program(program.settings.model_copy(update={"web": web}), program.store, program.clock)
    body = built(other, feed).decode().replace("\r\n ", "")
    assert "127.0.0.1" not in body
    assert "URL:https://aed.example.org/units/MILL-01\r\n" in body
    assert feeds.made_with(other.settings) != feeds.made_with(program.settings)


def test_one_duty_that_cannot_be_shown_spoils_nothing(
    program: Program, fleet: Fleet, caplog: pytest.LogCaptureFixture
) -> None:
    mill, _ = _two_sites(fleet)
    bad = fleet.duty(fleet.unit(mill, "MILL-09"), mill, "look", "2026-12-09", because="{")
    feed, _ = fleet.feed()
    with caplog.at_level(logging.ERROR, "nightround.calendars"):
        body = built(program, feed)
    assert len(components(body)) == 9
    assert [record.__dict__["duty"] for record in caplog.records] == [bad]
    assert "Cannot be shown: 1 duty; each points to the page." in parsed(body)["description"]
    assert len(agreed(body)) == 10
    with program.store.read() as conn:
        assert conn.execute(select(events.c.stamp).where(events.c.duty_id == bad)).scalar_one() == ""  # tried again
    fleet.change(bad, because=json.dumps([because()]))
    assert "MILL-09" in built(program, feed).decode()


def test_events_of_duties_that_are_gone_are_not_kept(program: Program, fleet: Fleet) -> None:
    _two_sites(fleet)
    feed, _ = fleet.feed()
    built(program, feed)
    with program.store.write() as conn:
        conn.execute(delete(duties).where(duties.c.key == "look"))
    assert fleet.count(events) == 4


def test_a_duty_that_goes_while_its_feed_is_made_does_no_harm(
    program: Program, fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = fleet.site()
    unit = fleet.unit(site)
    gone = fleet.duty(unit, site)
    fleet.duty(unit, site, "test", "2027-01-01")
    feed, _ = fleet.feed()
    real = feeds.render

    def meanwhile(due: Any, *rest: Any) -> tuple[bytes, bool]:
        with program.store.write() as conn:
            conn.execute(delete(duties).where(duties.c.id == gone))
        return real(due, *rest)

    monkeypatch.setattr(feeds, "render", meanwhile)
    assert len(components(built(program, feed))) == 2  # as it was when it was read
    assert fleet.count(events) == 1
    monkeypatch.undo()
    assert len(components(built(program, feed))) == 1


def test_a_state_holds_until_the_fleet_changes_and_reads_no_event(program: Program, fleet: Fleet, clock: Clock) -> None:
    site = fleet.site()
    duty = fleet.duty(fleet.unit(site), site)
    feed, _ = fleet.feed()
    one = feeds.build(program, feed, EVENTS)
    state = feeds.remember(program, feed, EVENTS, one)
    assert state.last_modified == clock.now - timedelta(seconds=1)  # the Date of an answer may lag that far
    asked: list[str] = []
    event.listen(program.store.engine, "before_cursor_execute", lambda *args: asked.append(args[2]))
    with program.store.read() as conn:
        assert feeds.standing(conn, program.settings, feed, EVENTS) == state
        assert feeds.standing(conn, program.settings, feed, TASKS) is None
    statements = " ".join(asked)
    assert "feed_states" in statements
    assert not re.search(r"\b(events|duties)\b", statements)
    fleet.change(duty, standing="overdue")
    with program.store.read() as conn:
        assert feeds.standing(conn, program.settings, feed, EVENTS) is None


def test_other_bytes_always_get_a_later_time_and_the_same_bytes_keep_theirs(
    program: Program, fleet: Fleet, clock: Clock
) -> None:
    site = fleet.site()
    duty = fleet.duty(fleet.unit(site), site)
    feed, _ = fleet.feed()

    def look() -> Any:
        return feeds.remember(program, feed, EVENTS, feeds.build(program, feed, EVENTS))

    first = look()
    clock.forward(hours=1)
    fleet.changed()  # something changed, but nothing that this feed shows
    assert look() == first
    clock.now = first.last_modified + timedelta(milliseconds=10)
    fleet.change(duty, standing="overdue")
    second = look()
    assert second.etag != first.etag
    assert second.last_modified == first.last_modified + timedelta(seconds=1)
    clock.now = datetime(2020, 1, 1, tzinfo=UTC)
    fleet.change(duty, standing="open")
    assert look().last_modified == first.last_modified + timedelta(seconds=2)


def test_an_answer_to_an_older_state_does_not_replace_a_newer_one(program: Program, fleet: Fleet) -> None:
    site = fleet.site()
    duty = fleet.duty(fleet.unit(site), site)
    feed, _ = fleet.feed()
    slow = feeds.build(program, feed, EVENTS)
    fleet.change(duty, standing="overdue")
    feeds.remember(program, feed, EVENTS, feeds.build(program, feed, EVENTS))
    feeds.remember(program, feed, EVENTS, slow)
    with program.store.read() as conn:
        kept = conn.execute(select(feed_states.c.etag)).scalar_one()
    assert kept == feeds.build(program, feed, EVENTS).etag


class TestSentinel:
    """Stands three days after the newest finished round of the zone that was silent for the longest."""

    def test_before_any_round_it_stands_on_the_day_of_setting_up_and_three_more(
        self, program: Program, fleet: Fleet
    ) -> None:
        feed, _ = fleet.feed()
        item = sentinel(built(program, feed))
        assert item["summary"] == "The nightly round has not run since it was set up on 2026-11-25"
        assert (item["dtstart"].dt, item["dtend"].dt) == (date(2026, 11, 28), date(2026, 11, 29))
        assert item["dtstamp"].dt == datetime(2026, 11, 25, 9, 0, tzinfo=UTC)

    def test_each_round_moves_it_on_and_raises_its_sequence_by_one(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site())
        feed, _ = fleet.feed()
        seen = []
        for night in range(4):
            at = ROUND + timedelta(days=night)
            fleet.round(str(at.date()), at=at)
            item = sentinel(built(program, feed))
            assert item["summary"] == f"The nightly round has not run since {at.date()}"
            assert item["dtstart"].dt == at.date() + timedelta(days=3)
            assert item["dtstamp"].dt == at == item["last-modified"].dt
            seen.append((item["uid"], item["sequence"]))
        assert len({uid for uid, _ in seen}) == 1
        assert [number - seen[0][1] for _, number in seen] == [0, 1, 2, 3]

    def test_the_zone_that_lags_behind_decides(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site("MILL"), "MILL-01")
        fleet.unit(fleet.site("PIER", time_zone="Asia/Tokyo"), "PIER-01")
        fleet.round("2026-11-25")
        fleet.round("2026-11-24", "Asia/Tokyo", ROUND - timedelta(days=1))
        fleet.round("2026-11-20", "Pacific/Auckland")  # no unit stands there any more
        feed, _ = fleet.feed()
        item = sentinel(built(program, feed))
        assert item["summary"] == "The nightly round has not run since 2026-11-24"
        assert "Newest finished round: 2026-11-24 (Asia/Tokyo)." in item["description"]

    def test_a_round_that_is_running_or_broken_off_does_not_count(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site())
        fleet.round("2026-11-24", at=ROUND - timedelta(days=1))
        fleet.round("2026-11-25", state="running")
        feed, _ = fleet.feed()
        assert "since 2026-11-24" in sentinel(built(program, feed))["summary"]

    def test_dates_caught_up_count(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site())
        fleet.round("2026-11-24", state="caught up")
        feed, _ = fleet.feed()
        assert sentinel(built(program, feed))["dtstart"].dt == date(2026, 11, 27)

    def test_a_round_by_hand_for_a_day_far_ahead_does_not_silence_it(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site())
        fleet.round("2026-11-25")
        fleet.round("2027-06-01")
        feed, _ = fleet.feed()
        assert sentinel(built(program, feed))["dtstart"].dt == date(2026, 11, 28)

    def test_a_new_zone_counts_from_the_day_it_was_first_reckoned(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site("MILL"), "MILL-01")
        site = fleet.site("PIER", time_zone="Asia/Tokyo")
        fleet.unit(site, "PIER-01")
        fleet.round("2027-03-10", at=datetime(2027, 3, 10, 1, 0, tzinfo=UTC))
        feed, _ = fleet.feed()
        assert "since 2027-03-10" in sentinel(built(program, feed))["summary"]  # not yet reckoned at all
        fleet.move(site, datetime(2027, 3, 8, 12, 0, tzinfo=UTC))
        item = sentinel(built(program, feed))
        assert item["dtstart"].dt == date(2027, 3, 11)
        assert "No round has finished yet." in item["description"]

    def test_each_feed_has_its_own_and_the_tasks_have_it_too(self, program: Program, fleet: Fleet) -> None:
        fleet.unit(fleet.site())
        fleet.round("2026-11-25")
        one, other = fleet.feed()[0], fleet.feed()[0]
        assert sentinel(built(program, one))["uid"] != sentinel(built(program, other))["uid"]
        task = sentinel(built(program, one, TASKS))
        assert task.name == "VTODO"
        assert task["due"].dt == date(2026, 11, 28)
        assert "dtstart" not in task


class TestKeys:
    """A key is given out once; what is stored cannot be turned back into it."""

    def test_a_key_opens_its_feed_until_it_is_withdrawn(self, program: Program, fleet: Fleet, clock: Clock) -> None:
        feed, key = fleet.feed()
        other, other_key = fleet.feed()
        with program.store.read() as conn:
            assert keys.find(conn, key) == feed
            assert keys.find(conn, key[:-1]) is None
            assert keys.find(conn, "") is None
        with program.store.write() as conn:
            assert keys.withdraw(conn, feed.id, clock.now) == clock.now
        later = clock.forward(days=1)
        with program.store.write() as conn:
            assert keys.withdraw(conn, feed.id, later) == clock.now - timedelta(days=1)
        with program.store.read() as conn:
            assert keys.find(conn, key) is None
            assert keys.find(conn, other_key) == other

    def test_keys_are_random_and_long_enough_and_not_stored(self, program: Program, fleet: Fleet) -> None:
        made = [fleet.feed()[1] for _ in range(50)]
        assert len(set(made)) == 50
        assert all(re.fullmatch(r"[A-Za-z0-9_-]{32}", key) for key in made)  # 32 characters of 6 bits: 192 bits
        with program.store.read() as conn:
            for table in (t for t in feed_states.metadata.sorted_tables):
                for row in conn.execute(select(table)):
                    assert not any(key in str(value) for value in row for key in made)

    def test_what_is_not_there_is_said_with_the_cure(self, program: Program) -> None:
        with program.store.write() as conn:
            for act in (
                lambda: keys.get(conn, 7),
                lambda: keys.withdraw(conn, 7, ROUND),
                lambda: keys.person_id(conn, "P9"),
                lambda: keys.site_id(conn, "NOWHERE"),
            ):
                with pytest.raises(UserError):
                    act()


def test_the_namespace_of_the_fleet_is_the_root_of_the_sentinels_uid(program: Program, fleet: Fleet) -> None:
    feed, _ = fleet.feed()
    first = sentinel(built(program, feed))["uid"]
    with program.store.write() as conn:
        conn.execute(update(fleet_row).values(namespace=NAMESPACE[:-1] + "2"))
    assert sentinel(built(program, feed))["uid"] != first


def test_three_parsers_agree_on_a_fleet_after_a_round(sqlite_store: Store, settings: Settings, clock: Clock) -> None:
    program = Program(settings, sqlite_store, clock)
    invented.build(sqlite_store, 15)
    run_round(program, "America/Los_Angeles", invented.ON)
    with sqlite_store.write() as conn:
        feed, _ = keys.add(conn, clock.now)
        stored = conn.execute(select(duties.c.uid, duties.c.last_good_day).where(duties.c.standing != "not recorded"))
        days = {row.uid: row.last_good_day for row in stored}
    body = built(program, feed)
    seen = agreed(body)
    assert len(seen) == len(days) + 1
    for uid, good in days.items():
        assert (seen[uid].start, seen[uid].end) == (good, good + timedelta(days=1))
    assert sentinel(body)["dtstart"].dt == invented.ON + timedelta(days=3)
    # The next night moves the sentinel and nothing that did not change.
    run_round(program, "America/Los_Angeles", invented.ON + timedelta(days=1))
    again = built(program, feed)
    assert sentinel(again)["sequence"] == sentinel(body)["sequence"] + 1
    before = {item["uid"]: item.to_ical() for item in components(body)}
    moved = [item for item in components(again) if before.get(item["uid"]) != item.to_ical()]
    assert len(moved) < len(before) / 10
    assert all(item["sequence"] > 0 for item in moved)
