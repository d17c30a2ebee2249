"""Font files of our own making for the tests: each character is a block that fills its square, to be found again."""

from __future__ import annotations

from pathlib import Path

from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.pens.ttGlyphPen import TTGlyphPen


def make_font(file: Path, characters: str, *, outlines: str = "truetype") -> Path:
    """A font with these characters: `truetype` or `postscript` outlines."""
    truetype = outlines == "truetype"
    names = [".notdef", *(f"uni{ord(sign):04X}" for sign in characters)]
    builder = FontBuilder(1000, isTTF=truetype)
    builder.setupGlyphOrder(names)
    builder.setupCharacterMap({ord(sign): f"uni{ord(sign):04X}" for sign in characters})
    if truetype:
        builder.setupGlyf({name: _block(TTGlyphPen(None)).glyph() for name in names})
    else:
        drawn = {name: _block(T2CharStringPen(1000, None)).getCharString() for name in names}
        builder.setupCFF("Blocks", {"FullName": "Blocks"}, drawn, {})
    builder.setupHorizontalMetrics(dict.fromkeys(names, (1000, 50)))
    builder.setupHorizontalHeader(ascent=880, descent=-120)
    builder.setupNameTable({"familyName": "Blocks", "styleName": "Regular"})
    builder.setupOS2(sTypoAscender=880, sTypoDescender=-120)
    builder.setupPost()
    builder.save(file)
    return file


def _block(pen):  # type: ignore[no-untyped-def]
    pen.moveTo((50, 0))
    pen.lineTo((50, 800))
    pen.lineTo((950, 800))
    pen.lineTo((950, 0))
    pen.closePath()
    return pen
