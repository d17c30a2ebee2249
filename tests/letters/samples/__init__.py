"""What the templates of each kind of letter are given, for tests that hold for every kind.

Small kinds have a module here named as the kind (with _ for -): `CONTENT`. The letters about a fleet are made by the
program itself from a small fleet in which something of everything is wrong; what it gives its templates is kept.
"""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update

from nightround.bootstrap import Program
from nightround.letters import compose, telling, weekly
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate
from nightround.store.tables import cases

from ...conftest import START
from ..contents.build import LABEL, LOOK, Fleet, day


def gathered(folder: Path) -> dict[str, dict[str, Any]]:
    """The content of every kind that has a sample, by kind. Works in the folder."""
    found: dict[str, dict[str, Any]] = {}
    for path in Path(__file__).parent.glob("[!_]*.py"):
        module = importlib.import_module(f"{__name__}.{path.stem}")
        found[path.stem.replace("_", "-")] = dict(module.CONTENT)
    return found | _from_a_fleet(folder)


def _from_a_fleet(folder: Path) -> dict[str, dict[str, Any]]:
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text('[mail]\nsecurity = "plain"\n', "utf-8")
    store = open_store(f"sqlite:///{folder / 'nightround.db'}")
    migrate(store, START)
    program = Program(load(folder / "nightround.toml"), store, lambda: START)
    fleet = Fleet(program)
    _fill(fleet)
    found: dict[str, dict[str, Any]] = {}
    render = compose.render

    def kept(settings: Any, kind: str, content: Any, reader: str, now: Any, **more: Any) -> Any:
        found[kind] = {name: value for name, value in content.items() if name != "unsubscribe_url"}
        return render(settings, kind, content, reader, now, **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compose, "render", kept)
        weekly.post_owed(program, START)
        telling.sweep(program, START)
        fleet.all_sent()
        with store.write() as conn:
            conn.execute(update(cases).values(state="closed", closed_at=START))
        telling.sweep(program, START)
    store.close()
    return found


def _fill(fleet: Fleet) -> None:
    fleet.site("MILL", name="Mill Lane School")
    fleet.person("A", "coordinator manager on-call", whole=True)
    fleet.person("C", "site-contact on-call", ["MILL"], email="c@example.org")
    fleet.round_done(findings=[{"unit": "MILL-05", "why": "its model sheet is broken"}])
    fleet.unit("MILL-01", "MILL", "work due")
    fleet.unit("MILL-02", "MILL", "not to be relied on", "fault since 2026-11-24: it beeps", spot="Sports hall")
    fleet.unit("MILL-03", "MILL", "no evidence", "never checked")
    fleet.unit("MILL-04", "MILL", "withdrawn", "withdrawn since 2026-11-02")
    fleet.unit("MILL-05", "MILL", "in service")
    fleet.unit("MILL-06", "MILL", "not to be relied on", "pads past their last good day")
    fleet.duty("MILL-01", "look", "overdue", day(-14))
    fleet.duty("MILL-01", "pads-adult", "order now", day(60), order_by=day(-30), because=[LABEL, LOOK])
    fleet.duty("MILL-05", "look", "open", day(3))
    fleet.duty("MILL-02", "look", "open", day(20), opens=day(-2))
    fleet.duty("MILL-03", "battery", "not recorded", None)
    fleet.case("MILL-01", good=day(-14))
    fleet.case("MILL-02", "not-to-be-relied-on", reason="fault since 2026-11-24: it beeps")
    fleet.case("MILL-06", "not-to-be-relied-on", reason="pads past their last good day", imported=True)
