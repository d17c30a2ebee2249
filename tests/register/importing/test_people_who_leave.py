"""Certificates, wanted responders and last days come in by file, and are reckoned at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.register.office import Office, write

SITES = "site | name | time_zone | country | First aiders wanted\nMILL | Saltby Mill | Europe/London | GB | 1"
UNITS = "unit | site\nMILL-01 | MILL"
PEOPLE = """
person | name | email | roles | sites | Ausgeschieden am
ada | Ada | ada@example.org | responder | MILL |
ben | Ben | ben@example.org | site-contact | MILL | 2026-11-24
cora | Cora | cora@example.org | coordinator | * |
"""
TRAINING = "person | certificate | issued_on | valid_to\nada | First aid at work | 2023-12-01 |"


@pytest.fixture
def folder(office: Office, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    office.bring(write(folder, sites=SITES, units=UNITS, people=PEOPLE, training=TRAINING))
    return folder


def _owed(office: Office) -> dict[str, tuple[str, str | None]]:
    found = office.run("duties", "--site", "MILL").document
    return {
        one["kind"] + (f" {one['person']}" if one["person"] else ""): (one["standing"], one["last_good_day"])
        for one in found
        if one["unit"] is None
    }


def test_an_import_is_reckoned_at_once(office: Office, folder: Path) -> None:
    # HSE L74: three years from 2023-12-01; the refresher was recommended a year after
    assert _owed(office) == {
        "certificate ada": ("open", "2026-12-01"),
        "refresher ada": ("open", "2024-12-01"),
        "responders": ("open", "2026-12-01"),
        "no-contact": ("overdue", "2026-11-24"),
    }
    today = office.run("today").document
    assert (today["without_contact"], today["short_of_responders"]) == (["MILL"], [])
    asked = {one["kind"] for one in office.run("duties", "--on", "2026-12-02", "--standing", "overdue").document}
    assert {"certificate", "responders", "no-contact"} <= asked
    assert office.bring(folder).document["reckoned"] is None  # the same file again changes nothing


def test_a_new_certificate_and_another_contact_put_it_right(office: Office, folder: Path) -> None:
    people = PEOPLE + "dora | Dora | dora@example.org | site-contact | MILL |\n"
    training = TRAINING + "\nada | First aid at work | 2026-11-20 | 2028-01-31"
    answer = office.bring(write(folder, people=people, training=training))
    assert answer.document["reckoned"]["cases_closed"] == 1
    assert _owed(office) == {
        "certificate ada": ("ahead", "2028-01-31"),
        "refresher ada": ("ahead", "2027-11-20"),
        "responders": ("ahead", "2028-01-31"),
    }


def test_a_number_that_is_none_is_refused(office: Office, folder: Path) -> None:
    answer = office.run("import", write(folder, sites=SITES.replace("GB | 1", "GB | 1.5")))
    assert (answer.status, answer.problems()) == (
        2,
        [("sites.csv", 2, "First aiders wanted", "is not a whole number from 0 to 1000; write how many")],
    )


def test_person_leave_and_list(office: Office, folder: Path) -> None:
    left = office.run("person", "leave", "ada", "--on", "2026-11-24", "--replaced-by", "cora").document
    assert (left["left_on"], left["replaced_by"], left["taken_over"]) == ("2026-11-24", "cora", [])
    assert "certificate ada" not in _owed(office)
    assert _owed(office)["responders"] == ("overdue", "2026-11-24")
    listed = {one["person"]: one for one in office.run("person", "list").document}
    assert (listed["ada"]["has_left"], listed["ada"]["in_date_until"]) == (True, "2026-12-01")
    assert [one["person"] for one in office.run("person", "list", "--left").document] == ["ada", "ben"]
    assert office.run("person", "leave", "nobody").status == 2
    back = office.run("person", "leave", "ben", "--stays").document
    assert (back["left_on"], back["before"]) == (None, "2026-11-24")
    assert "no-contact" not in _owed(office)
    assert "no-contact" not in office.say("person", "leave", "ben", "--on", "2027-01-31").err
    assert _owed(office)["no-contact"] == ("ahead", "2027-01-31")


def test_verify_says_which_sites_are_without_contact(office: Office, folder: Path) -> None:
    found = [(one["where"], one["found"]) for one in office.run("verify").document]
    why = "last day of ben: 2026-11-24; nobody who can be reached is named after that"
    assert ("site MILL", f"is without contact: {why}") in found
    assert ("site MILL", "has units but no site contact") in found


def test_the_weekly_letter_and_the_feed_name_them(office: Office, folder: Path) -> None:
    (office.folder / "nightround.key").write_bytes(b"k" * 43)
    text = office.say("letter", "--to", "cora").out
    assert "people, Saltby Mill" in text
    assert "Without contact: nobody is left for the site" in text
    later = office.say("letter", "--to", "cora", "--week", "2026-W50").out
    assert "Certificate of Ada (ada): First aid at work" in later
    feed = office.run("calendar", "add", "--person", "ada").document
    out = folder.parent / "ada.ics"
    office.run("calendar", "write", feed["id"], "--out", out)
    events = out.read_text("utf-8").replace("\r\n ", "")
    assert "SUMMARY:Certificate of Ada (ada): First aid at work – Saltby Mill" in events
    assert "DTSTART;VALUE=DATE:20261201" in events
