"""What a rehearsal keeps from look to look saves time and changes nothing: without it, the same is found."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from nightround.bootstrap import Program
from nightround.demo.fleet import write_fleet
from nightround.register.importing import import_file
from nightround.rehearsal.programme import Programme
from nightround.rehearsal.rehearsing import Days, rehearse
from nightround.rehearsal.ticks import Ahead
from nightround.settings import load
from nightround.settings_cases import Cases, Ladder, Step
from nightround.store.database import Store
from nightround.store.recalling import Recalled
from nightround.sweeping import look_round

FIRST = date(2026, 11, 25)
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture
def demo(tmp_path: Path, sqlite_store: Store) -> Program:
    """The demo fleet, with its time zones, notice, loan, rota and leaver, looked round once."""
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    (tmp_path / "nightround.toml").write_text("", "utf-8")
    write_fleet(tmp_path / "files", 40, 1, FIRST, lambda done, total: None)
    program = Program(load(tmp_path / "nightround.toml"), sqlite_store, lambda: NOW)
    import_file(program, tmp_path / "files")
    look_round(program)
    return program


@contextmanager
def _nothing_kept() -> Iterator[None]:
    """Every question is asked each time, and every look looks for letters."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Recalled, "watch", lambda self, engine: None)
        patch.setattr(Ahead, "calm", lambda self, now: False)
        yield


def _rehearsed(program: Program, days: int, suppose: Path | None = None) -> Programme:
    return rehearse(program, Days(NOW, NOW + timedelta(days=days), later=False), suppose)


def _same(program: Program, days: int, suppose: Path | None = None) -> Programme:
    kept = _rehearsed(program, days, suppose)
    with _nothing_kept():
        assert _rehearsed(program, days, suppose) == kept
    return kept


def test_the_demo_fleet_left_to_itself(demo: Program) -> None:
    found = _same(demo, 14)
    assert {one.kind for one in found.messages} >= {"weekly", "escalation", "opening"}


def test_whatever_is_supposed(demo: Program, tmp_path: Path) -> None:
    """Who is on call goes away, who follows leaves; the coordinator's mail is refused; the rest besides."""
    with demo.store.read() as conn:
        codes = [row[0] for row in conn.exec_driver_sql("SELECT unit FROM units ORDER BY unit LIMIT 3")]
        site = conn.exec_driver_sql("SELECT site FROM sites ORDER BY site LIMIT 1").scalar_one()
    file = tmp_path / "suppose.toml"
    file.write_text(
        f"""
        [[fault]]
        unit = "{codes[0]}"
        at = 2026-11-26T15:20:00Z
        note = "it beeps"
        [[used]]
        unit = "{codes[1]}"
        by = "TECH"
        at = 2026-11-28
        [[taken]]
        unit = "{codes[0]}"
        by = "TECH"
        at = 2026-11-26T18:00:00Z
        until = 2026-11-28T09:00:00Z
        [[away]]
        person = "OC-2"
        from = 2026-11-27
        until = 2026-11-29
        [[leaves]]
        person = "OC-3"
        on = 2026-12-01
        [[closed]]
        site = "{site}"
        from = 2026-11-29
        until = 2026-12-01
        [[smtp_down]]
        from = 2026-11-28T03:00:00Z
        until = 2026-11-29T16:30:00Z
        [[refused]]
        person = "COORD"
        from = 2026-11-26
        until = 2026-12-02
        """,
        encoding="utf-8",
    )
    found = _same(demo, 8, file)
    assert "closing" in {one.kind for one in found.messages} or found.findings


def test_short_ladders_small_limits_and_many_letters(demo: Program, tmp_path: Path) -> None:
    """One fault after the other: everybody is told again and again, the brake holds back, ladders begin anew."""
    with demo.store.read() as conn:
        codes = [row[0] for row in conn.exec_driver_sql("SELECT unit FROM units ORDER BY unit LIMIT 8")]
    file = tmp_path / "suppose.toml"
    faults = [f"[[fault]]\nunit = '{code}'\nat = 2026-11-26T15:{7 * n:02}:00Z\n" for n, code in enumerate(codes)]
    file.write_text("".join(faults), "utf-8")
    quick = [
        Step(who=["rota"], after="0 minutes"),
        Step(who=["coordinator"], after="1 hour", repeat="3 hours", stop_after=3),
    ]
    demo.settings.cases = Cases(
        ladders=[Ladder(severity="urgent", told="at any hour", steps=quick, again="5 hours")],
        person_hour=2,
        fleet_hour=2,
    )
    found = _same(demo, 4, file)
    assert any("limit" in finding.what for finding in found.findings)
