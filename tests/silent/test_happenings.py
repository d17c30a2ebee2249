"""What happened to the service itself is written down once and can be told: away, clock set, rules changed, imports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, text

from nightround.bootstrap import Program
from nightround.reckoning.rules import Rule
from nightround.register.importing import import_file
from nightround.rounds.packs import Pack
from nightround.rounds.pulse import Pulse, compare
from nightround.rounds.rulebook import RuleBook
from nightround.rounds.tonight import run_round
from nightround.store import happenings, schema
from nightround.store.database import open_store
from nightround.store.happenings import Happening, Kind
from nightround.store.tables import messages
from nightround.sweeping import look_round
from tests.reckoning.core.build import HOUSE
from tests.rounds.night.build import TODAY, small_fleet

from ..conftest import START, Clock

HOUR = timedelta(hours=1)


class Steady:
    """Seconds that a test lets pass; nobody can set them back."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


def told(program: Program, after: datetime = START - timedelta(days=999)) -> list[Happening]:
    with program.store.read() as conn:
        return happenings.since(conn, after)


def test_the_first_look_and_one_a_minute_later_have_nothing_to_say(program: Program, clock: Clock) -> None:
    assert Pulse().look(program) == []
    clock.forward(minutes=1)
    assert Pulse().look(program) == []
    with program.store.read() as conn:
        beat = happenings.beat(conn, happenings.SERVICE)
    assert beat is not None
    assert beat.at == clock.now


def test_a_service_that_was_away_says_from_when_to_when(program: Program, clock: Clock) -> None:
    look_round(program, pulse=Pulse())
    clock.forward(hours=31, minutes=5)
    looked = look_round(program, pulse=Pulse())
    assert [(one.kind, one.before, one.at) for one in looked.happenings] == [("downtime", START, clock.now)]
    assert looked.happenings[0].said == (
        "The service did not run from 2026-11-25 09:00 (UTC) to 2026-11-26 16:05 (UTC)."
    )
    clock.forward(minutes=1)
    assert look_round(program, pulse=Pulse()).happenings == []
    assert told(program) == looked.happenings
    assert told(program, clock.now) == []


def test_a_service_at_work_for_hours_was_not_away(program: Program, clock: Clock) -> None:
    steady = Steady()
    pulse = Pulse(steady)
    pulse.look(program)
    clock.forward(hours=5)
    steady.seconds += 5 * 3600
    assert pulse.look(program) == []


def test_a_clock_that_leaps_under_a_running_service_is_told_as_that(program: Program, clock: Clock) -> None:
    steady = Steady()
    pulse = Pulse(steady)
    pulse.look(program)
    clock.forward(days=2)
    steady.seconds += 60
    (found,) = pulse.look(program)
    assert found.kind == Kind.CLOCK_FORWARD
    assert "from 2026-11-25 09:00 (UTC) to 2026-11-27 09:00 (UTC)" in found.said


def test_a_clock_that_went_back_is_told_also_to_whoever_was_written_to_before(program: Program, clock: Clock) -> None:
    look_round(program, pulse=Pulse())
    letter_at = clock.now - timedelta(minutes=5)
    clock.forward(hours=-3)
    (found,) = look_round(program, pulse=Pulse()).happenings
    assert (found.kind, found.before) == (Kind.CLOCK_BACK, START)
    assert told(program, letter_at) == [found]  # found.at is earlier than the letter, by the new clock
    assert told(program, START) == []


def test_two_clocks_that_do_not_agree_are_told_once_an_hour_and_not_at_each_look(
    program: Program, clock: Clock
) -> None:
    ahead, behind = Clock(START + timedelta(minutes=10)), clock
    for _ in range(130):
        for one in (ahead, behind):
            Pulse().look(replace(program, clock=one))
            one.forward(minutes=1)
    assert [one.kind for one in told(program)] == ["clock-back"] * 3


@given(gap=st.integers(-10_000, 10_000), busy=st.none() | st.integers(0, 10_000))
def test_whatever_is_more_than_an_hour_out_is_noticed_and_nothing_else(gap: int, busy: int | None) -> None:
    found = compare(
        START, START + timedelta(minutes=gap), HOUR, None if busy is None else timedelta(minutes=busy), "UTC"
    )
    unexplained = gap if busy is None else gap - busy
    expected = "clock-back" if gap < -2 else None
    if gap > 60 and unexplained > 60:
        expected = "downtime" if busy is None else "clock-forward"
    assert (found.kind if found else None) == expected


def _book(digest: str, *packs: tuple[str, list[Rule]]) -> RuleBook:
    rules = tuple(rule for _, listed in packs for rule in listed)
    return RuleBook(rules, {}, digest, tuple(Pack(name, f"{name}.toml", "Title", "", tuple(r)) for name, r in packs))  # type: ignore[arg-type]


def test_a_round_by_other_rules_names_the_packs_and_counts_their_duties(program: Program, clock: Clock) -> None:
    small_fleet(program.store)
    house = list(HOUSE)
    look = next(rule for rule in house if rule.id.endswith("look"))
    run_round(program, "Europe/Berlin", TODAY, _book("one", ("house", house)))
    assert told(program) == []
    clock.forward(days=1)
    changed = [rule._replace(title="Another title") if rule is look else rule for rule in house]
    run_round(program, "Europe/Berlin", TODAY + timedelta(days=1), _book("two", ("house", changed), ("more", [])))
    (found,) = told(program)
    assert found.kind == "rules-changed"
    assert found.said.startswith("The rules changed: 1 pack added (more: Title), 1 pack changed (house: Title). 4 ")
    assert "not legal advice" in found.said
    clock.forward(days=1)
    run_round(program, "Europe/Berlin", TODAY + timedelta(days=2), _book("two", ("house", changed), ("more", [])))
    assert len(told(program)) == 1
    clock.forward(days=1)
    run_round(program, "Europe/Berlin", TODAY + timedelta(days=3), _book("three", ("more", [])))
    assert "1 pack taken out (house: Title)" in told(program)[-1].said


def test_a_big_import_is_told_and_a_small_one_is_not(program: Program, tmp_path: Path) -> None:
    for name, count in (("few", 3), ("many", 30)):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "sites.csv").write_text("site,name\nMILL,Mill\n", "utf-8")
        rows = [f"{name.upper()}-{number:02},MILL" for number in range(count)]
        (folder / "units.csv").write_text("\n".join(["unit,site", *rows, ""]), "utf-8")
        report = import_file(program, folder)
        assert report.written, report.problems
    assert [(one.kind, one.said) for one in told(program)] == [
        ("import", "By an import, 30 units came into the register.")
    ]
    import_file(program, tmp_path / "many")
    assert len(told(program)) == 1


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_database_of_the_first_schema_goes_forward_with_its_letters(
    kind: str, database_of: Callable[[str], str], tmp_path: Path
) -> None:
    store = open_store(database_of(kind) if kind == "postgresql" else f"sqlite:///{tmp_path}/old.db")
    if kind == "postgresql":
        with store.write() as conn:
            conn.execute(text("DROP SCHEMA public CASCADE"))
            conn.execute(text("CREATE SCHEMA public"))
    schema.migrate(store, START, to="0001")
    with store.write() as conn:
        row = {
            "key": "k", "kind": "test", "to_address": "a@example.org", "subject": "s", "message_id": "<m>",
            "body": b"b", "urgent": False, "created_at": START, "state": "waiting", "next_try_at": START,
        }  # fmt: skip
        columns = ", ".join(row)
        conn.execute(text(f"INSERT INTO messages ({columns}) VALUES (:{', :'.join(row)})"), row)
    schema.migrate(store, START)
    with store.read() as conn:
        kept = conn.execute(select(messages.c.key, messages.c.failing_since, messages.c.tries)).one()
        assert (kept.key, kept.failing_since, kept.tries) == ("k", None, 0)
        assert happenings.since(conn, datetime(2000, 1, 1, tzinfo=UTC)) == []
    store.close()
