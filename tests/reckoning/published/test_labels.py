"""Label dates as typed, against published examples. The first bad day is the day after."""

from __future__ import annotations

import pytest

from nightround.errors import UserError
from nightround.reckoning.dates import first_bad_day
from nightround.register.recording import label_day

from .shipped import d


@pytest.mark.parametrize(
    ("typed", "good", "bad"),
    [
        # 21 CFR 801.18(a), 78 FR 58818: January 2, 2014 is written 2014-01-02
        ("2014-01-02", "2014-01-02", "2014-01-03"),
        # EU MDR Annex I 23.2(i): at least year and month; the last day of it (GS1 DD=00; ISO 15223-1 from memory)
        ("2027-02", "2027-02-28", "2027-03-01"),
        ("2028-02", "2028-02-29", "2028-03-01"),
        # EMVS note: a batch of March 2021 is reported expired from 1 April 2021
        ("2021-03", "2021-03-31", "2021-04-01"),
    ],
)
def test_a_month_only_label_is_good_to_its_last_day(typed: str, good: str, bad: str) -> None:
    assert label_day(typed) == d(good)
    assert first_bad_day(label_day(typed)) == d(bad)


@pytest.mark.parametrize("typed", ["2027-13", "2027-02-30", "27-02", "", "02/2027"])
def test_a_label_that_is_no_date_is_refused_with_the_cure(typed: str) -> None:
    with pytest.raises(UserError, match="write it as"):
        label_day(typed)
