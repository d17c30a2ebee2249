"""Labels as a PDF, a page each. Fonts that the reader need not have are embedded. A label with a character that no
font has is told of and not drawn: a box never stands in."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from textwrap import shorten

from fpdf import FPDF

from .content import Sheet
from .fonts import BUILT_IN, ENCODING, Fonts, tidy
from .layout import HEIGHT, WIDTH, Drawing

# What a sheet says, by the words that people have for it.
_FIELDS = {
    "unit": "code",
    "spot": "spot",
    "site": "site",
    "place": "address",
    "model": "model",
    "serial": "serial number",
    "fleet": "fleet's name",
    "contact": "name of whom to ask",
}


def why_not(sheet: Sheet, drawing: Drawing, fonts: Fonts) -> str:
    """Why the label cannot be printed as a PDF, as one sentence that names the unit and the field; "" where it can."""
    missing = list(dict.fromkeys(sign for line in drawing.lines for sign in fonts.undrawable(line.text)))
    if not missing:
        return ""
    texts = [(word, tidy(getattr(sheet, name))) for name, word in _FIELDS.items()]
    fields = [f"{word} ({shorten(text, 60, placeholder='…')!r})" for word, text in texts if set(missing) & set(text)]
    return (
        f"{tidy(sheet.unit)}: no font at hand draws {' '.join(missing)} in its {' and '.join(fields) or 'text'}; name "
        "one that has these characters with --font FILE.ttf, or write an .svg, which is drawn with the fonts of the "
        "machine that shows it"
    )


def to_pdf(drawings: Sequence[Drawing], fonts: Fonts, on: date) -> bytes:
    """The document; the same bytes for the same labels, fonts and day. All of it must be drawable (`why_not`)."""
    logging.getLogger("fontTools").setLevel(logging.WARNING)  # it tells of every table that it drops
    pdf = FPDF(unit="mm", format=(WIDTH, HEIGHT))
    pdf.core_fonts_encoding = ENCODING
    pdf.set_creation_date(datetime.combine(on, time(), UTC))
    pdf.set_title(drawings[0].title if len(drawings) == 1 else "Cabinet labels")
    pdf.set_auto_page_break(False)
    for name, file in fonts.files.items():
        pdf.add_font(name, fname=file)
    for drawing in drawings:
        pdf.add_page()
        pdf.set_fill_color(0)
        for box in drawing.boxes:
            pdf.rect(box.x, box.y, box.width, box.height, style="F")
        for line in drawing.lines:
            pdf.set_text_color(255 if line.light else 0)
            x = line.x - (fonts.width(line.text, line.points, bold=line.bold) if line.ends else 0)
            for font, piece in fonts.runs(line.text):
                pdf.set_font(font, "B" if line.bold and font == BUILT_IN else "", line.points)
                pdf.text(x, line.y, piece)
                x += fonts.width(piece, line.points, bold=line.bold)
    return bytes(pdf.output())
