"""The weekly letter tells of rules to come at the reader's sites, and of no others."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

from sqlalchemy import update

from nightround.letters import weekly
from nightround.store.tables import sites, units

from .build import Fleet, Mail, flat


def letters(fleet: Fleet) -> dict[str, Mail]:
    weekly.post_owed(fleet.program, fleet.program.clock())
    return {mail.key.split("/")[1]: mail for mail in fleet.mail("weekly")}


def two_countries(fleet: Fleet) -> None:
    """A quiet fleet: A sees everything, B only the site in Germany, C only the one in France."""
    fleet.site("BER", name="Spreeweg")
    fleet.site("PAR", name="Rue du Lac")
    fleet.person("A", "coordinator", whole=True)
    fleet.person("B", "coordinator", ["BER"], email="b@example.org")
    fleet.person("C", "coordinator", ["PAR"], email="c@example.org")
    fleet.round_done()
    fleet.unit("BER-01", "BER", "in service")
    fleet.unit("PAR-01", "PAR", "in service")
    with fleet.program.store.write() as conn:
        conn.execute(update(sites).where(sites.c.site == "BER").values(country="DE"))
        conn.execute(update(sites).where(sites.c.site == "PAR").values(country="FR"))
        conn.execute(update(units).values(in_service_on=None))
        conn.execute(update(units).where(units.c.unit == "PAR-01").values(in_service_on=date(2020, 1, 1)))


def test_a_rule_to_come_stands_in_the_letters_of_those_whose_units_it_touches(fleet: Fleet) -> None:
    # MPBetreibV §12(2) sentences 2 to 4, from 2027-01-01
    two_countries(fleet)
    found = letters(fleet)
    for reader in ("A", "B"):
        for body in (found[reader].text, re.sub(r"<[^>]+>", "", found[reader].html)):
            assert "Rules to come" in body
            assert "From 2027-01-01, in 37 days: Units for lay use put in service from 2027" in flat(body)
            assert "It will touch 1 unit: BER-01." in flat(body)
            assert "MPBetreibV §12(2) sentences 2 to 4" in flat(body)
            assert "this is not legal advice" in flat(body)
    assert "Rules to come" not in found["C"].text
    assert "Rules to come" not in found["C"].html


def test_a_faulty_pack_costs_the_section_and_not_the_letter(fleet: Fleet, tmp_path: Path) -> None:
    two_countries(fleet)
    (tmp_path / "broken.toml").write_text("[pack]\n", "utf-8")
    fleet.program.settings.rules.folder = tmp_path
    found = letters(fleet)
    assert set(found) == {"A", "B", "C"}
    assert "The rule packs cannot be read, so that no rule to come can be told here." in flat(found["C"].text)
