"""Where every note would lie if it sat on the grid it was aiming at.

* A note called on a subdivision lies on its called position: a swung one on the
  player's own swing.
* Notes off the grid lie on the straight subdivision whose notes per beat are nearest to
  their own rate (by ratio; of a run's `between` the closer one), in order, no two on
  one position, as near as possible to where they were played once the take's constant
  offset is taken out. Where the notes before and after leave too few positions, the next
  denser subdivision is taken, and failing all the notes are spaced evenly.
* A chord's notes fall together; an ornament keeps its lead over its main note.

Conventions: positions are quarter notes from bar 1 beat 1; rows index `grid.SUBDIVISIONS`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.grid import SUBDIVISIONS, offered
from improv.gridlines import grid_between
from improv.meter import Meter
from improv.model import Analysis, Floats, Ints, Take, _Frozen
from improv.tempo import bar_index, quarters_at, seconds_at

FEWEST_FOR_RATE = 3
_SAME_QUARTER = 1e-6


@dataclass(frozen=True, eq=False)
class Placed(_Frozen):
    """Per note of the analysis: its grid time in seconds, its position, and the row it is of.

    `row` is -1 only where the take offers no subdivision at all.
    """

    onset_sec: Floats
    quarter: Floats
    row: Ints


def place_on_grid(analysis: Analysis) -> Placed:
    """Every note on its grid; arrays (N,) in the order of `analysis.notes`."""
    notes, take = analysis.notes, analysis.take
    if not len(notes):
        return Placed(np.zeros(0), np.zeros(0), np.zeros(0, np.int64))
    main = np.flatnonzero(~notes.grace)
    head = main[np.unique(notes.event[main], return_index=True)[1]]
    event = notes.event[head]
    onset_sec = notes.onset_sec[head]
    row = notes.subdivision[head].copy()
    untimed = (row >= 0) & np.isnan(notes.deviation_ms[head])
    late_ms = np.where(untimed, 0.0, notes.deviation_ms[head])
    # deviation = onset - position, so this is the position, swing and tempo changes included.
    quarter = quarters_at(take.tempo_map, onset_sec - late_ms / 1000.0)
    late_sec = (analysis.constant_offset_ms or 0.0) / 1000.0
    wanted = quarters_at(take.tempo_map, onset_sec - late_sec)
    for start, stop in _stretches(np.isnan(quarter), notes.phrase[head]):
        _fill(take, wanted, quarter, row, start, stop)
    at_sec = seconds_at(take.tempo_map, quarter)
    of = np.clip(np.searchsorted(event, notes.event), 0, len(event) - 1)
    lead_sec = np.where(notes.grace, notes.onset_sec - onset_sec[of], 0.0)
    return Placed(at_sec[of] + lead_sec, quarter[of], row[of])


def _stretches(free: np.ndarray, phrase: Ints) -> list[tuple[int, int]]:
    """Half-open ranges of neighbouring free events of one phrase."""
    padded = np.concatenate([[False], free, [False]])
    new = np.concatenate([[True], np.diff(phrase) != 0])
    starts = np.flatnonzero(free & (~padded[:-2] | new))
    ends_after = free & (~padded[2:] | np.concatenate([new[1:], [True]]))
    return list(zip(starts.tolist(), (np.flatnonzero(ends_after) + 1).tolist(), strict=True))


def _fill(take: Take, wanted: Floats, quarter: Floats, row: Ints, start: int, stop: int) -> None:
    """Give the events [start, stop) their places between what stands before and after them."""
    before = quarter[start - 1] if start else -np.inf
    after = quarter[stop] if stop < len(quarter) else np.inf
    if np.isnan(after):  # The next phrase floats too, and is placed after this one.
        after = np.inf
    here = wanted[start:stop]
    bars = take.bars
    meter = bars.meters[int(bars.meter[bar_index(bars, here[:1])[0]])]
    for candidate in _rows_by_rate(meter, _rate(here, meter)):
        # A run's first position may lie a bar before it.
        earliest = float(here[0]) - float(meter.bar_quarters)
        grid = grid_between(bars, candidate, earliest, float(here[-1]) + 4.0)
        grid = grid[(grid > before + _SAME_QUARTER) & (grid < after - _SAME_QUARTER)]
        if len(grid) >= len(here):
            quarter[start:stop] = nearest_in_order(here, grid)
            row[start:stop] = candidate
            return
    low = before if np.isfinite(before) else here[0] - 1.0
    high = after if np.isfinite(after) else here[-1] + 1.0
    quarter[start:stop] = np.linspace(low, high, len(here) + 2)[1:-1]
    row[start:stop] = _rows_by_rate(meter, _rate(here, meter))[-1]


def _rate(quarter: Floats, meter: Meter) -> float:
    """Notes per reference beat; four to it where there are too few notes to tell."""
    if len(quarter) < 2:
        return 4.0
    slope = (quarter[-1] - quarter[0]) / (len(quarter) - 1)
    if len(quarter) >= FEWEST_FOR_RATE:
        slope = np.polynomial.polynomial.polyfit(np.arange(len(quarter)), quarter, 1)[1]
    return float(meter.tempo_beat_quarter) / max(float(slope), 1e-6)


def _rows_by_rate(meter: Meter, rate: float) -> list[int]:
    """The straight row nearest in rate, then the denser ones in turn."""
    rows = [i for i in offered(meter) if not SUBDIVISIONS[i].swung]
    rates = {i: float(SUBDIVISIONS[i].per_beat(meter.kind) or 1) for i in rows}
    nearest = min(rows, key=lambda i: (abs(np.log(rates[i] / rate)), -rates[i]))
    denser = sorted((i for i in rows if rates[i] > rates[nearest]), key=lambda i: rates[i])
    return [nearest, *denser]


def nearest_in_order(wanted: Floats, grid: Floats) -> Floats:
    """The strictly ascending choice of `grid` with least squared distance from `wanted`.

    `wanted` (n,) and `grid` (m,) ascend, m >= n. Dynamic programming, n times m steps.
    """
    count, size = len(wanted), len(grid)
    best = np.zeros(size + 1)
    came = np.zeros((count, size), dtype=np.int64)
    for i in range(count):
        # best[j]: least cost of the events before i on positions before j.
        cost = best[:-1] + (wanted[i] - grid) ** 2
        cost[:i] = np.inf
        lowest = np.minimum.accumulate(cost)
        is_new = np.concatenate([[True], lowest[1:] < lowest[:-1]])
        came[i] = np.maximum.accumulate(np.where(is_new, np.arange(size), 0))
        best = np.concatenate([[np.inf], lowest])
    chosen = np.empty(count, dtype=np.int64)
    limit = size
    for i in range(count - 1, -1, -1):
        chosen[i] = came[i, limit - 1]
        limit = int(chosen[i])
    return grid[chosen]
