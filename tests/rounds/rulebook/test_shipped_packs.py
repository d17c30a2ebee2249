"""The shipped packs: what each says, checked against the published facts, and which rules bind where and when."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from nightround.reckoning.facts import Evidence, Place
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import Force, Rule, Shape, Span, Subject, announced, binding

from ...reckoning.published.shipped import book, d, duty_of, place

TODAY = d("2026-11-25")
EVERY_WEEK, EVERY_MONTH, EVERY_YEAR = (Shape(Span.EACH, period=period) for period in ("week", "month", "year"))
TWO_YEARS = Shape(Span.MONTHS, 24)
PER_MODEL, AT_ONCE, LABEL = Shape(Span.PER_MODEL), Shape(Span.AT_ONCE), Shape(Span.LABEL)

# country, subdivision, site type: rule → subject, shape, force
SAID: dict[tuple[str, str, str], dict[str, tuple[Subject, Shape, Force]]] = {
    ("US", "CA", ""): {
        "us-ca-look-90-days": (Subject.LOOK, Shape(Span.DAYS, 90), Force.LAW),
        "us-ca-test-half-yearly": (Subject.TEST, Shape(Span.MONTHS, 6), Force.LAW),
        "us-ca-test-after-use": (Subject.RESTORE, AT_ONCE, Force.LAW),
    },
    ("US", "TX", ""): {
        "us-tx-look-monthly": (Subject.LOOK, EVERY_MONTH, Force.LAW),
        "us-tx-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW),
        "us-tx-report-use": (Subject.REPORT_USE, AT_ONCE, Force.LAW),
    },
    ("US", "MD", ""): {"us-md-look-monthly": (Subject.LOOK, EVERY_MONTH, Force.LAW)},
    ("US", "MD", "school"): {"us-md-school-look-weekly": (Subject.LOOK, EVERY_WEEK, Force.LAW)},
    ("US", "AR", ""): {"us-ar-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW)},
    ("US", "AR", "school"): {
        "us-ar-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW),
        "us-ar-school-inspection-yearly": (Subject.INSPECTION, EVERY_YEAR, Force.LAW),
    },
    ("US", "AZ", ""): {
        "us-az-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW),
        "us-az-report-use-5-working-days": (Subject.REPORT_USE, Shape(Span.WORKING_DAYS, 5), Force.LAW),
    },
    ("US", "IL", "sports"): {
        "us-il-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW),
        "us-il-fitness-replace-10-days": (Subject.REPLACE, Shape(Span.DAYS, 10), Force.LAW),
    },
    ("US", "NJ", "school"): {"us-nj-school-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW)},
    ("US", "NJ", ""): {},
    ("US", "VA", ""): {},  # no interval known: from memory, so never a rule
    ("DE", "", ""): {
        "de-safety-check-two-yearly": (Subject.INSPECTION, Shape(Span.MONTHS_TO_MONTH_END, 24), Force.LAW),
        "de-records-until-next-check": (Subject.RECORDS, Shape(Span.KEPT_UNTIL_NEXT_CHECK), Force.LAW),
    },
    ("DE", "BY", "school"): {
        "de-safety-check-two-yearly": (Subject.INSPECTION, Shape(Span.MONTHS_TO_MONTH_END, 24), Force.LAW),
        "de-records-until-next-check": (Subject.RECORDS, Shape(Span.KEPT_UNTIL_NEXT_CHECK), Force.LAW),
    },
    ("TW", "", ""): {
        "tw-test-half-yearly": (Subject.TEST, Shape(Span.MONTHS, 6), Force.LAW),
        "tw-restore-at-once": (Subject.RESTORE, AT_ONCE, Force.LAW),
        # article 7: two years or more
        "tw-records-two-years": (Subject.RECORDS, Shape(Span.KEPT_MONTHS, 24), Force.LAW),
    },
    ("KR", "", ""): {
        "kr-look-monthly": (Subject.LOOK, EVERY_MONTH, Force.LAW),
        "kr-report-check-monthly": (Subject.REPORT_CHECK, EVERY_MONTH, Force.LAW),
    },
    ("JP", "", ""): {"jp-look-daily": (Subject.LOOK, Shape(Span.DAYS, 1), Force.GUIDANCE)},
    ("GB", "", ""): {"gb-look-weekly": (Subject.LOOK, Shape(Span.DAYS, 7), Force.GUIDANCE)},
    ("SG", "", ""): {"sg-look-monthly": (Subject.LOOK, EVERY_MONTH, Force.GUIDANCE)},
    ("ES", "MD", ""): {"es-md-report-use-72-hours": (Subject.REPORT_USE, Shape(Span.HOURS, 72), Force.LAW)},
    ("ES", "", ""): {},
    ("AU", "SA", ""): {},  # the yearly test was removed in 2024
    ("FR", "", ""): {},
    ("", "", ""): {},
} | {
    ("US", state, ""): {f"us-{state.lower()}-look-per-model": (Subject.LOOK, PER_MODEL, Force.LAW)}
    for state in ("GA", "IA", "IL", "LA", "MA", "NM", "NV", "NY", "OR", "RI", "TN", "WA")
}
# Iowa Administrative Code 641-143.12(613): the usable life of the device
SAID["US", "IA", ""]["us-ia-records-life-of-unit"] = (Subject.RECORDS, Shape(Span.KEPT_FOR_LIFE), Force.LAW)
# 7.27.8.9 NMAC: active and at least three years
SAID["US", "NM", ""]["us-nm-records-of-training"] = (Subject.RECORDS, Shape(Span.KEPT_AFTER_ROLE, 36), Force.LAW)
# Registration: Minnesota 403.51, New Hampshire 153-A:33, South Australia, Madrid; Maryland's is valid for three years
for _where, _rule, _subject, _shape in (
    (("US", "MN", ""), "us-mn-register-30-working-days", Subject.REGISTER, Shape(Span.WORKING_DAYS, 30)),
    (("US", "NH", ""), "us-nh-register-30-days", Subject.REGISTER, Shape(Span.DAYS, 30)),
    (("AU", "SA", ""), "au-sa-register-14-days", Subject.REGISTER, Shape(Span.DAYS, 14)),
    (("ES", "MD", ""), "es-md-register-15-working-days", Subject.REGISTER, Shape(Span.WORKING_DAYS, 15)),
    (("US", "MD", ""), "us-md-registration-3-years", Subject.RENEW, Shape(Span.MONTHS, 36)),
    (("US", "MD", "school"), "us-md-registration-3-years", Subject.RENEW, Shape(Span.MONTHS, 36)),
):
    SAID.setdefault(_where, {})[_rule] = (_subject, _shape, Force.LAW)
SAID["CA", "ON", ""] = {}  # Bill 141 of 2020: not proclaimed as far as known
# 42 U.S.C. §238q: within a reasonable time; the number of days is common practice, no source
TOLD_WITHIN = (Subject.NOTIFY, Shape(Span.DAYS, 14), Force.COMMON_PRACTICE)
for _where, _said in SAID.items():
    if _where[0] == "US":
        _said["us-notify-responders-of-placement"] = TOLD_WITHIN
# 14 CFR 121.805(b)(5)(iii): at least once every 24 months; binds certificates of crews, by their name
for _where, _rules in SAID.items():
    if _where[0] == "US":
        _rules["us-faa-crew-24-months"] = (Subject.CERTIFICATE, TWO_YEARS, Force.LAW)
# Arkansas Code 20-13-1304(a)(1); 7.27.8.9 NMAC; Taiwan, article 6: each two years
SAID["US", "AR", ""]["us-ar-training-two-years"] = (Subject.CERTIFICATE, TWO_YEARS, Force.LAW)
SAID["US", "AR", "school"]["us-ar-training-two-years"] = (Subject.CERTIFICATE, TWO_YEARS, Force.LAW)
SAID["US", "NM", ""]["us-nm-training-two-years"] = (Subject.CERTIFICATE, TWO_YEARS, Force.LAW)
SAID["TW", "", ""]["tw-manager-two-years"] = (Subject.CERTIFICATE, TWO_YEARS, Force.LAW)
# HSE L74 paragraphs 74 and 75; model code of practice (Australia)
SAID["GB", "", ""]["gb-first-aid-three-years"] = (Subject.CERTIFICATE, Shape(Span.MONTHS, 36), Force.GUIDANCE)
SAID["GB", "", ""]["gb-first-aid-refresher-yearly"] = (Subject.REFRESHER, Shape(Span.MONTHS, 12), Force.GUIDANCE)
SAID["AU", "SA", ""]["au-first-aid-three-years"] = (Subject.CERTIFICATE, Shape(Span.MONTHS, 36), Force.GUIDANCE)
SAID["AU", "SA", ""]["au-cpr-yearly"] = (Subject.CERTIFICATE, Shape(Span.MONTHS, 12), Force.GUIDANCE)
HOUSE = {
    # cpr.heart.org: two years, through the end of the month; only for certificates of that issuer's name
    "aha-card": (Subject.CERTIFICATE, Shape(Span.MONTHS_TO_MONTH_END, 24), Force.GUIDANCE),
    "house-notify-responders-14-days": TOLD_WITHIN,
    "house-look-monthly": (Subject.LOOK, Shape(Span.MONTHS, 1), Force.COMMON_PRACTICE),
    "house-look-per-model": (Subject.LOOK, PER_MODEL, Force.MANUFACTURER),
    "house-pads-label": (Subject.PADS, LABEL, Force.COMMON_PRACTICE),
    "house-battery-label": (Subject.BATTERY, LABEL, Force.COMMON_PRACTICE),
    "house-kit-label": (Subject.KIT, LABEL, Force.COMMON_PRACTICE),
}


def bound(where: Place, day: date) -> set[str]:
    return {rule.id for rule in binding(book().rules, where, day)}


@pytest.mark.parametrize("where", SAID, ids=lambda where: "-".join(filter(None, where)) or "anywhere")
def test_these_rules_and_no_others_bind_there_today(where: tuple[str, str, str]) -> None:
    found = {rule.id: (rule.subject, rule.shape, rule.force) for rule in binding(book().rules, place(*where), TODAY)}
    assert found == HOUSE | SAID[where]


def test_every_shipped_rule_is_checked_above_or_is_history_or_to_come() -> None:
    named = set(HOUSE).union(*SAID.values())
    others = {rule.id for rule in book().rules} - named
    assert others == {
        "us-ca-look-30-days-until-2015",
        "us-ca-responders-until-2015",
        "us-md-look-weekly-until-2013",
        "au-sa-test-yearly-removed-2024",
        "de-remote-self-test-from-2027",
        "ca-on-register-30-days",
    }


@pytest.mark.parametrize("rule", book().rules, ids=lambda rule: rule.id)
def test_a_shipped_rule_says_where_and_when_it_was_read(rule: Rule) -> None:
    assert rule.verified_on == TODAY
    assert len(rule.source) > 10
    if rule.force is Force.LAW:
        assert rule.country
        assert "read" in rule.source or "told at" in rule.source
    if not rule.country and not rule.certificates:  # a certificate's issuer speaks for it wherever it is shown
        assert rule.force in (Force.COMMON_PRACTICE, Force.MANUFACTURER)


# History: rules that changed, and old figures that are still told. Last day of the old, first day of the new.


def test_california_went_from_thirty_days_to_ninety() -> None:
    # HSC §1797.196 before 2016 (docsbay.net, studylib.net) and as amended
    where = place("US", "CA")
    before, after = bound(where, d("2015-12-31")), bound(where, d("2016-01-01"))
    assert "us-ca-look-30-days-until-2015" in before
    assert not {"us-ca-look-90-days", "us-ca-test-half-yearly"} & before
    assert {"us-ca-look-90-days", "us-ca-test-half-yearly"} <= after
    assert "us-ca-look-30-days-until-2015" not in after


def test_the_same_californian_unit_had_another_date_under_the_old_rule() -> None:
    # Old: thirty days, started anew by a use; now: ninety days, a use changes nothing
    where = place("US", "CA")
    said = Evidence(looked_on=d("2015-06-01"), last_used_on=d("2015-06-10"), tested_on=d("2015-06-01"))
    old = tuple(rule for rule in binding(book().rules, where, d("2015-06-15")) if rule.force is Force.LAW)
    new = tuple(rule for rule in binding(book().rules, where, d("2016-06-15")) if rule.force is Force.LAW)
    assert duty_of(old, where, "2015-06-15", said, "look").last_good_day == d("2015-07-10")
    # Ninety days from the look are 2015-08-30; but nothing is overdue by a rule before its first day (reckoning.md §9).
    assert duty_of(new, where, "2016-06-15", said, "look").last_good_day == d("2016-01-01")


def test_texas_asks_for_a_monthly_look_only_since_september_2021() -> None:
    # S.B. 199 of 2021, in force 2021-09-01 (statutes.capitol.texas.gov)
    where = place("US", "TX")
    assert "us-tx-look-monthly" not in bound(where, d("2021-08-31"))
    assert "us-tx-look-monthly" in bound(where, d("2021-09-01"))
    assert "us-tx-look-per-model" in bound(where, d("2021-08-31"))


def test_south_australias_yearly_test_is_void_since_the_amendment_of_2024() -> None:
    # House of Assembly, 2024-09-10: removal of annual testing. The exact day is not on record: by the end of 2024
    where = place("AU", "SA")
    assert "au-sa-test-yearly-removed-2024" in bound(where, d("2024-09-10"))
    assert "au-sa-test-yearly-removed-2024" in bound(where, d("2024-12-31"))
    for day in ("2025-01-01", "2026-01-01", "2026-11-25"):
        assert "au-sa-test-yearly-removed-2024" not in bound(where, d(day))
        assert not [rule for rule in binding(book().rules, where, d(day)) if rule.subject is Subject.TEST]


def test_maryland_went_from_weekly_to_monthly_in_2013() -> None:
    # miemss.org: changed 2013-01-07
    where = place("US", "MD")
    assert "us-md-look-weekly-until-2013" in bound(where, d("2013-01-06"))
    assert "us-md-look-monthly" not in bound(where, d("2013-01-06"))
    assert "us-md-look-monthly" in bound(where, d("2013-01-07"))
    assert "us-md-look-weekly-until-2013" not in bound(where, d("2013-01-07"))


def test_a_maryland_school_is_looked_at_weekly_in_stead_of_monthly() -> None:
    # COMAR 13A.05.10.03B(4): the kind of site overrides the state's rule
    assert "us-md-look-monthly" not in bound(place("US", "MD", "school"), TODAY)
    assert "us-md-look-monthly" in bound(place("US", "MD", "college"), TODAY)


def test_south_korea_asks_for_the_report_since_august_2025() -> None:
    # In force with fines 2025-08-17
    assert "kr-report-check-monthly" not in bound(place("KR"), d("2025-08-16"))
    assert "kr-report-check-monthly" in bound(place("KR"), d("2025-08-17"))


def test_germanys_rule_of_2027_is_announced_now_and_binds_from_new_years_day() -> None:
    # MPBetreibV §12(2) sentences 2 to 4, from 2027-01-01
    where = place("DE", "BE")
    assert [rule.id for rule in announced(book().rules, where, TODAY)] == ["de-remote-self-test-from-2027"]
    assert announced(book().rules, where, d("2026-10-02")) == ()
    assert [rule.id for rule in announced(book().rules, where, d("2026-10-03"))] == ["de-remote-self-test-from-2027"]
    assert "de-remote-self-test-from-2027" not in bound(where, d("2026-12-31"))
    assert "de-remote-self-test-from-2027" in bound(where, d("2027-01-01"))
    assert announced(book().rules, where, d("2027-01-01")) == ()


@pytest.mark.parametrize(
    ("in_service_on", "owed"), [("2026-12-31", False), ("2027-01-01", True), ("2028-05-05", True), ("", True)]
)
def test_germanys_rule_of_2027_is_only_for_units_put_in_service_from_then_on(in_service_on: str, owed: bool) -> None:
    # "newly commissioned"; where the day is not recorded the unit may be one of them
    where = place("DE")
    rules = binding(book().rules, where, d("2028-06-01"))
    said = Evidence(looked_on=d("2028-05-20"))
    if not owed:
        with pytest.raises(ValueError, match="not enough values"):
            duty_of(rules, where, "2028-06-01", said, "self-test-report", in_service_on)
        return
    duty = duty_of(rules, where, "2028-06-01", said, "self-test-report", in_service_on)
    # "regularly" is no number: nothing is made up
    assert (duty.standing, duty.last_good_day) == (Standing.NOT_RECORDED, None)


def test_the_house_look_decides_where_the_law_is_content_with_less_and_both_are_told() -> None:
    # reckoning.md §1: the earliest last good day wins and the duty lists all, the winner first
    where = place("US", "CA")
    rules = binding(book().rules, where, TODAY)
    duty = duty_of(rules, where, str(TODAY), Evidence(looked_on=TODAY), "look")
    told = [(because.rule, because.last_good_day) for because in duty.because]
    assert told == [
        ("house-look-monthly", d("2026-12-25")),
        ("us-ca-look-90-days", d("2027-02-23")),
        ("house-look-per-model", None),
    ]


def test_somebody_looks_at_every_unit_everywhere_on_every_day() -> None:
    places = {(rule.country, rule.subdivision, kind) for rule in book().rules for kind in ("", *rule.site_types)}
    days = [date(2010, 1, 1) + timedelta(days=30 * n) for n in range(260)]
    for where in places:
        for day in days:
            subjects = {rule.subject for rule in binding(book().rules, place(*where), day)}
            assert {Subject.LOOK, Subject.PADS, Subject.BATTERY} <= subjects, (where, day)
