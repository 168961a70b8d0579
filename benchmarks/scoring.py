"""Score an answer note by note against the truth of a synthetic take.

A call is an array of subdivision rows (-1: off the grid) and one of positions in beats
from bar 1 beat 1, a row per note. Only main notes count: chords and graces once.

* Free run: right if called off the grid.
* Filled grid: right if the called subdivision has the same grid as the true one over the
  note's two-beat block (so half notes and quarters are one on the last beat of 3/4).
* Written rhythm: right if the position is the written one and the called subdivision
  holds every onset written in that beat (in the two-beat block, for rows spanning two)
  and is no denser than the coarsest one that holds the whole stretch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from improv import grid
from improv.meter import Meter
from improv.model import Bools, Floats, Ints, Take
from improv.synth import Truth
from improv.tempo import bar_index, beats_at

SAME_QUARTER = 2e-3


@dataclass(frozen=True)
class Score:
    """Per main note of a take: `right`, `placed` (position right), and what it was."""

    right: Bools
    placed: Bools
    called_free: Bools
    rows: Ints


def score(take: Take, truth: Truth, subdivision: Ints, position_beat: Floats) -> Score:
    """Score one take; `subdivision` and `position_beat` have a row per note of the take."""
    rows = np.flatnonzero(truth.main)
    called, free = subdivision[rows], truth.free[rows]
    accepted = acceptable(take, truth)[rows]
    off = called < 0
    label = accepted[np.arange(len(rows)), np.maximum(called, 0)] & ~off
    placed = _placed(take, truth, rows, called, position_beat[rows])
    written = truth.notated[rows]
    right = np.where(free, off, label & (placed | ~written))
    return Score(right, np.where(free, off, placed), off, rows)


def _placed(take: Take, truth: Truth, rows: Ints, called: Ints, position_beat: Floats) -> Bools:
    """Whether the called position is the true one; swung positions count as the straight ones."""
    straight = beats_at(take.bars, truth.position_quarter[rows] + 1e-9)
    due = beats_at(take.bars, truth.due_quarter[rows] + 1e-9)
    swung = np.array([s.swung for s in grid.SUBDIVISIONS])[np.maximum(called, 0)]
    meter = take.bars.meters[0]
    per_beat = np.array([float(s.per_beat(meter.kind) or 1) for s in grid.SUBDIVISIONS])
    width = 0.45 / per_beat[np.maximum(called, 0)]
    off_by = np.abs(position_beat - straight)
    nearer = np.minimum(off_by, np.abs(position_beat - due))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(swung, nearer < width, off_by < SAME_QUARTER), dtype=np.bool_)


def acceptable(take: Take, truth: Truth) -> Bools:
    """Which subdivisions are right for each note: (notes, rows of the table)."""
    bars = take.bars
    accepted = np.zeros((len(truth), len(grid.SUBDIVISIONS)), dtype=np.bool_)
    on_grid = np.flatnonzero(~truth.free)
    at = truth.position_quarter[on_grid]
    bar = bar_index(bars, at + 1e-6)
    into = at - bars.start_quarter[bar]
    for note, b, offset in zip(on_grid, bar, into, strict=True):
        meter = bars.meters[bars.meter[b]]
        beat = _beat_of(meter, offset)
        row = int(truth.subdivision[note])
        if truth.notated[note]:
            same = (truth.segment[on_grid] == truth.segment[note]) & (bar == b)
            onsets = tuple(sorted({round(float(q), 5) for q in into[same]}))
            accepted[note] = _written_rows(meter, beat, row, onsets)
        else:
            accepted[note] = _same_grid(meter, beat // 2, row)
    return accepted


def _beat_of(meter: Meter, into_quarter: float) -> int:
    starts = [float(s) for s in meter.beat_starts_quarter]
    return int(np.searchsorted(starts, into_quarter + 1e-6, side="right")) - 1


def _span(meter: Meter, beat: int, beats: int) -> tuple[float, float]:
    edges = [*map(float, meter.beat_starts_quarter), float(meter.bar_quarters)]
    first = beat // beats * beats
    return edges[first], edges[min(first + beats, meter.beats)]


@cache
def _places(row: int, meter: Meter, start: float, stop: float) -> tuple[float, ...]:
    places = (float(p) for p in grid.positions(grid.SUBDIVISIONS[row], meter))
    return tuple(round(p, 5) for p in places if start - 1e-6 <= p < stop - 1e-6)


@cache
def _same_grid(meter: Meter, block: int, row: int) -> Bools:
    start, stop = _span(meter, 2 * block, 2)
    mine = grid.SUBDIVISIONS[row]
    same = np.zeros(len(grid.SUBDIVISIONS), dtype=np.bool_)
    for other in grid.offered(meter):
        equal = _places(other, meter, start, stop) == _places(row, meter, start, stop)
        same[other] = equal and grid.SUBDIVISIONS[other].swung == mine.swung
    return same


@cache
def _written_rows(meter: Meter, beat: int, coarsest: int, onsets: tuple[float, ...]) -> Bools:
    """Rows that hold the beat's onsets and are no denser than the coarsest of the stretch."""
    fits = np.zeros(len(grid.SUBDIVISIONS), dtype=np.bool_)
    most = len(grid.positions(grid.SUBDIVISIONS[coarsest], meter))
    start, stop = _span(meter, beat, 1)
    off_beat = any(start + 1e-4 < q < stop - 1e-4 for q in onsets)
    for row in grid.offered(meter):
        subdivision = grid.SUBDIVISIONS[row]
        if len(grid.positions(subdivision, meter)) > most:
            continue
        if off_beat and subdivision.swung != grid.SUBDIVISIONS[coarsest].swung:
            continue
        per_beat = subdivision.per_beat(meter.kind)
        wide = 2 if per_beat is not None and per_beat.denominator == 2 else 1
        first, last = _span(meter, beat, wide)
        here = [q for q in onsets if first - 1e-4 <= q < last - 1e-4]
        places = np.array(_places(row, meter, first, last))
        fits[row] = all(np.abs(places - q).min(initial=9.0) < 1e-4 for q in here)
    return fits
