"""Draws spreads on a matplotlib axis: a row per subdivision and tempo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from improv.pictures.draw_axes import plain_axes
from improv.pictures.letters import width_mm
from improv.pictures.look import (
    BODY_PT,
    FILL,
    FINE_PT,
    FONT,
    GREY,
    HAIR_PT,
    INK,
    LABEL_PT,
    LINE_PT,
    SMALL_PT,
)
from improv.pictures.music import scribbled_name
from improv.pictures.spread import THRESHOLDS, SpreadRow

DASHES = {"A": (0, (1.2, 1.6)), "B": (0, (6, 2.5))}
TONE_COLOUR = "#dcdce2"
JITTER_ROWS = 0.13
ABOVE, BELOW = 0.52, 0.42
"""Reach of a row's density above its line and of its dots below, in rows."""


def draw_spread(axes: Axes, rows: Sequence[SpreadRow], frame_ms: float) -> None:
    """Draws rows from above downwards; late is to the right."""
    plain_axes(axes)
    axes.set_xlim(-frame_ms, frame_ms)
    axes.set_ylim(len(rows) - 1 + BELOW + 0.08, -ABOVE - 0.1)
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    axes.axvline(0.0, color=GREY, linewidth=HAIR_PT * 1.5, zorder=1)
    _thresholds(axes, frame_ms)
    for i, row in enumerate(rows):
        _row(axes, i, row, frame_ms)
    axes.xaxis.set_major_formatter(
        lambda value, _: f"{value:+g}".replace("-", "−") if value else "0"
    )
    axes.set_xlabel(
        "early      deviation about the phrase's own mean (ms)      late", fontsize=LABEL_PT
    )


def _thresholds(axes: Axes, frame_ms: float) -> None:
    across = axes.get_xaxis_transform()
    for threshold in THRESHOLDS:
        for at in (threshold.early_ms, threshold.late_ms):
            if abs(at) >= frame_ms:
                continue
            axes.axvline(
                at, color=INK, linewidth=FINE_PT, linestyle=DASHES[threshold.mark], zorder=1.2
            )
            axes.annotate(
                threshold.mark, (at, 1.0), xycoords=across, xytext=(0, 2), fontsize=BODY_PT,
                textcoords="offset points", ha="center", va="bottom", fontfamily=FONT,
                fontweight="bold", color=INK, annotation_clip=False,
            )  # fmt: skip


def _row(axes: Axes, i: int, row: SpreadRow, frame_ms: float) -> None:
    tone = row.tone_ms
    axes.fill_between(
        [-tone, tone], i - ABOVE + 0.06, i + BELOW, color=TONE_COLOUR, linewidth=0, zorder=0.8
    )
    if len(row.density):
        axes.fill_between(
            row.density_ms, i, i - row.density * (ABOVE - 0.08), facecolor=FILL, edgecolor=INK,
            linewidth=FINE_PT, alpha=0.9, zorder=2,
        )  # fmt: skip
    else:
        axes.plot([-frame_ms, frame_ms], [i, i], color=GREY, linewidth=HAIR_PT, zorder=2)
    _dots(axes, i, row, frame_ms)
    low, middle, high = row.quartiles_ms
    axes.plot(
        [low, high], [i + 0.08] * 2, color=INK, linewidth=3.2, solid_capstyle="butt", zorder=4
    )
    axes.plot([middle], [i + 0.08], "o", color="white", markeredgecolor=INK, markersize=4.2,
              markeredgewidth=LINE_PT, zorder=5)  # fmt: skip
    outside = blended_transform_factory(axes.transAxes, axes.transData)
    words: dict[str, Any] = dict(
        va="center", fontfamily=FONT, parse_math=False, color=INK, transform=outside
    )
    called = (
        row.subdivision
        if width_mm(row.subdivision, BODY_PT, True) < 30
        else scribbled_name(row.subdivision)
    )
    axes.text(-0.015, i - 0.05, called, ha="right", fontsize=BODY_PT, weight="bold", **words)
    below = f"{row.tempo_text}, {row.interval_ms:.0f} ms apart"
    axes.annotate(below, (-0.015, i - 0.05), xycoords=outside, xytext=(0, -7), ha="right", va="top",
                  textcoords="offset points", fontsize=SMALL_PT, fontfamily=FONT, color=INK,
                  annotation_clip=False)  # fmt: skip
    axes.text(1.015, i, row.note, ha="left", fontsize=LABEL_PT, linespacing=1.35, **words)


def _dots(axes: Axes, i: int, row: SpreadRow, frame_ms: float) -> None:
    """Every note as a dot under the line, shaken up and down by its number; arrows beyond."""
    shake = (np.arange(len(row.away_ms)) * 0.618034) % 1.0
    y = i + 0.15 + shake * 2 * JITTER_ROWS
    inside = np.abs(row.away_ms) <= frame_ms
    axes.scatter(row.away_ms[inside], y[inside], s=5, color=INK, alpha=0.55, linewidths=0, zorder=3)
    for sign, shape in ((-1.0, "<"), (1.0, ">")):
        beyond = ~inside & (np.sign(row.away_ms) == sign)
        if beyond.any():
            at = np.full(int(beyond.sum()), sign * frame_ms * 0.99)
            axes.scatter(at, y[beyond], s=14, marker=shape, color=INK, linewidths=0, zorder=3)
