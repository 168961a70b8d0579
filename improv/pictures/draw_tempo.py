"""Draws the tempo curve on matplotlib axes: local tempo above, deviations below."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from improv.pictures.draw_axes import plain_axes
from improv.pictures.letters import width_mm
from improv.pictures.look import (
    BAND,
    FILL,
    FONT,
    GREY,
    HAIR_PT,
    HATCH,
    INK,
    LABEL_PT,
    LIGHT,
    LINE_PT,
    SMALL_PT,
)
from improv.pictures.tempo_curve import TempoCurve

LEAST_REACH_SHARE = 0.04
MOST_REACH_SHARE = 0.15
MOST_TICKS = 20


def draw_tempo(axes: Axes, curve: TempoCurve) -> None:
    """Local tempo minus the backing's over the bars, with its 95 % band, phrase by phrase."""
    reach = _reach_bpm(curve)
    plain_axes(axes)
    faint, plain = curve.heard_bpm
    axes.axhspan(-faint, faint, color=BAND, linewidth=0, zorder=0.5)
    for edge in (-plain, plain):
        axes.axhline(edge, color=LIGHT, linewidth=HAIR_PT, linestyle=(0, (6, 3)), zorder=0.8)
    axes.axhline(0.0, color=INK, linewidth=LINE_PT, zorder=1)
    for phrase in curve.phrases:
        if not len(phrase.curve_bar):
            continue
        x = phrase.curve_bar
        axes.fill_between(
            x, phrase.low_bpm, phrase.high_bpm, color=FILL, alpha=0.75, linewidth=0, zorder=1.5
        )
        axes.plot(x, phrase.bpm, color=INK, linewidth=1.5, zorder=3)
    _runs(axes, curve)
    _bars_axis(axes, curve)
    axes.set_ylim(-reach, reach)
    axes.yaxis.set_major_formatter(lambda value, _: _signed(value))
    axes.set_ylabel("BPM against the backing", fontsize=LABEL_PT)
    _ends(axes, "faster", "slower")
    _phrase_numbers(axes, curve)


def draw_lateness(axes: Axes, curve: TempoCurve) -> None:
    """Every note's deviation over the bars, and their course; late is below, as on the chart."""
    plain_axes(axes)
    late = [p.late_ms for p in curve.phrases if len(p.late_ms)]
    every = np.abs(np.concatenate(late)) if late else np.zeros(1)
    reach = max(1.1 * float(np.quantile(every, 0.98)), 30.0)
    axes.axhline(0.0, color=INK, linewidth=LINE_PT, zorder=1)
    for phrase in curve.phrases:
        axes.plot(
            phrase.at_bar, np.clip(phrase.late_ms, -reach, reach), "o", color=GREY,
            markersize=2.2, markeredgewidth=0, zorder=2, clip_on=False,
        )  # fmt: skip
        axes.plot(phrase.curve_bar, phrase.curve_ms, color=INK, linewidth=1.5, zorder=3)
    _runs(axes, curve)
    _bars_axis(axes, curve)
    axes.set_ylim(reach, -reach)
    axes.yaxis.set_major_formatter(lambda value, _: _signed(value))
    axes.set_ylabel("deviation (ms)", fontsize=LABEL_PT)
    _ends(axes, "early", "late")
    axes.set_xlabel("bar", fontsize=LABEL_PT)


def _ends(axes: Axes, above: str, below: str) -> None:
    """Words in the upper and lower left corner: what up and down mean."""
    words: dict[str, Any] = {"transform": axes.transAxes, "fontsize": LABEL_PT, "color": GREY}
    words |= {"fontfamily": FONT, "zorder": 4}
    words |= {"bbox": {"facecolor": "white", "edgecolor": "none", "pad": 1.5}}
    axes.text(0.006, 0.97, above, va="top", **words)
    axes.text(0.006, 0.03, below, va="bottom", **words)


def _signed(value: float) -> str:
    return "0" if abs(value) < 1e-9 else f"{value:+g}".replace("-", "−")


def _reach_bpm(curve: TempoCurve) -> float:
    """Half the height of the picture: what the curves need, within bounds."""
    lines = np.abs(np.concatenate([np.zeros(1), *(p.bpm for p in curve.phrases)]))
    edges = [band for p in curve.phrases for band in (p.low_bpm, p.high_bpm)]
    bands = np.abs(np.concatenate([np.zeros(1), *edges]))
    wanted = max(1.3 * float(np.nanmax(lines)), 1.15 * float(np.nanquantile(bands, 0.85)))
    share = np.clip(wanted / curve.backing_bpm, LEAST_REACH_SHARE, MOST_REACH_SHARE)
    return float(share * curve.backing_bpm)


def _runs(axes: Axes, curve: TempoCurve) -> None:
    for begin, end in curve.runs:
        axes.axvspan(
            begin, end, facecolor="none", edgecolor=HATCH, hatch="////", linewidth=0, zorder=0.9
        )


def _bars_axis(axes: Axes, curve: TempoCurve) -> None:
    axes.set_xlim(curve.first_bar, curve.last_bar)
    step = 1
    while (curve.last_bar - curve.first_bar) / step > MOST_TICKS:
        step *= 2
    first = int(np.ceil((curve.first_bar - 1) / step)) * step + 1
    axes.set_xticks(np.arange(first, curve.last_bar + 1e-9, step))
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:.0f}")
    axes.grid(axis="x", color=BAND, linewidth=HAIR_PT, zorder=0)


def _phrase_numbers(axes: Axes, curve: TempoCurve) -> None:
    """Brackets above the picture: each phrase's number, and how it moves where there is room."""
    figure = axes.figure
    wide_mm = figure.get_figwidth() * 25.4 * axes.get_position().width  # type: ignore[union-attr]
    mm_per_bar = wide_mm / (curve.last_bar - curve.first_bar)
    across = axes.get_xaxis_transform()
    begins = [p.begin_bar for p in curve.phrases] + [curve.last_bar + 6.0 / mm_per_bar]
    for i, phrase in enumerate(curve.phrases):
        x0, x1 = phrase.begin_bar, max(phrase.end_bar, phrase.begin_bar + 0.8 / mm_per_bar)
        axes.plot([x0, x1], [1.03, 1.03], color=INK, linewidth=LINE_PT * 1.4, transform=across,
                  clip_on=False, solid_capstyle="butt")  # fmt: skip
        room = (begins[i + 1] - x0) * mm_per_bar - 1.5
        named = f"Phrase {phrase.number}"
        texts = [named, str(phrase.number)]
        if phrase.moves:
            texts = [f"{named}: {phrase.moves}", *texts]
        for text in texts:
            if width_mm(text, SMALL_PT) <= room:
                axes.annotate(
                    text, (x0, 1.03), xycoords=across, xytext=(0, 2.5), fontsize=SMALL_PT,
                    textcoords="offset points", color=INK, fontfamily=FONT, annotation_clip=False,
                )  # fmt: skip
                break
