"""`label`: printable cabinet labels, one unit's or a whole site's."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote, urlsplit

import click

from ..errors import UserError
from ..labels.content import Sheet, sheets
from ..labels.fonts import Fonts
from ..labels.layout import Drawing, draw
from ..labels.pdf import to_pdf, why_not
from ..labels.svg import left_to_the_reader, to_svg
from .desk import Desk, pass_desk
from .outfile import write_whole

_SUFFIXES = (".svg", ".pdf")
_NOT_OUTSIDE = ("127.0.0.1", "localhost", "::1", "0.0.0.0")


@click.command("label")
@click.argument("unit", required=False)
@click.option("--site", metavar="S", help="The labels of all units in use at a site.")
@click.option(
    "--out",
    required=True,
    metavar="FILE.svg|FILE.pdf|DIR",
    type=click.Path(path_type=Path),
    help="With --site: one PDF with a page each, or a folder with a file each.",
)
@click.option("--format", "kind", type=click.Choice(["svg", "pdf"]), default="pdf", help="In a folder (default: pdf).")
@click.option(
    "--font",
    "fonts",
    multiple=True,
    metavar="FILE.ttf",
    type=click.Path(path_type=Path, dir_okay=False),
    help="For characters that the built-in font of a PDF lacks, such as Japanese.",
)
@pass_desk
def label_command(desk: Desk, unit: str | None, site: str | None, out: Path, kind: str, fonts: tuple[Path, ...]) -> int:
    """A cabinet label of 10 by 15 cm for UNIT: its code and spot, what to do, its next dates, and the code of its page.

    It says what the last round found. Print it anew when a date has changed; the page tells which. Exit status 3 where
    some labels of a site cannot be printed; the others are.
    """
    if (unit is None) == (site is None):
        raise UserError("label: name one UNIT, or a site with --site")
    suffix = out.suffix.lower()
    if suffix not in _SUFFIXES and site is None:
        raise UserError(f"--out: {out} is neither .svg nor .pdf; name the file with one of these endings")
    if suffix == ".svg" and site is not None:
        raise UserError(f"--out: {out} has room for one label only; name a .pdf, or a folder")
    program = desk.program
    with program.store.read() as conn:
        found = sheets(conn, program.settings, program.clock(), unit=unit, site=site)
    able = Fonts(fonts)
    ending = suffix if suffix in _SUFFIXES else f".{kind}"
    drawn = [(sheet, draw(sheet, able)) for sheet in found]
    left_out = {sheet.unit: why_not(sheet, drawing, able) for sheet, drawing in drawn} if ending == ".pdf" else {}
    left_out = {code: why for code, why in left_out.items() if why}
    drawn = [(sheet, drawing) for sheet, drawing in drawn if sheet.unit not in left_out]
    if not drawn:
        raise UserError("label: " + "; ".join(left_out.values()))
    found, drawings = [sheet for sheet, _ in drawn], [drawing for _, drawing in drawn]
    if suffix in _SUFFIXES:
        written = {out: _bytes(suffix, drawings, able, found)}
    else:
        written = {
            out / (quote(sheet.unit, safe=" ") + ending): _bytes(ending, [drawing], able, [sheet])
            for sheet, drawing in drawn
        }
        _make(out)
    for file, body in written.items():
        write_whole(file, body)
    warnings = [
        *(f"not printed: {why}" for why in left_out.values()),
        *_warnings(found, drawings, able, pictures=ending == ".svg"),
    ]
    if desk.json:
        told = [{"unit": sheet.unit, "address": sheet.address, "dates": dict(sheet.dates)} for sheet in found]
        desk.answer({"files": list(written), "labels": told, "left_out": left_out, "warnings": warnings})
        return 3 if left_out else 0
    count = len(found)
    desk.say(f"{out}: {count} label{'' if count == 1 else 's'}")
    for warning in warnings:
        desk.err.print(warning, markup=False)
    return 3 if left_out else 0


def _bytes(suffix: str, drawings: list[Drawing], fonts: Fonts, found: list[Sheet]) -> bytes:
    return to_svg(drawings[0], fonts) if suffix == ".svg" else to_pdf(drawings, fonts, found[0].printed)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"--out: {folder} cannot be made ({error.strerror}); name another folder") from None


def _warnings(found: list[Sheet], drawings: list[Drawing], fonts: Fonts, *, pictures: bool) -> list[str]:
    """What would make a label useless where it hangs."""
    said = []
    address = found[0].address
    if (urlsplit(address).hostname or "") in _NOT_OUTSIDE:
        said.append(f"the code leads to {address}, which no phone can open; set base_url under [web] before printing")
    said += [
        f"{sheet.unit}: the number to call in an emergency is not known there, so the label says none; set it under "
        "[fleet] before printing (nightround verify says where)"
        for sheet in found
        if sheet.emergency_unknown
    ]
    for sheet, drawing in zip(found, drawings, strict=True):
        signs = left_to_the_reader(drawing, fonts) if pictures else []
        if signs:
            said.append(
                f"{sheet.unit}: whatever shows or prints the picture must have a font with {' '.join(signs)}, or draws "
                "boxes instead; with --font FILE.ttf they are drawn into it"
            )
    return said
