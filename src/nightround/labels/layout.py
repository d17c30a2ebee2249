"""Where each line of a cabinet label stands: 10 by 15 cm, everything in millimetres from the upper left corner.

Both drawings (SVG and PDF) draw what this gives, so they look alike. It knows nothing of either.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import segno

from .content import Sheet
from .fonts import BUILT_IN, MM_PER_POINT, Fonts, tidy

WIDTH, HEIGHT = 100.0, 150.0  # the least that the French order asks for
_MARGIN = 6.0
_INNER = WIDTH - 2 * _MARGIN
_CODE = 38.0  # the QR code with its quiet zone
_FOOT = 102.0  # from here down: the device, whom to ask, the code
_QUIET = 4  # modules, as its standard asks (ISO/IEC 18004; from memory)
_ROOM = 1.2  # widths are measured in Helvetica; what else a machine draws a picture with may be a fifth wider


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text; `y` is its base line, `points` its size; `ends`: it ends at `x` instead of beginning there.

    It takes the width that it has in the fonts it was measured with, whatever it is drawn with.
    """

    x: float
    y: float
    points: float
    text: str
    bold: bool = False
    light: bool = False  # on the dark band
    ends: bool = False


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle: part of the dark band, a rule, or a module of the code."""

    x: float
    y: float
    width: float
    height: float


@dataclass(slots=True)
class Drawing:
    """What is to be drawn, in this order: boxes, then lines. `title` tells what it is."""

    title: str
    boxes: list[Box] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def draw(sheet: Sheet, fonts: Fonts) -> Drawing:
    """Lays the label out; text that is too long is wrapped, and cut with … where its lines are used up."""
    page = _Page(Drawing(f"Cabinet label of {tidy(sheet.unit)}"), fonts)
    page.band(25.0)
    page.y = 3.0
    page.text("Defibrillator", 11, light=True)
    page.fitted(sheet.unit, 30, 13, light=True)
    page.y = 27.0
    page.text(sheet.spot, 12, bold=True, lines=2)
    page.text(", ".join(text for text in (sheet.site, sheet.place) if text), 9, lines=2)
    page.gap(1)
    page.fitted(sheet.emergency, 15, 9)
    page.whole(sheet.caution, 9, 7, lines=3)
    page.gap(1)
    page.rule()
    page.pairs(sheet.dates, _FOOT - 2)
    page.rule()
    page.code(sheet.address, WIDTH - _MARGIN - _CODE + 3, HEIGHT - _MARGIN - _CODE + 3)
    page.y, page.inner = _FOOT, _INNER - _CODE
    page.small("Device", sheet.model, 2)
    page.small("Serial number", sheet.serial, 1)
    page.small("Looked after by", f"{sheet.fleet}: {sheet.contact}", 3)
    page.text("Scan the code to report a problem.", 6.5, bold=True)
    page.text(f"Printed {sheet.printed.isoformat()}; dates may have changed since.", 6.5, lines=2)
    return page.drawing


@dataclass(slots=True)
class _Page:
    drawing: Drawing
    fonts: Fonts
    y: float = 0.0
    inner: float = _INNER

    def band(self, height: float) -> None:
        self.drawing.boxes.append(Box(0, 0, WIDTH, height))

    def rule(self) -> None:
        self.drawing.boxes.append(Box(_MARGIN, self.y, _INNER, 0.3))
        self.gap(1.2)

    def gap(self, height: float) -> None:
        self.y += height

    def text(self, text: str, points: float, *, bold: bool = False, light: bool = False, lines: int = 1) -> None:
        """Lines of text from here down."""
        for line in wrap(self.fonts, tidy(text), points, self.inner, lines, bold=bold):
            # Letters of other scripts reach higher and lower than those that lines are spaced for.
            usual = all(self.fonts.font_of(sign) == BUILT_IN for sign in line)
            self.y += points * MM_PER_POINT * (1.18 if usual else 1.3)
            self.drawing.lines.append(Line(_MARGIN, _round(self.y), points, line, bold, light))
        self.y += points * MM_PER_POINT * 0.22

    def fitted(self, text: str, most: int, least: int, *, light: bool = False) -> None:
        """One line as large as it can be; two lines of the least size where even that is too wide."""
        text = tidy(text)
        for points in range(most, least - 1, -1):
            if self.fonts.width(text, points, bold=True) * _ROOM <= self.inner:
                self.text(text, points, bold=True, light=light)
                return
        self.text(text, least - 2, bold=True, light=light, lines=2)

    def whole(self, text: str, most: int, least: int, *, lines: int) -> None:
        """Lines of text as large as all of it fits into so many; of the least size, and as many as it takes, else."""
        for points in range(most, least - 1, -1):
            found = wrap(self.fonts, tidy(text), points, self.inner, len(text))
            if len(found) <= lines:
                break
        self.text(text, points, lines=len(found))

    def pairs(self, dates: Sequence[tuple[str, str]], bottom: float) -> None:
        """What and its day, a line each, as large as the room down to `bottom` lets them be."""
        step = min((bottom - self.y) / len(dates), 7.0)
        points = round(step / MM_PER_POINT / 1.45, 1)
        widest = max(self.fonts.width(f"{what}  ", 1) + self.fonts.width(day, 1, bold=True) for what, day in dates)
        points = min(points, int(self.inner / _ROOM / widest * 10) / 10)
        for what, day in dates:
            line = _round(self.y + step * 0.72)
            self.drawing.lines.append(Line(_MARGIN, line, points, what))
            self.drawing.lines.append(Line(WIDTH - _MARGIN, line, points, day, bold=True, ends=True))
            self.y += step

    def small(self, what: str, text: str, lines: int) -> None:
        self.text(what, 6.5)
        self.text(text, 9, bold=True, lines=lines)

    def code(self, address: str, x: float, y: float) -> None:
        """The QR code, each row's dark runs as one box."""
        matrix = segno.make_qr(address, error="m").matrix
        module = _CODE / (len(matrix) + 2 * _QUIET)
        for row, cells in enumerate(matrix):
            for start, length in _runs(cells):
                left, top = x + (start + _QUIET) * module, y + (row + _QUIET) * module
                # A hair taller, so that no light line shows between two rows.
                self.drawing.boxes.append(
                    Box(round(left, 4), round(top, 4), round(length * module, 4), round(module + 0.01, 4))
                )


def wrap(fonts: Fonts, text: str, points: float, width: float, most: int, *, bold: bool = False) -> list[str]:
    """The text in at most so many lines; between words where there are any, else between signs; the rest is …"""

    def fits(line: str) -> bool:
        return fonts.width(line, points, bold=bold) * _ROOM <= width

    lines: list[str] = []
    rest = text
    while rest and len(lines) < most:
        line, rest = _first_line(rest, fits)
        lines.append(line)
    if rest and lines:
        last = lines[-1]
        while last and not fits(last + "…"):
            last = last[:-1]
        lines[-1] = last.rstrip() + "…"
    return lines


def _first_line(text: str, fits: Callable[[str], bool]) -> tuple[str, str]:
    if fits(text):
        return text, ""
    end = 1
    while fits(text[: end + 1]):
        end += 1
    space = text.rfind(" ", 0, end + 1)
    if space > 0:
        return text[:space], text[space + 1 :]
    return text[:end], text[end:]


def _runs(cells: bytearray) -> Iterator[tuple[int, int]]:
    """Start and length of each run of dark modules."""
    start = None
    for place, dark in enumerate([*cells, 0]):
        if dark and start is None:
            start = place
        elif not dark and start is not None:
            yield start, place - start
            start = None


def _round(value: float) -> float:
    return round(value, 2)
