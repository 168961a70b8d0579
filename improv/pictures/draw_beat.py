"""Draws a dial on a matplotlib axis: a ring of sectors, the fitted positions around it."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from improv.counting import counted
from improv.model import Floats
from improv.pictures.beat import SECTORS, Dial
from improv.pictures.draw_words import drawable
from improv.pictures.look import (
    BODY_PT,
    EARLY,
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
    LINE_PT,
    SMALL_PT,
)

INNER, OUTER = 0.42, 1.0
LEANS_MS = 10.0
"""A mean this near its position is marked as on it (professionals' mean, Fujii et al. 2011)."""


def draw_dial(axes: Axes, dial: Dial) -> None:
    """Draws one dial; the axis loses its ticks and frame. Late is clockwise."""
    axes.set_xlim(-1.55, 1.55)
    axes.set_ylim(-1.85, 1.95)
    axes.set_aspect("equal")
    axes.set_axis_off()
    _ring(axes, dial)
    _scale(axes, dial)
    for position in dial.positions:
        _position(axes, position.phase_beat, position.count)
    _means(axes, dial)
    words: dict[str, Any] = dict(ha="center", fontfamily=FONT, parse_math=False)
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
    axes.text(x, y, count, ha="center", va="center", fontsize=BODY_PT, fontfamily=FONT, color=INK)


def _means(axes: Axes, dial: Dial) -> None:
    """Where the notes of each position centre, and which way that leans."""
    for position in dial.positions:
        x, y = _at(position.mean_beat, INNER - 0.11)
        shape: Any = IN_MARK
        colour = INK
        if abs(position.lean_ms) > LEANS_MS:
            # A triangle, (corners, style, degrees), turned the way the notes lean.
            turn = -90.0 if position.lean_ms > 0 else 90.0
            shape = (3, 0, turn - 360.0 * position.mean_beat)
            colour = LATE if position.lean_ms > 0 else EARLY
        axes.scatter([x], [y], s=16 if shape == IN_MARK else 38, marker=shape, color=colour,
                     linewidths=0, zorder=4)  # fmt: skip


def _scale(axes: Axes, dial: Dial) -> None:
    """An arc of 50 ms outside the ring, at the foot, and how many notes the rim stands for."""
    share = 0.05 / dial.beat_sec
    arc = _at(np.linspace(0.5 - share / 2, 0.5 + share / 2, 9), OUTER + 0.47)
    axes.plot(arc[:, 0], arc[:, 1], color=GREY, linewidth=LINE_PT * 1.6, solid_capstyle="butt")
    words: dict[str, Any] = dict(
        ha="center", va="center", fontsize=SMALL_PT, fontfamily=FONT, color=GREY
    )
    axes.text(0.0, -1.62, "50 ms", **words)
    rim = counted(int(dial.sectors.max()), "note")
    axes.text(-1.5, -1.62, f"rim: {rim}", **{**words, "ha": "left"})
    axes.text(0.0, 0.06, f"{1000 * dial.beat_sec:.0f} ms", **words)
    axes.text(0.0, -0.07, "a beat", **words)
