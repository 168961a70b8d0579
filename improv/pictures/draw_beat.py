"""Draws a dial on a matplotlib axis: a ring of sectors, the fitted positions around it."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from improv.model import Floats
from improv.pictures.beat import SECTORS, Dial
from improv.pictures.draw_words import drawable
from improv.pictures.look import (
    BODY_PT,
    EARLY,
    EARLY_MARK,
    FAINT,
    FILL,
    FINE_PT,
    FONT,
    GREY,
    HAIR_PT,
    HEAD_PT,
    IN_MARK,
    INK,
    LABEL_PT,
    LATE,
    LATE_MARK,
    LINE_PT,
    SMALL_PT,
)

INNER, OUTER = 0.38, 1.0
LEANS_MS = 10.0
"""A mean this near its position is marked as on it (professionals' mean, Fujii et al. 2011)."""


def draw_dial(axes: Axes, dial: Dial) -> None:
    """Draws one dial; the axis loses its ticks and frame. Late is clockwise."""
    axes.set_xlim(-1.55, 1.55)
    axes.set_ylim(-1.62, 1.95)
    axes.set_aspect("equal")
    axes.set_axis_off()
    _ring(axes, dial)
    _scale(axes, dial)
    for position in dial.positions:
        _position(axes, position.phase_beat, position.count)
    _means(axes, dial)
    words = dict(ha="center", fontfamily=FONT, parse_math=False)
    axes.text(0, 1.78, drawable(dial.title), fontsize=HEAD_PT, color=INK, weight="bold", **words)
    axes.text(0, 1.55, drawable(dial.note), fontsize=LABEL_PT, color=INK, **words)


def _at(phase_beat: Floats | float, radius: Floats | float) -> Floats:
    """Points of a dial, (N, 2): phase 0 at the top, clockwise."""
    angle = 2 * np.pi * np.asarray(phase_beat, dtype=np.float64)
    return np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=-1)


def _ring(axes: Axes, dial: Dial) -> None:
    most = max(int(dial.sectors.max()), 1)
    # Equal areas for equal counts: radii grow with the root.
    reach = np.sqrt(INNER**2 + dial.sectors / most * (OUTER**2 - INNER**2))
    shapes = []
    for i in np.flatnonzero(dial.sectors):
        arc = np.linspace(i / SECTORS, (i + 1) / SECTORS, 5)
        shapes.append(np.concatenate([_at(arc, INNER), _at(arc[::-1], reach[i])]))
    axes.add_collection(
        PolyCollection(shapes, facecolors=FILL, edgecolors=INK, linewidths=HAIR_PT, zorder=2)
    )
    circle = np.linspace(0.0, 1.0, 181)
    for radius, colour, width in ((INNER, INK, FINE_PT), (OUTER, FAINT, HAIR_PT)):
        ring = _at(circle, radius)
        axes.plot(ring[:, 0], ring[:, 1], color=colour, linewidth=width, zorder=1.5)


def _position(axes: Axes, phase: float, count: str) -> None:
    ends = np.stack([_at(phase, INNER - 0.06), _at(phase, OUTER + 0.12)])
    line = LineCollection([ends], colors=INK, linewidths=LINE_PT, zorder=3)
    axes.add_collection(line)
    x, y = _at(phase, OUTER + 0.3)
    axes.text(
        x, y, count, ha="center", va="center", fontsize=BODY_PT, fontfamily=FONT, color=INK
    )


def _means(axes: Axes, dial: Dial) -> None:
    """Where the notes of each position centre: ahead, on or behind it, by shape and colour."""
    kinds = {EARLY_MARK: EARLY, IN_MARK: INK, LATE_MARK: LATE}
    for shape, colour in kinds.items():
        here = [p.mean_beat for p in dial.positions if _shape(p.lean_ms) == shape]
        if here:
            at = _at(np.array(here), INNER - 0.12)
            axes.scatter(at[:, 0], at[:, 1], s=16, marker=shape, color=colour, zorder=4)


def _shape(lean_ms: float) -> str:
    if abs(lean_ms) <= LEANS_MS:
        return IN_MARK
    return LATE_MARK if lean_ms > 0 else EARLY_MARK


def _scale(axes: Axes, dial: Dial) -> None:
    """An arc of 50 ms outside the ring, at the foot, and how many notes the rim stands for."""
    share = 0.05 / dial.beat_sec
    arc = _at(np.linspace(0.5 - share / 2, 0.5 + share / 2, 9), OUTER + 0.47)
    axes.plot(arc[:, 0], arc[:, 1], color=GREY, linewidth=LINE_PT * 1.6, solid_capstyle="butt")
    words = dict(ha="center", va="center", fontsize=SMALL_PT, fontfamily=FONT, color=GREY)
    axes.text(0.0, -1.6, "50 ms", **words)
    axes.text(0.0, 0.06, f"{1000 * dial.beat_sec:.0f} ms", **words)
    axes.text(0.0, -0.07, "a beat", **words)
