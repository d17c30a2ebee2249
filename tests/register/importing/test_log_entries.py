"""The log by import: each entry once, at the instant the site's clock showed, and evidence as if it had been typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from nightround.register.log import verify_chain
from tests.register.office import Office, write

SITES = "site | name | time_zone | country\nMILL | Saltby Mill | America/New_York | US"
UNITS = "unit | site\nU1 | MILL\nU2 | MILL"
PEOPLE = "person | name | roles | sites\nben | Ben Sorrel | site-contact | MILL"
HEADING = "unit | at | entry | by | readings | part | note | number | strikes\n"


@pytest.fixture
def folder(office: Office, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    office.bring(write(folder, sites=SITES, units=UNITS, people=PEOPLE))
    return folder


def _at(office: Office) -> list[str]:
    return [str(at)[:16] for (at,) in office.rows("SELECT at FROM log ORDER BY id")]


def _whole(office: Office) -> bool:
    with office.store.read() as conn:
        return verify_chain(conn) is None


def test_a_time_without_a_zone_is_the_sites(office: Office, folder: Path) -> None:
    rows = (
        "U1 | 2026-07-02 10:30 | check | ben | self-test=ok | | |\n"
        "U1 | 2026-11-02 10:30 | check | ben | self-test=ok | | |\n"
        "U1 | 2026-11-02T10:30+01:00 | check | ben | self-test=ok | | |\n"
        "U1 | 2026-11-03 | check | ben | self-test=ok | | |\n"
        "U1 | 2026-11-01 01:30 | check | ben | self-test=ok | | |\n"  # shown twice: the first, in summer time
        "U1 | 2026-03-08 02:30 | check | ben | self-test=ok | | |\n"  # skipped: by the offset before it
    )
    office.bring(write(folder, log=HEADING + rows))
    assert _at(office) == [
        "2026-07-02 14:30",
        "2026-11-02 15:30",
        "2026-11-02 09:30",
        "2026-11-03 05:00",
        "2026-11-01 05:30",
        "2026-03-08 07:30",
    ]
    assert _whole(office)
    assert office.bring(folder).counts("log") == (0, 0, 6, 0)


def test_the_same_entry_twice_in_a_file_is_one(office: Office, folder: Path) -> None:
    twice = "U1 | 2026-11-02 10:30 | check | ben | self-test=ok; battery=3/4 | | |\n"
    twice += "U1 | 2026-11-02 10:30 | check | ben | battery=3/4; self-test=ok | | |\n"
    assert office.bring(write(folder, log=HEADING + twice)).counts("log") == (1, 0, 1, 0)
    assert office.rows("SELECT count(*) FROM log") == [(1,)]


def test_a_longer_log_adds_what_is_new_and_leaves_the_rest(office: Office, folder: Path) -> None:
    first = "U1 | 2026-11-02 10:30 | check | ben | self-test=ok | | |\n"
    office.bring(write(folder, log=HEADING + first))
    before = office.rows("SELECT hash FROM log")
    more = "U2 | 2026-11-03 10:30 | fault | | | | beeps |\n" + first
    answer = office.bring(write(folder, log=HEADING + more))
    assert answer.counts("log") == (1, 0, 1, 0)
    assert answer.document["reckoned"]["units"] == 1
    assert office.rows("SELECT hash FROM log WHERE id = 1") == before
    assert _whole(office)


def test_entries_become_evidence_at_once(office: Office, folder: Path) -> None:
    rows = "U1 | 2026-11-20 10:30 | check | ben | self-test=ok; battery=1/4 | | |\n"
    rows += "U2 | 2026-11-21 10:30 | fault | | | | red light |\n"
    parts = "unit | kind | state | label_date\nU1 | battery | fitted | 2029-06"
    office.bring(write(folder, log=HEADING + rows, parts=parts))
    duties = office.run("duties", "--unit", "U1").document
    assert next(duty for duty in duties if duty["kind"] == "battery")["standing"] == "order now"
    found = office.run("today").document
    assert found["conditions"]["not to be relied on"] == 1


def test_a_correction_is_carried_by_number(office: Office, folder: Path) -> None:
    rows = (
        "U1 | 2026-11-20 10:30 | struck | ben | | | typed for the wrong unit | 9 | 4\n"
        "U1 | 2026-11-18 10:30 | check | ben | self-test=ok | | | 3 |\n"
        "U1 | 2026-11-19 10:30 | fault | ben | | | red light | 4 |\n"
    )
    office.bring(write(folder, log=HEADING + rows))
    ids = dict(office.rows("SELECT entry, id FROM log"))
    assert office.rows("SELECT strikes FROM log WHERE entry = 'struck'") == [(ids["fault"],)]
    assert office.rows("SELECT fault_on FROM evidence") == [(None,)]
    assert office.bring(folder).counts("log") == (0, 0, 3, 0)


def test_what_a_correction_must_say(office: Office, folder: Path) -> None:
    rows = (
        "U1 | 2026-11-18 10:30 | check | ben | self-test=ok | | | 3 |\n"
        "U1 | 2026-11-20 10:30 | struck | ben | | | why | 9 |\n"
        "U1 | 2026-11-20 10:31 | struck | ben | | | why | 10 | 77\n"
        "U2 | 2026-11-20 10:32 | struck | ben | | | why | 11 | 3\n"
        "U1 | 2026-11-20 10:33 | check | ben | self-test=ok | | | 3 |\n"
    )
    problems = office.run("import", write(folder, log=HEADING + rows)).problems()
    assert [(row, column) for _, row, column, _ in problems] == [
        (3, "strikes"), (4, "strikes"), (5, "strikes"), (6, "number")
    ]  # fmt: skip


def test_the_future_and_the_unknown_are_refused(office: Office, folder: Path) -> None:
    rows = (
        "U1 | 2026-11-25T09:04Z | check | ben | self-test=ok | | |\n"  # a clock may be a little ahead of ours
        "U1 | 2026-11-25T09:06Z | check | ben | self-test=ok | | |\n"
        "U9 | 2026-11-20 10:30 | check | ben | self-test=ok | | |\n"
        "U1 | 2026-11-20 10:30 | check | bob | self-test=ok | | |\n"
        "U1 | 2026-11-20 10:30 | polish | ben | self-test=ok | | |\n"
        "U1 | 2026-11-20 10:30 | check | ben | self-test=maybe | | |\n"
        "U1 | 2026-11-20 10:30 | ordered | ben | | kind=battery; expected=soon | |\n"
        "U1 | 2026-11-20 10:30 | fitted | ben | | colour=red | |\n"
        "U1 | 2026-11-20 10:30 | corrected | ben | | | |\n"
    )
    answer = office.run("import", write(folder, log=HEADING + rows))
    assert [(row, column) for _, row, column, _ in answer.problems()] == [
        (3, "at"), (4, "unit"), (5, "by"), (6, "entry"), (7, "readings"), (8, "part"), (9, "part"), (10, "readings")
    ]  # fmt: skip
    assert office.rows("SELECT count(*) FROM log") == [(0,)]


def test_what_the_log_of_a_file_fitted_is_fitted(office: Office, folder: Path) -> None:
    rows = "U1 | 2026-11-20 10:30 | fitted | ben | | kind=battery; lot=B1 | |\n"
    office.bring(write(folder, log=HEADING + rows))
    assert json.loads(office.rows("SELECT part FROM log")[0][0]) == {"kind": "battery", "lot": "B1"}
    ((kind, state, lot, fitted_on),) = office.rows("SELECT kind, state, lot, fitted_on FROM parts")
    assert (kind, state, lot, str(fitted_on)) == ("battery", "fitted", "B1", "2026-11-20")


def test_what_somebody_wrote_counts_once_they_are_known(office: Office, folder: Path) -> None:
    # The page of a unit takes what a code says; the register may get to know the person later.
    from datetime import UTC, datetime

    from nightround.register.evidence import refresh
    from nightround.register.log import NewEntry, append

    with office.store.write() as conn:
        at = datetime(2026, 11, 20, 12, tzinfo=UTC)
        append(conn, NewEntry(1, at, "check", "mia", {"self-test": "ok"}), at)
        refresh(conn, [1])
    assert office.rows("SELECT looked_on FROM evidence") == [(None,)]
    office.bring(write(folder, people=PEOPLE + "\nmia | Mia | site-contact | MILL"))
    assert str(office.rows("SELECT looked_on FROM evidence")[0][0]) == "2026-11-20"
