"""A day from which duties are reckoned has happened: one that is still to come everywhere is refused on import."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.conftest import Clock
from tests.register.office import Office, write

# 2026-11-25 12:30 in UTC: in Kiritimati (UTC+14) it is the 26th, in Honolulu (UTC-10) the early 25th.
NOW = datetime(2026, 11, 25, 12, 30, tzinfo=UTC)
SITES = "site | time_zone | country\nHNL | Pacific/Honolulu | US\nKIR | Pacific/Kiritimati | KI"
UNITS = "unit | site | {}\nU | HNL | {}"
PARTS = "unit | kind | state | label_date | fitted_on\nU | battery | fitted | 2030-01 | {}"


@pytest.fixture
def fleet(office: Office, clock: Clock) -> Office:
    clock.now = NOW
    return office


@pytest.mark.parametrize("options", [(), ("--accept-odd",)], ids=["plain", "insisting"])
@pytest.mark.parametrize("name", ["in_service_on", "registered_on", "fitted_on"])
@pytest.mark.parametrize("day", ["2026-11-27", "2062-01-01"])
def test_it_is_refused_in_one_sentence_whatever_is_insisted_on(
    fleet: Office, name: str, day: str, options: tuple[str, ...]
) -> None:
    if name == "fitted_on":
        folder = write(fleet.folder / "files", sites=SITES, units="unit | site\nU | HNL", parts=PARTS.format(day))
    else:
        folder = write(fleet.folder / "files", sites=SITES, units=UNITS.format(name, day))
    answer = fleet.run("import", folder, *options)
    assert answer.status == 2
    place = "parts.csv" if name == "fitted_on" else "units.csv"
    cure = f"{day} is still to come; write the day on which it happened, or leave the cell empty"
    assert answer.problems() == [(place, 2, name, cure)]


@pytest.mark.parametrize("name", ["in_service_on", "registered_on"])
def test_a_day_that_has_come_somewhere_is_taken(fleet: Office, name: str) -> None:
    """A unit put in service today in Kiritimati may stand tonight where that day has not begun."""
    fleet.bring(write(fleet.folder / "files", sites=SITES, units=UNITS.format(name, "2026-11-26")))


def test_what_is_on_record_is_not_asked_about_again_and_an_export_imports(fleet: Office) -> None:
    fleet.bring(write(fleet.folder / "files", sites=SITES, units=UNITS.format("in_service_on", "2026-11-25")))
    with fleet.store.write() as conn:
        conn.exec_driver_sql("UPDATE units SET in_service_on = '2062-01-01'")  # as an earlier version let it in
    assert fleet.run("export", fleet.folder / "out").status == 0
    again = fleet.bring(fleet.folder / "out")
    assert again.document["changes"] == []
    answer = fleet.run("import", write(fleet.folder / "files", units="unit | in_service_on\nU | 2061-01-01"))
    assert [problem[:3] for problem in answer.problems()] == [("units.csv", 2, "in_service_on")]


def test_a_certificate_that_was_issued_in_the_future_does_not_count(fleet: Office) -> None:
    fleet.bring(
        write(
            fleet.folder / "files",
            sites=SITES,
            people="person | email | roles | sites\nR1 | r1@example.org | responder | HNL",
            training="person | certificate | issued_on | valid_to\nR1 | Own course | 2062-01-01 | 2065-01-01",
        )
    )
    (person,) = fleet.run("person", "list").document
    assert person["in_date_until"] is None
