"""Draws a page of a chart on a matplotlib axis, from finished millimetres.

The axis is scaled to the page; type and lines grow and shrink with it, so that a page
drawn small keeps its proportions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from improv.pictures.chart import EARLY, GRACE, IN_POCKET, LATE, OFF_GRID, UNTIMED
from improv.pictures.draw_words import drawable
from improv.pictures.letters import MM_PER_PT
from improv.pictures.look import (
    BAND,
    EARLY_MARK,
    FAINT,
    FINE_PT,
    FONT,
    GREY,
    HAIR_PT,
    HATCH,
    IN_MARK,
    INK,
    LATE_MARK,
    LIGHT,
    LINE_PT,
    OFF_MARK,
    PAPER,
)
from improv.pictures.look import EARLY as EARLY_COLOUR
from improv.pictures.look import LATE as LATE_COLOUR
from improv.pictures.sheet import Dots, Label, Page

_STROKES = {
    "beat": (FAINT, FINE_PT, 1.0),
    "edge": (FAINT, HAIR_PT, 1.0),
    "hatch": (HATCH, FINE_PT, 0.5),
    "middle": (LIGHT, HAIR_PT, 1.2),
    "position": (GREY, FINE_PT, 1.4),
    "bar": (INK, LINE_PT, 1.6),
    "stem": (LIGHT, HAIR_PT, 1.8),
    "bracket": (INK, LINE_PT, 2.0),
}
"""Colour, width in points and layer of every style of stroke."""
_BANDS = {"pocket": (BAND, 0.2), "run": ("#f3f3f6", 0.3)}
_DOTS = {
    IN_POCKET: (IN_MARK, INK, 1.0),
    EARLY: (EARLY_MARK, EARLY_COLOUR, 1.15),
    LATE: (LATE_MARK, LATE_COLOUR, 1.15),
    OFF_GRID: (OFF_MARK, INK, 1.1),
    UNTIMED: (IN_MARK, GREY, 1.0),
    GRACE: (IN_MARK, GREY, 1.0),
}
"""Shape, colour and relative size of every kind of mark."""


def draw_chart(axes: Axes, page: Page) -> None:
    """Draws one page of a chart; the axis loses its ticks and frame."""
    axes.set_xlim(0.0, page.width_mm)
    axes.set_ylim(page.height_mm, 0.0)
    axes.set_aspect("equal")
    axes.set_axis_off()
    share = _share(axes, page)
    for bands in page.bands:
        colour, layer = _BANDS[bands.style]
        left, top, right, bottom = bands.boxes_mm.T
        corners = np.stack([left, top, right, top, right, bottom, left, bottom], axis=1)
        axes.add_collection(
            PolyCollection(
                list(corners.reshape(-1, 4, 2)), facecolors=colour, edgecolors="none", zorder=layer
            ),
            autolim=False,
        )
    for strokes in page.strokes:
        colour, width, layer = _STROKES[strokes.style]
        lines = LineCollection(
            list(strokes.ends_mm.reshape(-1, 2, 2)),
            colors=colour,
            linewidths=width * share,
            capstyle="butt",
            zorder=layer,
        )
        axes.add_collection(lines, autolim=False)
    for dots in page.dots:
        _draw_dots(axes, dots, share)
    for label in page.labels:
        _write(axes, label, share)


def _share(axes: Axes, page: Page) -> float:
    """How large the page is drawn: 1 where a millimetre is a millimetre."""
    figure = axes.figure
    box = axes.get_position()
    width_in, height_in = figure.get_figwidth() * box.width, figure.get_figheight() * box.height  # type: ignore[union-attr]
    return float(min(width_in / page.width_mm, height_in / page.height_mm) * 25.4)


def _draw_dots(axes: Axes, dots: Dots, share: float) -> None:
    shape, colour, relative = _DOTS[dots.says]
    size_pt = dots.size_mm * relative * share / MM_PER_PT
    filled = dots.sure and dots.says != UNTIMED
    is_cross = shape == OFF_MARK  # a cross has no inside to fill
    faces: dict[str, Any] = (
        {"color": colour} if is_cross else {"facecolors": colour if filled else PAPER}
    )
    axes.scatter(
        dots.x_mm,
        dots.y_mm,
        s=size_pt**2,
        marker=shape,
        edgecolors=None if is_cross else colour,
        linewidths=(1.1 if is_cross else 0.7) * share,
        zorder=3.0,
        clip_on=False,
        **faces,
    )


def _write(axes: Axes, label: Label, share: float) -> None:
    axes.text(
        label.x_mm,
        label.y_mm,
        drawable(label.text),
        fontsize=label.size_pt * share,
        fontfamily=FONT,
        fontweight="bold" if label.bold else "normal",
        color=GREY if label.grey else INK,
        horizontalalignment=label.align,
        verticalalignment="baseline",
        parse_math=False,
        zorder=4.0,
    )
