"""The shipped ladders in letters: who gets what when nobody takes a case, and the word when it closes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update

from nightround.bootstrap import Program
from nightround.cases import taking
from nightround.cases.rota import Rota
from nightround.letters import telling
from nightround.letters.errands import plan
from nightround.letters.withdrawing import withdraw_closed
from nightround.settings_cases import Cases, Ladder, Step
from nightround.store import happenings
from nightround.store.tables import absences, cases, messages, people

from ...conftest import Clock
from .build import Fleet, at, day, flat


def sweep(fleet: Fleet) -> list[str]:
    """The people told by one sweep, by code; their letters go out."""
    before = len(fleet.mail())
    telling.sweep(fleet.program, fleet.program.clock())
    told = [mail.key.split("/")[1] for mail in fleet.mail()[before:]]
    fleet.all_sent()
    return told


def fault(fleet: Fleet, unit: str = "M1", site: str = "MILL") -> int:
    reason = "fault since 2026-11-25: it beeps"
    fleet.unit(unit, site, "not to be relied on", reason)
    return fleet.case(unit, "not-to-be-relied-on", reason=reason)


def late(fleet: Fleet, unit: str, site: str = "MILL") -> int:
    """Something that can wait."""
    fleet.unit(unit, site, "work due")
    return fleet.case(unit, good=day(-1))


def close(fleet: Fleet, *case_ids: int) -> None:
    with fleet.program.store.write() as conn:
        conn.execute(
            update(cases).where(cases.c.id.in_(case_ids)).values(state="closed", closed_at=fleet.program.clock())
        )


@pytest.fixture
def staffed(shipped: Fleet, clock: Clock) -> Fleet:
    """One site with somebody in each role; it is ten past two at night."""
    clock.now = at(2, 10)
    shipped.site("MILL", name="Mill Lane School", country="GB", subdivision="ENG")
    shipped.person("ON", "on-call", ["MILL"])
    shipped.person("CO", "coordinator", whole=True)
    shipped.person("MA", "manager", ["MILL"])
    shipped.round_done()
    return shipped


def test_an_urgent_case_wakes_who_is_on_call_then_the_coordinator_then_the_manager(
    staffed: Fleet, clock: Clock
) -> None:
    fault(staffed)
    seen = []
    for _ in range(6 * 24 * 3):
        seen += [(clock.now, who) for who in sweep(staffed)]
        clock.forward(minutes=10)
    assert seen == [
        (at(2, 10), "ON"),
        (at(6, 10), "CO"),
        (at(2, 10, days=1), "MA"),
        # Whoever was told a day ago hears again, with their letter of the day; the time after that two days later.
        *((at(7, 0, days=1), who) for who in ("CO", "ON")),
        (at(7, 0, days=2), "MA"),
    ]


def test_what_is_merely_overdue_wakes_nobody(staffed: Fleet, clock: Clock) -> None:
    staffed.unit("M1", "MILL", "work due")
    staffed.case("M1", good=day(-1))
    assert sweep(staffed) == []
    with staffed.program.store.read() as conn:
        assert plan(conn, staffed.program.settings, clock.now).next_at == at(7)
    clock.now = at(6, 59)
    assert sweep(staffed) == []
    clock.now = at(7)
    assert sweep(staffed) == ["ON"]
    # Three working days of ten hours, from Wednesday 07:00: the end of Friday, which is not quiet yet.
    clock.now = at(17, 59, days=2)
    assert sweep(staffed) == ["ON"]  # the repeat of Thursday, found late
    clock.now = at(18, 0, days=2)
    assert sweep(staffed) == []
    clock.now = at(7, 0, days=3)
    assert sweep(staffed) == ["CO"]  # with the letter of the day; ON hears again two days after Friday


def test_a_routine_case_waits_for_working_hours_over_a_holiday_weekend(staffed: Fleet, clock: Clock) -> None:
    """Christmas 2026 in England: Friday 25 December and, for the Saturday, Monday 28 December."""
    clock.now = datetime(2026, 12, 24, 19, 0, tzinfo=UTC)
    staffed.unit("M1", "MILL", "work due")
    staffed.case("M1", good=day(-1), severity="routine")
    assert sweep(staffed) == []
    clock.now = datetime(2026, 12, 29, 7, 59, tzinfo=UTC)
    assert sweep(staffed) == []
    clock.now = datetime(2026, 12, 29, 8, 0, tzinfo=UTC)
    assert sweep(staffed) == ["CO"]


def test_whoever_takes_the_watch_hears_of_what_is_open(staffed: Fleet, clock: Clock) -> None:
    staffed.person("ZO", "on-call", ["MILL"])
    staffed.on_rota("ON", at(0), at(6))
    staffed.on_rota("ZO", at(6), at(0, days=1))
    fault(staffed)
    assert sweep(staffed) == ["ON"]
    with staffed.program.store.read() as conn:
        watch = Rota.around(conn, staffed.program.settings, clock.now, timedelta(days=1))
        assert watch.next_change(clock.now) == at(6)
    clock.now = at(6)
    assert sweep(staffed) == ["ZO"]


def test_somebody_who_is_away_is_passed_over_and_the_next_reads_why(staffed: Fleet) -> None:
    with staffed.program.store.write() as conn:
        row = {"person_id": staffed.people["ON"], "from_on": day(-1), "until_on": day(3), "note": ""}
        conn.execute(absences.insert().values(**row))
    fault(staffed)
    assert sweep(staffed) == ["CO"]
    assert "You get this because everybody who is on call is away and you are coordinator." in flat(
        staffed.mail()[0].text
    )


def test_a_case_in_hand_is_quiet_and_comes_back_from_the_top(staffed: Fleet, clock: Clock) -> None:
    case = fault(staffed)
    sweep(staffed)
    clock.now = at(6, 10)
    assert sweep(staffed) == ["CO"]
    with staffed.program.store.write() as conn:
        taking.take(conn, case, "ON", at(20), clock.now)
    for hour in (7, 12, 19):
        clock.now = at(hour, 30)
        assert sweep(staffed) == []
    clock.now = at(20)
    assert sweep(staffed) == ["ON"]
    assert "Person ON had it until Wed 25 Nov 2026, 20:00; it is still open." in flat(staffed.mail()[-1].text)
    clock.now = at(0, 0, days=1)
    assert sweep(staffed) == ["CO"]


def test_a_ladder_that_ends_begins_at_the_top_and_tells_the_coordinator(staffed: Fleet, clock: Clock) -> None:
    short = [Step(who=["on-call"], after="0 minutes"), Step(who=["manager"], after="1 hour")]
    ladder = Ladder(severity="urgent", told="at any hour", steps=short, again="3 hours")
    settings = staffed.program.settings.model_copy(update={"cases": Cases(ladders=[ladder])})
    fleet = Fleet(Program(settings, staffed.program.store, staffed.program.clock))
    fleet.know(staffed)
    fault(fleet)
    seen = []
    for _ in range(12):
        seen.append(sweep(fleet))
        clock.forward(minutes=30)
    # Who was told today already is not told again today.
    assert [told for told in seen if told] == [["ON"], ["MA"], ["CO"]]
    again = [mail for mail in fleet.mail() if mail.to.startswith("Person CO")]
    assert "Nobody has said that they have it. Everybody on the list was told, and it now begins from the top" in flat(
        again[0].text
    )


def test_a_named_person_and_an_address_may_stand_on_a_ladder(staffed: Fleet, clock: Clock) -> None:
    steps = [Step(who=["person:NOBODY", "person:MA", "address:desk@example.org", "rota"], after="0 minutes")]
    ladder = Ladder(severity="urgent", told="at any hour", steps=steps)
    settings = staffed.program.settings.model_copy(update={"cases": Cases(ladders=[ladder])})
    fleet = Fleet(Program(settings, staffed.program.store, staffed.program.clock))
    fleet.know(staffed)
    case = fault(fleet)
    assert len(sweep(fleet)) == 2
    manager, desk = sorted(fleet.mail(), key=lambda mail: mail.to)
    assert desk.to == "desk@example.org"
    assert "NOBODY is not in the register; nobody is on the rota now" in flat(desk.text)
    assert f"/cases/{case}" in desk.text and "/take/" not in desk.text
    assert "/take/" in manager.text
    close(fleet, case)
    assert len(sweep(fleet)) == 2
    assert {mail.to for mail in fleet.mail()[2:]} == {desk.to, manager.to}


def test_a_site_type_may_have_its_own_ladder(staffed: Fleet, clock: Clock) -> None:
    fleet = staffed
    own = Ladder(
        severity="urgent", site_types=["school"], told="at any hour", steps=[Step(who=["manager"], after="0 minutes")]
    )
    fleet = Fleet(
        Program(
            staffed.program.settings.model_copy(update={"cases": Cases(ladders=[own])}),
            staffed.program.store,
            staffed.program.clock,
        )
    )
    fleet.know(staffed)
    fleet.site("SCHOOL", site_type="school")
    fleet.person("HEAD", "manager", ["SCHOOL"])
    fault(fleet, "S1", "SCHOOL")
    fault(fleet, "M1", "MILL")  # the shipped ladder
    assert sweep(fleet) == ["HEAD", "ON"]


def test_whoever_was_told_hears_once_that_it_is_closed(staffed: Fleet, clock: Clock) -> None:
    case = fault(staffed)
    sweep(staffed)
    clock.now = at(6, 10)
    sweep(staffed)
    close(staffed, case)
    assert sorted(sweep(staffed)) == ["CO", "ON"]
    for _ in range(3):
        clock.forward(hours=20)
        assert sweep(staffed) == []
    mail = staffed.mail("closing")[0]
    assert mail.subject == f"Closed: M1, Mill Lane School [case {case}]"
    assert "The cause of this is gone: nothing more comes of it." in flat(mail.text)
    assert "Fault since Wed 25 Nov 2026: it beeps." in flat(mail.text)
    told = next(one for one in staffed.mail("escalation") if one.to == mail.to)
    assert told.message["Message-ID"] in mail.message["References"]
    assert not mail.urgent


def test_that_something_overdue_is_closed_wakes_nobody_either(staffed: Fleet, clock: Clock) -> None:
    clock.now = at(12)
    staffed.unit("M1", "MILL", "work due")
    case = staffed.case("M1", good=day(-1))
    assert sweep(staffed) == ["ON"]
    clock.now = at(23)
    close(staffed, case)
    assert sweep(staffed) == []
    clock.now = at(7, days=1)
    assert sweep(staffed) == ["ON"]


def test_closings_come_in_one_letter_whatever_hours_their_ladders_have(staffed: Fleet, clock: Clock) -> None:
    """One check in the evening brought three: at once, after the quiet hours, and when people work."""
    clock.now = at(12)
    staffed.unit("M9", "MILL", "work due")
    told = [fault(staffed), late(staffed, "M8"), staffed.case("M9", good=day(-1), severity="routine")]
    with staffed.program.store.write() as conn:
        conn.execute(people.update().where(people.c.person == "ON").values(email="co@example.org"))
    sweep(staffed)
    clock.now = at(22)
    sweep(staffed)
    close(staffed, *told)
    before = len(staffed.mail("closing"))
    for hour in (22, 31, 32, 33):
        clock.now = at(0) + timedelta(hours=hour)
        sweep(staffed)
    assert len(staffed.mail("closing")) - before == 1
    assert all(f"case {number}," in flat(staffed.mail("closing")[-1].text) for number in told)


def test_an_escalation_that_had_not_gone_when_its_case_closed_is_taken_back(staffed: Fleet) -> None:
    case, other = fault(staffed), fault(staffed, "M2")
    telling.sweep(staffed.program, staffed.program.clock())
    close(staffed, case)
    assert withdraw_closed(staffed.program) == 0  # the other is open still
    close(staffed, other)
    assert withdraw_closed(staffed.program) == 1
    assert staffed.mail() == [] and staffed.told() == set()
    assert sweep(staffed) == []  # whoever was told nothing is not told that it is over


def test_a_letter_given_up_moves_the_case_on_at_once(staffed: Fleet, clock: Clock) -> None:
    fault(staffed)
    telling.sweep(staffed.program, clock.now)
    with staffed.program.store.write() as conn:
        conn.execute(update(messages).values(state="given up"))
    clock.forward(minutes=1)
    assert sweep(staffed) == ["CO"]
    assert "no letter gets through to who is on call and you are coordinator" in flat(staffed.mail()[-1].text)


def test_where_nobody_could_be_told_an_address_on_record_is_used_at_once(staffed: Fleet, clock: Clock) -> None:
    with staffed.program.store.write() as conn:
        conn.execute(update(people).values(email=""))
    fault(staffed)
    assert sweep(staffed) == []
    clock.forward(days=3)
    with staffed.program.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "MA").values(email="ma@example.org"))
    clock.forward(minutes=1)
    assert sweep(staffed) == ["MA"]


def longer(fleet: Fleet, case_id: int, kind: str = "long-overdue") -> None:
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == case_id).values(kind=kind))


def test_what_becomes_long_overdue_is_told_anew_from_the_top_and_to_the_coordinator(
    staffed: Fleet, clock: Clock
) -> None:
    clock.now = at(8)
    staffed.unit("M1", "MILL", "work due")
    case_id = staffed.case("M1", good=day(-1))
    assert sweep(staffed) == ["ON"]
    clock.now = at(12)
    assert sweep(staffed) == []
    longer(staffed, case_id)
    assert sweep(staffed) == ["CO", "ON"]
    for mail in staffed.mail()[-2:]:
        text = flat(mail.text)
        assert "It has become long overdue since. That is worse than before, so that you are told anew" in text
        assert "It has become long overdue since." in flat(mail.html)
        assert mail.urgent is True
    assert {told for told in staffed.told() if told[2].startswith("1.")} == {
        ("CO", case_id, "1.0.0"),
        ("ON", case_id, "1.0.0"),
    }
    assert sweep(staffed) == []
    clock.now = at(7, days=1)
    assert sweep(staffed) == []
    clock.now = at(7, days=2)
    assert sweep(staffed) == ["ON"], "and goes on as before: a day later at least, at the hour of letters"
    assert "long overdue since" not in flat(staffed.mail()[-1].text)


def test_one_of_several_that_has_become_long_overdue_is_counted(staffed: Fleet, clock: Clock) -> None:
    clock.now = at(7)
    for number in range(3):
        staffed.unit(f"M{number}", "MILL", "work due")
        staffed.case(f"M{number}", good=day(-1))
    assert sweep(staffed) == ["ON"]
    longer(staffed, 2)
    clock.now = at(7, 30, days=1)
    assert sweep(staffed) == ["CO", "ON"]
    assert "1 of them has become long overdue since." in flat(staffed.mail()[-1].text)
    assert "It has become long overdue since." in flat(staffed.mail()[-2].text)


def test_in_the_quiet_hours_it_waits_and_while_somebody_has_it_nothing_is_said(staffed: Fleet, clock: Clock) -> None:
    clock.now = at(8)
    staffed.unit("M1", "MILL", "work due")
    case_id = staffed.case("M1", good=day(-1))
    assert sweep(staffed) == ["ON"]
    clock.now = at(2, days=1)
    longer(staffed, case_id)
    assert sweep(staffed) == []
    clock.now = at(7, days=1)
    assert sweep(staffed) == ["CO", "ON"]
    with staffed.program.store.write() as conn:
        taking.take(conn, case_id, "ON", at(7, days=3), clock.now)
    clock.now = at(12, days=2)
    assert sweep(staffed) == []
    clock.now = at(7, days=3)
    assert sweep(staffed) == ["ON"], "it was taken as what it is: nothing has become worse"
    assert "long overdue since" not in flat(staffed.mail()[-1].text)


def test_what_came_in_with_its_unit_and_comes_back_within_two_days_is_told(staffed: Fleet, clock: Clock) -> None:
    """It was in the opening letter, then somebody had it; nobody escalated it yet, and it is no news of an import."""
    clock.now = at(10)
    staffed.unit("M1", "MILL", "work due")
    staffed.unit("M2", "MILL", "work due")
    taken, worse = staffed.case("M1", good=day(-1), imported=True), staffed.case("M2", good=day(-1), imported=True)
    assert sweep(staffed) == ["CO", "MA", "ON"]
    with staffed.program.store.write() as conn:
        taking.take(conn, taken, "ON", at(14), clock.now)
    clock.now = at(12)
    longer(staffed, worse)
    assert sweep(staffed) == ["CO", "ON"]
    clock.now = at(14)
    assert sweep(staffed) == ["ON"]
    assert [mail.kind for mail in staffed.mail()] == ["opening"] * 3 + ["escalation"] * 3


def test_a_case_that_gets_worse_keeps_the_wait_of_its_first_step(staffed: Fleet, clock: Clock) -> None:
    """The wait is counted from when it got worse, and not from every look anew."""
    steps = [Step(who=["on-call"], after="30 minutes"), Step(who=["manager"], after="3 days")]
    ladders = [Ladder(severity=severity, told="at any hour", steps=steps) for severity in ("soon", "urgent")]
    settings = staffed.program.settings.model_copy(update={"cases": Cases(ladders=ladders)})
    fleet = Fleet(Program(settings, staffed.program.store, staffed.program.clock))
    fleet.know(staffed)
    clock.now = at(10)
    fleet.unit("M1", "MILL", "work due")
    case_id = fleet.case("M1", good=day(-1))
    for minute, told in ((0, []), (20, []), (30, ["ON"]), (40, [])):
        clock.now = at(10, minute)
        assert sweep(fleet) == told
    longer(fleet, case_id)
    for minute, told in ((0, []), (20, []), (29, []), (30, ["CO", "ON"]), (40, [])):
        clock.now = at(11, minute)
        assert sweep(fleet) == told
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == case_id).values(severity="urgent"))
    for minute, told in ((0, []), (20, []), (30, ["ON"]), (40, [])):
        clock.now = at(12, minute)
        assert sweep(fleet) == told


def test_a_mailbox_gets_no_more_than_its_limit_and_the_rest_in_one_letter(staffed: Fleet, clock: Clock) -> None:
    clock.now = at(10)
    limit = staffed.program.settings.cases.person_hour
    told = []
    for number in range(limit + 4):
        late(staffed, f"U{number}")
        told += sweep(staffed)
        clock.forward(minutes=2)
    assert told == ["ON"] * limit
    last = staffed.mail()[-1]
    assert (
        "You have had as many letters as an hour allows. What is new and can wait comes in one letter at Wed 25 Nov "
        "2026, 11:00; what is urgent still comes at once."
    ) in flat(last.text)
    swept = telling.tell(staffed.program, clock.now)
    assert swept.letters == 0
    assert swept.findings == (
        "Person ON is told of 4 cases after Wed 25 Nov 2026, 11:00: 6 letters within an hour are the limit "
        "(cases.person_hour)",
    )
    clock.now = at(11)
    assert sweep(staffed) == ["ON"]
    assert staffed.mail()[-1].subject.startswith("4 overdue")


def test_what_is_urgent_finds_room_however_full_the_hour_is(staffed: Fleet, clock: Clock) -> None:
    clock.now = at(10)
    limit = staffed.program.settings.cases.person_hour
    for number in range(limit + 2):
        late(staffed, f"U{number}")
        sweep(staffed)
        clock.forward(minutes=1)
    assert len(staffed.mail()) == limit
    fault(staffed)
    assert sweep(staffed) == ["ON"]
    assert "not to be relied on: M1" in staffed.mail()[-1].text.lower() or "RELIED ON: M1" in staffed.mail()[-1].text
    assert len(staffed.mail()) == limit + 1
    assert "U7" in staffed.mail()[-1].text, "what waited goes with the letter that goes anyway"


def test_above_the_limit_of_the_fleet_one_letter_to_the_coordinator_stands_for_the_rest(
    staffed: Fleet, clock: Clock
) -> None:
    settings = staffed.program.settings.model_copy(update={"cases": Cases(fleet_hour=5)})
    fleet = Fleet(Program(settings, staffed.program.store, staffed.program.clock))
    fleet.know(staffed)
    for number in range(9):
        fleet.site(f"S{number}")
        fleet.person(f"P{number}", "on-call", [f"S{number}"])
        late(fleet, f"U{number}", f"S{number}")
    clock.now = at(10)
    assert sweep(fleet) == ["P0", "P1", "P2", "P3", "CO"]
    text = flat(fleet.mail()[-1].text)
    assert "This one stands for those to Person P4, Person P5, Person P6, Person P7, Person P8; theirs follow." in text
    assert "1 DAY OVERDUE: U8" in text
    assert sweep(fleet) == []
    clock.forward(hours=1)
    assert sweep(fleet) == ["P4", "P5", "P6", "P7"]  # the coordinator knows of the last already
    clock.forward(hours=1)
    assert sweep(fleet) == ["P8"]


def test_a_sweep_killed_between_any_two_letters_tells_everybody_once(
    staffed: Fleet, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(3):
        staffed.person(f"P{number}", "on-call", ["MILL"])
    fault(staffed)
    real = telling._store
    for allowed in range(4):
        given: list[int] = []

        def dies(*args: object, given: list[int] = given) -> bool:
            if given:
                raise KeyboardInterrupt
            given.append(1)
            return real(*args)  # type: ignore[arg-type]

        monkeypatch.setattr(telling, "_store", dies)
        if allowed < 3:
            with pytest.raises(KeyboardInterrupt):
                telling.sweep(staffed.program, clock.now)
        else:
            telling.sweep(staffed.program, clock.now)
    monkeypatch.setattr(telling, "_store", real)
    assert sorted(mail.key.split("/")[1] for mail in staffed.mail()) == ["ON", "P0", "P1", "P2"]
    assert telling.sweep(staffed.program, clock.now + timedelta(minutes=1)) == 0


def test_after_downtime_one_letter_says_what_happened_and_holds_everything(staffed: Fleet, clock: Clock) -> None:
    fault(staffed)
    assert sweep(staffed) == ["ON"]
    clock.forward(days=2)
    with staffed.program.store.write() as conn:
        happenings.record(conn, "downtime", "The service did not run from Wednesday to Friday.", clock.now)
    for number in range(5):
        fault(staffed, f"D{number}")
    assert sweep(staffed) == ["CO", "ON"]
    assert "M1" not in staffed.mail()[-1].text
    clock.now = at(7, days=2)
    assert sweep(staffed) == ["CO", "ON"]  # CO by the next step of what is new
    told = [mail for mail in staffed.mail("escalation") if mail.to.startswith("Person ON")]
    assert len(told) == 3, "what is urgent and new goes apart from what is repeated"
    assert "M1" in told[-1].text and "D1" not in told[-1].text
    told = told[:-1]
    assert (
        "What happened to this service since the last letter to you: - The service did not run from Wednesday"
        in flat(told[-1].text)
    )
    assert all(f"D{number}" in told[-1].text for number in range(5)) and "M1" not in told[-1].text
    assert "What happened to this service" not in staffed.mail()[-1].text


def test_that_letters_cannot_be_sent_stands_in_the_escalation(staffed: Fleet, clock: Clock) -> None:
    fault(staffed)
    telling.sweep(staffed.program, clock.now)
    clock.forward(hours=4)
    telling.sweep(staffed.program, clock.now)
    assert "SOMETHING IS WRONG WITH THIS SERVICE" in staffed.mail()[-1].text


def test_a_letter_that_still_waits_is_no_sign_that_mail_gets_through_again(staffed: Fleet, clock: Clock) -> None:
    clock.now = at(9)
    staffed.person("ZO", "on-call", ["MILL"])
    fault(staffed)
    telling.sweep(staffed.program, clock.now)
    for number in range(2):
        clock.forward(minutes=1)
        staffed.unit(f"S{number}", "MILL", "work due")
        staffed.case(f"S{number}", good=day(-1))
        telling.sweep(staffed.program, clock.now)
    with staffed.program.store.write() as conn:
        lost = messages.c.person_id == staffed.people["ON"]
        conn.execute(update(messages).where(lost).values(state="given up"))
    staffed.all_sent()
    telling.sweep(staffed.program, clock.now)
    clock.forward(minutes=1450)
    assert telling.sweep(staffed.program, clock.now) > 0
    assert telling.sweep(staffed.program, clock.now) == 0
