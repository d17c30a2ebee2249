"""Which cases of a site are told as one: examples, and what holds for any cases in any order."""

from __future__ import annotations

import json
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.rounds.causes import item, text_of
from nightround.rounds.groups import Decision, Group, Member, decide, kind_and_severity, pause, what_of

LOOK, BOTH, SILENT = "overdue/look", "overdue/look+test", "not-recorded/look"


def member(id_: int, shared: str = LOOK, site: int = 1, group: int | None = None, **more: object) -> Member:
    what = text_of([item("look", date(2026, 11, 1 + id_ % 20), "why", "rule", "house", "house")])
    fields = {
        "id": id_,
        "site_id": site,
        "shared": shared,
        "kind": "overdue",
        "severity": "soon",
        "paused": "",
        "paused_until": None,
        "found_at_import": False,
        "unit": f"U-{id_:02}",
        "what": what,
        "group_id": group,
    }
    return Member(**{**fields, **more})  # type: ignore[arg-type]


def shape(decision: Decision) -> list[tuple[int | None, str, list[int]]]:
    return [(group.group_id, group.shared, [one.id for one in group.members]) for group in decision.formed]


def test_as_many_as_set_are_one_and_one_fewer_are_not() -> None:
    assert decide([member(n) for n in range(1, 5)], [], 5) == Decision((), (), (), ())
    assert shape(decide([member(n) for n in range(1, 6)], [], 5)) == [(None, LOOK, [1, 2, 3, 4, 5])]


def test_another_site_or_another_reason_is_another_matter() -> None:
    some = [member(n, site=n % 2) for n in range(1, 9)] + [member(n, SILENT) for n in range(10, 14)]
    assert decide(some, [], 5).formed == ()


def test_what_shares_no_reason_is_never_put_together() -> None:
    assert decide([member(n, "") for n in range(1, 30)], [], 5).formed == ()


def test_a_group_takes_in_what_comes_and_stays_until_its_last_member_is_gone() -> None:
    standing = [Group(90, 1, LOOK)]
    assert shape(decide([member(1, group=90), member(2)], standing, 5)) == [(90, LOOK, [1, 2])]
    assert decide([], standing, 5) == Decision((), (), (90,), ())


def test_a_member_with_another_reason_goes_on_alone_and_its_empty_group_is_dissolved_not_ended() -> None:
    assert decide([member(1, BOTH, group=90)], [Group(90, 1, LOOK)], 5) == Decision((), (1,), (), (90,))
    moved = decide([], [Group(90, 1, LOOK)], 5, elsewhere={90})
    assert moved == Decision((), (), (), (90,))


def test_a_group_goes_along_where_its_members_come_to_share_another_reason() -> None:
    some = [member(n, BOTH, group=90) for n in range(1, 6)]
    assert decide(some, [Group(90, 1, LOOK)], 5) == Decision(decide(some, [Group(90, 1, BOTH)], 5).formed, (), (), ())
    # But not to what is no longer the same kind of matter.
    silent = decide([one._replace(shared=SILENT) for one in some], [Group(90, 1, LOOK)], 5)
    assert (shape(silent), silent.dissolved) == ([(None, SILENT, [1, 2, 3, 4, 5])], (90,))


def test_what_rests_makes_no_group_but_stays_in_one() -> None:
    resting = [member(n, paused="closed", paused_until=date(2027, 1, n)) for n in range(1, 8)]
    assert decide(resting, [], 5).formed == ()
    (group,) = decide(resting, [Group(90, 1, LOOK)], 5).formed
    assert pause(group.members) == ("closed", date(2027, 1, 1))
    assert pause((*group.members, member(8))) == ("", None)


def test_a_group_is_as_grave_as_its_gravest_member() -> None:
    some = [member(1), member(2, kind="long-overdue"), member(3, kind="notice", severity="urgent")]
    assert kind_and_severity(some[:1]) == ("overdue", "soon")
    assert kind_and_severity(some[:2]) == ("long-overdue", "soon")
    assert kind_and_severity(some) == ("notice", "urgent")


def test_a_group_says_how_many_which_and_since_when_the_longest() -> None:
    (said,) = json.loads(what_of([member(n) for n in range(5, 30)]))
    assert said["subject"] == "look"
    assert said["last_good_day"] == "2026-11-01"
    assert said["reason"].startswith("25 units: U-05, U-06, ")
    assert said["reason"].endswith("U-24 and 5 more")
    site = json.loads(what_of([member(1), member(2, unit="")]))[0]["reason"]
    assert site == "1 unit: U-01; what is kept at the site"


@pytest.mark.parametrize("subject", ["condition", "others"])
def test_what_is_said_of_units_as_a_whole_is_said_once(subject: str) -> None:
    what = text_of([item(subject, None, "notice N says stop using: T")])
    said = json.loads(what_of([member(n, "notice/N", what=what) for n in (1, 2)]))
    expected = ["notice N says stop using: T (2 units: U-01, U-02)"] if subject == "condition" else []
    assert [one["reason"] for one in said] == expected


MEMBERS = st.lists(
    st.builds(
        member,
        st.integers(1, 40),
        st.sampled_from([LOOK, BOTH, SILENT, ""]),
        st.integers(1, 2),
        st.sampled_from([None, 90, 91, 92]),
        paused=st.sampled_from(["", "", "closed"]),
    ),
    max_size=25,
    unique_by=lambda one: one.id,
)
GROUPS = st.lists(
    st.builds(Group, st.sampled_from([90, 91, 92]), st.integers(1, 2), st.sampled_from([LOOK, BOTH, SILENT])),
    unique_by=(lambda group: group.id, lambda group: (group.site_id, group.shared)),
)


@settings(max_examples=200)
@given(MEMBERS, GROUPS, st.integers(2, 6), st.randoms(use_true_random=False))
def test_nothing_is_lost_or_told_twice_and_order_and_repetition_change_nothing(
    members: list[Member], groups: list[Group], group_from: int, dice: object
) -> None:
    decision = decide(members, groups, group_from)
    grouped = [one.id for group in decision.formed for one in group.members]
    assert len(set(grouped)) == len(grouped)
    known = {one.id: one for one in members}
    assert set(grouped) | set(decision.alone) <= set(known)
    assert not set(grouped) & set(decision.alone)
    for group in decision.formed:
        assert {(one.site_id, one.shared) for one in group.members} == {(group.site_id, group.shared)}
        assert group.group_id is not None or sum(not one.paused for one in group.members) >= group_from
    kept = [group.group_id for group in decision.formed if group.group_id is not None]
    assert sorted([*kept, *decision.ended, *decision.dissolved]) == sorted(group.id for group in groups)
    # Whoever is in no group afterwards was in none before, or is named.
    assert {one.id for one in members if one.group_id is not None} <= set(grouped) | set(decision.alone)
    dice.shuffle(members)  # type: ignore[attr-defined]
    dice.shuffle(groups)  # type: ignore[attr-defined]
    assert decide(members, groups, group_from) == decision
    # Done as decided, nothing more is to be done.
    names = {group: group.group_id or 200 + n for n, group in enumerate(decision.formed)}
    placed = {one.id: names[group] for group in decision.formed for one in group.members}
    after = [one._replace(group_id=placed.get(one.id)) for one in members]
    standing = [Group(names[group], group.site_id, group.shared) for group in decision.formed]
    again = decide(after, standing, group_from)
    assert (again.alone, again.ended, again.dissolved) == ((), (), ())
    assert [(group.group_id, [one.id for one in group.members]) for group in again.formed] == [
        (names[group], [one.id for one in group.members]) for group in decision.formed
    ]
