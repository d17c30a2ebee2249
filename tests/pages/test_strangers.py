"""What strangers report is always kept; letters about it have a limit of their own and crowd out nobody else's."""

from __future__ import annotations

import json
from email import message_from_bytes, policy
from email.message import EmailMessage

import pytest
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.letters.held import held_back
from nightround.store.tables import cases, log, messages, metadata, units
from nightround.sweeping import letters, tidy
from tests.conftest import Clock

from .conftest import NewVisitor, Visitor, words
from .test_sessions import Commands, commands

__all__ = ["commands"]

DEV = "dev@example.org"  # on call at MILL (cabinets 1 to 4) and POOL (5 and 6)


def cabinet(number: int) -> str:
    return f"/at/label{number:017}"


def report(web: Visitor, number: int, problem: str = "light", note: str = "") -> None:
    answer = web.send(cabinet(number), cabinet(number), problem=problem, note=note)
    assert (answer.status_code, answer.headers.get("location")) == (303, f"{cabinet(number)}?told=1"), answer.text


def told(program: Program, mailbox: str = DEV, after: int = 0) -> list[str]:
    """The texts of the escalations to that mailbox, but for the first so many."""
    query = select(messages.c.body).where(messages.c.kind == "escalation", messages.c.to_address == mailbox)
    with program.store.read() as conn:
        bodies = conn.execute(query.order_by(messages.c.id)).scalars().all()
    texts = []
    for body in bodies[after:]:
        part = message_from_bytes(body, EmailMessage, policy=policy.default).get_body(("plain",))
        assert part is not None
        texts.append(part.get_content())
    return texts


def quiet(program: Program, clock: Clock) -> int:
    """Tells what the fleet came with, and lets the hour of it go by; how many letters that were."""
    letters(program)
    clock.forward(hours=2)
    return len(told(program))


def test_one_letter_for_many_once_a_stranger_has_had_two(settled: Program, visitor: NewVisitor, clock: Clock) -> None:
    before, stranger = quiet(settled, clock), visitor(settled, address="203.0.113.9")
    for number in (1, 3, 4, 5, 2):
        report(stranger, number, "missing")
        clock.forward(minutes=1)
        letters(settled)
    assert len(told(settled, after=before)) == 2
    with settled.store.read() as conn:
        found = held_back(conn, settled.settings, clock())
    assert found is not None and found.limits == {"strangers_hour": 2} and found.cases == 3
    assert "what strangers report at one cabinet or from one network" in found.line(str, named=True)
    clock.forward(minutes=53)
    letters(settled)
    assert len(told(settled, after=before)) == 2
    clock.forward(minutes=3)
    letters(settled)
    *_, last = told(settled, after=before)
    assert len(told(settled, after=before)) == 3
    assert all(code in last for code in ("MILL-04", "POOL-01", "MILL-02"))


def test_what_a_known_person_reports_goes_at_once_and_has_all_its_places(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    before, stranger = quiet(settled, clock), visitor(settled, address="203.0.113.9")
    for number in (1, 3, 4):
        report(stranger, number)
        letters(settled)
    assert len(told(settled, after=before)) == 2
    ada = visitor(settled, "P1")
    for count, code in enumerate(("MILL-02", "POOL-01", "POOL-02", "MILL-01", "MILL-03"), 1):
        answer = ada.send(f"/units/{code}", f"/units/{code}/log", entry="used", note="at the door")
        assert answer.status_code == 303
        clock.forward(minutes=1)
        letters(settled)
        texts = told(settled, after=before + 2)
        assert len(texts) == count and code in texts[-1], "six letters within an hour are the limit of such letters"
    assert "MILL-04" in told(settled, after=before + 2)[0], "what waits goes with whatever goes"


def test_a_known_person_s_word_lifts_what_a_stranger_said(settled: Program, visitor: NewVisitor, clock: Clock) -> None:
    before, stranger = quiet(settled, clock), visitor(settled, address="203.0.113.9")
    for number in (1, 3, 4):
        report(stranger, number)
        clock.forward(seconds=1)
        letters(settled)
    assert len(told(settled, after=before)) == 2
    assert visitor(settled, "P2").send(cabinet(4), cabinet(4), problem="light").status_code == 303
    letters(settled)
    assert "MILL-04" in told(settled, after=before)[2]


def test_another_network_has_places_of_its_own(settled_once: Program, visitor: NewVisitor, clock: Clock) -> None:
    before = quiet(settled_once, clock)
    loud, honest = visitor(settled_once, address="2001:db8:1::7"), visitor(settled_once, address="2001:db8:2::7")
    neighbour = visitor(settled_once, address="2001:db8:1::8")  # the same household
    for web, number in ((loud, 1), (neighbour, 3), (loud, 4), (honest, 5)):
        report(web, number, "used")
        letters(settled_once)
    texts = told(settled_once, after=before)
    assert len(texts) == 3
    assert "POOL-01" in texts[2] and "MILL-04" in texts[2], "what waits goes with whatever goes"


def test_one_cabinet_has_two_letters_from_however_many_networks(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    before = quiet(settled, clock)
    for round_, problem in enumerate(("damaged", "used", "light", "pads", "missing", "cabinet")):
        report(visitor(settled, address=f"198.51.100.{round_}"), 5, problem)
        letters(settled)
    assert 1 <= len(told(settled, after=before)) <= 2


def test_a_true_use_after_ten_false_reports_is_kept_and_told(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    before = quiet(settled, clock)
    stranger = visitor(settled, address="203.0.113.9")
    for number in range(11):
        report(stranger, 5, "other", f"thing {number}")
        clock.forward(seconds=100)
    letters(settled)
    report(visitor(settled, address="198.51.100.20"), 5, "used", "in the pool hall")
    letters(settled)
    with settled.store.read() as conn:
        newest = conn.execute(select(log.c.entry, log.c.note).order_by(log.c.id.desc()).limit(1)).one()
        kinds = set(conn.execute(select(cases.c.kind).join(units).where(units.c.unit == "POOL-01")).scalars())
    assert tuple(newest) == ("used", "it has been used: in the pool hall")
    assert "used" in kinds
    assert "POOL-01" in told(settled, after=before)[-1]


def test_thousands_of_the_same_do_not_fill_the_log_and_hide_nothing_new(
    settled_once: Program, visitor: NewVisitor
) -> None:
    stranger = visitor(settled_once)
    with settled_once.store.read() as conn:
        before = conn.execute(select(log.c.id).order_by(log.c.id.desc()).limit(1)).scalar_one()
    for number in range(70):
        report(stranger, 5, "other", f"thing {number}")
    report(stranger, 5, "used")
    report(stranger, 5, "damaged")
    with settled_once.store.read() as conn:
        after = list(conn.execute(select(log.c.entry).where(log.c.id > before)).scalars())
    assert len(after) == 62 and after.count("used") == 1


@pytest.mark.parametrize(
    ("peer", "forwarded", "same_as"),
    [
        ("127.0.0.1", "203.0.113.9", "203.0.113.9"),  # our proxy says so
        ("127.0.0.1", "8.8.8.8, 203.0.113.9", "203.0.113.9"),  # what the stranger wrote himself stands further left
        ("203.0.113.9", "8.8.8.8", "203.0.113.9"),  # no proxy of ours
        ("10.1.2.3", "203.0.113.9", "10.1.2.3"),
    ],
)
def test_a_proxy_in_front_is_believed_and_nobody_else(
    settled_once: Program, visitor: NewVisitor, peer: str, forwarded: str, same_as: str
) -> None:
    behind = visitor(settled_once, address=peer)
    behind.web.headers["X-Forwarded-For"] = forwarded
    report(behind, 1)
    report(visitor(settled_once, address=same_as), 3)
    with settled_once.store.read() as conn:
        sources = set(conn.execute(select(metadata.tables["strangers_reports"].c.source)).scalars())
    assert len(sources) == 1


def test_no_address_of_a_stranger_is_kept_and_its_mark_is_gone_after_a_day(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    report(visitor(settled, address="203.0.113.9"), 1)
    everything = _everything(settled)
    assert "203.0.113.9" not in everything
    clock.forward(days=1, seconds=1)
    tidy(settled)
    with settled.store.read() as conn:
        assert conn.execute(select(metadata.tables["strangers_reports"])).all() == []


def _everything(program: Program) -> str:
    with program.store.read() as conn:
        return repr([conn.execute(select(table)).all() for table in metadata.sorted_tables])


def test_all_reports_of_strangers_at_a_cabinet_are_struck_in_one_act(
    commands: Commands, settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    stranger = visitor(settled, address="203.0.113.9")
    report(stranger, 5, "damaged")  # true, and earlier
    clock.forward(hours=1)
    since = "2026-11-25T10:00"  # by the clock of the site, which shows UTC
    for problem in ("light", "pads", "used"):
        report(stranger, 5, problem)
        clock.forward(minutes=2)
    assert visitor(settled, "P5").send(cabinet(5), cabinet(5), problem="cabinet").status_code == 303
    report(stranger, 1, "used")
    label = cabinet(5).removeprefix("/at/")
    act = ("--json", "strike", "--reports-of", label, "--since", since, "--why", "children at play", "--by", "P1")
    status, out, err = commands(*act)
    assert status == 0, err
    answer = json.loads(out)
    assert answer["unit"] == "POOL-01" and len(answer["struck"]) == 3
    history = json.loads(commands("--json", "history", "POOL-01")[1])
    left = [one for one in history if one["entry"] in ("fault", "used") and not one["struck_by"]]
    assert [one["by"] for one in left] == ["P5", "unknown passer-by"]
    assert {one["note"] for one in history if one["entry"] == "struck"} == {"children at play"}
    assert "used" not in " ".join(answer["reasons"])
    status, _, err = commands(*act)
    assert status == 2 and "no stranger's report at POOL-01 since then is left" in err
    assert "used" in json.loads(commands("--json", "history", "MILL-01")[1])[0]["entry"], (
        "another cabinet is left alone"
    )


@pytest.mark.parametrize(
    ("words_", "said"),
    [
        (["--reports-of", "nowhere", "--since", "2026-11-25"], "no cabinet has the label 'nowhere'"),
        (["--reports-of", "label00000000000000005", "--since", "soon"], "--since 'soon' is not a time"),
        (["--reports-of", "label00000000000000005"], "with --since"),
        (["--since", "2026-11-25"], "--reports-of LABEL"),
        (["7", "--reports-of", "label00000000000000005", "--since", "2026-11-25"], "either ENTRY-ID"),
        ([], "say which entry"),
    ],
)
def test_what_is_missing_to_strike_reports_is_said(commands: Commands, words_: list[str], said: str) -> None:
    status, _, err = commands("strike", *words_, "--why", "no")
    assert status == 2 and said in " ".join(err.split())


def test_a_stranger_is_thanked_whatever_the_limits_say(settled_once: Program, visitor: NewVisitor) -> None:
    stranger = visitor(settled_once)
    for number in range(12):
        answer = stranger.send(cabinet(5), cabinet(5), problem="other", note=f"thing {number}")
        assert "It is recorded and passed on" in words(stranger.get(answer.headers["location"]))
