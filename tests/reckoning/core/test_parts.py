"""Pads, batteries, kit and spares: reckoning.md §2. Intervals are common practice, no source, unless named."""

from __future__ import annotations

import pytest

from nightround.reckoning.facts import Evidence
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import ModelSheet

from .build import SEEN, SHEET, d, duty, good_parts, part, reckon, unit

BATTERY = part("battery", "2030-06-30", id_=2)


@pytest.mark.parametrize(
    ("on", "standing"),
    [
        ("2026-12-30", Standing.AHEAD),
        ("2026-12-31", Standing.ORDER_NOW),  # three months before 31 March
        ("2027-03-31", Standing.ORDER_NOW),
        ("2027-04-01", Standing.OVERDUE),  # the first bad day
    ],
)
def test_pads_are_ordered_three_months_ahead_and_bad_the_day_after_the_label(on: str, standing: Standing) -> None:
    found = duty(reckon(unit(parts=(part("pads-adult", "2027-03-31"), BATTERY)), on), "pads-adult")
    assert found.order_by == d("2026-12-31")
    assert found.standing is standing


def test_order_by_goes_back_to_a_working_day() -> None:
    # 2027-06-06 less three months is Saturday 2027-03-06; the working day before it is Friday the 5th.
    found = duty(reckon(unit(parts=(part("pads-adult", "2027-06-06"), BATTERY)), "2026-11-25"), "pads-adult")
    assert found.order_by == d("2027-03-05")


def test_a_spare_that_outlasts_the_part_makes_ordering_needless() -> None:
    pads = part("pads-adult", "2027-01-31")
    spare = part("pads-adult", "2028-01-31", "spare", 3)
    found = duty(reckon(unit(parts=(pads, BATTERY, spare)), "2026-11-25"), "pads-adult", "fitted")
    assert found.standing is Standing.AHEAD
    found = duty(reckon(unit(parts=(pads, BATTERY, spare)), "2027-01-01"), "pads-adult", "fitted")
    assert found.standing is Standing.OPEN  # 30 days before the last good day


@pytest.mark.parametrize(
    "spare",
    [
        part("pads-adult", "2026-11-24", "spare", 3),
        part("pads-adult", None, "spare", 3),
        part("pads-child", "2028-01-31", "spare", 3),
    ],
)
def test_a_spare_that_is_past_undated_or_of_another_kind_is_no_spare(spare: object) -> None:
    facts = unit(parts=(part("pads-adult", "2027-01-31"), BATTERY, spare))  # type: ignore[arg-type]
    assert duty(reckon(facts, "2026-11-25"), "pads-adult", "pads-adult/fitted").standing is Standing.ORDER_NOW


def test_a_spare_past_its_date_is_a_duty_of_its_own() -> None:
    facts = unit(parts=(*good_parts(), part("pads-adult", "2026-10-31", "spare", 3)))
    found = reckon(facts, "2026-11-25")
    assert duty(found, "pads-adult", "spare").standing is Standing.OVERDUE
    assert duty(found, "pads-adult", "fitted").standing is Standing.AHEAD
    assert found.condition == "work due"


@pytest.mark.parametrize(("expected", "standing"), [("2026-11-26", Standing.AHEAD), ("2026-11-25", Standing.ORDER_NOW)])
def test_an_order_counts_while_its_expected_day_is_ahead(expected: str, standing: Standing) -> None:
    evidence = Evidence(looked_on=d("2026-11-20"), ordered=(("pads-adult", d(expected)),))
    facts = unit(evidence, (part("pads-adult", "2027-01-31"), BATTERY))
    assert duty(reckon(facts, "2026-11-25"), "pads-adult").standing is standing


def test_an_undated_part_is_not_recorded() -> None:
    found = duty(reckon(unit(parts=(part("pads-adult", None), BATTERY)), "2026-11-25"), "pads-adult")
    assert found.standing is Standing.NOT_RECORDED
    assert found.because[0].evidence == "no date recorded"


def test_a_unit_without_parts_on_record_has_them_not_recorded() -> None:
    found = reckon(unit(parts=()), "2026-11-25")
    assert duty(found, "battery").standing is Standing.NOT_RECORDED
    assert duty(found, "pads-adult").standing is Standing.NOT_RECORDED
    assert found.condition == "no evidence"


def test_universal_pads_serve_adults_and_children() -> None:
    sheet = SHEET._replace(pads=("pads-adult", "pads-child"))
    facts = unit(parts=(part("pads-universal", "2028-06-30"), BATTERY), model="Model A")
    assert [item.kind for item in reckon(facts, "2026-11-25", sheets=[sheet]).duties] == [
        "look",
        "pads-universal",
        "battery",
    ]


def test_a_model_with_a_child_switch_needs_no_child_pads() -> None:
    sheet = SHEET._replace(pads=("pads-adult", "pads-child"), child_by_switch=True)
    assert "pads-child" not in [
        item.kind for item in reckon(unit(model="Model A"), "2026-11-25", sheets=[sheet]).duties
    ]
    sheet = sheet._replace(child_by_switch=False)
    assert (
        duty(reckon(unit(model="Model A"), "2026-11-25", sheets=[sheet]), "pads-child").standing
        is Standing.NOT_RECORDED
    )


# Batteries: the earliest of label, fitted day + standby life, and an empty reading.


def test_standby_life_brings_a_label_date_forward_never_back() -> None:
    # Standby life about five years once installed: common practice, no source.
    early = part("battery", "2032-06-30", id_=2, fitted_on="2022-02-28")
    found = duty(reckon(unit(parts=(good_parts()[0], early), model="Model A"), "2026-11-25", sheets=[SHEET]), "battery")
    assert found.last_good_day == d("2027-02-28")
    assert [because.last_good_day for because in found.because] == [d("2027-02-28"), d("2032-06-30")]
    late = part("battery", "2027-06-30", id_=2, fitted_on="2026-01-01")
    found = duty(reckon(unit(parts=(good_parts()[0], late), model="Model A"), "2026-11-25", sheets=[SHEET]), "battery")
    assert found.last_good_day == d("2027-06-30")


def test_a_battery_past_its_standby_estimate_alone_is_overdue_but_the_unit_can_be_relied_on() -> None:
    old = part("battery", "2032-06-30", id_=2, fitted_on="2021-01-01")
    found = reckon(unit(parts=(good_parts()[0], old), model="Model A"), "2026-11-25", sheets=[SHEET])
    assert duty(found, "battery").standing is Standing.OVERDUE
    assert found.condition == "work due"


def test_one_bar_means_order_now_from_that_day() -> None:
    evidence = Evidence(looked_on=d("2026-11-20"), battery_low_on=d("2026-11-20"))
    assert duty(reckon(unit(evidence), "2026-11-20"), "battery").standing is Standing.ORDER_NOW
    assert duty(reckon(unit(evidence), "2026-11-19"), "battery").standing is Standing.AHEAD
    assert duty(reckon(unit(evidence), "2026-11-20"), "battery").last_good_day == d("2030-06-30")


def test_an_empty_battery_is_overdue_from_the_next_day_and_not_to_be_relied_on_from_that_day() -> None:
    evidence = Evidence(looked_on=d("2026-11-20"), battery_empty_on=d("2026-11-20"))
    today = reckon(unit(evidence), "2026-11-20")
    assert today.condition == "not to be relied on"
    assert duty(today, "battery").last_good_day == d("2026-11-20")
    assert duty(today, "battery").standing is not Standing.OVERDUE
    assert duty(reckon(unit(evidence), "2026-11-21"), "battery").standing is Standing.OVERDUE


def test_pads_seen_opened_are_bad_at_once() -> None:
    evidence = Evidence(looked_on=d("2026-11-20"), pads_bad_on=d("2026-11-20"))
    found = reckon(unit(evidence), "2026-11-20")
    assert found.condition == "not to be relied on"
    assert duty(found, "pads-adult").last_good_day == d("2026-11-20")


def test_kit_the_sheet_asks_for_is_owed() -> None:
    sheet = ModelSheet("Model A", "its manual", SEEN, pads=("pads-adult",), kit=("kit-gloves",))
    assert (
        duty(reckon(unit(model="Model A"), "2026-11-25", sheets=[sheet]), "kit-gloves").standing
        is Standing.NOT_RECORDED
    )
