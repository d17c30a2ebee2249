"""A label as an SVG picture of its true size.

Latin text is left to the fonts of whatever shows it, in the width that was measured for it: machines have other fonts,
and wider ones must not run over what stands beside. What only a named font file has is drawn in as outlines. Whoever
calls it must say which characters neither covers (`left_to_the_reader`).
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from .fonts import BUILT_IN, MM_PER_POINT, Fonts
from .layout import HEIGHT, WIDTH, Drawing, Line

_FONTS = "Helvetica, Arial, 'Liberation Sans', 'Noto Sans', sans-serif"


def to_svg(drawing: Drawing, fonts: Fonts) -> bytes:
    """The picture; the same bytes for the same label and fonts."""
    boxes = "".join(f"M{_n(b.x)} {_n(b.y)}h{_n(b.width)}v{_n(b.height)}h{_n(-b.width)}z" for b in drawing.boxes)
    lines = "\n".join(_line(line, fonts) for line in drawing.lines)
    title = escape(drawing.title)
    said = escape("; ".join(line.text for line in drawing.lines))  # outlines are no text
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(WIDTH)}mm" height="{_n(HEIGHT)}mm" '
        f'viewBox="0 0 {_n(WIDTH)} {_n(HEIGHT)}" role="img" font-family="{_FONTS}">\n'
        f"<title>{title}</title>\n<desc>{said}</desc>\n"
        f'<rect width="{_n(WIDTH)}" height="{_n(HEIGHT)}" fill="#fff"/>\n'
        f'<path d="{boxes}" fill="#000" shape-rendering="crispEdges"/>\n{lines}\n</svg>\n'
    ).encode()


def left_to_the_reader(drawing: Drawing, fonts: Fonts) -> list[str]:
    """Characters that whatever shows the picture must have a font for, beyond those of Western Europe."""
    return list(dict.fromkeys(sign for line in drawing.lines for sign in line.text if not fonts.font_of(sign)))


def _line(line: Line, fonts: Fonts) -> str:
    look = (' font-weight="bold"' if line.bold else "") + (' text-anchor="end"' if line.ends else "")
    fill = "#fff" if line.light else "#000"
    size = _n(round(line.points * MM_PER_POINT, 3))

    def text(x: float, words: str) -> str:
        wide = _n(round(fonts.width(words, line.points, bold=line.bold), 3))
        return (
            f'<text x="{_n(x)}" y="{_n(line.y)}" font-size="{size}" fill="{fill}" textLength="{wide}" '
            f'lengthAdjust="spacingAndGlyphs"{look}>{escape(words)}</text>'
        )

    runs = list(fonts.runs(line.text))
    if all(run.font in ("", BUILT_IN) for run in runs):
        return text(line.x, line.text)
    found, x = [], line.x
    for font, words in runs:
        if font in ("", BUILT_IN):
            found.append(text(x, words))
        else:
            path = fonts.outline(font, words, x, line.y, line.points)
            found.append(f'<path d="{path}" fill="{fill}"/>')
        x += fonts.width(words, line.points, bold=line.bold)
    return "".join(found)


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")
