"""Who is told of an open case, how often, and what the letter says: once a person and day, never silently nobody."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import update

from nightround.letters import escalation, telling
from nightround.store.tables import cases, messages, people

from ...conftest import Clock
from .build import LABEL, Fleet, at, day, flat


def sweep(fleet: Fleet, on: date | None = None) -> int:
    return telling.sweep(fleet.program, fleet.program.clock(), on=on)


@pytest.fixture
def watched(fleet: Fleet) -> Fleet:
    """Two units with a case each, one person on call for their site."""
    return two_cases(fleet)


def two_cases(fleet: Fleet) -> Fleet:
    fleet.site("MILL", name="Mill Lane School")
    fleet.unit("M1", "MILL", "work due")
    fleet.unit("M2", "MILL", "not to be relied on", "fault since 2026-11-24: it beeps", spot="Sports hall")
    fleet.person("ON", "on-call", ["MILL"])
    fleet.round_done()
    fleet.duty("M1", "look", "overdue", day(-14))
    fleet.case("M1", good=day(-14))
    fleet.case("M2", "not-to-be-relied-on", reason="fault since 2026-11-24: it beeps")
    return fleet


def test_on_call_gets_one_letter_with_everything_worst_first(watched: Fleet) -> None:
    assert sweep(watched) == 1
    (mail,) = watched.mail()
    assert mail.key == "escalation/ON/2026-11-25/1"
    assert mail.subject == (
        "1 unit not to be relied on, 1 overdue – M2, Mill Lane School, since Wed 25 Nov 2026 [cases 1, 2]"
    )
    assert mail.text.index("NOT TO BE RELIED ON: M2") < mail.text.index("14 DAYS OVERDUE: M1")
    assert watched.told() == {("ON", 1, "0.0.0"), ("ON", 2, "0.0.0")}


def test_each_case_says_where_why_by_which_rule_what_to_do_and_who_knows(watched: Fleet) -> None:
    sweep(watched)
    mail = watched.mail()[0]
    text = flat(mail.text)
    assert "M2, Mill Lane School Sports hall, 1 MILL Street, model Tarnlight Five" in text
    assert "Why: Fault since Tue 24 Nov 2026: it beeps (source: the log)." in text
    assert "To do: Look at the unit. Follow its own prompts and its manual" in text
    assert (
        "Why: Look at the unit: 14 days overdue, last good day was Wed 11 Nov 2026. Because: Someone looks at each "
        "unit once a month (common practice) [1]; last done Sun 11 Oct 2026." in text
    )
    assert "source: the house rules; verified on Fri 20 Nov 2026" in text
    assert "To do: Look at the unit and record what you see" in text
    assert text.count("Nobody else has been told.") == 2
    assert "Leave a unit where it is until a replacement hangs there" in text
    assert f"Say that you have it: {watched.program.settings.web.base_url}/take/" in text


def test_it_is_urgent_and_cannot_be_unsubscribed(sqlite_fleet: Fleet) -> None:
    watched = two_cases(sqlite_fleet)
    sweep(watched)
    (mail,) = watched.mail()
    assert mail.urgent
    assert "List-Unsubscribe" not in mail.message
    assert "Stop this letter" not in mail.text + mail.html
    assert mail.message["Auto-Submitted"] == "auto-generated"


def test_it_goes_also_to_whoever_stopped_the_weekly_letter(watched: Fleet) -> None:
    with watched.program.store.write() as conn:
        conn.execute(update(people).values(letters_off=True))
    assert sweep(watched) == 1


def test_a_sweep_that_is_run_again_tells_nobody_again(watched: Fleet, clock: Clock) -> None:
    assert [sweep(watched), sweep(watched)] == [1, 0]
    clock.forward(hours=14)
    assert sweep(watched) == 0
    assert len(watched.told()) == 2


def test_it_comes_again_every_day_at_its_hour_until_the_case_is_closed(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    clock.now = at(2, 5)  # found by the night's round
    assert sweep(fleet) == 1
    clock.now = at(7, 30)
    assert sweep(fleet) == 0  # not again on the day of the first
    clock.now = at(2, 5, days=1)
    assert sweep(fleet) == 0  # nobody is reminded at night
    clock.now = at(7, 0, days=1)
    assert [sweep(fleet), sweep(fleet)] == [1, 0]
    fleet.all_sent()
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == 2).values(state="closed", closed_at=clock.now))
    clock.now = at(7, 0, days=2)
    assert sweep(fleet) == 2  # what is open still, and what is closed
    fleet.all_sent()
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == 1).values(state="closed", closed_at=clock.now))
    clock.now = at(7, 0, days=3)
    assert [sweep(fleet), sweep(fleet)] == [1, 0]
    clock.now = at(7, 0, days=4)
    assert sweep(fleet) == 0
    assert [mail.key for mail in fleet.mail()] == [
        "escalation/ON/2026-11-25/1",
        "escalation/ON/2026-11-26/1",
        "escalation/ON/2026-11-27/1",
        "closing/ON/2026-11-27/2",
        "closing/ON/2026-11-28/1",
    ]
    assert [mail.subject for mail in fleet.mail()] == [
        "1 unit not to be relied on, 1 overdue – M2, Mill Lane School, since Wed 25 Nov 2026 [cases 1, 2]",
        "Still open: 1 unit not to be relied on, 1 overdue – M2, Mill Lane School, since Wed 25 Nov 2026 [cases 1, 2]",
        "Still open: 1 overdue – M1, Mill Lane School, since Wed 11 Nov 2026 [case 1]",
        "Closed: M2, Mill Lane School [case 2]",
        "Closed: M1, Mill Lane School [case 1]",
    ]


def test_a_civil_date_that_is_given_is_the_step_whatever_the_hour(watched: Fleet) -> None:
    assert [sweep(watched, day(0)), sweep(watched, day(1)), sweep(watched, day(1)), sweep(watched, day(2))] == [
        1,
        1,
        0,
        1,
    ]
    assert {step for _, _, step in watched.told()} == {"0.0.0", "0.0.1", "0.0.2"}


def test_a_service_that_was_down_at_the_hour_still_reminds(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    assert sweep(fleet) == 1
    clock.now = at(3, 0, days=4)
    assert sweep(fleet) == 1


def test_the_day_is_that_of_the_persons_zone(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    fleet.person("TK", "on-call", ["MILL"], time_zone="Asia/Tokyo")
    clock.now = at(16)  # 01:00 on the 26th in Tokyo
    sweep(fleet)
    assert fleet.told() >= {("TK", 1, "0.0.0"), ("ON", 1, "0.0.0")}


def test_a_new_case_is_told_at_once_and_by_itself(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    sweep(fleet)
    fleet.unit("M3", "MILL", "work due")
    clock.now = at(23)
    fleet.case("M3", good=day(-2))
    assert sweep(fleet) == 1
    mail = fleet.mail()[-1]
    assert mail.key == "escalation/ON/2026-11-25/3"
    assert "M1" not in mail.text
    assert "You have not been told of it before." in mail.text
    clock.now = at(8, days=2)
    sweep(fleet)
    assert "You were told of them before; nothing has closed them since." in flat(fleet.mail()[-1].text)


def test_what_is_new_stands_out_among_what_is_repeated(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    clock.now = at(7)
    sweep(fleet)
    clock.now = at(9, days=1)
    fleet.unit("M3", "MILL", "work due")
    fleet.case("M3", good=day(-2), opened_on=day(1))
    sweep(fleet)
    mail = fleet.mail()[-1]
    assert mail.subject.startswith("1 unit not to be relied on, 2 overdue – M2")
    text = flat(mail.text)
    assert "1 of them is new since the last letter to you." in text
    assert "New to you; open since Thu 26 Nov 2026." in text
    assert text.count("New to you") == 1


def test_follow_ups_thread_to_the_first_and_the_last_letter_about_the_same_cases(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    for days in range(4):
        clock.now = at(7, days=days)
        sweep(fleet)
    ids = [mail.message["Message-ID"] for mail in fleet.mail()]
    assert [mail.message["References"] for mail in fleet.mail()] == [
        None,
        ids[0],
        f"{ids[0]} {ids[1]}",
        f"{ids[0]} {ids[2]}",
    ]
    assert [mail.message["In-Reply-To"] for mail in fleet.mail()] == [None, *ids[:3]]


def test_a_letter_about_other_cases_does_not_thread(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    two_cases(fleet)
    sweep(fleet)
    fleet.unit("M3", "MILL", "work due")
    fleet.case("M3")
    sweep(fleet)
    assert "References" not in fleet.mail()[-1].message


def test_a_case_that_somebody_has_is_quiet_until_their_time_is_over(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    fleet.person("BO", "coordinator", ["MILL"])
    taken = {"state": "taken", "taken_by": "BO", "taken_until": at(18)}
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == 2).values(**taken))
    sweep(fleet)
    assert "M2" not in fleet.mail()[0].text
    clock.now = at(18)
    assert sweep(fleet) == 1
    assert "Person BO had it until Wed 25 Nov 2026, 18:00; it is still open." in flat(fleet.mail()[-1].text)


def test_only_who_is_on_the_rota_now_is_told_and_whoever_takes_over_hears_of_all(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    fleet.person("ZO", "on-call", whole=True)
    fleet.on_rota("ON", at(8), at(20))
    fleet.on_rota("ZO", at(20), at(20, days=1))
    assert sweep(fleet) == 1
    clock.now = at(19, 59)
    assert sweep(fleet) == 0
    clock.now = at(20)
    assert sweep(fleet) == 1
    assert [mail.key for mail in fleet.mail()] == ["escalation/ON/2026-11-25/1", "escalation/ZO/2026-11-25/1"]
    assert "Who else knows: Person ON." in fleet.mail()[-1].text


def test_in_a_gap_of_the_rota_everybody_on_call_is_told(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    two_cases(fleet)
    fleet.person("ZO", "on-call", whole=True)
    fleet.on_rota("ON", at(8, days=3), at(20, days=3))
    assert sweep(fleet) == 2


def test_another_date_is_judged_by_the_rota_of_that_morning(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    two_cases(fleet)
    fleet.person("ZO", "on-call", whole=True)
    fleet.on_rota("ON", at(0), at(0, days=1))
    fleet.on_rota("ZO", at(0, days=1), at(0, days=2))
    sweep(fleet, day(1))
    assert [mail.key for mail in fleet.mail()] == ["escalation/ZO/2026-11-26/1"]


def test_everybody_who_is_told_reads_who_else_is(fleet: Fleet) -> None:
    two_cases(fleet)
    fleet.person("ZO", "on-call", whole=True)
    sweep(fleet)
    assert [
        flat(mail.text).count(f"Who else knows: Person {other}.")
        for mail, other in zip(fleet.mail(), ("ZO", "ON"), strict=True)
    ] == [2, 2]


def test_whoever_could_not_be_reached_is_named_as_such(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    fleet.person("ZO", "on-call", whole=True)
    sweep(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(messages).where(messages.c.person_id == fleet.people["ON"]).values(state="given up"))
    clock.now = at(9, days=2)
    sweep(fleet)
    mail = next(mail for mail in fleet.mail() if mail.key == "escalation/ZO/2026-11-27/1")
    # ON is told once more that day; what is known before it goes is that yesterday's did not arrive.
    assert "Who else knows: Person ON (could not be reached)." in mail.text


def test_two_people_with_one_mailbox_are_told_once(fleet: Fleet) -> None:
    two_cases(fleet)
    fleet.person("ZO", "on-call", whole=True, email="On@example.org")
    fleet.site("POOL")
    fleet.unit("P1", "POOL", "work due")
    fleet.case("P1")
    assert sweep(fleet) == 2
    assert sweep(fleet) == 0
    # Each case once: what falls to the second alone, the second is told.
    assert fleet.told() == {("ON", 1, "0.0.0"), ("ON", 2, "0.0.0"), ("ZO", 3, "0.0.0")}


@pytest.mark.parametrize("email", ["", "nonsense"])
def test_where_nobody_on_call_has_an_address_it_falls_to_the_coordinator_who_reads_why(
    fleet: Fleet, email: str
) -> None:
    two_cases(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(people).values(email=email))
    fleet.person("CO", "coordinator", whole=True)
    swept = telling.tell(fleet.program, fleet.program.clock())
    assert (swept.letters, swept.findings) == (1, ())
    (mail,) = fleet.mail()
    assert mail.key == "escalation/CO/2026-11-25/1"
    assert "nobody who is on call has a usable address and you are coordinator." in flat(mail.text)


def test_where_there_is_nobody_on_call_nor_coordinator_it_falls_to_the_manager(fleet: Fleet) -> None:
    two_cases(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(people).values(email=""))
    fleet.person("MA", "manager", ["MILL"])
    sweep(fleet)
    said = "nobody who is on call has a usable address; nobody is coordinator and you are manager."
    assert said in flat(fleet.mail()[0].text)


def test_a_letter_given_up_passes_the_case_on_at_once(fleet: Fleet) -> None:
    two_cases(fleet)
    fleet.person("CO", "coordinator", whole=True)
    sweep(fleet)
    assert [mail.key for mail in fleet.mail()] == ["escalation/ON/2026-11-25/1"]
    with fleet.program.store.write() as conn:
        conn.execute(update(messages).values(state="given up"))
    assert [sweep(fleet), sweep(fleet)] == [1, 0]
    mail = fleet.mail()[-1]
    assert mail.key == "escalation/CO/2026-11-25/1"
    assert "no letter gets through to who is on call and you are coordinator" in flat(mail.text)
    assert "Who else knows: Person ON (could not be reached)." in mail.text


def test_a_new_address_is_tried_afresh(fleet: Fleet, clock: Clock) -> None:
    two_cases(fleet)
    fleet.person("CO", "coordinator", whole=True)
    sweep(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(messages).values(state="given up"))
        conn.execute(update(people).where(people.c.person == "ON").values(email="new@example.org"))
    clock.now = at(9, days=1)
    sweep(fleet)
    assert [mail.key for mail in fleet.mail()][1:] == ["escalation/ON/2026-11-26/1"]


def test_where_nobody_at_all_can_be_told_that_is_a_finding_and_in_the_log(
    fleet: Fleet, caplog: pytest.LogCaptureFixture
) -> None:
    two_cases(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(people).values(email=""))
    swept = telling.tell(fleet.program, fleet.program.clock())
    assert swept.letters == 0
    (finding,) = swept.findings
    assert finding == (
        "nobody is told of 2 open cases: nobody who is on call has a usable address; nobody is coordinator; "
        "nobody is manager (sites: MILL)"
    )
    assert finding in [record.__dict__.get("why") for record in caplog.records]


def test_a_site_with_nobody_keeps_no_other_site_back(fleet: Fleet) -> None:
    two_cases(fleet)
    fleet.site("LOST")
    fleet.unit("L1", "LOST", "work due")
    fleet.case("L1")
    swept = telling.tell(fleet.program, fleet.program.clock())
    assert swept.letters == 1
    assert swept.findings == (
        "nobody is told of 1 open case: nobody is on call; nobody is coordinator; nobody is manager (sites: LOST)",
    )


def test_nothing_open_gives_no_letter(fleet: Fleet) -> None:
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    assert sweep(fleet) == 0


def test_on_call_hears_only_of_their_own_sites(fleet: Fleet) -> None:
    two_cases(fleet)
    fleet.site("POOL")
    fleet.unit("P1", "POOL", "work due")
    fleet.case("P1")
    fleet.person("PO", "on-call", ["POOL"])
    sweep(fleet)
    assert {(person, case) for person, case, _ in fleet.told()} == {("ON", 1), ("ON", 2), ("PO", 3)}


def test_worst_is_by_severity_then_by_how_long(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    for code, good in (("U1", -3), ("U2", -90), ("U3", -30)):
        fleet.unit(code, "MILL", "work due")
        fleet.duty(code, "look", "overdue", day(good))
        fleet.case(code, good=day(good))
    fleet.unit("U4", "MILL", "not to be relied on", "fault since 2026-11-24")
    fleet.case("U4", "not-to-be-relied-on", reason="fault since 2026-11-24")
    sweep(fleet)
    text = fleet.mail()[0].text
    order = [text.index(word) for word in ("RELIED ON: U4", "OVERDUE: U2", "OVERDUE: U3", "OVERDUE: U1")]
    assert order == sorted(order)


def test_a_long_list_is_cut_and_all_of_it_counts_as_told(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    many = escalation.SHOWN + 9
    for number in range(many):
        fleet.unit(f"U{number:02}", "MILL", "work due")
        fleet.case(f"U{number:02}", good=day(-number - 1))
    assert [sweep(fleet), sweep(fleet)] == [1, 0]
    (mail,) = fleet.mail()
    assert mail.subject == (
        f"{many} overdue – U{many - 1:02}, Site MILL, since Tue 27 Oct 2026 [cases 27, 28, 29 and 26 more]"
    )
    assert f"and 9 more, less grave: {fleet.program.settings.web.base_url}/cases" in mail.text
    assert len(fleet.told()) == many


def test_a_spare_on_record_is_pointed_out(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    reason = "fitted pads-adult past its label date, good to 2026-11-20"
    fleet.unit("U1", "MILL", "not to be relied on", reason)
    fleet.case("U1", "not-to-be-relied-on", reason=reason)
    fleet.spare("pads-adult", day(400), site="MILL")
    fleet.spare("pads-adult", day(-4), unit="U1")  # past its date: no help
    fleet.spare("battery", day(400), unit="U1")  # not what is asked for
    sweep(fleet)
    text = flat(fleet.mail()[0].text)
    assert "Fitted adult pads past its label date, good to Fri 20 Nov 2026 (source: the label)." in text
    assert "Use the spare that is on record at this site: adult pads, good to Thu 30 Dec 2027." in text
    assert text.count("Use the spare") == 1


def test_a_case_about_a_sites_spares_has_its_own_words(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    fleet.duty("", "battery", "overdue", day(-4), site="MILL", because=[LABEL])
    fleet.case("", site="MILL", good=day(-4))
    sweep(fleet)
    (mail,) = fleet.mail()
    assert mail.subject == "1 overdue – spare parts, Site MILL, since Sat 21 Nov 2026 [case 1]"
    assert "Replace spare battery: 4 days overdue" in mail.text


def test_a_case_whose_duty_is_gone_is_told_as_the_case_remembers_it(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    fleet.unit("U1", "MILL", "work due")
    fleet.case("U1", good=day(-3))
    sweep(fleet)
    text = flat(fleet.mail()[0].text)
    assert "Look at the unit: 3 days overdue, last good day was Sun 22 Nov 2026." in text
    assert "Someone looks at each unit once a month (common practice) [1]" in text


def test_nothing_medical_and_no_note_stands_in_the_subject(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("ON", "on-call", ["MILL"])
    reason = "fault since 2026-11-24: used on Mrs Example, 81"
    fleet.unit("U1", "MILL", "not to be relied on", reason)
    fleet.case("U1", "not-to-be-relied-on", reason=reason)
    sweep(fleet)
    assert "Example" not in fleet.mail()[0].subject


def test_a_round_that_is_late_is_said_first(sqlite_fleet: Fleet, clock: Clock) -> None:
    fleet = sqlite_fleet
    two_cases(fleet)
    clock.forward(days=3)
    sweep(fleet)
    assert fleet.mail()[0].text.startswith("THE NIGHTLY ROUND IS LATE.")


def test_the_way_in_is_the_readers_own(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    from nightround.letters import links

    two_cases(fleet)
    sweep(fleet)
    (mail,) = fleet.mail()
    tokens = [piece.split()[0] for piece in mail.text.split("/take/")[1:]]
    now = fleet.program.clock()
    read = [links.read_take(fleet.program.settings, token, now) for token in tokens]
    assert [(link.person, case_id, unit) for link, case_id, unit in read] == [("ON", 2, True), ("ON", 1, False)]
    assert "/me/" not in mail.text + mail.html  # what opens a single case opens nothing else
    with pytest.raises(links.NotOurs):
        links.read_me(fleet.program.settings, tokens[0], now)
    with pytest.raises(links.Expired):
        links.read_take(fleet.program.settings, tokens[0], now + timedelta(days=links.TAKE_DAYS, seconds=1))


def test_a_killed_sweep_goes_on_where_it_stopped(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    two_cases(fleet)
    for code in ("P1", "P2", "P3"):
        fleet.person(code, "on-call", ["MILL"])
    real = telling._store
    stored = 0

    def dies(*given: object) -> bool:
        nonlocal stored
        if stored == 2:
            raise KeyboardInterrupt
        stored += 1
        return real(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(telling, "_store", dies)
    with pytest.raises(KeyboardInterrupt):
        sweep(fleet)
    monkeypatch.setattr(telling, "_store", real)
    assert sweep(fleet) == 2
    assert sorted(mail.key for mail in fleet.mail()) == [
        f"escalation/{code}/2026-11-25/1" for code in ("ON", "P1", "P2", "P3")
    ]


def test_a_letter_and_its_tellings_are_stored_together_or_not_at_all(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_cases(fleet)
    with fleet.program.store.read() as conn:
        made = telling.plan(conn, fleet.program.settings, fleet.program.clock())
        found = telling.letter_of(
            conn, fleet.program.settings, "escalation", made.escalations[0], {}, fleet.program.clock()
        )
    assert found is not None
    # Another node has told the second case a moment earlier.
    fleet.unit("M9", "MILL", "work due")
    other = Fleet(fleet.program)
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == 1).values(closed_at=at(9)))
    assert sweep(other) == 1
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == 1).values(closed_at=None))
    assert telling._store(fleet.program, made.escalations[0], *found) is False
    assert [mail.key for mail in fleet.mail()] == ["escalation/ON/2026-11-25/2"]
    assert sweep(fleet) == 1  # what is left
    assert fleet.told() == {("ON", 1, "0.0.0"), ("ON", 2, "0.0.0")}


def test_cases_closed_between_the_plan_and_the_letter_are_not_told(fleet: Fleet) -> None:
    two_cases(fleet)
    now = fleet.program.clock()
    with fleet.program.store.read() as conn:
        made = telling.plan(conn, fleet.program.settings, now)
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).values(closed_at=now, state="closed"))
    with fleet.program.store.read() as conn:
        assert telling.letter_of(conn, fleet.program.settings, "escalation", made.escalations[0], {}, now) is None


def test_the_step_follows_the_clock_over_the_autumn_change(sqlite_fleet: Fleet, clock: Clock) -> None:
    fleet = sqlite_fleet
    # Berlin 2026-10-25 has 25 hours; 07:00 there is 06:00 UTC that day and the day after, 05:00 UTC before.
    fleet.site("BERL", "Europe/Berlin")
    fleet.unit("B1", "BERL", "work due")
    fleet.person("ON", "on-call", ["BERL"])
    clock.now = datetime(2026, 10, 24, 5, 0, tzinfo=UTC)
    fleet.case("B1", opened_on=date(2026, 10, 24))
    counts = []
    for hour in (5, 29, 30, 53, 54):
        clock.now = datetime(2026, 10, 24, tzinfo=UTC) + timedelta(hours=hour)
        counts.append(sweep(fleet))
    assert counts == [1, 0, 1, 0, 1]
    assert [mail.key.split("/")[2] for mail in fleet.mail()] == ["2026-10-24", "2026-10-25", "2026-10-26"]
