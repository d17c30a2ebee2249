"""Files that are broken, endless, bottomless or far too large: each ends in one clear sentence, soon and in little
memory. Every command runs in its own process, whose time and memory are measured."""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.acceptance.program import Program

MOST_SECONDS = 5.0  # of the processor, beyond what the same command takes for a file of one row
MOST_MEGABYTES = 300
PATIENCE = 120.0  # seconds until a command is stopped from outside, on a busy machine

_XML = '<?xml version="1.0" encoding="UTF-8"?>'
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATED = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
_HEAD = (
    '<row r="1"><c r="A1" t="inlineStr"><is><t>unit</t></is></c><c r="B1" t="inlineStr"><is><t>made_on</t></is></c>'
    "</row>"
)


@dataclass(frozen=True)
class Ended:
    status: int
    said: str
    seconds: float
    megabytes: float


@dataclass(frozen=True)
class Hall:
    """An installation, and what its import of a file of one row takes of the processor."""

    program: Program
    folder: Path
    usual: float


# The command is measured from a small process of its own: what a process has held at the most counts from before it
# became that command, and a test process may have held much.
_MEASURE = """
import resource, subprocess, sys
status = subprocess.run(sys.argv[2:]).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
open(sys.argv[1], "w").write(f"{status} {used.ru_utime + used.ru_stime} {used.ru_maxrss / 1024}")
"""


def _run(program: Program, *arguments: object, **environment: str) -> Ended:
    """One command in its own process, stopped from outside when it takes far too long."""
    with tempfile.TemporaryFile() as out, tempfile.NamedTemporaryFile("r") as figures:
        process = subprocess.Popen(
            [sys.executable, "-c", _MEASURE, figures.name, sys.executable, "-m", "nightround", *map(str, arguments)],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env=program.environment() | environment,
            cwd=program.folder.parent,
            start_new_session=True,
        )
        watchdog = threading.Timer(PATIENCE, os.killpg, (process.pid, signal.SIGKILL))
        watchdog.start()
        try:
            process.wait()
        finally:
            watchdog.cancel()
        out.seek(0)
        said = out.read().decode("utf-8", "replace")
        status, seconds, megabytes = (figures.read() or "-9 inf inf").split()
    return Ended(int(status), said, float(seconds), float(megabytes))


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    folder = tmp_path_factory.mktemp("hall")
    program = Program(folder / "fleet")
    program.run("setup", str(program.folder))
    (folder / "units.csv").write_text("unit,site\nU1,S\n", "utf-8")
    usual = _run(program, "import", "--check", folder / "units.csv")
    assert usual.status == 0, usual.said
    return Hall(program, folder, usual.seconds)


def _refused(hall: Hall, *arguments: object, **environment: str) -> str:
    ended = _run(hall.program, *arguments, **environment)
    assert ended.status in (2, 3), ended
    assert "Traceback" not in ended.said and "panicked" not in ended.said, ended.said
    assert len(ended.said) < 2000, ended.said[:3000]
    assert ended.seconds - hall.usual < MOST_SECONDS, ended
    assert ended.megabytes < MOST_MEGABYTES, ended
    return " ".join(ended.said.split())


# Workbooks, part by part.


def _xlsx(path: Path, *sheet: bytes | str, shared: str = "") -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as book:
        book.writestr(
            "[Content_Types].xml",
            f'{_XML}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>',
        )
        book.writestr(
            "_rels/.rels",
            f'{_XML}<Relationships xmlns="{_PACKAGE}"><Relationship Id="r" Type="{_RELATED}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        book.writestr(
            "xl/workbook.xml",
            f'{_XML}<workbook xmlns="{_MAIN}" xmlns:r="{_RELATED}"><sheets><sheet name="units" sheetId="1" r:id="r"/>'
            "</sheets></workbook>",
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'{_XML}<Relationships xmlns="{_PACKAGE}"><Relationship Id="r" Type="{_RELATED}/worksheet" '
            'Target="worksheets/sheet1.xml"/></Relationships>',
        )
        # Style 1 is a date, style 2 a span of time.
        book.writestr(
            "xl/styles.xml",
            f'{_XML}<styleSheet xmlns="{_MAIN}"><numFmts count="1"><numFmt numFmtId="164" formatCode="[h]:mm:ss"/>'
            '</numFmts><cellXfs count="3"><xf numFmtId="0"/><xf numFmtId="14"/><xf numFmtId="164"/></cellXfs>'
            "</styleSheet>",
        )
        book.writestr("xl/sharedStrings.xml", f'{_XML}<sst xmlns="{_MAIN}">{shared}</sst>')
        with book.open("xl/worksheets/sheet1.xml", "w") as part:
            part.write(f'{_XML}<worksheet xmlns="{_MAIN}"><sheetData>{_HEAD}'.encode())
            for piece in sheet:
                part.write(piece.encode() if isinstance(piece, str) else piece)
            part.write(b"</sheetData></worksheet>")
    return path


def _ods(path: Path, *rows: str) -> Path:
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
    )
    cell = '<table:table-cell office:value-type="string"><text:p>unit</text:p></table:table-cell>'
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        with book.open("content.xml", "w") as part:
            part.write(
                f"{_XML}<office:document-content {spaces}><office:body><office:spreadsheet>"
                f'<table:table table:name="units"><table:table-row>{cell}</table:table-row>'.encode()
            )
            for row in rows:
                part.write(row.encode())
            part.write(b"</table:table></office:spreadsheet></office:body></office:document-content>")
        book.writestr(
            "META-INF/manifest.xml", f'{_XML}<manifest xmlns="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'
        )
    return path


def _ods_row(cell: str, attributes: str = "") -> str:
    return f"<table:table-row{attributes}><table:table-cell{cell}</table:table-cell></table:table-row>"


_TEXT = ' office:value-type="string"'
_BLANKS = " " * 1_000_000
_MANY_ROWS = '<row><c t="inlineStr"><is><t>U1</t></is></c></row>' * 10_000


@pytest.mark.parametrize("value", ["1e999", "-1e999", "1e300", "-1e300", "nan"])
@pytest.mark.parametrize("style", [0, 1, 2])
def test_a_number_beyond_all_bounds(value: str, style: int, hall: Hall, tmp_path: Path) -> None:
    row = f'<row r="2"><c r="A2" t="inlineStr"><is><t>U1</t></is></c><c r="B2" s="{style}"><v>{value}</v></c></row>'
    said = _refused(hall, "import", "--check", _xlsx(tmp_path / "odd.xlsx", row))
    assert "odd.xlsx" in said
    assert "B2" in said or "row 2" in said or " 2 made_on" in said


def test_a_number_beyond_all_bounds_of_an_ods_file(hall: Hall, tmp_path: Path) -> None:
    path = _ods(
        tmp_path / "odd.ods", _ods_row(' office:value-type="float" office:value="1e999"><text:p>1e999</text:p>')
    )
    assert "odd.ods units 2 unit inf" in _refused(hall, "import", "--check", path)


MADE: dict[str, Callable[[Path], Path]] = {
    "a billion blanks": lambda at: _ods(
        at / "x.ods", _ods_row(f'{_TEXT}><text:p><text:s text:c="1000000000"/></text:p>')
    ),
    "blanks again and again": lambda at: _ods(
        at / "x.ods", _ods_row(f'{_TEXT} table:number-columns-repeated="200"><text:p>{_BLANKS}</text:p>')
    ),
    "a row of text again and again": lambda at: _ods(
        at / "x.ods",
        _ods_row(f"{_TEXT}><text:p>{'x' * 30_000}</text:p>", ' table:number-rows-repeated="1000000"'),
    ),
    "columns again and again": lambda at: _ods(
        at / "x.ods", _ods_row(f'{_TEXT} table:number-columns-repeated="1000000000"><text:p>x</text:p>')
    ),
    "rows again and again": lambda at: _ods(
        at / "x.ods", _ods_row(f"{_TEXT}><text:p>x</text:p>", ' table:number-rows-repeated="1000000000"')
    ),
    "an xlsx of blanks": lambda at: _xlsx(at / "x.xlsx", *[_BLANKS] * 390),
    "a cell of blanks": lambda at: _xlsx(
        at / "x.xlsx", '<row r="2"><c r="A2" t="inlineStr"><is><t>', *[_BLANKS] * 100, "</t></is></c></row>"
    ),
    "a tag of blanks": lambda at: _xlsx(at / "x.xlsx", '<row r="2"><c ', *[_BLANKS] * 100, 'r="A2"><v>1</v></c></row>'),
    "two million rows of blanks": lambda at: _xlsx(
        at / "x.xlsx", *['<row><c t="inlineStr"><is><t> </t></is></c></row>' * 10_000] * 200
    ),
    "five million blank cells": lambda at: _xlsx(
        at / "x.xlsx", *["<row>" + '<c t="str"><v> </v></c>' * 10 + "</row>"] * 500_000
    ),
    "one text in every cell": lambda at: _xlsx(
        at / "x.xlsx",
        *(f'<row r="{n}"><c r="A{n}" t="s"><v>0</v></c></row>' for n in range(2, 60_000)),
        shared=f"<si><t>{'x' * 32_000}</t></si>",
    ),
    "a cell far away": lambda at: _xlsx(at / "x.xlsx", '<row r="1048576"><c r="S1048576"><v>1</v></c></row>'),
    "wide rows that say no place": lambda at: _xlsx(
        at / "x.xlsx", "<row>" + "<c><v>1</v></c>" * 10_000 + "</row>", "<row><c><v>1</v></c></row>" * 500_000
    ),
    "1.5 million rows, xlsx": lambda at: _xlsx(at / "x.xlsx", *[_MANY_ROWS] * 150),
    "1.5 million rows, ods": lambda at: _ods(at / "x.ods", *[_ods_row(f"{_TEXT}><text:p>U</text:p>") * 10_000] * 150),
    "1.5 million rows, csv": lambda at: _text(at / "x.csv", "unit,site\n", "U1,S\n" * 1_500_000),
    "1.5 million rows, csv, old line ends": lambda at: _text(at / "x.csv", "unit,site\r", "U1,S\r" * 1_500_000),
    "1.5 million rows, cp1252": lambda at: _text(at / "x.csv", "unit,site\n", "Ü1,S\n" * 1_500_000, encoding="cp1252"),
    "1.5 million features": lambda at: _text(
        at / "x.geojson",
        '{"type":"FeatureCollection","features":[',
        '{"type":"Feature","properties":{"emergency":"defibrillator"}},' * 1_500_000,
        "{}]}",
    ),
    "deep geojson": lambda at: _text(at / "x.geojson", '{"features":[', "[" * 3_000_000, "]" * 3_000_000, "]}"),
    "deep properties": lambda at: _text(
        at / "x.geojson", '{"features":[{"properties":', '{"a":' * 100_000, "1", "}" * 100_000, "}]}"
    ),
    "a list of nothing": lambda at: _text(at / "x.geojson", '{"a":[', "[]," * 30_000_000, "[]]}"),
    "a sparse table": lambda at: _sparse(at / "x.csv", 190_000_000),
    "a sparse table, huge": lambda at: _sparse(at / "x.csv", 1 << 40),
    "a sparse map": lambda at: _sparse(at / "x.geojson", 190_000_000),
    "a sparse workbook": lambda at: _sparse(at / "x.xlsx", 190_000_000),
}


def _text(path: Path, *pieces: str, encoding: str = "utf-8") -> Path:
    with path.open("w", encoding=encoding, newline="") as file:
        file.writelines(pieces)
    return path


def _sparse(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        file.truncate(size)
    return path


@pytest.mark.parametrize("what", MADE)
def test_a_file_to_import_that_asks_for_too_much(what: str, hall: Hall, tmp_path: Path) -> None:
    path = MADE[what](tmp_path)
    assert path.name in _refused(hall, "import", "--check", path)


# What is no file, or no TOML that a person wrote, wherever one is named.

ODD: dict[str, Callable[[Path], object]] = {
    "endless": lambda path: path.symlink_to("/dev/zero"),
    "pipe": lambda path: os.mkfifo(path),
    "folder": lambda path: path.mkdir(),
    "sparse": lambda path: _sparse(path, 1 << 40),
}
DEEP: dict[str, str] = {
    "deep lists": "a = " + "[" * 100_000,
    "deep tables": "a = " + "{a=" * 50_000,
    "deep names": ".".join(["a"] * 400_000) + " = 1",
    "deep headings": "\n".join(f"[{'.'.join(['a'] * deep)}]" for deep in range(1, 100)),
    "a long number": "a = " + "1" * 100_000,
    "a long text": f'a = "{"x" * 2_000_000}"',
}


def _odd(path: Path, what: str) -> Path:
    if what in ODD:
        ODD[what](path)
    else:
        path.write_text(DEEP[what], "utf-8")
    return path


WHERE: dict[str, Callable[[Path], tuple[object, ...]]] = {
    "mapping": lambda path: ("import", "--check", path.parents[1] / "units.csv", "--mapping", path),
    "notice": lambda path: ("notice", "add", path),
    "suppose": lambda path: ("rehearse", "--days", "1", "--suppose", path),
    "settings": lambda path: ("--config", path, "today"),
    "rules.folder": lambda path: ("rules",),
    "rules.models": lambda path: ("rules",),
}


@pytest.mark.parametrize("what", [*ODD, *DEEP])
@pytest.mark.parametrize("where", WHERE)
def test_toml_that_nobody_wrote(where: str, what: str, hall: Hall, tmp_path: Path) -> None:
    folder = tmp_path / "odd"
    folder.mkdir()
    (tmp_path / "units.csv").write_text("unit,site\nU1,S\n", "utf-8")
    path = _odd(folder / "x.toml", what)
    more = {f"NIGHTROUND_{where.upper().replace('.', '_')}": str(folder)} if where.startswith("rules.") else {}
    assert "x.toml" in _refused(hall, *WHERE[where](path), **more)


@pytest.mark.parametrize("what", [*ODD])
@pytest.mark.parametrize("name", ["units.csv", "units.xlsx", "units.ods", "units.geojson"])
def test_what_is_no_file_is_not_imported(name: str, what: str, hall: Hall, tmp_path: Path) -> None:
    assert name in _refused(hall, "import", "--check", _odd(tmp_path / name, what)) or what == "folder"


@pytest.mark.parametrize("what", ["endless", "pipe", "folder", "sparse"])
def test_a_folder_with_something_else_in_a_files_place_is_not_imported(what: str, hall: Hall, tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text("site\nS\n", "utf-8")
    _odd(tmp_path / "units.csv", what)
    assert "units.csv" in _refused(hall, "import", "--check", tmp_path)


def test_endless_files_by_their_own_name(hall: Hall) -> None:
    for arguments in (("import",), ("restore",), ("notice", "add")):
        assert re.search(r"zero:? is a device and no file", _refused(hall, *arguments, "/dev/zero"))


@pytest.mark.parametrize("what", [*ODD, "text", "cut", "another", "without a schema"])
def test_an_odd_file_is_not_restored(what: str, hall: Hall, tmp_path: Path) -> None:
    path = tmp_path / "copy.db"
    if what in ODD:
        _odd(path, what)
    elif what == "text":
        path.write_text("unit,site\n", "utf-8")
    elif what == "cut":
        path.write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    else:
        with sqlite3.connect(path) as made:
            made.execute("CREATE TABLE fleet (id INTEGER)")
            if what == "without a schema":
                made.execute("CREATE TABLE alembic_version (version_num TEXT)")
        made.close()
    assert "copy.db" in _refused(hall, "restore", path)


@pytest.mark.parametrize("constant", ["", "  "])
def test_an_empty_constant_of_a_mapping(constant: str, hall: Hall, tmp_path: Path) -> None:
    path = tmp_path / "mapping.toml"
    path.write_text(f'[constants]\n"sites.country" = {json.dumps(constant)}\n', "utf-8")
    said = _refused(hall, "import", "--check", hall.folder / "units.csv", "--mapping", path)
    assert "mapping mapping.toml: [constants] sites.country is empty; write a value" in said


def test_dates_in_an_order_that_is_none(hall: Hall) -> None:
    said = _refused(hall, "import", "--check", hall.folder / "units.csv", "--dates", "1e999")
    assert "--dates" in said and "day-first" in said


@pytest.mark.parametrize("what", [*ODD])
def test_a_rota_that_is_no_file(what: str, hall: Hall, tmp_path: Path) -> None:
    path = _odd(tmp_path / "rota.ics", what)
    assert "rota.ics" in _refused(hall, "rota", NIGHTROUND_ROTA_FILE=str(path))


@pytest.mark.parametrize("what", ["endless", "pipe", "folder"])
def test_a_secret_that_is_no_file(what: str, hall: Hall, tmp_path: Path) -> None:
    path = _odd(tmp_path / "secret", what)
    said = _refused(hall, "verify", NIGHTROUND_KEY_FILE=str(path))
    assert "secret" in said
