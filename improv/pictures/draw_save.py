"""Figures to bytes: PNG, SVG with its text kept as text, PDF with its fonts inside.

The same figure gives the same bytes: no dates, no random names.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import matplotlib
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from improv.pictures.look import FONT

DPI = 200
FORMATS = ("png", "svg", "pdf")
_SAVING = {
    "svg.fonttype": "none",  # text stays text: found, read aloud, scaled
    "svg.hashsalt": "improv",
    "pdf.fonttype": 42,  # whole TrueType letters, copied and searched like any text
    "font.family": [FONT, "sans-serif"],
    "hatch.linewidth": 0.6,
    "path.simplify": False,
}


def png_bytes(figure: Figure, dpi: int = DPI) -> bytes:
    """The figure as a PNG image."""
    buffer = io.BytesIO()
    with matplotlib.rc_context(_SAVING):
        figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": "improv"})
    return buffer.getvalue()


def svg_text(figure: Figure) -> str:
    """The figure as an SVG document."""
    buffer = io.StringIO()
    with matplotlib.rc_context(_SAVING):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "improv"})
    return buffer.getvalue()


def pdf_bytes(figures: Sequence[Figure], title: str) -> bytes:
    """Several figures as the pages of one PDF."""
    buffer = io.BytesIO()
    about = {"Title": title, "Creator": "improv", "CreationDate": None, "ModDate": None}
    with matplotlib.rc_context(_SAVING), PdfPages(buffer, metadata=about) as book:
        for figure in figures:
            book.savefig(figure)
    return buffer.getvalue()
