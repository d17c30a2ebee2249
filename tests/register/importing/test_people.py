"""People, their certificates and the rota: who is asked and told, and in which clock they count."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.register.office import Office, write

SITES = """
site | name | time_zone | country
MILL | Saltby Mill | Europe/London | GB
HALL | Hall | Europe/London | GB
"""
HEADING = "person | name | email | roles | sites | time_zone\n"


@pytest.fixture
def folder(office: Office, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    office.bring(write(folder, sites=SITES))
    return folder


def _reach(office: Office) -> dict[str, tuple[bool, set[str], set[str]]]:
    """Person → whether the whole fleet is theirs, their sites, their roles."""
    whole = {person: bool(said) for person, said in office.rows("SELECT person, whole_fleet FROM people")}
    sites = office.rows(
        "SELECT person, site FROM person_sites JOIN people p ON p.id = person_id JOIN sites s ON s.id = site_id"
    )
    roles = office.rows("SELECT person, role FROM person_roles r JOIN people p ON p.id = r.person_id")
    return {
        person: (whole[person], {s for p, s in sites if p == person}, {r for p, r in roles if p == person})
        for person in whole
    }


def test_who_leads_or_is_on_call_has_the_whole_fleet_where_no_site_is_named(office: Office, folder: Path) -> None:
    rows = (
        "cora | Cora | | coordinator | |\n"
        "mara | Mara | | manager | * |\n"
        "otto | Otto | | on-call | MILL |\n"
        "ben | Ben | | site-contact | |\n"
        "rosa | Rosa | | responder | HALL; MILL |\n"
        "stan | Stan | | site-contact | * |\n"
        "nils | Nils | | | HALL |\n"
    )
    answer = office.bring(write(folder, people=HEADING + rows))
    assert _reach(office) == {
        "cora": (True, set(), {"coordinator"}),
        "mara": (True, set(), {"manager"}),
        "otto": (False, {"MILL"}, {"on-call"}),
        "ben": (False, set(), {"site-contact"}),
        "rosa": (False, {"HALL", "MILL"}, {"responder"}),
        "stan": (True, set(), {"site-contact"}),
        "nils": (False, {"HALL"}, set()),
    }
    (remark,) = [remark for remark in answer.document["remarks"] if "nothing is asked" in remark]
    assert "ben has no site" in remark and "nils has no role" in remark and "rosa" not in remark
    assert office.bring(folder).document["changes"] == []


def test_roles_and_sites_are_replaced_by_what_the_file_says(office: Office, folder: Path) -> None:
    office.bring(write(folder, people=HEADING + "otto | Otto | | on-call; responder | MILL; HALL |\n"))
    answer = office.bring(write(folder, people=HEADING + "otto | Otto | | on-call | HALL |\n"))
    assert answer.changes() == [
        ("otto", "roles", "on-call; responder", "on-call"),
        ("otto", "sites", "HALL; MILL", "HALL"),
    ]
    assert _reach(office) == {"otto": (False, {"HALL"}, {"on-call"})}


def test_without_columns_for_them_roles_and_sites_stay(office: Office, folder: Path) -> None:
    office.bring(write(folder, people=HEADING + "otto | Otto | | on-call | MILL |\n"))
    answer = office.bring(write(folder, people="person | phone\notto | 0123 456"))
    assert answer.changes() == [("otto", "phone", "", "0123 456")]
    assert _reach(office) == {"otto": (False, {"MILL"}, {"on-call"})}


def test_a_site_with_a_comma_in_its_code_can_be_named_in_a_list(office: Office, folder: Path) -> None:
    units = 'unit,building\nU1,"Town hall, main house"\n'
    (folder / "sites.csv").unlink()
    (folder / "units.csv").write_text(units)
    office.bring(folder)
    (folder / "people.csv").write_text(
        'person,name,roles,sites\notto,Otto,on-call,"HALL; Town hall, main house; MILL"\n'
    )
    office.bring(folder)
    assert _reach(office)["otto"][1] == {"HALL", "Town hall, main house", "MILL"}


def test_a_mail_address_that_is_none_is_a_problem(office: Office, folder: Path) -> None:
    rows = "otto | Otto | otto@@example.org | on-call | |\nada | Ada | ada@example.org | manager | |\n"
    answer = office.run("import", write(folder, people=HEADING + rows))
    assert [problem[:3] for problem in answer.problems()] == [("people.csv", 2, "email")]


def test_a_certificate_is_known_by_person_course_and_day(office: Office, folder: Path) -> None:
    people = HEADING + "rosa | Rosa | | responder | HALL |\n"
    heading = "person | certificate | issued_on | valid_to\n"
    first = heading + "rosa | Life support | 2024-03-01 | 2026-03\nrosa | First aid | | \n"
    assert office.bring(write(folder, people=people, training=first)).counts("training") == (2, 0, 0, 0)
    again = heading + "rosa | Life support | 2024-03-01 | 2026-03\nrosa | Life support | 2026-03-02 | 2028-03\n"
    answer = office.bring(write(folder, training=again + "rosa | First aid | 2025-05-05 | 2027-05-04"))
    assert answer.counts("training") == (1, 1, 1, 0)
    assert answer.changes() == [
        ("rosa First aid", "issued_on", "", "2025-05-05"),
        ("rosa First aid", "valid_to", "", "2027-05-04"),
    ]
    rows = office.rows("SELECT certificate, issued_on, valid_to, last_good_day FROM training ORDER BY issued_on")
    assert [tuple(map(str, row)) for row in rows] == [
        ("Life support", "2024-03-01", "2026-03", "2026-03-31"),
        ("First aid", "2025-05-05", "2027-05-04", "2027-05-04"),
        ("Life support", "2026-03-02", "2028-03", "2028-03-31"),
    ]


def test_a_certificate_of_somebody_unknown_is_a_problem(office: Office, folder: Path) -> None:
    people = HEADING + "rosa | Rosa | | responder | HALL |\n"
    answer = office.run("import", write(folder, people=people, training="person | certificate\nrose | First aid"))
    assert [problem[:3] for problem in answer.problems()] == [("training.csv", 2, "person")]
    assert "did you mean rosa?" in answer.problems()[0][3]


def _shifts(office: Office) -> list[tuple[str, str, str]]:
    rows = office.rows(
        "SELECT person, from_at, until_at FROM rota r JOIN people p ON p.id = r.person_id ORDER BY from_at"
    )
    return [(person, str(start)[:16], str(end)[:16]) for person, start, end in rows]


def test_local_times_of_the_rota_are_those_of_the_person(small_office: Office, tmp_path: Path) -> None:
    people = HEADING + (
        "ada | Ada | | on-call | | Asia/Tokyo\nben | Ben | | on-call | MILL |\ncy | Cy | | on-call | |\n"
    )
    rota = (
        "person | from | until\n"
        "ada | 2026-12-01 08:00 | 2026-12-01 20:00\n"  # Tokyo, by her own zone
        "ben | 2026-07-01 08:00 | 2026-07-01 20:00\n"  # London in summer, by his site
        "cy | 2026-12-02 | 2026-12-03\n"  # London, the fleet's only zone; two whole days
        "cy | 2026-12-05T08:00+05:00 | 2026-12-06T08:00Z\n"
    )
    answer = small_office.bring(write(tmp_path / "files", sites=SITES, people=people, rota=rota))
    assert _shifts(small_office) == [
        ("ben", "2026-07-01 07:00", "2026-07-01 19:00"),
        ("ada", "2026-11-30 23:00", "2026-12-01 11:00"),
        ("cy", "2026-12-02 00:00", "2026-12-04 00:00"),
        ("cy", "2026-12-05 03:00", "2026-12-06 08:00"),
    ]
    assert any("read as Europe/London for ben, cy" in remark for remark in answer.document["remarks"])


def test_a_shift_that_was_moved_to_another_is_pointed_out_and_can_be_taken_out(office: Office, folder: Path) -> None:
    people = HEADING + "ada | Ada | | on-call | |\nben | Ben | | on-call | |\n"
    heading = "person | from | until\n"
    ada = "ada | 2026-12-01T08:00Z | 2026-12-08T08:00Z\n"
    ben = "ben | 2026-12-08T08:00Z | 2026-12-15T08:00Z\n"
    office.bring(write(folder, people=people, rota=heading + ada + ben))
    other = "ada | 2026-12-08T08:00Z | 2026-12-15T08:00Z\n"
    answer = office.bring(write(folder, rota=heading + ada + other))
    assert answer.missing() == ["rota: ben from 2026-12-08T08:00Z"]
    out = "ben | 2026-12-08T08:00Z | 2026-12-08T08:00Z\n"
    answer = office.bring(write(folder, rota=heading + ada + other + out))
    assert answer.missing() == []
    assert [change[1] for change in answer.changes()] == ["until_at"]
    assert office.bring(write(folder, rota=heading + ada + other)).missing() == []


def test_a_shift_cannot_end_before_it_begins(office: Office, folder: Path) -> None:
    people = HEADING + "ada | Ada | | on-call | |\n"
    rota = "person | from | until\nada | 2026-12-02T08:00Z | 2026-12-01T08:00Z"
    answer = office.run("import", write(folder, people=people, rota=rota))
    assert [problem[:3] for problem in answer.problems()] == [("rota.csv", 2, "until")]
