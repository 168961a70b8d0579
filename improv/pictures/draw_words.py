"""Text for matplotlib: only characters its own font has, and nothing read as mathematics."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import matplotlib
from matplotlib.ft2font import FT2Font


@cache
def _known() -> frozenset[int]:
    font = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")
    return frozenset(FT2Font(str(font)).get_charmap())


def drawable(text: str) -> str:
    """The text with a box in place of every character that the font lacks."""
    if text.isascii():
        return text
    known = _known()
    return "".join(c if ord(c) in known else "□" for c in text)
