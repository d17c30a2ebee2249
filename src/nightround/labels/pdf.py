"""Labels as a PDF, a page each. Fonts that the reader need not have are embedded; a character that no font has is
refused, never drawn as a box."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import UTC, date, datetime, time

from fpdf import FPDF

from ..errors import UserError
from .fonts import BUILT_IN, ENCODING, Fonts
from .layout import HEIGHT, WIDTH, Drawing


def to_pdf(drawings: Sequence[Drawing], fonts: Fonts, on: date) -> bytes:
    """The document; the same bytes for the same labels, fonts and day. Raises UserError for what cannot be drawn."""
    for drawing in drawings:
        for line in drawing.lines:
            missing = fonts.undrawable(line.text)
            if missing:
                raise UserError(
                    f"{drawing.title}: no font at hand draws {' '.join(missing)} in {line.text!r}; name one that has "
                    "these characters with --font FILE.ttf, or write an .svg, which is drawn with the fonts of the "
                    "machine that shows it"
                )
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
