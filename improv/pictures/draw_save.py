"""Figures to bytes: PNG, SVG with its text kept as text, PDF with its fonts inside.

The same figure gives the same bytes: no dates, no random names.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from xml.sax.saxutils import quoteattr

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from improv.pictures.draw_rc import steady

DPI = 200


def png_bytes(figure: Figure, dpi: int = DPI) -> bytes:
    """The figure as a PNG image."""
    buffer = io.BytesIO()
    with steady():
        figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": "improv"})
    return buffer.getvalue()


def svg_text(figure: Figure, alt: str = "") -> str:
    """The figure as an SVG document; `alt` says what it shows to those who cannot see it."""
    buffer = io.StringIO()
    with steady():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "improv"})
    text = buffer.getvalue()
    told = f'<svg role="img" aria-label={quoteattr(alt)} ' if alt else '<svg role="img" '
    return text.replace("<svg ", told, 1)


def inline_svg(figure: Figure, alt: str, name: str) -> str:
    """The figure as an `<svg>` element for a web page.

    Without the lines that only a file needs, and with `name` before every id, so that
    several pictures on one page keep their ids apart.
    """
    text = svg_text(figure, alt)
    text = text[text.index("<svg ") :]
    text = re.sub(r'(\sid=")', rf"\g<1>{name}-", text)
    return re.sub(r'(url\(#|href="#)', rf"\g<1>{name}-", text)


def pdf_bytes(figures: Sequence[Figure], title: str) -> bytes:
    """Several figures as the pages of one PDF."""
    buffer = io.BytesIO()
    about = {"Title": title, "Creator": "improv", "CreationDate": None, "ModDate": None}
    with steady(), PdfPages(buffer, metadata=about) as book:
        for figure in figures:
            book.savefig(figure)
    return buffer.getvalue()
