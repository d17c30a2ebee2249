"""Cabinet labels as they come out of the printer: rendered, and read again by decoders that are not ours."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from defusedxml import ElementTree
from PIL import Image
from sqlalchemy import text as sql_text

from tests.conftest import Clock
from tests.pages.browser import Browser, chromium
from tests.register.office import Answer, Office, write

from .typefaces import make_font

SITES = (
    "site | name | address | time_zone | country\nMILL | Saltby Mill | 4 Mill Lane Ostermere | Europe/London | GB\n"
    "SAKU | さくら小学校 | 岬町1-2-3 | Asia/Tokyo | JP"
)
UNITS = (
    "unit | site | spot | floor | model | serial\n"
    'MILL-01 | MILL | Réception à gauche & <b>lift</b> | 2 | Tarnlight Five | TF1\n"VAU 1/b" | MILL | | | |\n'
    "SAKU-01 | SAKU | 職員室 前 | 1 | Tarnlight Five | TF3\n"
    f"LONG | MILL | {'Behind the glass door beside the stairs ' * 5} | 3 | {'Tarnlight Five ' * 8} | {'9' * 60}"
)
PARTS = (
    "unit | kind | label_date\nMILL-01 | pads-adult | 2028-04\nMILL-01 | pads-child | 2027-01-15\n"
    "MILL-01 | battery | 2026-10-31\nVAU 1/b | pads-adult |"
)
PEOPLE = (
    "person | name | phone | roles | sites\nben | Bén Sorrel | +44 1632 960 001 | coordinator | MILL\n"
    "eve | Eve Foss | +44 1632 960 002 | coordinator | *"
)
LOG = "unit | at | entry | by | readings\nMILL-01 | 2026-11-20T10:00 | check | ben | self-test=ok; pads=ok; battery=ok"


@pytest.fixture
def printer(small_office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Office:
    monkeypatch.setenv("NIGHTROUND_WEB_BASE_URL", "https://aed.example.org")
    monkeypatch.setenv("NIGHTROUND_FLEET_NAME", "Ostermere & Co")
    monkeypatch.setenv("NIGHTROUND_FLEET_EMERGENCY_NUMBER", "999")
    files = write(tmp_path / "files", sites=SITES, units=UNITS, parts=PARTS, people=PEOPLE, log=LOG)
    small_office.bring(files)
    return small_office


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    program = chromium()
    assert program is not None
    one = Browser(program, tmp_path_factory.mktemp("profile"))
    one.screen(400)
    yield one
    one.close()


def printed(office: Office, *arguments: object) -> Answer:
    answer = office.run("label", *arguments)
    assert answer.status == 0, answer.err
    return answer


def pages(pdf: Path) -> list[Image.Image]:
    document = pypdfium2.PdfDocument(pdf)
    return [page.render(scale=3).to_pil() for page in document]


def text_of(pdf: Path, page: int = 0) -> str:
    found: str = pypdfium2.PdfDocument(pdf)[page].get_textpage().get_text_range()
    return " ".join(found.split())


def lines_of(svg: Path) -> list[str]:
    root = ElementTree.fromstring(svg.read_bytes())
    return [node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text")]


def photo(browser: Browser, svg: Path) -> Image.Image:
    browser.open(svg.as_uri())
    shot = browser.call("Page.captureScreenshot", captureBeyondViewport=True)["data"]
    return Image.open(BytesIO(base64.b64decode(shot)))


def address(office: Office, unit: str) -> str:
    ((label,),) = office.rows(f"SELECT label FROM units WHERE unit = '{unit}'")
    return f"https://aed.example.org/at/{label}"


def test_the_code_of_the_printed_page_leads_to_the_unit(printer: Office, tmp_path: Path, browser: Browser) -> None:
    pdf, svg = tmp_path / "a.pdf", tmp_path / "a.svg"
    printed(printer, "MILL-01", "--out", pdf)
    printed(printer, "MILL-01", "--out", svg)
    (page,) = pages(pdf)
    assert [code.text for code in zxingcpp.read_barcodes(page)] == [address(printer, "MILL-01")]
    assert [code.text for code in zxingcpp.read_barcodes(photo(browser, svg))] == [address(printer, "MILL-01")]


def test_both_say_what_the_cabinet_needs_and_the_same(printer: Office, tmp_path: Path) -> None:
    pdf, svg = tmp_path / "a.pdf", tmp_path / "a.svg"
    told = printed(printer, "MILL-01", "--out", pdf).document["labels"]
    printed(printer, "MILL-01", "--out", svg)
    duties = printer.run("duties", "--unit", "MILL-01").document
    due = {duty["kind"]: duty["last_good_day"] for duty in duties}
    assert told[0]["dates"] == {
        "Next look": due["look"],
        "Adult pads good to": "2028-04-30",
        "Child pads good to": "2027-01-15",
        "Battery good to": "2026-10-31, past",
    }
    text = " ".join(lines_of(svg))
    for wanted in (
        "MILL-01",
        "Réception à gauche & <b>lift</b>, 2",
        "Saltby Mill, 4 Mill Lane Ostermere",
        "Emergency? Call 999 first.",
        "unless its manufacturer, a safety notice or its",
        "Tarnlight Five",
        "TF1",
        "Ostermere & Co: Bén",
        "+44 1632 960 001",
        "2028-04-30",
        "2026-10-31, past",
        "Printed 2026-11-25",
    ):
        assert wanted in text, wanted
    assert text_of(pdf).replace(" ", "") == text.replace(" ", "")


def test_it_is_as_large_as_the_order_asks_for(printer: Office, tmp_path: Path) -> None:
    # France, orders of 2019-10-29: at least 10 by 15 cm (published-facts.md §1.1, READ*)
    pdf, svg = tmp_path / "a.pdf", tmp_path / "a.svg"
    printed(printer, "MILL-01", "--out", pdf)
    printed(printer, "MILL-01", "--out", svg)
    width, height = pypdfium2.PdfDocument(pdf)[0].get_size()
    assert (round(width / 72 * 25.4), round(height / 72 * 25.4)) == (100, 150)
    assert 'width="100mm" height="150mm"' in svg.read_text("utf-8")


def test_what_is_not_recorded_says_so(printer: Office, tmp_path: Path) -> None:
    answer = printed(printer, "VAU 1/b", "--out", tmp_path / "a.svg")
    (told,) = answer.document["labels"]
    assert told["dates"] == {
        "Next look": "not recorded",
        "Adult pads good to": "not recorded",
        "Battery good to": "not recorded",
    }
    text = lines_of(tmp_path / "a.svg")
    assert text.count("not recorded") == 5, "three dates, the model and the serial"
    assert "spot not recorded" in text


def test_a_withdrawn_unit_is_not_offered_for_use_and_is_left_out_of_its_sites_labels(
    printer: Office, tmp_path: Path
) -> None:
    assert printer.run("log", "MILL-01", "withdrawn", "--by", "ben", "--note", "wet").status == 0
    printed(printer, "MILL-01", "--out", tmp_path / "a.svg")
    text = " ".join(lines_of(tmp_path / "a.svg"))
    assert "This unit has been withdrawn. Do not use it" in text and "switch it on" not in text
    answer = printed(printer, "--site", "MILL", "--out", tmp_path / "mill.pdf")
    assert [one["unit"] for one in answer.document["labels"]] == ["LONG", "VAU 1/b"]


def test_the_same_unit_on_the_same_day_gives_the_same_bytes(printer: Office, tmp_path: Path, clock: Clock) -> None:
    font = make_font(tmp_path / "blocks.ttf", "職員室前さくら小学校岬町")
    for name in ("one", "two"):
        printed(printer, "SAKU-01", "--out", tmp_path / f"{name}.svg", "--font", font)
        printed(printer, "SAKU-01", "--out", tmp_path / f"{name}.pdf", "--font", font)
        clock.forward(minutes=50)
    for ending in ("svg", "pdf"):
        assert (tmp_path / f"one.{ending}").read_bytes() == (tmp_path / f"two.{ending}").read_bytes()


def test_a_site_comes_as_one_document_or_as_a_folder(printer: Office, tmp_path: Path) -> None:
    pdf, folder = tmp_path / "mill.pdf", tmp_path / "labels"
    answer = printed(printer, "--site", "MILL", "--out", pdf)
    codes = [zxingcpp.read_barcodes(page)[0].text for page in pages(pdf)]
    assert codes == [address(printer, one["unit"]) for one in answer.document["labels"]]
    assert len(codes) == 3
    printed(printer, "--site", "MILL", "--out", folder, "--format", "svg")
    assert sorted(file.name for file in folder.iterdir()) == ["LONG.svg", "MILL-01.svg", "VAU 1%2Fb.svg"]


def test_text_that_is_too_long_is_cut_and_stays_on_the_label(printer: Office, tmp_path: Path, browser: Browser) -> None:
    printed(printer, "LONG", "--out", tmp_path / "a.svg")
    text = lines_of(tmp_path / "a.svg")
    assert sum(line.endswith("…") for line in text) >= 3
    assert "Emergency? Call 999 first." in text and "Printed 2026-11-25; dates may have" in " ".join(text)
    browser.open((tmp_path / "a.svg").as_uri())
    boxes = browser.measure(
        "[...document.querySelectorAll('text')].map(one => { const box = one.getBBox();"
        " return [box.x, box.x + box.width, box.y + box.height, one.textContent]; })"
    )
    assert len(boxes) == len(text)
    code = 100 - 6 - 38
    for left, right, low, said in boxes:
        # A browser rounds the box of a letter to whole pixels, of a quarter of a millimetre.
        assert left >= 5.5 and right <= 94.5 and low <= 149, (left, right, low, said)
        if low > 106:
            assert right <= code + 5, said


# What people write, and what makes a line long: many words, none, wide letters, other scripts, other directions.
TEXTS = {
    "words": "Behind the glass door beside the stairs and then to the left " * 3,
    "one word": "Donaudampfschifffahrtsgesellschaftskapitänskajüte" * 4,
    "wide": "WWMMWW " * 20,
    "narrow": "illicit fillings " * 12,
    "japanese": "職員室の前、正面玄関から入って右側の廊下の突き当たり" * 3,
    "arabic": "بجانب المدخل الرئيسي على اليسار " * 5,
    "hebrew": "ליד הכניסה הראשית משמאל " * 5,
    "mixed": "Halle 7 قاعة 職員室 " * 8,
    "emoji": "👨\u200d👩\u200d👧 🏥" * 12,
    "short": "x",
}
# Other machines have other fonts; some of these are far wider than the one that labels are laid out with.
MACHINES = ("DejaVu Sans", "DejaVu Sans Mono", "DejaVu Serif", "DejaVu Sans Condensed")
# Every two boxes of text that share more than a hair of room, and whatever leaves the label or runs into the code.
_CLASHES = """(() => {
  const texts = [...document.querySelectorAll('text')].map(one => [one.textContent, one.getBBox()]);
  const found = [];
  const hair = 0.3;  // of a box that is rounded to pixels, of a quarter of a millimetre
  for (const [said, box] of texts) {
    const inside = box.x > 5.5 && box.x + box.width < 94.5 && box.y > 0 && box.y + box.height < 149.5;
    if (!inside) found.push(['leaves', said, box.x, box.x + box.width, box.y, box.y + box.height]);
    if (box.y + box.height > 107 && box.x + box.width > 60.5) found.push(['code', said]);
  }
  texts.forEach(([said, a], n) => texts.slice(n + 1).forEach(([other, b]) => {
    const across = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
    const down = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
    if (across > hair && down > hair) found.push(['over', said, other, across, down]);
  }));
  return [texts.length, found];
})()"""


@pytest.mark.parametrize("text", sorted(TEXTS))
def test_nothing_runs_over_anything_whatever_fonts_the_machine_has(
    printer: Office, tmp_path: Path, browser: Browser, text: str
) -> None:
    said = TEXTS[text]
    with printer.store.write() as conn:
        for table, column, most in (
            ("units", "spot", 400), ("units", "model", 128), ("units", "serial", 64), ("sites", "name", 400),
            ("sites", "address", 400), ("people", "name", 400),
        ):  # fmt: skip
            conn.execute(sql_text(f"UPDATE {table} SET {column} = :said"), {"said": said[:most]})
    out = tmp_path / "a.svg"
    printed(printer, "MILL-01", "--out", out)
    browser.open(out.as_uri())
    for machine in MACHINES:
        browser.measure(f"document.documentElement.setAttribute('font-family', {json.dumps(machine)})")
        number, clashes = browser.measure(_CLASHES)
        assert number > 12
        assert clashes == [], machine


def test_what_we_say_ourselves_is_never_cut(printer: Office, tmp_path: Path) -> None:
    printed(printer, "LONG", "--out", tmp_path / "a.svg")
    text = " ".join(lines_of(tmp_path / "a.svg"))
    assert "unless its manufacturer, a safety notice or its coordinator has withdrawn it." in text
    assert "Scan the code to report a problem." in text and "dates may have changed since." in text


UNSEEN = {
    "soft hyphen": "Recep\u00adtion",
    "turned around": "Hall\u202e7\u202c",
    "joined emoji": "\U0001f468\u200d\U0001f469\u200d\U0001f467 room",
    "nothing seen": "\u200b\u2060\ufeff",
    "accents on nothing": "Hall \u0301\u0302",
    "private": "Hall \ue000\U000f0000",
    "tags": "Hall \U000e0041\U000e0042",
    "control": "Hall\x07\x00 7",
}


@pytest.mark.parametrize("name", sorted(UNSEEN))
@pytest.mark.parametrize("ending", ["svg", "pdf"])
def test_characters_that_nobody_sees_stop_no_label(printer: Office, tmp_path: Path, name: str, ending: str) -> None:
    text = UNSEEN[name].replace("\x00", "")  # no database keeps it
    with printer.store.write() as conn:
        conn.execute(sql_text("UPDATE units SET spot = :said, serial = :said WHERE unit = 'MILL-01'"), {"said": text})
    alone = printer.say("label", "MILL-01", "--out", tmp_path / f"a.{ending}")
    drawable = ending == "svg" or name not in ("joined emoji", "accents on nothing")
    assert alone.status == (0 if drawable else 2)
    if not drawable:
        assert len(alone.err.strip().splitlines()) == 1
        assert "MILL-01" in alone.err and "in its spot (" in alone.err and "and serial number (" in alone.err
    if name == "nothing seen":
        assert printed(printer, "MILL-01", "--out", tmp_path / "a.svg")
        assert "spot not recorded" in " ".join(lines_of(tmp_path / "a.svg")) or "2" in lines_of(tmp_path / "a.svg")
    answer = printer.run("label", "--site", "MILL", "--out", tmp_path / "labels", "--format", ending)
    made = {file.name for file in (tmp_path / "labels").iterdir()}
    others = {f"LONG.{ending}", f"VAU 1%2Fb.{ending}"}
    assert made == others | ({f"MILL-01.{ending}"} if drawable else set())
    assert answer.status == (0 if drawable else 3)
    assert set(answer.document["left_out"]) == (set() if drawable else {"MILL-01"})


def test_one_document_for_a_site_leaves_out_what_cannot_be_drawn_and_says_so(printer: Office, tmp_path: Path) -> None:
    with printer.store.write() as conn:
        conn.execute(sql_text("UPDATE units SET model = 'Ω' WHERE unit = 'LONG'"))
    answer = printer.say("label", "--site", "MILL", "--out", tmp_path / "mill.pdf")
    assert answer.status == 3
    assert "not printed: LONG: no font at hand draws Ω in its model ('Ω');" in " ".join(answer.err.split())
    codes = [zxingcpp.read_barcodes(page)[0].text for page in pages(tmp_path / "mill.pdf")]
    assert codes == [address(printer, "MILL-01"), address(printer, "VAU 1/b")]


@pytest.mark.parametrize("outlines", ["truetype", "postscript"])
def test_japanese_is_drawn_with_a_font_that_has_it(
    printer: Office, tmp_path: Path, browser: Browser, outlines: str
) -> None:
    font = make_font(tmp_path / "blocks.otf", "職員室前さくら小学校岬町", outlines=outlines)
    pdf, svg = tmp_path / "a.pdf", tmp_path / "a.svg"
    printed(printer, "SAKU-01", "--out", pdf, "--font", font)
    assert printed(printer, "SAKU-01", "--out", svg, "--font", font).document["warnings"] == []
    page = pages(pdf)[0]
    for picture, scale in ((page, page.width / 100), (photo(browser, svg), 96 / 25.4)):
        grey = picture.convert("L")
        # The spot's first character: a block of 0.9 by 0.8 of 12 points, on its base line 6 mm from the left.
        size = 12 * 25.4 / 72
        base = next(float(y) for y in re.findall(r'<text x="[\d.]+" y="([\d.]+)" font-size="4.233"', svg.read_text()))
        dark = [
            grey.getpixel((int((6 + size * across) * scale), int((base - size * up) * scale))) < 100
            for across in (0.15, 0.5, 0.85)
            for up in (0.15, 0.4, 0.7)
        ]
        assert all(dark), dark
    assert "職員室 前, 1" in svg.read_text("utf-8"), "outlines are no text, so it is told beside them"


def test_without_such_a_font_a_pdf_is_refused_and_a_picture_says_what_it_leaves_open(
    printer: Office, tmp_path: Path
) -> None:
    answer = printer.run("label", "SAKU-01", "--out", tmp_path / "a.pdf")
    assert answer.status == 2 and not (tmp_path / "a.pdf").exists()
    assert "SAKU-01" in answer.err and "職 員 室 前" in answer.err and "--font" in answer.err
    (warning,) = printed(printer, "SAKU-01", "--out", tmp_path / "a.svg").document["warnings"]
    assert "職" in warning and "boxes" in warning
    part = make_font(tmp_path / "blocks.ttf", "職員室前")
    answer = printer.run("label", "SAKU-01", "--out", tmp_path / "a.pdf", "--font", part)
    assert answer.status == 2 and "さ" in answer.err and "職 " not in answer.err


def test_letters_that_must_be_joined_are_not_drawn_apart(printer: Office, tmp_path: Path) -> None:
    with printer.store.write() as conn:
        conn.exec_driver_sql("UPDATE units SET spot = 'مدخل' WHERE unit = 'MILL-01'")
    font = make_font(tmp_path / "blocks.ttf", "مدخل")
    answer = printer.run("label", "MILL-01", "--out", tmp_path / "a.pdf", "--font", font)
    assert answer.status == 2 and "مدخل" in answer.err


def test_an_address_that_no_phone_can_open_is_said(
    printer: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTROUND_WEB_BASE_URL", "http://127.0.0.1:8470")
    (warning,) = printed(printer, "MILL-01", "--out", tmp_path / "a.svg").document["warnings"]
    assert "base_url" in warning
    plainly = printer.say("label", "MILL-01", "--out", tmp_path / "a.svg")
    assert plainly.out.strip().endswith("a.svg: 1 label") and "base_url" in plainly.err


def test_a_label_is_written_over_the_one_before_and_half_of_one_never_stands(printer: Office, tmp_path: Path) -> None:
    out = tmp_path / "a.svg"
    out.write_text("old")
    printed(printer, "MILL-01", "--out", out)
    assert out.read_text("utf-8").startswith("<?xml")
    assert [file.name for file in tmp_path.glob(".a*")] == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["NOPE", "--out", "a.pdf"], "unit 'NOPE' is not in the register"),
        (["--site", "NOPE", "--out", "a.pdf"], "site 'NOPE' is not in the register"),
        (["MILL-01", "--out", "a.png"], "neither .svg nor .pdf"),
        (["--site", "MILL", "--out", "a.svg"], "room for one label only"),
        (["--out", "a.pdf"], "name one UNIT, or a site"),
        (["MILL-01", "--site", "MILL", "--out", "a.pdf"], "name one UNIT, or a site"),
        (["MILL-01", "--out", "nowhere/a.pdf"], "cannot be written"),
        (["MILL-01", "--out", "a.pdf", "--font", "files/units.csv"], "--font: "),
        (["MILL-01", "--out", "a.pdf", "--font", "nowhere.ttf"], "--font: "),
    ],
)
def test_what_cannot_be_printed_is_said_in_one_sentence(
    printer: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = printer.run("label", *arguments)
    assert answer.status == 2
    assert said in answer.err
    assert len(answer.err.strip().splitlines()) == 1


def test_a_label_comes_out_of_either_database(office: Office, tmp_path: Path) -> None:
    files = write(tmp_path / "files", sites=SITES, units=UNITS, parts=PARTS, people=PEOPLE, log=LOG)
    office.bring(files)
    (told,) = printed(office, "MILL-01", "--out", tmp_path / "a.svg").document["labels"]
    assert told["dates"]["Adult pads good to"] == "2028-04-30"
    assert "Bén" in " ".join(lines_of(tmp_path / "a.svg")), "the site's own coordinator before the fleet's"
    printed(office, "SAKU-01", "--out", tmp_path / "b.svg")
    assert "Eve Foss" in " ".join(lines_of(tmp_path / "b.svg"))


def test_printing_changes_nothing(printer: Office, tmp_path: Path) -> None:
    before: dict[str, Any] = printer.everything()
    printed(printer, "--site", "MILL", "--out", tmp_path / "a.pdf")
    assert json.dumps(before, default=str) == json.dumps(printer.everything(), default=str)
