"""An `Analysis` as arrays per event, ready to be judged.

Conventions
-----------
One row per rhythmic event (a chord is one, an ornament none), in time order. Positions are
quarter notes; `straight_quarter` is the place on the straight grid of the called
subdivision, so that a swung eighth stands at the half of its beat. `lean_ms` is the
part of a deviation that belongs to the whole phrase: its offset and its drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.grid import SUBDIVISIONS, positions
from improv.meter import Meter
from improv.model import Analysis, Bars, Bools, Floats, Ints
from improv.stats import SURE_ERRORS
from improv.tempo import bar_index, quarter_sec_at, quarters_at

FEWEST_FOR_LEAN = 8
LEAST_SPREAD_MS = 6.0
SAME_QUARTER = 1e-4
LONGEST_ORNAMENT_SEC, LEAST_BEFORE, ORNAMENT_CONTRAST = 0.08, 1.2, 1.6


@dataclass(frozen=True, eq=False)
class Evidence:
    """A take's events as they are judged; see the module's conventions."""

    onset_sec: Floats
    onset_quarter: Floats
    quarter_ms: Floats
    bar: Ints
    bar_start: Floats
    meter: Ints
    count: tuple[str, ...]
    phrase: Ints
    row: Ints
    names: tuple[str | None, ...]
    per_beat: Floats
    straight_quarter: Floats
    deviation_ms: Floats
    lean_ms: Floats
    confidence: Floats
    ornament: Bools
    spread_ms: Floats
    bars: Bars

    def __len__(self) -> int:
        return len(self.onset_sec)

    @property
    def on_grid(self) -> Bools:
        """Events that have a grid."""
        return self.row >= 0

    @property
    def untimed(self) -> Bools:
        """Events on a grid whose timing is not known: strokes cut to the start of a recording."""
        return self.on_grid & np.isnan(self.deviation_ms)

    def meter_of(self, event: int) -> Meter:
        """The meter of an event's bar."""
        return self.bars.meters[int(self.meter[event])]


def evidence(analysis: Analysis) -> Evidence:
    """The events of an analysis, ready to be judged."""
    notes, take = analysis.notes, analysis.take
    plain = np.flatnonzero(~notes.grace)
    _, first = np.unique(notes.event[plain], return_index=True)
    rows = plain[first]
    onset_quarter = quarters_at(take.tempo_map, notes.onset_sec[rows])
    quarter_ms = 1000.0 * quarter_sec_at(take.tempo_map, onset_quarter)
    deviation = notes.deviation_ms[rows]
    place = onset_quarter - np.where(np.isnan(deviation), 0.0, deviation / quarter_ms)
    index = bar_index(take.bars, place + SAME_QUARTER)
    bar_start = take.bars.start_quarter[index]
    row = notes.subdivision[rows]
    return Evidence(
        onset_sec=notes.onset_sec[rows],
        onset_quarter=onset_quarter,
        quarter_ms=quarter_ms,
        bar=take.bars.number[index],
        bar_start=bar_start,
        meter=take.bars.meter[index],
        count=tuple(notes.count[int(i)] for i in rows),
        phrase=notes.phrase[rows],
        row=row,
        names=tuple(notes.subdivision_name[int(i)] for i in rows),
        per_beat=notes.per_beat[rows],
        straight_quarter=bar_start + _straight(place - bar_start, row, take.bars, index),
        deviation_ms=deviation,
        lean_ms=_lean(analysis, notes.phrase[rows], notes.onset_sec[rows], deviation),
        confidence=notes.confidence[rows],
        ornament=_ornaments(notes.onset_sec[rows]),
        spread_ms=np.full(len(rows), max(analysis.spread_ms or 0.0, LEAST_SPREAD_MS)),
        bars=take.bars,
    )


def _ornaments(onset_sec: Floats) -> Bools:
    """Notes that look like ornaments although the analysis has not called them so.

    A short note just before another, with longer steps before and after the two: it may be
    a grace note (they last about as long at any tempo: Timmers et al. 2002), so it is
    never sure evidence of a finer subdivision.
    """
    step = np.diff(onset_sec, prepend=-np.inf, append=np.inf)
    found = np.zeros(len(onset_sec), dtype=np.bool_)
    if len(onset_sec) > 1:
        before, own, after = step[:-2], step[1:-1], step[2:]
        # The step before is shortened by the ornament itself, so it need not be much longer.
        found[:-1] = (own <= LONGEST_ORNAMENT_SEC) & (before >= LEAST_BEFORE * own)
        found[:-1] &= after >= ORNAMENT_CONTRAST * own
    return found


def _straight(into: Floats, row: Ints, bars: Bars, index: Ints) -> Floats:
    """Positions within the bar, those of swung rows moved back to the straight grid."""
    out = np.where(row < 0, np.nan, into)
    for r in np.unique(row[row >= 0]).tolist():
        if not SUBDIVISIONS[r].swung:
            continue
        for m, meter in enumerate(bars.meters):
            here = (row == r) & (bars.meter[index] == m)
            grid = positions(SUBDIVISIONS[r], meter)
            if here.any() and len(grid) > 1:
                pair = float(2 * (grid[1] - grid[0]))
                whole = np.floor(into[here] / pair + SAME_QUARTER)
                second = into[here] / pair - whole > 0.25
                out[here] = pair * (whole + 0.5 * second)
    return out


def _lean(analysis: Analysis, phrase: Ints, onset_sec: Floats, deviation: Floats) -> Floats:
    """What the phrase as a whole adds to every deviation, in ms."""
    lean = np.full(len(phrase), analysis.constant_offset_ms or 0.0)
    for told in analysis.phrases:
        here = phrase == told.number
        known = here & ~np.isnan(deviation)
        if known.sum() < FEWEST_FOR_LEAN or told.offset_ms is None:
            continue
        lean[here] = float(np.median(deviation[known]))
        slope = told.sure_slope(SURE_ERRORS)
        if slope:
            middle = float(onset_sec[known].mean())
            lean[here] += slope * 1000.0 * (onset_sec[here] - middle)
    return lean
