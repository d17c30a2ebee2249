"""Rules to come: announced ninety days ahead, with the units that they will touch and no others."""

from __future__ import annotations

from datetime import date

import pytest

from nightround.reckoning.rules import Rule, Subject
from nightround.rounds.announcing import announcements
from nightround.rounds.rulebook import load
from nightround.settings import Settings
from nightround.store.database import Store
from tests.reckoning.core.build import MONTHLY, d, rule
from tests.rounds.night.build import add_site, add_unit, book

TODAY = d("2026-11-25")
GERMAN = "de-remote-self-test-from-2027"


def coming(name: str = "coming", start: str = "2027-01-01", **more: object) -> Rule:
    return rule(name, Subject.LOOK, MONTHLY, effective_from=d(start), **more)


def test_germanys_rule_of_2027_is_announced_with_the_units_it_will_touch(store: Store) -> None:
    # MPBetreibV §12(2) sentences 2 to 4: units put in service from 2027-01-01; where the day is unknown, perhaps
    with store.write() as conn:
        berlin, paris = add_site(conn, "BER", country="DE"), add_site(conn, "PAR", "Europe/Paris", "FR")
        add_unit(conn, "BER-1", berlin, in_service_on=d("2026-12-31"))
        add_unit(conn, "BER-2", berlin, in_service_on=d("2027-01-01"))
        add_unit(conn, "BER-3", berlin, in_service_on=None)
        add_unit(conn, "PAR-1", paris, in_service_on=None)
    with store.read() as conn:
        (found,) = announcements(conn, load(Settings()), TODAY)
    assert (found.rule.id, found.starts_on, found.days_ahead) == (GERMAN, d("2027-01-01"), 37)
    assert found.sites == ("BER",)
    assert found.units == ("BER-2", "BER-3")
    assert found.day_unknown == ("BER-3",)
    said = found.sentence()
    assert said.startswith("From 2027-01-01, in 37 days: ")
    assert "MPBetreibV §12(2)" in said
    assert "verified 2026-11-25" in said
    assert "It will touch 2 units: BER-2, BER-3. No day of putting in service is recorded for BER-3" in said


def test_a_rule_that_touches_no_unit_of_today_is_announced_all_the_same(store: Store) -> None:
    with store.write() as conn:
        add_unit(conn, "BER-1", add_site(conn, "BER", country="DE"), in_service_on=d("2020-05-05"))
    with store.read() as conn:
        (found,) = announcements(conn, load(Settings()), TODAY)
    assert (found.sites, found.units) == (("BER",), ())
    assert found.sentence().endswith("It touches no unit on record today.")


@pytest.mark.parametrize(
    ("day", "announced"),
    [("2026-10-02", False), ("2026-10-03", True), ("2026-12-31", True), ("2027-01-01", False), ("2027-06-01", False)],
)
def test_it_is_announced_from_ninety_days_before_to_the_eve(store: Store, day: str, announced: bool) -> None:
    with store.write() as conn:
        add_unit(conn, "A-1", add_site(conn, "A"))
    with store.read() as conn:
        assert bool(announcements(conn, book(coming()), d(day))) is announced


def test_a_rule_touches_only_units_in_its_own_scope(store: Store) -> None:
    with store.write() as conn:
        for code, more in {
            "SCHOOL": {"country": "US", "subdivision": "MD", "site_type": "school"},
            "OFFICE": {"country": "US", "subdivision": "MD", "site_type": "office"},
            "OTHER": {"country": "US", "subdivision": "CA", "site_type": "school"},
        }.items():
            add_unit(conn, f"{code}-1", add_site(conn, code, **more))
    rules = book(coming(country="US", subdivision="MD", site_types=("school",)), coming("all", "2027-02-01"))
    with store.read() as conn:
        found = announcements(conn, rules, TODAY)
        assert [(item.rule.id, item.units) for item in found] == [
            ("coming", ("SCHOOL-1",)),
            ("all", ("OFFICE-1", "OTHER-1", "SCHOOL-1")),
        ]
        (one,) = announcements(conn, rules, TODAY, "OTHER")
    assert (one.rule.id, one.sites, one.units) == ("all", ("OTHER",), ("OTHER-1",))


def test_a_rule_that_is_replaced_on_its_first_day_is_not_announced_there(store: Store) -> None:
    with store.write() as conn:
        add_unit(conn, "SCHOOL-1", add_site(conn, "SCHOOL", site_type="school"))
        add_unit(conn, "OFFICE-1", add_site(conn, "OFFICE", site_type="office"))
    own = rule("own", Subject.LOOK, MONTHLY, site_types=("school",), replaces=("coming",))
    with store.read() as conn:
        (found,) = announcements(conn, book(coming(), own), TODAY)
    assert (found.sites, found.units) == (("OFFICE",), ("OFFICE-1",))


def test_nothing_is_announced_to_a_fleet_without_such_places(store: Store) -> None:
    with store.write() as conn:
        add_unit(conn, "PAR-1", add_site(conn, "PAR", "Europe/Paris", "FR"))
    with store.read() as conn:
        assert announcements(conn, load(Settings()), TODAY) == []


def test_the_answer_in_json_holds_days_and_codes(store: Store) -> None:
    with store.write() as conn:
        add_unit(conn, "A-1", add_site(conn, "A"))
    with store.read() as conn:
        (found,) = announcements(conn, book(coming(replaces=("house",))), TODAY)
    answer = found.as_dict()
    assert answer["starts_on"] == date(2027, 1, 1)
    assert (answer["units"], answer["replaces"], answer["owed"]) == (["A-1"], ["house"], "at least every month")
    assert answer["said"] == found.sentence()


def test_a_sentence_names_a_dozen_units_and_counts_the_rest(store: Store) -> None:
    with store.write() as conn:
        site = add_site(conn, "A")
        for n in range(15):
            add_unit(conn, f"A-{n:02}", site)
    with store.read() as conn:
        (found,) = announcements(conn, book(coming()), TODAY)
    assert len(found.units) == 15
    assert "15 units: A-00," in found.sentence()
    assert "A-11 and 3 more." in found.sentence()
