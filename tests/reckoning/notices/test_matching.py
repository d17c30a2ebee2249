"""Who is meant: models, marks in any or all, lots of parts, corrections, and what is missing named."""

from __future__ import annotations

import pytest

from nightround.reckoning.concerned import Matcher
from nightround.reckoning.facts import UnitFacts
from nightround.reckoning.notices import Days, Finding, Notice
from nightround.reckoning.rules import ModelSheet
from tests.reckoning.core.build import SEEN, d

from .build import concern, judge, match, notice, part, ranges, unit

YES, NO, UNTOLD = Finding.MATCHES, Finding.CLEAR, Finding.CANNOT_TELL
EVERY = notice(concern(every_unit=True))
LOTS = notice(concern(parts=("pads-adult",), lots=ranges("L-100", ("L-200", "L-299"))))
BATTERY = part("battery", "B1", id_=9)


@pytest.mark.parametrize(
    ("model", "finding"),
    [
        ("Orrel Twin", YES),
        ("ORREL  twin", YES),
        ("Orrel-Twin", YES),
        ("Orrel Twin 2", UNTOLD),
        ("Orrel", UNTOLD),
        ("Orrel Twin+", UNTOLD),
        ("Orrel Solo", NO),
        ("  ", UNTOLD),
    ],
)
def test_a_model_is_known_by_its_name_however_it_is_spelt(model: str, finding: Finding) -> None:
    assert match(EVERY, unit(model=model)).finding is finding


def test_model_sheets_tell_models_of_like_names_apart_and_join_the_names_of_one() -> None:
    twin = ModelSheet("Orrel Twin", "its manual", SEEN)
    second = ModelSheet("Orrel Twin 2", "its manual", SEEN)
    assert match(EVERY, unit(model="Orrel Twin 2"), twin, second).finding is NO
    also = {"Orrel Twin": twin, "OT-100": twin}
    assert Matcher(EVERY, also).match(unit(model="OT-100")).finding is YES


@pytest.mark.parametrize(
    ("all_of", "serial", "firmware", "finding"),
    [
        (False, "150", "9.0", YES),
        (False, "250", "1.0", YES),
        (False, "250", "9.0", NO),
        (False, "250", "", UNTOLD),
        (False, "150", "", YES),
        (True, "150", "1.0", YES),
        (True, "150", "9.0", NO),
        (True, "150", "", UNTOLD),
        (True, "250", "", NO),
        (True, "", "", UNTOLD),
    ],
)
def test_marks_are_joined_by_any_or_by_all(all_of: bool, serial: str, firmware: str, finding: Finding) -> None:
    both = notice(concern(serials=ranges(("100", "200")), firmware=ranges(("", "2.0")), all_of=all_of))
    assert match(both, unit(serial, firmware=firmware)).finding is finding


def test_a_unit_is_meant_where_any_group_means_it() -> None:
    groups = notice(
        concern(serials=ranges("1")), concern(serials=ranges("2")), concern(models=("Other",), every_unit=True)
    )
    assert match(groups, unit("2")).finding is YES
    assert match(groups, unit("3")).finding is NO
    assert match(groups, unit("3", model="Other")).finding is YES


@pytest.mark.parametrize(
    ("parts", "finding", "why"),
    [
        ([part("pads-adult", "L-100")], YES, "lot L-100 of the fitted pads-adult is named"),
        ([part("pads-adult", "L-250")], YES, "lot L-250 of the fitted pads-adult is within L-200 to L-299"),
        ([part("pads-adult", "L-300")], NO, ""),
        ([part("pads-adult", "")], UNTOLD, "lot of the fitted pads-adult not recorded"),
        ([part("pads-adult", "L-300"), part("pads-adult", "L-100", "spare", id_=2)], YES,
         "lot L-100 of the spare pads-adult is named"),
        ([part("pads-adult", "L-300"), part("pads-adult", "", "spare", id_=2)], UNTOLD,
         "lot of the spare pads-adult not recorded"),
        ([part("pads-adult", "L-100"), part("pads-adult", "", "spare", id_=2)], YES,
         "lot L-100 of the fitted pads-adult is named"),
        ([part("pads-adult", "L-300"), part("pads-child", "L-100", id_=2)], NO, ""),  # other parts count by themselves
        ([], UNTOLD, "no fitted pads-adult on record"),
    ],
)  # fmt: skip
def test_lots_of_fitted_and_spare_parts(parts: list[object], finding: Finding, why: str) -> None:
    found = match(LOTS, unit(parts=[*parts, BATTERY]))  # type: ignore[list-item]
    assert (found.finding, found.why) == (finding, why)


def test_pads_known_to_be_missing_have_no_lot() -> None:
    assert match(LOTS, unit(parts=[BATTERY], pads_missing_on=d("2016-10-01"))).finding is NO


def test_lots_that_fit_any_model_need_no_model() -> None:
    any_model = notice(concern(models=(), parts=("pads-adult",), lots=ranges("L-100")))
    assert match(any_model, unit(model="", parts=[part("pads-adult", "L-100"), BATTERY])).finding is YES
    assert match(any_model, unit(model="", parts=[part("pads-adult", "L-101"), BATTERY])).finding is NO


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        (unit("", None, ""), "serial not recorded; day of making not recorded; firmware not recorded"),
        (unit("150", None, ""), "day of making not recorded; firmware not recorded"),
        (unit("150", "2004-05-01", "1.0 beta"), "firmware 1.0 beta cannot be compared with 1.0"),
        (unit("n/a", "2004-05-01", "1.0"), "serial n/a cannot be compared with 100 to 200"),
        (unit("150", "2004-05-01", "1.0", model=""), "model not recorded"),
        (unit("150", "2004-05-01", "1.0", model="Twin"), "model 'Twin' may be 'Orrel Twin'"),
    ],
)
def test_what_is_missing_is_named(facts: UnitFacts, why: str) -> None:
    thick = notice(
        concern(
            serials=ranges(("100", "200")),
            made=(Days(d("2004-01-01"), None),),
            firmware=ranges("1.0"),
            all_of=True,
        )
    )
    found = match(thick, facts)
    assert (found.finding, found.why) == (UNTOLD, why)


@pytest.mark.parametrize(
    ("of", "facts", "why"),
    [
        (concern(made=(Days(None, d("2005-01-31")),)), unit(made_on="2004-05-01"),
         "made 2004-05-01, 2005-01-31 or earlier"),
        (concern(made=(Days(d("2004-01-01"), None),)), unit(made_on="2004-05-01"),
         "made 2004-05-01, 2004-01-01 or later"),
        (concern(firmware=ranges(("", "2.004"))), unit(firmware="2.003"), "firmware 2.003 is 2.004 or earlier"),
        (concern(serials=ranges("X1")), unit("X1"), "serial X1 is named"),
        (concern(every_unit=True), unit(), "every unit of the model"),
    ],
)  # fmt: skip
def test_a_match_says_what_decided(of: object, facts: UnitFacts, why: str) -> None:
    assert match(notice(of), facts).why == why  # type: ignore[arg-type]


def test_a_correction_takes_a_unit_out_and_one_that_is_void_does_not() -> None:
    corrected = unit(noted=[("corrected", "2016-11-01")])
    assert judge(EVERY, corrected).finding is Finding.CORRECTED
    void = EVERY._replace(corrections_from=d("2016-11-02"))
    assert judge(void, corrected).finding is YES
    assert judge(EVERY._replace(corrections_from=d("2016-11-01")), corrected).finding is Finding.CORRECTED
    assert judge(EVERY._replace(reference="FSN-8"), corrected).finding is YES  # another notice's record


@pytest.mark.parametrize(
    ("lot", "fitted_on", "finding"),
    [
        ("L-100", "2016-10-01", Finding.CORRECTED),
        ("L-100", "2016-11-01", Finding.CORRECTED),  # the same day: that is the correction
        ("L-100", "2016-11-02", YES),
        ("L-300", "2016-11-02", NO),
        ("", "2016-11-02", UNTOLD),
    ],
)
def test_pads_fitted_after_a_correction_are_looked_at_anew(lot: str, fitted_on: str, finding: Finding) -> None:
    facts = unit(parts=[part("pads-adult", lot, fitted_on=fitted_on), BATTERY], noted=[("corrected", "2016-11-01")])
    assert judge(LOTS, facts).finding is finding


def test_found_not_to_be_meant_counts_only_where_the_facts_cannot_tell() -> None:
    noted = [("not-concerned", "2016-11-01")]
    serials = notice(concern(serials=ranges(("100", "200"))))
    assert judge(serials, unit("", noted=noted)) == (Finding.NOT_CONCERNED, "serial not recorded", d("2016-11-01"))
    assert judge(serials, unit("150", noted=noted)).finding is YES
    assert judge(serials, unit("250", noted=noted)) == (NO, "", None)


@pytest.mark.parametrize(
    ("lots", "finding"), [(["L-100"], YES), (["L-1", ""], UNTOLD), (["L-1"], NO), (["", "L-250"], YES), ([], NO)]
)
def test_spares_of_a_site_are_found_by_their_lots_alone(lots: list[str], finding: Finding) -> None:
    kept = [part("pads-adult", lot, "spare", id_=n) for n, lot in enumerate(lots)]
    assert Matcher(LOTS, {}).spares(kept).finding is finding


def test_a_notice_about_units_says_nothing_of_spares() -> None:
    assert Matcher(EVERY, {}).spares([part("pads-adult", "", "spare")]).finding is NO


def test_facts_read_without_marks_are_refused_and_never_clear() -> None:
    with pytest.raises(ValueError, match="not read"):
        match(EVERY, unit()._replace(marks=None))


def test_a_closed_notice_is_in_force_until_the_day_before() -> None:
    closed: Notice = EVERY._replace(closed_on=d("2017-01-01"))
    assert closed.in_force(d("2016-12-31"))
    assert not closed.in_force(d("2017-01-01"))
