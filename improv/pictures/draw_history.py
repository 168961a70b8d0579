"""Draws histories: trends, before and after, the map of safety; axes in, or whole figures.

Before is a hollow diamond, after a filled round; what is held is a solid bar, what was
tried a thin line, how sure a bracket; the line of a change that is shown is solid, any other
dashed: shape says everything that tone says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from improv.pictures.draw_axes import plain_axes
from improv.pictures.draw_rc import steady
from improv.pictures.history import BeforeAfter, Trend, Zone
from improv.pictures.look import (
    BODY_PT,
    BOLD_PT,
    EARLY,
    FAINT,
    FILL,
    FINE_PT,
    FONT,
    GREY,
    HAIR_PT,
    INK,
    LABEL_PT,
    LINE_PT,
    SMALL_PT,
    TITLE_PT,
)

WIDTH_IN = 7.5
PANEL_IN = 1.75
ROW_IN = 0.55
_WORDS: dict[str, Any] = dict(fontfamily=FONT, color=INK, parse_math=False)
SHAKE = 0.09
DASHES = (0, (6, 2.5))
DASHED = "dashed line: no change can be shown, or too little was played to tell"


def draw_trend(axes: Axes, trend: Trend, frame: tuple[int, int], most_ms: float) -> None:
    """One subdivision's spread over days, with intervals and the straight line told of it."""
    plain_axes(axes)
    axes.vlines(trend.day, trend.low_ms, np.minimum(trend.high_ms, most_ms), color=GREY,
                linewidth=LINE_PT, zorder=2)  # fmt: skip
    axes.plot(trend.day, trend.spread_ms, "o", color=EARLY, markersize=4, zorder=3)
    if trend.line_ms is not None:
        firm: dict[str, Any] = (
            dict(color=INK, linewidth=BOLD_PT)
            if trend.shown
            else dict(color=GREY, linewidth=LINE_PT, linestyle=DASHES)
        )
        axes.plot([trend.day[0], trend.day[-1]], trend.line_ms, zorder=4, **firm)
    margin = max(0.03 * (frame[1] - frame[0]), 1.0)
    axes.set_xlim(frame[0] - margin, frame[1] + margin)
    axes.set_ylim(0.0, most_ms)
    axes.set_ylabel("spread (ms)", fontsize=LABEL_PT)
    axes.set_xticks(_day_ticks(*frame))
    axes.xaxis.set_major_formatter(lambda value, _: date.fromordinal(int(value)).isoformat())
    _headed(axes, trend.subdivision, trend.note)


def _day_ticks(first: int, last: int) -> list[int]:
    """At most five days, evenly spread, without a day twice."""
    return sorted({round(first + (last - first) * i / 4) for i in range(5)})


def draw_before_after(axes: Axes, row: BeforeAfter, most_ms: float) -> None:
    """Spreads of phrases in two rows: every phrase a mark, a bar from quarter to quarter."""
    plain_axes(axes)
    for level, spread_ms, mark, filled in (
        (1.0, row.before_ms, "D", False),
        (0.0, row.after_ms, "o", True),
    ):
        shake = ((np.arange(len(spread_ms)) * 0.618034) % 1.0 - 0.5) * 2 * SHAKE
        axes.scatter(
            np.minimum(spread_ms, most_ms * 0.995), level - 0.2 + shake, s=14, marker=mark,
            facecolors=EARLY if filled else "none", edgecolors=INK, linewidths=FINE_PT, zorder=3,
        )  # fmt: skip
        low, middle, high = np.quantile(spread_ms, [0.25, 0.5, 0.75])
        axes.plot([low, high], [level + 0.12] * 2, color=INK, linewidth=3.2,
                  solid_capstyle="butt", zorder=4)  # fmt: skip
        axes.plot([middle], [level + 0.12], mark, color="white", markeredgecolor=INK,
                  markersize=5, zorder=5)  # fmt: skip
    axes.set_xlim(0.0, most_ms)
    axes.set_ylim(-0.55, 1.5)
    axes.set_yticks([1.0, 0.0], ["before", "after"])
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("spread of each phrase (ms); bar: the middle half", fontsize=LABEL_PT)
    _headed(axes, row.subdivision, row.note)


def draw_safety(axes: Axes, rows: Sequence[Zone], usual_bpm: float) -> None:
    """The map: a row per subdivision, tempo to the right."""
    plain_axes(axes)
    most = 1.08 * max([usual_bpm, *(r.tried_bpm[1] for r in rows),
                       *(r.interval_bpm[1] for r in rows if r.interval_bpm)])  # fmt: skip
    least = 0.9 * min([usual_bpm, *(r.tried_bpm[0] for r in rows)])
    axes.set_xlim(least, most)
    axes.set_ylim(len(rows) - 0.4, -0.7)
    axes.axvline(usual_bpm, color=GREY, linewidth=LINE_PT, linestyle=DASHES, zorder=1)
    axes.annotate(
        f"usual {usual_bpm:.0f}", (usual_bpm, -0.7), xytext=(3, -2), textcoords="offset points",
        va="top", fontsize=SMALL_PT, **_WORDS,
    )  # fmt: skip
    for i, row in enumerate(rows):
        _zone(axes, i, row, least)
    axes.set_yticks(range(len(rows)), [row.subdivision for row in rows])
    axes.tick_params(axis="y", length=0, labelsize=BODY_PT)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(
        "tempo (BPM)    bar: held    dotted: by the model only    hatched: loose    "
        "bracket: 95 %    line: tried",
        fontsize=LABEL_PT,
    )


def _zone(axes: Axes, i: int, row: Zone, least: float) -> None:
    axes.axhline(i, color=FAINT, linewidth=HAIR_PT, zorder=0.5)
    if row.held_to_bpm is not None:
        start = least if row.pocket_from_bpm is None else max(least, row.pocket_from_bpm)
        start = least if row.loose else start
        heard = max(min(row.held_to_bpm, row.tried_bpm[1]), start)
        edge: dict[str, Any] = dict(height=0.4, linewidth=FINE_PT, zorder=2)
        held: dict[str, Any] = (
            dict(facecolor="none", edgecolor=GREY, hatch="////")
            if row.loose
            else dict(facecolor=FILL, edgecolor=INK)
        )
        if heard > start:
            axes.barh(i, heard - start, left=start, **held, **edge)
        if row.held_to_bpm > heard:
            axes.barh(i, row.held_to_bpm - heard, left=heard, facecolor="none", edgecolor=INK,
                      linestyle=(0, (2, 2)), **edge)  # fmt: skip
    if row.interval_bpm is not None:
        low, high = (max(v, least) for v in row.interval_bpm)
        axes.plot([low, low, low, high, high, high],
                  [i - 0.13, i + 0.13, i, i, i - 0.13, i + 0.13], color=INK, linewidth=LINE_PT,
                  zorder=4)  # fmt: skip
    axes.plot(row.tried_bpm, [i + 0.3] * 2, color=EARLY, linewidth=BOLD_PT, marker="|",
              markersize=5, zorder=3)  # fmt: skip
    axes.annotate(
        row.note, (1.0, i), xycoords=axes.get_yaxis_transform(), xytext=(4, 0), va="center",
        textcoords="offset points", fontsize=LABEL_PT, annotation_clip=False, **_WORDS,
    )  # fmt: skip


def _headed(axes: Axes, head: str, note: str) -> None:
    axes.annotate(head, (0.0, 1.0), xycoords="axes fraction", xytext=(0, 5), fontsize=BODY_PT,
                  textcoords="offset points", weight="bold", va="bottom", **_WORDS)  # fmt: skip
    axes.annotate(note, (1.0, 1.0), xycoords="axes fraction", xytext=(0, 5), fontsize=LABEL_PT,
                  textcoords="offset points", ha="right", va="bottom", **_WORDS)  # fmt: skip


# --- whole figures -------------------------------------------------------------


def trend_figure(found: Sequence[Trend], title: str) -> Figure:
    """One panel per subdivision, days and milliseconds on one scale."""
    frame = (min(int(t.day[0]) for t in found), max(int(t.day[-1]) for t in found))
    highest = max(float(t.spread_ms.max()) for t in found)
    most = 1.05 * min(max(float(t.high_ms.max()) for t in found), 2.0 * highest)
    draw = [partial(draw_trend, trend=t, frame=frame, most_ms=most) for t in found]
    unsure = any(t.line_ms is not None and not t.shown for t in found)
    return _panels(title, draw, DASHED if unsure else "")


def before_after_figure(found: Sequence[BeforeAfter], title: str) -> Figure:
    """One panel per subdivision, all on one scale."""
    every = np.concatenate([np.concatenate([r.before_ms, r.after_ms]) for r in found])
    most = 1.05 * float(np.quantile(every, 0.99)) + 2.0
    return _panels(title, [partial(draw_before_after, row=r, most_ms=most) for r in found])


def safety_figure(rows: Sequence[Zone], usual_bpm: float, title: str) -> Figure:
    """The map of safety."""
    with steady():
        height = 1.5 + ROW_IN * len(rows)
        figure = Figure(figsize=(WIDTH_IN, height))
        axes = figure.add_axes((0.19, 0.6 / height, 0.63, (height - 1.1) / height))
        draw_safety(axes, rows, usual_bpm)
        _titled(figure, title)
    return figure


def _panels(title: str, draw: Sequence[Callable[[Axes], None]], key: str = "") -> Figure:
    with steady():
        below = 0.3 if key else 0.1
        height = 0.5 + PANEL_IN * len(draw) + below
        figure = Figure(figsize=(WIDTH_IN, height))
        for i, one in enumerate(draw):
            bottom = height - 0.5 - PANEL_IN * (i + 1) + 0.5
            one(figure.add_axes((0.1, bottom / height, 0.86, (PANEL_IN - 0.85) / height)))
        if key:
            figure.text(0.96, 0.08 / height, key, fontsize=SMALL_PT, ha="right", **_WORDS)
        _titled(figure, title)
    return figure


def _titled(figure: Figure, title: str) -> None:
    height = figure.get_figheight()
    figure.text(0.02, 1 - 0.12 / height, title, fontsize=TITLE_PT, va="top", weight="bold",
                **_WORDS)  # fmt: skip
