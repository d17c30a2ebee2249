"""The small fleet of these tests, on both databases and on one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightround.bootstrap import Program
from nightround.letters import audience
from nightround.settings import Settings
from nightround.settings_cases import Cases, Ladder, Step
from nightround.store.database import Store

from ...conftest import Clock
from .build import Fleet


@pytest.fixture(autouse=True)
def _nothing_reported_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Findings go into the log once a day and process; each test is a day of its own."""
    monkeypatch.setattr(audience, "_reported", {})


def a_step_a_day(settings: Settings) -> Settings:
    """Ladders on which who is on call is told once a day; only where nobody of them can be reached it goes on.

    What a letter says and how letters are kept does not depend on the ladder; the shipped ones have their own tests.
    """
    steps = [
        Step(who=["on-call"], after="0 minutes", repeat="daily"),
        Step(who=["coordinator"], after="365 days", repeat="daily"),
        Step(who=["manager"], after="365 days", repeat="daily", stop_after=100),
    ]
    daily = [Ladder(severity=severity, told="at any hour", steps=steps) for severity in ("urgent", "soon", "routine")]
    return settings.model_copy(update={"cases": Cases(ladders=daily, repeat_days=[1])})


@pytest.fixture
def fleet(program: Program) -> Fleet:
    return Fleet(replace(program, settings=a_step_a_day(program.settings)))


@pytest.fixture
def shipped(program: Program) -> Fleet:
    """A fleet under the ladders that are shipped."""
    return Fleet(program)


@pytest.fixture
def sqlite_fleet(settings: Settings, sqlite_store: Store, clock: Clock) -> Fleet:
    """For what has nothing to do with the kind of database."""
    return Fleet(Program(a_step_a_day(settings), sqlite_store, clock))
