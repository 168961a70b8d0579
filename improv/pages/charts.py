"""The chart on the page: sheets for wide and for narrow screens, as small as they can be."""

from __future__ import annotations

import re
from dataclasses import dataclass

from improv.counting import counted
from improv.model import Analysis

WIDE_MM, WIDE_HIGH_MM = 182.0, 236.0
"""A chart's sheet: fits the printable part of A4 and of Letter at its natural size."""
NARROW_MM, NARROW_HIGH_MM, NARROW_PER_LINE = 100.0, 1000.0, 2
MOST_SHEETS = 8
"""Sheets of chart, 24 bars and more each: what a page of 4 MB holds beside the sound."""

_NUMBERS = re.compile(r'(\s(?:d|x|y|x1|x2|y1|y2|width|height|transform|points)=")([^"]*)"')
_LONG = re.compile(r"(\d\.\d\d)\d+")


@dataclass(frozen=True)
class Charts:
    """SVG elements for either width of screen; `left_out` says in words what is missing."""

    wide: tuple[str, ...]
    narrow: tuple[str, ...]
    left_out: str


def charts(analysis: Analysis) -> Charts:
    """The take's chart; of a very long take the first sheets."""
    from improv.pictures.chart_page import PER_LINE
    from improv.pictures.draw_pages import pages
    from improv.pictures.draw_save import inline_svg
    from improv.pictures.paper import Paper

    wide = pages([analysis], "chart", Paper(WIDE_MM, WIDE_HIGH_MM), PER_LINE, trim=True)
    narrow_paper = Paper(NARROW_MM, NARROW_HIGH_MM)
    narrow = pages([analysis], "chart", narrow_paper, NARROW_PER_LINE, trim=True)
    left_out = len(wide) - MOST_SHEETS
    words = (
        f"The first {MOST_SHEETS} sheets of the chart; {counted(left_out, 'sheet')} more "
        f"{'is' if left_out == 1 else 'are'} left out. 'improv plot' draws them all."
        if left_out > 0
        else ""
    )
    kept = max(round(len(narrow) * min(MOST_SHEETS / len(wide), 1.0)), 1)
    return Charts(
        tuple(slim(inline_svg(s.figure, s.alt, f"w{i}")) for i, s in enumerate(wide[:MOST_SHEETS])),
        tuple(slim(inline_svg(s.figure, s.alt, f"n{i}")) for i, s in enumerate(narrow[:kept])),
        words,
    )


def slim(svg: str) -> str:
    """The same picture in fewer bytes: no metadata, coordinates to a hundredth of a point."""
    svg = re.sub(r"<metadata>.*?</metadata>\s*|<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = _NUMBERS.sub(_rounded, svg)
    return re.sub(r">\s*\n\s*<", ">\n<", svg)


def _rounded(attribute: re.Match[str]) -> str:
    short = " ".join(_LONG.sub(r"\1", attribute[2]).split())
    return f'{attribute[1]}{short}"'
