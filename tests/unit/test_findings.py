"""`verify`: each thing that can be wrong is found, named and given a cure; a sound installation gives nothing."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import Connection, insert, text, update

from nightround import cli
from nightround.commands.desk import Desk
from nightround.commands.findings import (
    Finding,
    file_system,
    look_at_people,
    look_at_rota,
    look_at_settings,
    look_at_sites,
    look_at_sqlite,
    look_over,
)
from nightround.installation import install
from nightround.register.log import NewEntry, append
from nightround.settings import load
from nightround.store.database import Store, open_store
from nightround.store.tables import people, person_roles, person_sites, rota, sites, units

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SETTINGS = load(None)


@dataclass
class Home:
    """A sound installation: one unit with a site contact, a coordinator and somebody on call."""

    folder: Path
    store: Store

    def found(self) -> list[Finding]:
        return list(look_over(Desk(str(self.folder / "nightround.toml"), False, lambda: NOW)))


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = install(tmp_path / "fleet", {"mail.security": "plain"}, NOW)
    store = open_store(load(made.settings).database_url())
    with store.write() as conn:
        _sound(conn)
    yield Home(made.folder, store)
    store.close()


def _sound(conn: Connection) -> None:
    conn.execute(insert(sites).values(id=1, site="MILL", time_zone="Europe/Berlin", country="DE"))
    conn.execute(insert(units).values(id=1, unit="MILL-01", site_id=1, spot="hall", model="TL-5", label="a"))
    for number, role in enumerate(("coordinator", "site-contact", "on-call"), start=1):
        address = f"{role}@example.org"
        conn.execute(insert(people).values(id=number, person=f"P{number}", name="Ada", email=address))
        conn.execute(insert(person_roles).values(person_id=number, role=role))
    conn.execute(insert(person_sites).values(person_id=2, site_id=1))
    conn.execute(update(people).where(people.c.id == 3).values(whole_fleet=True))


def _one(found: list[Finding], where: str) -> Finding:
    assert [finding.where for finding in found] == [where], found
    assert found[0].cure
    return found[0]


def test_a_sound_installation_gives_nothing(home: Home) -> None:
    assert home.found() == []


def test_a_key_that_others_can_read_is_found(home: Home) -> None:
    (home.folder / "nightround.key").chmod(0o644)
    assert "0644" in _one(home.found(), "key_file").found


def test_a_missing_key_is_found(home: Home) -> None:
    (home.folder / "nightround.key").unlink()
    _one(home.found(), "key_file")


def test_settings_that_cannot_be_read_are_the_only_finding(home: Home) -> None:
    (home.folder / "nightround.toml").write_text("[mail]\nhots = 1\n")
    assert "mail.hots" in _one(home.found(), "settings").found


@pytest.mark.parametrize(
    ("line", "where"),
    [
        ('[web]\nbase_url = "http://aed.example.org"', "web.base_url"),
        ('[mail]\nsecurity = "plain"\nhost = "mail.example.org"', "mail.security"),
        ('[fleet]\ncountry = "XQ"', "fleet.country"),
        ('[rules]\npacks = ["no-such-pack"]', "rules"),
    ],
)
def test_settings_that_would_do_harm_are_found(home: Home, line: str, where: str) -> None:
    (home.folder / "nightround.toml").write_text(line)
    _one(home.found(), where)


def test_this_machine_needs_neither_https_nor_tls(home: Home) -> None:
    (home.folder / "nightround.toml").write_text(
        '[mail]\nsecurity = "plain"\nhost = "::1"\n[web]\nbase_url = "http://localhost:8470"'
    )
    assert list(look_at_settings(load(home.folder / "nightround.toml"))) == []


def test_a_database_that_is_empty_or_gone_is_found(home: Home) -> None:
    home.store.close()
    (home.folder / "nightround.db").unlink()
    assert "empty" in _one(home.found(), "database").found


def test_a_database_that_cannot_be_reached_is_found(home: Home) -> None:
    settings = home.folder / "nightround.toml"
    settings.write_text(settings.read_text() + '\n[database]\nurl = "postgresql://u@127.0.0.1:1/x"\n')
    settings.write_text(settings.read_text().replace("[database]\n# Where", "# Where", 1))
    assert "cannot be used" in _one(home.found(), "database").found


def test_a_changed_log_is_found(home: Home) -> None:
    with home.store.write() as conn:
        append(conn, NewEntry(1, NOW, "check", "P2", {"self-test": "fault"}), NOW)
        conn.execute(text('UPDATE log SET readings = \'{"self-test":"ok"}\''))
    assert "changed" in _one(home.found(), "log entry 1").found


def test_a_model_without_a_sheet_and_a_unit_without_a_model_are_found(home: Home) -> None:
    with home.store.write() as conn:
        for number, model in ((2, "Bexwater 2"), (3, "")):
            conn.execute(
                insert(units).values(id=number, unit=f"U{number}", site_id=1, spot="x", model=model, label=str(number))
            )
    assert [finding.where for finding in home.found()] == ["units", "model Bexwater 2"]


def test_a_site_nobody_looks_after_a_zone_nobody_knows_and_a_unit_without_a_spot_are_found(home: Home) -> None:
    with home.store.write() as conn:
        conn.execute(insert(sites).values(id=2, site="FAR", time_zone="Mars/Olympus", country="XX"))
        conn.execute(insert(units).values(id=2, unit="FAR-01", site_id=2, model="TL-5", label="b"))
    with home.store.read() as conn:
        assert [finding.where for finding in look_at_sites(conn)] == ["site FAR", "site FAR", "site FAR", "unit FAR-01"]


def test_one_contact_for_the_whole_fleet_looks_after_every_site(home: Home) -> None:
    with home.store.write() as conn:
        conn.execute(insert(sites).values(id=2, site="FAR", time_zone="UTC", country="GB"))
        conn.execute(insert(units).values(id=2, unit="FAR-01", site_id=2, spot="x", model="TL-5", label="b"))
        conn.execute(update(people).where(people.c.id == 2).values(whole_fleet=True))
    assert home.found() == []


def test_people_whom_no_letter_can_reach_are_found(home: Home) -> None:
    with home.store.write() as conn:
        conn.execute(update(people).where(people.c.id == 3).values(email=""))
    with home.store.read() as conn:
        assert [finding.where for finding in look_at_people(conn)] == ["person P3", "people"]


def test_many_of_one_kind_are_counted_not_listed(home: Home) -> None:
    with home.store.write() as conn:
        for number in range(10, 60):
            conn.execute(insert(people).values(id=number, person=f"P{number}", name="Ada"))
            conn.execute(insert(person_roles).values(person_id=number, role="manager"))
    with home.store.read() as conn:
        found = list(look_at_people(conn))
    assert len(found) == 21
    assert found[-1].where.startswith("30 more like person P")


def test_a_gap_in_the_rota_is_found_thirty_days_ahead(home: Home) -> None:
    shifts = [(-2, 5), (3, 10), (12, 20), (20, 31)]
    with home.store.write() as conn:
        for start, end in shifts:
            conn.execute(
                insert(rota).values(
                    person_id=3, from_at=NOW + timedelta(days=start), until_at=NOW + timedelta(days=end)
                )
            )
    found = _one(home.found(), "rota").found
    assert "2026-12-05 09:00 UTC to 2026-12-07 09:00 UTC" in found


def test_a_rota_that_ends_soon_is_found_and_none_at_all_is_not(home: Home) -> None:
    with home.store.read() as conn:
        assert list(look_at_rota(conn, SETTINGS, NOW)) == []
    with home.store.write() as conn:
        conn.execute(insert(rota).values(person_id=3, from_at=NOW, until_at=NOW + timedelta(days=29)))
    with home.store.read() as conn:
        assert len(list(look_at_rota(conn, SETTINGS, NOW))) == 1


MOUNTS = """\
/dev/sda1 / ext4 rw 0 0
server:/export /srv/fleet nfs4 rw,vers=4.2 0 0
//server/share /mnt/with\\040space cifs rw 0 0
/dev/sdb1 /srv/fleet/local xfs rw 0 0
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/srv/fleet/nightround.db", "nfs4"),
        ("/srv/fleet/local/nightround.db", "xfs"),
        ("/srv/fleets/nightround.db", "ext4"),
        ("/mnt/with space/nightround.db", "cifs"),
    ],
)
def test_the_file_system_is_that_of_the_innermost_mount(path: str, kind: str) -> None:
    assert file_system(Path(path), MOUNTS) == kind


def test_sqlite_on_a_network_share_is_found_and_the_share_is_named(home: Home) -> None:
    with home.store.read() as conn:
        found = list(look_at_sqlite(conn, Path("/srv/fleet/nightround.db"), MOUNTS))
    assert "network share (nfs4)" in _one(found, "database").found


def test_a_damaged_file_is_found(home: Home) -> None:
    home.store.close()
    with sqlite3.connect(home.folder / "nightround.db") as conn:
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("UPDATE sqlite_master SET rootpage = 2 WHERE name = 'ix_moves_at'")
    conn.close()
    assert any("damaged" in finding.found for finding in home.found())


def _run(*words: str) -> Result:
    """A command on the day of these tests: in a year every pack will have to be read anew."""
    return CliRunner().invoke(cli.cli, words, standalone_mode=False, obj=cli.Given(lambda: NOW, None))


def test_the_command_lists_what_it_finds_and_exits_3(home: Home) -> None:
    settings = home.folder / "nightround.toml"
    settings.write_text(settings.read_text().replace("# port = 587", "port = 1"))
    result = _run("--config", str(settings), "--json", "verify")
    assert result.return_value == 3
    found = json.loads(result.stdout)
    assert [finding["where"] for finding in found] == ["mail"]
    assert "127.0.0.1:1" in found[0]["found"]


def test_a_test_letter_that_cannot_leave_is_a_finding(home: Home) -> None:
    settings = home.folder / "nightround.toml"
    settings.write_text(settings.read_text().replace("# port = 587", "port = 1"))
    result = _run("--config", str(settings), "--json", "verify", "--mail-to", "ada@example.org")
    assert result.return_value == 3
    assert [finding["where"] for finding in json.loads(result.stdout)] == ["mail"]
