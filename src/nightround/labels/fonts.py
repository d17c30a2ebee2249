"""Which font can draw which characters, and how wide they come out. It draws nothing and never lets a box stand in.

The built-in fonts are those that every PDF reader has (Helvetica, with the letters of Windows-1252); further ones come
from font files that the caller names.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from fontTools.pens.svgPathPen import SVGPathPen
from fontTools.pens.transformPen import TransformPen
from fontTools.ttLib import TTFont, TTLibError
from fpdf import FPDF

from ..errors import UserError

BUILT_IN = "Helvetica"
ENCODING = "windows-1252"
MM_PER_POINT = 25.4 / 72


class Run(NamedTuple):
    """A piece of text in one font: "" where no font at hand has its characters."""

    font: str
    text: str


class Fonts:
    """The built-in font and the files named, the first that has a character first.

    Raises UserError for a file that is no font.
    """

    def __init__(self, files: Sequence[Path] = ()) -> None:
        self.files: dict[str, Path] = {}
        self._has: dict[str, frozenset[int]] = {}
        self._open: dict[str, TTFont] = {}
        self._paper = FPDF(unit="mm")
        self._paper.core_fonts_encoding = ENCODING
        for number, file in enumerate(files, 1):
            name = f"Further{number}"
            self._has[name] = _characters(file)
            self.files[name] = file
            self._paper.add_font(name, fname=file)

    def runs(self, text: str) -> Iterator[Run]:
        """The text in pieces of one font each."""
        font, piece = None, ""
        for sign in text:
            found = self.font_of(sign)
            if found != font and piece:
                yield Run(font or "", piece)
                piece = ""
            font, piece = found, piece + sign
        if piece:
            yield Run(font or "", piece)

    def font_of(self, sign: str) -> str:
        """The font that draws a character; "" where none does."""
        try:
            sign.encode(ENCODING)
            return BUILT_IN
        except UnicodeEncodeError:
            return next((name for name, has in self._has.items() if ord(sign) in has), "")

    def width(self, text: str, points: float, *, bold: bool = False) -> float:
        """How wide the text is, in millimetres; of characters without a font, what they usually take."""
        total = 0.0
        for font, piece in self.runs(text):
            if font:
                self._paper.set_font(font, "B" if bold and font == BUILT_IN else "", points)
                total += self._paper.get_string_width(piece)
            else:
                ems = sum(1.0 if unicodedata.east_asian_width(sign) in "WF" else 0.7 for sign in piece)
                total += ems * points * MM_PER_POINT
        return total

    def outline(self, font: str, text: str, x: float, y: float, points: float) -> str:
        """The text as an SVG path in millimetres, begun at `x` on the base line `y`. `font`: one of the files."""
        if font not in self._open:
            self._open[font] = TTFont(self.files[font], lazy=True, fontNumber=0)
        file = self._open[font]
        glyphs, names = file.getGlyphSet(), file.getBestCmap()
        scale = points * MM_PER_POINT / file["head"].unitsPerEm
        pen = SVGPathPen(glyphs, ntos=lambda value: f"{value:.3f}".rstrip("0").rstrip("."))
        for sign in text:
            glyph = glyphs[names[ord(sign)]]
            glyph.draw(TransformPen(pen, (scale, 0, 0, -scale, x, y)))
            x += glyph.width * scale
        path: str = pen.getCommands()
        return path

    def undrawable(self, text: str) -> list[str]:
        """The characters that cannot be drawn, each once: no font has them, or they need to be joined or turned
        around, which is not done here."""
        return list(dict.fromkeys(sign for sign in text if not self.font_of(sign) or _needs_shaping(sign)))


def tidy(text: str) -> str:
    """The text in one line, composed, without characters that draw nothing or turn the writing direction."""
    kinds = ((sign, unicodedata.category(sign)) for sign in unicodedata.normalize("NFC", text))
    return " ".join("".join(" " if kind == "Cc" else sign for sign, kind in kinds if kind not in _UNSEEN).split())


_UNSEEN = ("Cf", "Cs", "Co", "Cn")  # formats such as a soft hyphen or a joiner, and what is no character for others
# Scripts of South and South-East Asia: letters there change shape and place with their neighbours.
_SHAPED = (range(0x0900, 0x0E00), range(0x0F00, 0x10A0), range(0x1780, 0x1800))


def _needs_shaping(sign: str) -> bool:
    if unicodedata.bidirectional(sign) in ("R", "AL") or unicodedata.combining(sign):
        return True
    return any(ord(sign) in some for some in _SHAPED)


def _characters(file: Path) -> frozenset[int]:
    try:
        with TTFont(file, lazy=True, fontNumber=0) as font:
            return frozenset(font.getBestCmap() or ())
    except (OSError, TTLibError, AssertionError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else "it is no TrueType or OpenType font"
        raise UserError(f"--font: {file} cannot be used ({why}); name a .ttf or .otf file") from None
