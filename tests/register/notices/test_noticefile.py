"""A notice is read whole, or everything that is wrong with it is said: file, key and cure."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.reckoning.notices import Action, Concern, Days, Notice
from nightround.reckoning.numbering import Range
from nightround.reckoning.rules import Force
from nightround.register.noticefile import parse_notice, read_notice
from tests.reckoning.core.build import d

from .build import LEAST, WHOLE, write


def test_a_whole_notice_is_read_as_it_is_written(tmp_path: Path) -> None:
    notice, text = read_notice(write(tmp_path, WHOLE))
    assert text == WHOLE
    assert notice == Notice(
        "FSN-7",
        1,
        "II",
        "relay may stick",
        "letter of the maker, page 2",
        Force.MANUFACTURER,
        d("2016-10-06"),
        d("2016-10-10"),
        Action.KEEP,
        "Order the replacement relay. Look at the unit until it is there.",
        d("2016-10-27"),
        d("2016-11-17"),
        None,
        None,
        (
            Concern(
                ("Orrel Twin",),
                serials=(Range("205787", "207509"), Range("300001", "300001")),
                made=(Days(d("2003-10-01"), d("2005-01-31")),),
                all_of=True,
            ),
            Concern(("Tarnlight Five", "TL-5"), firmware=(Range("", "2.004"),)),
            Concern((), parts=("pads-adult",), lots=(Range("L-100", "L-100"), Range("L-200", "L-299"))),
        ),
    )


def test_what_a_notice_does_not_say_stays_unsaid() -> None:
    notice = parse_notice(LEAST, "fsn-8.toml")
    assert (notice.version, notice.grade, notice.received_on, notice.what_to_do) == (1, "", None, "")
    assert (notice.underway_by, notice.complete_by, notice.closed_on, notice.corrections_from) == (None,) * 4
    assert notice.force is Force.GUIDANCE


@pytest.mark.parametrize(
    ("written", "days"),
    [
        ('{ from = "2003-10", to = "2005-01" }', Days(d("2003-10-01"), d("2005-01-31"))),
        ('{ to = "2004-02" }', Days(None, d("2004-02-29"))),
        ("{ from = 2004-02-03 }", Days(d("2004-02-03"), None)),
        ("2004-02-03", Days(d("2004-02-03"), d("2004-02-03"))),
        ('"2004-02"', Days(d("2004-02-01"), d("2004-02-29"))),
    ],
)
def test_days_of_making_are_days_or_whole_months(written: str, days: Days) -> None:
    text = LEAST.replace("every_unit = true", f"made = [{written}]")
    assert parse_notice(text, "x.toml").concerns[0].made == (days,)


@pytest.mark.parametrize(
    ("find", "put", "said"),
    [
        ('reference = "FSN-8"', "", "x.toml, key reference: is missing"),
        ("FSN-8", "F" * 41, "key reference: has more than 40 characters"),
        ("FSN-8", "FSN;8", "key reference: holds ; or ="),
        ('title = "all of one model"', 'title = ""', "key title: write a text"),
        ("all of one model", "t" * 201, "key title: has 201 characters; 200 are the most"),
        ("published_on = 2016-10-06", 'published_on = "6 Oct 2016"', "key published_on: 6 Oct 2016 is not a day"),
        ("stop using", "stop usng", "key action: 'stop usng' is not known (did you mean stop using?)"),
        ('"authority"', '"ministry"', "key issued_by: 'ministry' is not known"),
        ("[[concerns]]", "version = 0\n[[concerns]]", "key version: 0 will not do"),
        (
            "[[concerns]]",
            "underway_by = 2016-10-05\n[[concerns]]",
            "key underway_by: 2016-10-05 lies before 2016-10-06",
        ),
        (
            "[[concerns]]",
            "underway_by = 2016-10-27\ncomplete_by = 2016-10-26\n[[concerns]]",
            "key complete_by: 2016-10-26 lies before 2016-10-27",
        ),
        ("[[concerns]]", "deadline = 2016-10-27\n[[concerns]]", "key deadline: is not known"),
        ('[[concerns]]\nmodels = ["Orrel Twin"]\nevery_unit = true', "", "key concerns: is missing"),
        ("[[concerns]]", "[concerns]", "key concerns: is not a list of tables; write [[concerns]]"),
        ('models = ["Orrel Twin"]', "", "concerns 1, key models: is missing"),
        ("every_unit = true", "", "concerns 1, key every_unit: does not say which units"),
        ("every_unit = true", "every_unit = true\nserials = [1]", "key every_unit: leaves no choice, but serials"),
        ("every_unit = true", "serials = [1]\nlots = [1]\nparts = ['battery']", "key combine: is missing"),
        ("every_unit = true", "lots = [1]", "key parts: is missing"),
        ("every_unit = true", "lots = [1]\nparts = ['pads']", "key parts: 'pads' is not known"),
        ("every_unit = true", "serials = [1]\nparts = ['battery']", "key parts: is only for lots"),
        ("every_unit = true", "every_model = true\nserials = [1]", "key every_model: is for lots"),
        ("every_unit = true", "serials = []", "key serials: is not a list"),
        ("every_unit = true", "serials = '1'", "key serials: is not a list"),
        ("every_unit = true", "serials = ['205787-207509']", "'205787-207509' looks like a range; write a range as"),
        ("every_unit = true", "serials = ['205787 to 207509']", "looks like a range"),
        ("every_unit = true", "serials = ['205787 and up']", "looks like a range"),
        ("every_unit = true", "serials = [1.5]", "key serials: 1.5 is not a number as it is printed"),
        ("every_unit = true", "serials = [true]", "key serials: True is not a number"),
        ("every_unit = true", "serials = [{ from = 1, until = 2 }]", "is not a range"),
        ("every_unit = true", "serials = [{}]", "is not a range"),
        ("every_unit = true", "serials = [{ from = 'A1', to = 'B9' }]", "is no range that can be counted"),
        ("every_unit = true", "serials = [{ from = 'A', to = 'B' }]", "is no range that can be counted"),
        ("every_unit = true", "serials = [{ from = 9, to = 1 }]", "runs backwards"),
        ("every_unit = true", f"serials = ['{'9' * 65}']", "is not a number as it is printed"),
        ("every_unit = true", "firmware = [{ to = 2.10 }]", "key firmware: 2.1 is not a version; write it between"),
        ("every_unit = true", "firmware = ['2.004 or earlier']", "looks like a range"),
        ("every_unit = true", "firmware = [{ from = '2.0', to = '1.0' }]", "runs backwards"),
        ("every_unit = true", "firmware = [{ from = '2.0', to = 'beta' }]", "cannot be compared"),
        ("every_unit = true", "made = [2004]", "key made: 2004 is not a day"),
        ("every_unit = true", "made = ['2004-13']", "key made: 2004-13 is not a day"),
        ("every_unit = true", "made = [2004-05-01T10:00:00]", "is not a day"),
        ("every_unit = true", "made = [{ from = 2005-01-01, to = 2004-01-01 }]", "runs backwards"),
        ("every_unit = true", "every_units = true", "key every_units: is not known (did you mean every_unit?)"),
        ("every_unit = true", "every_unit = true\ncombine = 'both'", "key combine: 'both' is not known"),
    ],
)
def test_what_is_wrong_is_said_with_its_place_and_cure(find: str, put: str, said: str) -> None:
    assert find in LEAST
    with pytest.raises(UserError) as error:
        parse_notice(LEAST.replace(find, put), "x.toml")
    assert said in str(error.value)
    lines = [line for line in str(error.value).splitlines() if not line.endswith(" things are wrong:")]
    assert all(line.startswith("x.toml, ") for line in lines)


def test_everything_wrong_is_said_at_once(tmp_path: Path) -> None:
    text = WHOLE.replace('"manufacturer"', '"maker"').replace('"205787"', '"A5787"').replace('"2.004"', "2.004")
    with pytest.raises(UserError) as error:
        read_notice(write(tmp_path, text))
    first, *lines = str(error.value).splitlines()
    assert first == "3 things are wrong:"
    assert "key issued_by" in lines[0]
    assert "concerns 1, key serials" in lines[1]
    assert "concerns 2, key firmware" in lines[2]
    assert all(line.startswith("fsn-7.toml, ") for line in lines)


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"a = ", "is not TOML"), (b"\xff\xfe", "is not UTF-8"), (None, "cannot be read")],
)
def test_a_file_that_cannot_be_read_says_why(tmp_path: Path, content: bytes | None, said: str) -> None:
    path = tmp_path / "fsn.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UserError, match=f"fsn.toml: {said}"):
        read_notice(path)


def test_a_hyphenated_serial_is_one_number_where_its_halves_are_no_range() -> None:
    text = LEAST.replace("every_unit = true", 'serials = ["12-0001", "A-12", { from = "1234-5678", to = "1234-5678" }]')
    assert [one.first for one in parse_notice(text, "x.toml").concerns[0].serials] == ["12-0001", "A-12", "1234-5678"]
