"""Every way to write facts leaves a mark in the same transaction: whoever dies after it has not lost what follows."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, event
from tests.conftest import Clock
from tests.pages.conftest import Visitor, Waits
from tests.silent.test_killed_between import FILES, NOTICE

import nightround
from nightround import cli
from nightround.bootstrap import Program
from nightround.letters import links
from nightround.settings import load
from nightround.store import tables
from nightround.store.database import open_store
from nightround.store.marks import waiting

# What reckoning reads. Who is away or on call, and what the log digests to, is not: absences and the rota are asked
# anew whenever somebody is to be told, and the digest is written with the log.
FACTS = {
    table.name
    for table in (
        tables.sites, tables.units, tables.parts, tables.people, tables.person_roles, tables.person_sites,
        tables.training, tables.log, tables.loans, tables.closures, tables.notices,
    )
}  # fmt: skip
OF_NO_DUTY = {"letters_off"}  # a column of people that only says who gets the weekly letter


class Watch:
    """Notes for each transaction which facts it wrote, and whether it left a mark."""

    def __init__(self) -> None:
        self.written: dict[Any, set[str]] = {}
        self.without: list[set[str]] = []
        self.transactions = 0

    def wrote(self, conn: Connection, _cursor: Any, _statement: str, _params: Any, context: Any, _many: bool) -> None:
        said = None if context.compiled is None else context.compiled.statement
        if said is None or not said.is_dml:
            return
        name = said.table.name
        changed = {getattr(one, "name", one) for one in (context.compiled.compile_state._dict_parameters or {})}
        if name == "marks" or (name in FACTS and not (changed and changed <= OF_NO_DUTY)):
            self.written.setdefault(conn, set()).add(name)

    def committed(self, conn: Connection) -> None:
        found = self.written.pop(conn, set())
        if found & FACTS:
            self.transactions += 1
            if "marks" not in found:
                self.without.append(found)

    def undone(self, conn: Connection) -> None:
        self.written.pop(conn, None)


@contextmanager
def watched() -> Iterator[Watch]:
    watch = Watch()
    events = {"before_cursor_execute": watch.wrote, "commit": watch.committed, "rollback": watch.undone}
    for name, listener in events.items():
        event.listen(Engine, name, listener)
    try:
        yield watch
    finally:
        for name, listener in events.items():
            event.remove(Engine, name, listener)


@pytest.fixture
def fleet(tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Program:
    """An installation with a fleet in it; commands run in this process, by the standing clock."""
    assert cli.run(["setup", str(tmp_path / "fleet")], clock=clock) == 0
    monkeypatch.setenv("NIGHTROUND_CONFIG", str(tmp_path / "fleet" / "nightround.toml"))
    (tmp_path / "files").mkdir()
    for name, text in FILES.items():
        (tmp_path / "files" / f"{name}.csv").write_text(text, "utf-8")
    (tmp_path / "notice.toml").write_text(NOTICE, "utf-8")
    assert cli.run(["import", str(tmp_path / "files")], clock=clock) == 0
    settings = load(tmp_path / "fleet" / "nightround.toml")
    return Program(settings, open_store(settings.database_url()), clock)


COMMANDS = (
    "log MILL-01 check --by P1 --reading pads=ok",
    "log MILL-01 fault",
    "log MILL-01 used --by P1",
    "log MILL-01 fitted --by P1 --part kind=battery --part label_date=2031-05",
    "log MILL-01 removed --by P1 --part kind=battery",
    "log MILL-01 ordered --by P1 --part kind=battery --part expected=2026-12-12",
    "log MILL-02 withdrawn --by P1",
    "log MILL-02 returned --by P1",
    "log MILL-02 moved --by P1 --to POOL --spot Foyer",
    "log MILL-02 moved --by P1 --covers POOL-01",
    "log MILL-01 reported --by P1 --reading about=registration",
    "strike 4 --why typo --by P1",
    "strike 5 --why typo --by P1",
    "strike 12 --why typo --by P1",
    "person leave P2 --on 2026-11-20",
    "person leave P2 --stays",
    "close-site MILL --from 2026-11-20 --why holidays",
    "close-site --remove 1",
    "notice add NOTICE",
    "notice mark FSN-1 underway MILL-01 --by P1",
)


def test_every_command_that_writes_facts_marks_them(fleet: Program, tmp_path: Path) -> None:
    for line in COMMANDS:
        words = [str(tmp_path / "notice.toml") if word == "NOTICE" else word for word in line.split()]
        with watched() as watch:
            assert cli.run(words, clock=fleet.clock) == 0, line
        assert watch.transactions, line
        assert not watch.without, (line, watch.without)
        with fleet.store.read() as conn:
            assert not waiting(conn), f"{line}: what it marked, it has reckoned"


@pytest.mark.parametrize("name", FILES)
def test_an_import_of_any_table_marks_what_it_writes(name: str, fleet: Program, tmp_path: Path) -> None:
    changed = {
        "sites": FILES["sites"]
        .replace("site,", "site,notes,")
        .replace("MILL,", "MILL,a note,")
        .replace("POOL,", "POOL,,"),
        "units": FILES["units"] + "POOL-02,POOL,Orrel Twin,2025-01-01\n",
        "parts": FILES["parts"] + "MILL-01,pads-child,fitted,2029-01,2026-11-01,C\n",
        "people": FILES["people"] + "P3,Cy Dale,cy@example.org,responder,MILL\n",
        "log": FILES["log"] + "MILL-01,2026-11-24T10:00:00+00:00,fault,P1,\n",
    }[name]
    (tmp_path / "files" / f"{name}.csv").write_text(changed, "utf-8")
    with watched() as watch:
        assert cli.run(["import", str(tmp_path / "files")], clock=fleet.clock) == 0
    assert watch.transactions
    assert not watch.without
    with fleet.store.read() as conn:
        assert not waiting(conn)


def test_every_form_that_writes_facts_marks_them(fleet: Program) -> None:
    visitor = Visitor(fleet, Waits())
    path = links.personal_url(fleet.settings, "P1", "ada@example.org", fleet.clock()).removeprefix(visitor.base)
    assert visitor.send(path, path).status_code == 303
    with fleet.store.read() as conn:
        label = conn.execute(tables.units.select().where(tables.units.c.unit == "MILL-01")).one().label
    forms = (
        ("/units/MILL-01", "/units/MILL-01/log", {"entry": "fault", "note": "no light"}),
        ("/units/MILL-02", "/units/MILL-02/log", {"entry": "moved", "site": "POOL", "spot": "Foyer"}),
        (f"/at/{label}", f"/at/{label}", {"problem": "light", "note": "it beeps"}),
    )
    written = 0
    for page, action, form in forms:
        with watched() as watch:
            visitor.send(page, action, **form)
        assert not watch.without, page
        written += watch.transactions
    assert written >= 2


def test_nothing_writes_facts_but_what_is_known_to_mark_them() -> None:
    """A new writer shows here: it has to leave marks (`store.marks.leave`), and then gets its line."""
    known = {
        "register/writing.py", "register/recording.py", "register/moving.py", "register/registration.py",
        "register/leaving.py", "register/days_off.py", "register/notices.py", "register/log.py",
        "register/evidence.py", "register/standing.py",  # what the log tells, for those above
        "register/discarding.py",  # empties what is no evidence any more, and makes sure that nothing known changes
        "store/upkeep.py",  # a whole database, with its marks
        "pages/me.py", "commands/people.py",  # who gets the weekly letter
    }  # fmt: skip
    top = Path(nightround.__file__).parent
    found = set()
    for file in sorted(top.rglob("*.py")):
        if "migrations" in file.parts:
            continue
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("insert", "update", "delete") and node.args:
                written = ast.unparse(node.args[0])
                if written in FACTS or (written == "table" and file.parent.name == "register"):
                    found.add(str(file.relative_to(top)))
    assert found <= known, found - known
