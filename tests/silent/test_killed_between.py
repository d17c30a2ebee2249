"""Whatever was recorded is reckoned and told, also where the process dies between writing it down and reckoning it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import make_url, select
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.pages import health
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate
from nightround.store.tables import cases, conditions, duties, messages, units
from nightround.sweeping import look_round
from tests.conftest import NAMESPACE, START, Clock

from .dying import command

FILES = {
    "sites": "site,time_zone,country\nMILL,Europe/London,GB\nPOOL,Europe/Paris,FR\n",
    "units": "unit,site,model,in service on\n"
    "MILL-01,MILL,Orrel Twin,2025-01-01\nMILL-02,MILL,Orrel Twin,2025-01-01\nPOOL-01,POOL,Orrel Twin,2025-01-01\n",
    "parts": "unit,kind,state,label_date,fitted_on,lot\n"
    + "".join(
        f"{unit},{kind},fitted,{label},2025-06-01,{lot}\n"
        for unit in ("MILL-01", "MILL-02", "POOL-01")
        for kind, label, lot in (("pads-adult", "2028-10", "A"), ("battery", "2030-03", "B"))
    ),
    "people": "person,name,email,roles,sites\nP1,Ada Ferrow,ada@example.org,coordinator;on-call,*\n"
    "P2,Bo Brandt,bo@example.org,site-contact,MILL\n",
    "log": "unit,at,entry,by,readings\n"
    + "".join(
        f"{unit},2026-11-20T10:00:00+00:00,check,P1,self-test=ok;pads=ok;battery=ok\n"
        for unit in ("MILL-01", "MILL-02", "POOL-01")
    ),
}
NOTICE = """
reference = "FSN-1"
version = 1
class = "II"
title = "pads may come off"
source = "letter of the maker, page 2"
issued_by = "manufacturer"
published_on = 2026-11-20
received_on = 2026-11-24
action = "stop using"
what_to_do = "Look whether the pads stick."
complete_by = 2026-12-20

[[concerns]]
models = ["Orrel Twin"]
every_unit = true
"""


@dataclass(frozen=True)
class House:
    """One installation, its settings file, and a clock for what is done in this process."""

    config: Path
    files: Path
    clock: Clock

    def program(self) -> Program:
        settings = load(self.config)
        return Program(settings, open_store(settings.database_url()), self.clock)

    def run(self, *words: str) -> str:
        done = command(self.config, self.clock(), *words)
        assert done.status in (0, 3), (done.out, done.err)
        return done.out


@pytest.fixture(params=["sqlite", "postgresql"])
def house(request: pytest.FixtureRequest, tmp_path: Path, database_of: Callable[[str], str]) -> House:
    return _house(tmp_path / "fleet", database_of(request.param))


def _house(folder: Path, url: str) -> House:
    folder.mkdir()
    (folder / "nightround.key").write_bytes(b"k" * 43)
    shown = make_url(url).render_as_string(hide_password=False)
    (folder / "nightround.toml").write_text(
        f'[database]\nurl = "{shown}"\n[mail]\nsecurity = "plain"\n[watch]\nfree_mb = 0\n[rounds]\nresponders = 1\n',
        "utf-8",
    )
    files = folder / "files"
    files.mkdir()
    for name, text in FILES.items():
        (files / f"{name}.csv").write_text(text, "utf-8")
    (folder / "notice.toml").write_text(NOTICE, "utf-8")
    return House(folder / "nightround.toml", files, Clock(START))


def state(program: Program) -> object:
    """What has been reckoned of everything, and who would get which letter."""
    with program.store.read() as conn:
        duty = select(duties.c.holder, duties.c.key, duties.c.standing, duties.c.last_good_day, duties.c.period)
        return (
            sorted(map(tuple, conn.execute(duty)), key=str),
            sorted(map(tuple, conn.execute(select(units.c.unit, conditions.c.condition).join(conditions)))),
            sorted(conn.execute(select(cases.c.cause).where(cases.c.closed_at.is_(None))).scalars()),
            sorted(map(tuple, conn.execute(select(messages.c.to_address, messages.c.kind)))),
        )


def test_a_fault_whose_process_dies_after_its_entry_is_told_by_the_next_look(house: House) -> None:
    house.run("import", str(house.files))
    program = house.program()
    look_round(program)
    assert command(house.config, house.clock(), "log", "MILL-01", "fault", "--by", "P1", commits=1).killed
    house.clock.forward(minutes=3)
    look_round(program)
    with program.store.read() as conn:
        assert conn.execute(select(cases.c.kind).where(cases.c.kind == "fault")).scalars().all() == ["fault"]
        query = select(messages.c.to_address).where(messages.c.kind == "escalation")
        assert "ada@example.org" in conn.execute(query).scalars().all()


def test_an_import_that_dies_after_its_commit_is_reckoned_when_it_is_repeated(house: House) -> None:
    assert command(house.config, house.clock(), "import", str(house.files), commits=1).killed
    said = json.loads(house.run("--json", "import", str(house.files)))
    assert said["tables"]["units"]["unchanged"] == 3
    assert said["reckoned"]["units"] == 3
    with house.program().store.read() as conn:
        assert len(conn.execute(select(conditions.c.unit_id)).all()) == 3
    assert "nothing has changed" in house.run("import", str(house.files))


ACTS = {
    "import": ("import", "FILES"),
    "log fault": ("log", "MILL-01", "fault", "--by", "P1"),
    "log fitted": (
        "log", "MILL-01", "fitted", "--by", "P1", "--part", "kind=battery", "--part", "label_date=2026-12",
    ),
    "log moved": ("log", "MILL-01", "moved", "--by", "P1", "--to", "POOL", "--spot", "Foyer"),
    "log moved in the place of another": ("log", "MILL-01", "moved", "--by", "P1", "--covers", "POOL-01"),
    "strike": ("strike", "1", "--why", "another unit", "--by", "P1"),
    "person leave": ("person", "leave", "P2", "--on", "2026-11-20"),
    "close-site": ("close-site", "MILL", "--from", "2026-11-20", "--why", "holidays"),
    "notice add": ("notice", "add", "NOTICE"),
}  # fmt: skip


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An installation with the fleet in it, its night done; copied for each process that is killed."""
    folder = tmp_path_factory.mktemp("prepared") / "fleet"
    store = open_store(f"sqlite:///{folder.parent / 'nightround.db'}")
    migrate(store, START, namespace=NAMESPACE)
    here = _house(folder, f"sqlite:///{folder.parent / 'nightround.db'}")
    store.close()
    shutil.copytree(folder.parent, folder.parent.with_name("empty"))
    here.run("import", str(here.files))
    here.run("round")
    return folder.parent


@pytest.mark.parametrize(
    ("act", "again"),
    [*((act, "the next look") for act in ACTS), ("log fault", "nightround round")],
)
def test_nothing_recorded_is_lost_wherever_the_process_dies(
    act: str, again: str, tmp_path: Path, prepared: Path
) -> None:
    """Killed after each commit in turn: what is found afterwards is what would have been found without."""
    wanted: object = None
    for commits in range(60):  # 0: is not killed, and says what is right
        folder = tmp_path / str(commits)
        shutil.copytree(prepared if act != "import" else prepared.with_name("empty"), folder)
        config = folder / "fleet" / "nightround.toml"
        config.write_text(config.read_text("utf-8").replace(str(prepared), str(folder)), "utf-8")
        here = House(config, folder / "fleet" / "files", Clock(START))
        places = {"FILES": str(here.files), "NOTICE": str(folder / "fleet" / "notice.toml")}
        words = [places.get(word, word) for word in ACTS[act]]
        dead = command(config, here.clock(), *words, commits=commits).killed
        assert not (commits == 0 and dead)
        here.clock.forward(minutes=3)
        if again == "nightround round":
            here.run("round")
        program = here.program()
        look_round(program)
        found = state(program)
        program.store.close()
        if commits == 0:
            wanted = found
            continue
        assert found == wanted, f"killed after commit {commits}"
        if not dead:
            assert commits > 2
            return
    raise AssertionError("it never came to its end")


def test_what_is_left_to_reckon_is_counted_and_makes_the_service_not_ready_once_it_is_old(house: House) -> None:
    house.run("import", str(house.files))
    program = house.program()
    look_round(program)
    web = TestClient(Starlette(routes=health.routes(program)), client=("127.0.0.1", 50_000))
    assert (web.get("/readyz").json()["to_reckon"], web.get("/readyz").status_code) == (0, 200)
    assert command(house.config, house.clock(), "log", "MILL-01", "fault", "--by", "P1", commits=1).killed
    assert (web.get("/readyz").json()["to_reckon"], web.get("/readyz").status_code) == (1, 200)
    assert "nightround_to_reckon 1.0" in web.get("/metrics").text
    house.clock.forward(minutes=61)
    answer = web.get("/readyz")
    assert answer.status_code == 503
    (told,) = [reason for reason in answer.json()["reasons"] if "recorded" in reason]
    assert "recorded at 2026-11-25 09:00" in told
    look_round(program)
    answer = web.get("/readyz").json()
    assert answer["to_reckon"] == 0
    assert not any("recorded" in reason for reason in answer["reasons"])
