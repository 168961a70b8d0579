"""What a page is made of: strokes, bands, marks and labels in millimetres.

Conventions: x to the right and y downwards from the sheet's upper left corner; a label's
y is its baseline. A style is a name; `draw_chart` knows how each is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from improv.model import Floats, _Frozen
from improv.pictures.letters import height_mm, width_mm

Align = Literal["left", "center", "right"]


@dataclass(frozen=True)
class Label:
    """One line of text; `x_mm` is its left edge, middle or right edge as `align` says."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float
    align: Align = "left"
    bold: bool = False
    grey: bool = False

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom edge."""
        width = width_mm(self.text, self.size_pt, self.bold)
        left = self.x_mm - width * {"left": 0.0, "center": 0.5, "right": 1.0}[self.align]
        height = height_mm(self.size_pt)
        return left, self.y_mm - 0.8 * height, left + width, self.y_mm + 0.2 * height


@dataclass(frozen=True, eq=False)
class Strokes(_Frozen):
    """Straight lines of one style: rows of x0, y0, x1, y1."""

    style: str
    ends_mm: Floats


@dataclass(frozen=True, eq=False)
class Bands(_Frozen):
    """Filled rectangles of one style: rows of left, top, right, bottom."""

    style: str
    boxes_mm: Floats


@dataclass(frozen=True, eq=False)
class Dots(_Frozen):
    """Marks of one kind (`chart.IN_POCKET` and so on), filled where `sure`."""

    says: int
    sure: bool
    x_mm: Floats
    y_mm: Floats
    size_mm: float


@dataclass(frozen=True, eq=False)
class Page:
    """One page, finished but for the ink."""

    number: int
    of: int
    width_mm: float
    height_mm: float
    bands: tuple[Bands, ...]
    strokes: tuple[Strokes, ...]
    dots: tuple[Dots, ...]
    labels: tuple[Label, ...]

    def ends_mm(self, style: str) -> Floats:
        """All strokes of one style, (N, 4)."""
        found = [s.ends_mm for s in self.strokes if s.style == style]
        return np.concatenate(found) if found else np.zeros((0, 4))


class Draft:
    """Collects what is put on a page, piece by piece."""

    def __init__(self) -> None:
        self.labels: list[Label] = []
        self._strokes: dict[str, list[Floats]] = {}
        self._bands: dict[str, list[Floats]] = {}
        self._dots: dict[tuple[int, bool, float], list[tuple[Floats, Floats]]] = {}

    def stroke(self, style: str, x0: object, y0: object, x1: object, y1: object) -> None:
        """Adds lines; the ends may be numbers or arrays."""
        parts = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in (x0, y0, x1, y1)))
        self._strokes.setdefault(style, []).append(np.stack([p.ravel() for p in parts], axis=1))

    def band(self, style: str, left: float, top: float, right: float, bottom: float) -> None:
        """Adds a filled rectangle."""
        self._bands.setdefault(style, []).append(np.array([[left, top, right, bottom]]))

    def hatch(self, style: str, left: float, top: float, right: float, bottom: float) -> None:
        """Adds slanting lines across a rectangle."""
        self._strokes.setdefault(style, []).append(hatching(left, top, right, bottom))

    def dots(self, says: int, sure: bool, size_mm: float, x_mm: Floats, y_mm: Floats) -> None:
        """Adds marks of one kind."""
        self._dots.setdefault((says, sure, size_mm), []).append((x_mm, y_mm))

    def page(self, number: int, of: int, width_mm: float, height_mm: float) -> Page:
        """The finished page."""
        return Page(
            number,
            of,
            width_mm,
            height_mm,
            tuple(Bands(s, np.concatenate(b)) for s, b in self._bands.items()),
            tuple(Strokes(s, np.concatenate(e)) for s, e in self._strokes.items()),
            tuple(
                Dots(
                    says,
                    sure,
                    np.concatenate([x for x, _ in where]),
                    np.concatenate([y for _, y in where]),
                    size,
                )
                for (says, sure, size), where in self._dots.items()
            ),
            tuple(self.labels),
        )


HATCH_STEP_MM = 1.5


def hatching(left: float, top: float, right: float, bottom: float) -> Floats:
    """Lines rising at 45 degrees, `HATCH_STEP_MM` apart, cut at the rectangle: (N, 4) in mm.

    Their places are whole steps from the sheet's corner, so that neighbouring boxes agree.
    """
    # A line is x + y = level; level grows to the right and downwards.
    low, high = left + top, right + bottom
    levels = np.arange(np.ceil(low / HATCH_STEP_MM), np.floor(high / HATCH_STEP_MM) + 1)
    level = levels * HATCH_STEP_MM
    x0 = np.maximum(left, level - bottom)
    x1 = np.minimum(right, level - top)
    lines = np.stack([x0, level - x0, x1, level - x1], axis=1)
    return lines[x1 - x0 > 0.05]
