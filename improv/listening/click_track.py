"""The click under an excerpt: beats, grouping, and a subdivision if it is to sound.

A bar's first beat is a "downbeat" click; the start of a group inside it (3+2/4, or
any beat of an additive meter) a "group"; other beats "beat". In additive meters the
units between the beats always sound softly as "subdivision": uneven beats alone cannot
be followed. Two beats beyond either end of the bars there are go on at the length of
the outermost beat, so that an excerpt at the very start still has its lead-in.

Conventions: positions are quarter notes from bar 1 beat 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.errors import UsageError
from improv.grid import SUBDIVISIONS, USUAL_SWING, find, swung_positions
from improv.gridlines import swing_of
from improv.listening.on_grid import Placed
from improv.meter import Meter
from improv.model import Analysis, Bars, Floats, Ints, _Frozen

NO_CLICK, BEATS, IN_FORCE = "none", "beats", "subdivision"
BEATS_BEYOND = 2
_SAME_QUARTER = 1e-6


@dataclass(frozen=True, eq=False)
class Clicks(_Frozen):
    """Clicks in time order: where, and of which kind (`improv.sound.CLICKS`)."""

    quarter: Floats
    kind: tuple[str, ...]


def beat_clicks(bars: Bars) -> Clicks:
    """The clicks of every beat of the bars, and of two beats beyond either end."""
    quarter: list[float] = []
    kind: list[str] = []
    for b, start in enumerate(bars.start_quarter[:-1].tolist()):
        stop = float(bars.start_quarter[b + 1]) - _SAME_QUARTER
        for at, called in bar_clicks(bars.meters[int(bars.meter[b])]):
            if start + at < stop:
                quarter.append(start + at)
                kind.append(called)
    first, last = bars.meters[int(bars.meter[0])], bars.meters[int(bars.meter[-1])]
    before, after = float(first.beat_quarters[-1]), float(last.beat_quarters[0])
    opening = [float(bars.start_quarter[0]) - n * before for n in range(BEATS_BEYOND, 0, -1)]
    closing = [float(bars.start_quarter[-1]) + n * after for n in range(BEATS_BEYOND)]
    kinds = ("beat",) * BEATS_BEYOND
    closing_kinds = ("downbeat", *kinds[1:])
    return Clicks(np.array([*opening, *quarter, *closing]), (*kinds, *kind, *closing_kinds))


def bar_clicks(meter: Meter) -> tuple[tuple[float, str], ...]:
    """One bar's clicks: quarters from the bar line, and kind."""
    starts = meter.beat_starts_quarter
    groups = set(starts) if meter.additive else _group_starts(meter)
    at = {float(s): "group" if s in groups else "beat" for s in starts}
    if meter.additive:
        for unit in range(sum(meter.groups)):
            at.setdefault(float(unit * meter.unit_quarter), "subdivision")
    at[0.0] = "downbeat"
    return tuple(sorted(at.items()))


def _group_starts(meter: Meter) -> set[object]:
    """Where the groups of a simple meter written as a sum begin."""
    beat = np.cumsum([0, *meter.accents[:-1]]) if meter.accents else [0]
    return {meter.beat_starts_quarter[int(b)] for b in beat}


def clicks_for(analysis: Analysis, placed: Placed, choice: str) -> Clicks:
    """The clicks of the whole take: `choice` is none, beats, subdivision, or a name.

    "subdivision" sounds the one in force, beat by beat, between a phrase's first and last
    note; a name sounds that one throughout. Raises `UsageError` for a name unknown.
    """
    bars = analysis.take.bars
    if choice == NO_CLICK:
        return Clicks(np.zeros(0), ())
    beats = beat_clicks(bars)
    if choice == BEATS:
        return beats
    row = _row_per_beat(analysis, placed, beats) if choice == IN_FORCE else _named(bars, choice)
    return _with_subdivision(bars, beats, row, _swing_ratios(bars, placed))


def _named(bars: Bars, choice: str) -> Ints:
    try:
        row = find(choice, bars.meters)
    except UsageError as error:
        raise UsageError(f"{error}; or none, beats, subdivision") from error
    return np.array([row])


def _is_beat(clicks: Clicks) -> np.ndarray:
    return np.array([kind != "subdivision" for kind in clicks.kind])


def _row_per_beat(analysis: Analysis, placed: Placed, clicks: Clicks) -> Ints:
    """The subdivision in force from each click to the next, -1 outside the phrases."""
    row = np.full(len(clicks.quarter), -1, dtype=np.int64)
    owner = np.flatnonzero(_is_beat(clicks))
    starts = clicks.quarter[owner]
    for phrase in analysis.phrases:
        rows = placed.row[phrase.start : phrase.stop]
        at = np.searchsorted(starts, placed.quarter[phrase.start : phrase.stop] + 1e-6) - 1
        current = -1
        for beat in range(int(at.min()), int(at.max()) + 1):
            here = rows[(at == beat) & (rows >= 0)]
            current = int(np.bincount(here).argmax()) if len(here) else current
            row[owner[beat]] = current
    return row


def _with_subdivision(bars: Bars, beats: Clicks, row: Ints, ratio: Floats) -> Clicks:
    """Beats and, between them, the positions of the row in force (of one row: throughout)."""
    sounding = {
        round(q, 6): kind for q, kind in zip(beats.quarter.tolist(), beats.kind, strict=True)
    }
    owner = np.flatnonzero(_is_beat(beats))
    starts = beats.quarter[owner]
    for b, start in enumerate(bars.start_quarter[:-1].tolist()):
        stop = float(bars.start_quarter[b + 1]) - _SAME_QUARTER
        meter = bars.meters[int(bars.meter[b])]
        first, last = np.searchsorted(starts, [start - _SAME_QUARTER, stop]).tolist()
        in_bar = row if len(row) == 1 else row[owner[first:last]]
        for r in np.unique(in_bar[in_bar >= 0]).tolist():
            for at in swung_positions(SUBDIVISIONS[r], meter, float(ratio[r])):
                beat = int(np.searchsorted(starts, start + at + _SAME_QUARTER)) - 1
                if start + at < stop and (len(row) == 1 or row[owner[beat]] == r):
                    sounding.setdefault(round(start + at, 6), "subdivision")
    order = sorted(sounding)
    return Clicks(np.array(order), tuple(sounding[q] for q in order))


def _swing_ratios(bars: Bars, placed: Placed) -> Floats:
    """The swing ratio per row, as the take's own swung notes lie; 1 for straight rows."""
    ratio = np.ones(len(SUBDIVISIONS))
    for r, subdivision in enumerate(SUBDIVISIONS):
        if subdivision.swung:
            ratio[r] = swing_of(bars, r, placed.quarter[placed.row == r]) or USUAL_SWING
    return ratio
