"""First aid, and a newer certificate of resuscitation alone: what the sheet `training` told, through the commands."""

from __future__ import annotations

from tests.register.office import Office, write


def test_resuscitation_trained_anew_puts_off_the_part_of_the_first_aid_certificate(office: Office) -> None:
    office.bring(
        write(
            office.folder / "files",
            sites="site | time_zone | country\nPERTH | Australia/Perth | AU",
            people="person | email | roles | sites\nR1 | r1@example.org | responder | PERTH",
            training="""
                person | certificate | issued_on
                R1     | First aid   | 2025-02-01
                R1     | CPR         | 2026-02-01
            """,
        )
    )
    found = {one["subject"]: one for one in office.run("duties", "--site", "PERTH").document}
    part = found["certificate of R1: First aid, CPR"]
    assert (part["standing"], part["last_good_day"]) == ("ahead", "2027-02-01")
    assert part["because"][0]["evidence"] == "CPR issued 2026-02-01"
