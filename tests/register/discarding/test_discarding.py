"""Discarding: what goes, what stays and why, and that the chain and the evidence hold afterwards."""

from __future__ import annotations

import threading
from collections import Counter
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select, update

from nightround.errors import Failure, UserError
from nightround.reckoning.rules import Span
from nightround.register import discarding
from nightround.register.discarding import CORRECTS, EVIDENCE, discard, look
from nightround.register.gravestones import BLANK, seal
from nightround.register.log import NewEntry, append, append_many, verify_chain
from nightround.register.recording import strike
from nightround.store.database import Store, open_store
from nightround.store.tables import fleet, log
from tests.reckoning.core.build import d

from .build import NOW, entry, fleet_of, keep, known, later, monthly, rows, written

BEFORE = d("2025-01-01")


def day_of(text: str) -> datetime:
    return datetime.fromisoformat(text)


def chain(store: Store) -> object:
    with store.read() as conn:
        return verify_chain(conn)


def test_looking_changes_nothing(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    before = rows(store)
    found = look(store, [], BEFORE, NOW)
    assert found.going == 23  # the checks of 2023 and 2024 but the last
    assert rows(store) == before


def test_what_goes_is_emptied_and_said_in_the_chain(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    ids = written(store, monthly(unit))
    before, evidence = rows(store), known(store, [unit])
    found = discard(store, [], BEFORE, NOW, "ADA")
    after = rows(store)
    (plan,) = found.plans
    assert plan.going == tuple(ids[:23])
    assert plan.kinds == Counter(check=23)
    assert {held.why: kinds for held, kinds in plan.held.items()} == {EVIDENCE: Counter(check=1)}
    for entry_id in plan.going:
        gone, was = after[entry_id], before[entry_id]
        assert (gone.readings, gone.part, gone.note, gone.by_person) == ("{}", "{}", "", "")
        assert gone.discarded_at == NOW
        assert (gone.id, gone.hash, gone.prev_hash, gone.at, gone.entry) == (
            was.id,
            was.hash,
            was.prev_hash,
            was.at,
            "check",
        )
    for entry_id in ids[23:]:
        assert after[entry_id] == before[entry_id]
    said = after[found.entries[0]]
    assert (said.unit_id, said.entry, said.by_person) == (unit, "discarded", "ADA")
    assert '"entries":"1-23"' in said.readings
    assert chain(store) is None
    assert known(store, [unit]) == evidence


def test_a_second_discard_finds_nothing_and_writes_nothing(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    discard(store, [], BEFORE, NOW)
    first = rows(store)
    again = discard(store, [], BEFORE, later(days=1))
    assert (again.going, again.entries) == (0, [])
    assert rows(store) == first
    # and a later one takes what has become older
    more = discard(store, [], d("2026-01-01"), later(days=2))
    assert more.going == 12
    assert chain(store) is None


def test_the_day_itself_is_not_touched_and_counts_at_the_site(store: Store) -> None:
    # 2024-12-31 12:00 UTC is 2025-01-01 01:00 in Auckland (UTC+13 in summer)
    (unit,) = fleet_of(store, "AKL-01", zone="Pacific/Auckland")
    texts = ("2024-12-31T10:00+00:00", "2024-12-31T10:30+00:00", "2024-12-31T12:00+00:00", "2025-05-01T00:00+00:00")
    made = [NewEntry(unit, day_of(text), "ordered", "", {}, {"kind": "battery"}) for text in texts]
    ids = written(store, made)
    assert look(store, [], BEFORE, NOW).plans[0].going == tuple(ids[:2])


def test_a_day_to_come_is_refused(store: Store) -> None:
    for act in (look, discard):
        with pytest.raises(UserError, match="2027-01-01 lies in the future"):
            act(store, [], d("2027-01-01"), NOW)


def test_an_unknown_person_cannot_discard(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    with pytest.raises(UserError, match="person 'BO' is not in the register"):
        discard(store, [], BEFORE, NOW, "BO")
    assert chain(store) is None
    assert not any(row.discarded_at for row in rows(store).values())


def test_a_rule_of_the_place_holds_back_and_is_named(store: Store) -> None:
    # Taiwan, article 7: records are kept two years or more
    (unit,) = fleet_of(store, "TPE-01", zone="Asia/Taipei", country="TW")
    ids = written(
        store,
        [entry(unit, "2024-10-01"), entry(unit, "2024-11-25"), entry(unit, "2024-12-01"), entry(unit, "2026-06-01")],
    )
    rule = keep(Span.KEPT_MONTHS, 24, country="TW")
    (plan,) = look(store, [rule], BEFORE, NOW).plans
    # 2024-11-25 is kept to 2026-11-25, which is today
    assert plan.going == (ids[0],)
    assert {held.rule: kinds for held, kinds in plan.held.items()} == {rule: Counter(check=2)}
    (plan,) = look(store, [keep(Span.KEPT_MONTHS, 24, country="JP")], BEFORE, NOW).plans
    assert plan.going == tuple(ids[:2])


def test_a_record_for_the_life_of_the_unit_never_goes(store: Store) -> None:
    # Iowa Administrative Code 641-143.12(613)
    (unit,) = fleet_of(store, "DSM-01")
    written(store, monthly(unit))
    assert look(store, [keep(Span.KEPT_FOR_LIFE)], BEFORE, NOW).going == 0


def test_a_rule_that_ended_holds_nothing_back(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    ended = keep(Span.KEPT_FOR_LIFE, effective_to=d("2020-12-31"))
    assert look(store, [ended], BEFORE, NOW).going == 23


def test_an_open_matter_stays_however_old(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    fault = NewEntry(unit, day_of("2020-03-01T10:00+00:00"), "fault", "", note="it beeps")
    ids = written(store, [entry(unit, "2020-01-01"), fault])
    (plan,) = look(store, [], BEFORE, NOW).plans
    assert ids[1] not in plan.going
    evidence = known(store, [unit])
    discard(store, [], BEFORE, NOW)
    assert known(store, [unit]) == evidence


def test_a_matter_opened_and_closed_long_ago_goes_whole(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    fault = entry(unit, "2023-03-05", "fault", note="it beeps")
    ordered = entry(unit, "2023-03-06", "ordered", kind="battery", expected="2023-03-20")
    fitted = entry(unit, "2023-03-20", "fitted", kind="battery")
    ids = written(store, [fault, ordered, fitted, *monthly(unit)])
    evidence = known(store, [unit])
    (plan,) = discard(store, [], BEFORE, NOW).plans
    assert set(ids[:3]) <= set(plan.going)
    assert plan.kinds == Counter(check=23, fault=1, ordered=1, fitted=1)
    assert known(store, [unit]) == evidence


def test_a_fault_cleared_only_after_the_day_stays_because_the_clearing_could_be_struck(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    fault, cleared = entry(unit, "2024-06-01", "fault", note="it beeps"), entry(unit, "2025-06-01")
    ids = written(store, [entry(unit, "2024-01-01"), fault, cleared])
    discard(store, [], BEFORE, NOW)
    assert rows(store)[ids[1]].note == "it beeps"
    with store.write() as conn:
        strike(conn, ids[2], "wrong unit", "ADA", NOW)
    ((_, row),) = known(store, [unit])
    assert d("2024-06-01") in row


def test_what_is_struck_goes_with_its_correction_and_never_counts_again(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    ids = written(store, [entry(unit, "2024-01-01"), entry(unit, "2026-01-01")])
    with store.write() as conn:
        wrong = append(conn, entry(unit, "2024-02-01", "withdrawn"), day_of("2024-02-01T12:00+00:00"))
        correction = strike(conn, wrong, "another unit", "ADA", day_of("2024-02-02T12:00+00:00"))
    evidence = known(store, [unit])
    (plan,) = discard(store, [], BEFORE, NOW).plans
    assert {wrong, correction} <= set(plan.going)
    assert ids[1] not in plan.going
    assert known(store, [unit]) == evidence
    assert chain(store) is None


def test_a_correction_stays_as_long_as_what_it_corrects(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    with store.write() as conn:
        wrong = append(conn, entry(unit, "2024-02-01"), day_of("2024-02-01T12:00+00:00"))
        correction = strike(conn, wrong, "another unit", "ADA", day_of("2024-02-02T12:00+00:00"))
    rule = keep(Span.KEPT_UNTIL_NEXT_CHECK)  # holds checks only, so not the correction itself
    (plan,) = look(store, [rule], BEFORE, NOW).plans
    assert plan.going == ()
    assert {held.why for held in plan.held} == {f"kept by rule {rule.id}", CORRECTS}
    assert correction not in plan.going


def test_neither_a_gravestone_nor_what_names_it_can_be_struck(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    ids = written(store, monthly(unit))
    found = discard(store, [], BEFORE, NOW)
    for entry_id in (ids[0], found.entries[0]):
        with store.write() as conn, pytest.raises(UserError, match="there is nothing to correct in it"):
            strike(conn, entry_id, "why", "ADA", NOW)


def test_nobody_can_log_a_discard_by_hand(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    with store.write() as conn, pytest.raises(UserError, match="'discarded' is not known"):
        append(conn, NewEntry(unit, NOW, "discarded", "ADA"), NOW)


def test_the_same_entry_imported_again_is_not_brought_back(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    told = monthly(unit)
    ids = written(store, told)
    discard(store, [], BEFORE, NOW)
    count = len(rows(store))
    assert written(store, told) == ids
    assert len(rows(store)) == count
    assert rows(store)[1].readings == "{}"


def test_people_who_leave_and_come_back_find_their_entries_weigh_the_same(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    # BO is not in the register now: what he wrote does not count, and would if he came back
    withdrawn = entry(unit, "2024-05-01", "withdrawn", by="BO")
    ids = written(store, [*monthly(unit), withdrawn])
    (plan,) = discard(store, [], BEFORE, NOW).plans
    assert ids[-1] not in plan.going


def test_where_evidence_would_change_nothing_is_done(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, [entry(unit, "2024-01-01")])
    before = rows(store)
    monkeypatch.setattr(discarding._Logbook, "_not_needed", lambda self, ids: frozenset(ids))
    with pytest.raises(Failure, match="MILL-01: discarding would change what is known"):
        discard(store, [], BEFORE, NOW)
    assert rows(store) == before


def test_many_units_are_done_in_batches(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discarding, "_BATCH", 2)
    units = fleet_of(store, *(f"MILL-{n:02}" for n in range(5)))
    written(store, [made for unit in units for made in monthly(unit, 2024)])
    seen: list[tuple[int, int | None]] = []
    found = discard(store, [], BEFORE, NOW, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(2, 5), (4, 5), (5, 5)]
    assert [plan.unit for plan in found.plans] == [f"MILL-{n:02}" for n in range(5)]
    assert found.going == 55
    assert len(found.entries) == 5
    assert chain(store) is None


def test_entries_written_while_it_discards_never_fork_the_chain(database_url: str) -> None:
    store = open_store(database_url)
    units = fleet_of(store, *(f"MILL-{n:02}" for n in range(6)))
    written(store, [made for unit in units for made in monthly(unit, 2024)])
    evidence = known(store, units)
    errors: list[Exception] = []

    def write(who: int) -> None:
        own = open_store(database_url)
        try:
            for n in range(15):
                with own.write() as conn:
                    made = NewEntry(units[n % 6], NOW - timedelta(minutes=n), "check", "", note=f"P{who}")
                    append(conn, made, NOW)
        except Exception as error:
            errors.append(error)
        finally:
            own.close()

    def empty(before: str) -> None:
        own = open_store(database_url)
        try:
            discard(own, [], d(before), NOW)
        except Exception as error:
            errors.append(error)
        finally:
            own.close()

    threads = [threading.Thread(target=write, args=(who,)) for who in range(3)]
    threads += [threading.Thread(target=empty, args=(day,)) for day in ("2024-07-01", "2025-01-01", "2026-01-01")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert errors == []
    assert chain(store) is None
    with store.read() as conn:
        count = conn.execute(select(fleet.c.log_count)).scalar_one()
        gone = conn.execute(select(log.c.id).where(log.c.discarded_at.is_not(None))).all()
    assert len(rows(store)) == count
    assert len(gone) == 6 * 23
    assert known(store, units) == evidence  # passers-by found nothing bad
    store.close()


def test_a_discard_undone_by_hand_is_found(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    ids = written(store, monthly(unit))
    was = rows(store)[ids[4]]
    discard(store, [], BEFORE, NOW)
    with store.write() as conn:
        back = {name: getattr(was, name) for name in ("readings", "part", "note", "by_person")}
        conn.execute(update(log).where(log.c.id == ids[4]).values(**back, discarded_at=None, seal=""))
        found = verify_chain(conn)
    assert found is not None
    assert found.entry_id == ids[4]
    assert "says that the entry was discarded" in found.why


def test_an_entry_emptied_by_hand_is_found(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    with store.write() as conn:
        conn.execute(update(log).where(log.c.id == 7).values(readings="{}", note="", by_person=""))
        found = verify_chain(conn)
        assert found is not None
        assert found.entry_id == 7


def test_an_entry_with_a_forged_gravestone_that_nothing_names_is_found(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    forged = seal(rows(store)[7], NOW)
    with store.write() as conn:
        conn.execute(update(log).where(log.c.id == 7).values(**BLANK, discarded_at=NOW, seal=forged))
        found = verify_chain(conn)
    assert found is not None
    assert found.entry_id == 7
    assert "no later entry says" in found.why


def test_two_gravestones_altered_together_with_their_seals_are_found(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    written(store, monthly(unit))
    discard(store, [], BEFORE, NOW)
    with store.write() as conn:
        conn.execute(update(log).where(log.c.id == 7).values(at=day_of("2023-07-02T10:00+00:00")))
        row = conn.execute(select(log).where(log.c.id == 7)).one()
        conn.execute(update(log).where(log.c.id == 7).values(seal=seal(row, NOW)))
        found = verify_chain(conn)
    assert found is not None
    assert "one of the gravestones that entry 47 names was changed: 1-23" in found.why


def test_backdated_entries_go_by_their_own_time(store: Store) -> None:
    (unit,) = fleet_of(store, "MILL-01")
    with store.write() as conn:
        ids = append_many(conn, [entry(unit, "2026-01-01"), entry(unit, "2023-01-01"), entry(unit, "2024-01-01")], NOW)
    (plan,) = look(store, [], BEFORE, NOW).plans
    assert plan.going == (ids[1],)
