"""`duties --on DATE` says what a round on that day stores, every duty of it: units, people, sites and their spares."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from nightround.demo.fleet import write_fleet
from tests.register.office import Office, write

DAYS = ("2026-11-25", "2026-12-31", "2027-03-28", "2028-02-29", "2031-07-01")


@pytest.fixture
def demo(office: Office) -> Office:
    """The demo fleet, and at each kind of place besides a spare that will run out."""
    write_fleet(office.folder / "demo", 60, 1, date(2026, 11, 25), lambda done, total: None)
    office.bring(office.folder / "demo")
    codes = [site for (site,) in office.rows("SELECT site FROM sites ORDER BY site")]
    spares = "\n".join(f" | {site} | battery | spare | 2027-0{1 + n % 6}-15" for n, site in enumerate(codes))
    office.bring(write(office.folder / "more", parts=f"unit | site | kind | state | label_date\n{spares}"))
    return office


def test_every_duty_is_the_one_that_the_round_stores(demo: Office) -> None:
    for day in DAYS:
        asked = demo.run("duties", "--on", day)
        assert asked.status == 0, asked.err
        assert demo.run("round", "--on", day).status in (0, 3)
        stored = demo.run("duties").document
        assert len(stored) > 300
        assert _sorted(asked.document) == _sorted(stored), day
        # In one order too, and for one site as for all.
        site = demo.rows("SELECT site FROM sites ORDER BY site LIMIT 1")[0][0]
        assert demo.run("duties", "--on", day, "--site", site).document == demo.run("duties", "--site", site).document


def _sorted(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(found, key=repr)


def test_what_cannot_be_reckoned_is_set_aside_and_said_on_any_day(demo: Office) -> None:
    """The rest is answered: one unit with impossible facts keeps nothing back."""
    with demo.store.write() as conn:
        conn.exec_driver_sql("UPDATE evidence SET looked_on = '9999-12-31' WHERE unit_id = 1")
    answer = demo.run("duties", "--on", "2027-03-28")
    assert answer.status == 0
    assert "set aside: unit" in answer.err
    assert len(answer.document) > 300
