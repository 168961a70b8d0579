"""Sheets of paper: sizes in millimetres, and how a size is written."""

from __future__ import annotations

import re
from dataclasses import dataclass

from improv.errors import UsageError

NARROWEST_MM = 100.0
WIDEST_MM = 1200.0
_SIZE = re.compile(r"(\d{2,4}(?:\.\d+)?)\s*x\s*(\d{2,4}(?:\.\d+)?)")


@dataclass(frozen=True)
class Paper:
    """A sheet: width and height in mm."""

    width_mm: float
    height_mm: float

    @property
    def on_its_side(self) -> Paper:
        """The sheet turned so that the longer edge is below."""
        low, high = sorted((self.width_mm, self.height_mm))
        return Paper(high, low)


A4 = Paper(210.0, 297.0)
LETTER = Paper(215.9, 279.4)
NAMED = {"a4": A4, "letter": LETTER}


def parse_paper(text: str) -> Paper:
    """A sheet from `a4`, `letter` or `WIDTHxHEIGHT` in mm; raises `UsageError`."""
    wanted = text.strip().lower()
    if wanted in NAMED:
        return NAMED[wanted]
    found = _SIZE.fullmatch(wanted)
    if not found:
        raise UsageError(
            f"paper '{text[:40]}': write a4, letter, or a width and height in mm like 300x200"
        )
    paper = Paper(float(found[1]), float(found[2]))
    if not all(NARROWEST_MM <= edge <= WIDEST_MM for edge in (paper.width_mm, paper.height_mm)):
        raise UsageError(
            f"paper '{text[:40]}': each edge must measure {NARROWEST_MM:g} to {WIDEST_MM:g} mm"
        )
    return paper
