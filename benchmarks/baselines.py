"""Two simple answers to the same question, for comparison: nearest point, best grid per beat.

Both are told tempo, meter and bar lines. The nearest point first removes the take's constant
offset (the median deviation from the nearest eighth or sixteenth); the grid per beat tries
offsets and swing ratios and keeps what costs least over the take. A method takes a take and returns
(subdivision row per note, -1 off the grid; position in beats per note).
"""

from __future__ import annotations

import numpy as np

from improv import grid
from improv.model import Floats, Ints, Take
from improv.tempo import bar_index, beats_at, quarter_sec_at, quarters_at

Call = tuple[Ints, Floats]

SHORTEST_STEP_SEC = 0.055
"""Subdivisions denser than this at the take's tempo are not tried: no hand plays them."""

CHARGE_MS2 = 800.0
"""Charge per position a grid offers in a beat; tuned on seeds 0 to 59 by `tune`."""
OFF_GRID_MS2 = 2000.0
"""Mean squared error per note beyond which a beat is called off the grid; tuned likewise."""
EARLY_BEAT = 0.08
"""A note this little before a beat is reckoned to it."""
SWING_RATIOS = (1.3, 1.6, 2.0, 2.5)
OFFSETS_MS = tuple(range(-28, 36, 7))


def nearest_point(take: Take) -> Call:
    """Each note on the nearest point of any straight grid; called the coarsest row holding it."""
    quarter, scale = _offset_removed(take)
    rows = [r for r in _rows(take) if not grid.SUBDIVISIONS[r].swung]
    snapped = np.array([_snap(take, quarter, r, 1.0) for r in rows])
    away = np.abs(snapped - quarter) * scale
    counts = [len(grid.positions(grid.SUBDIVISIONS[r], take.bars.meters[0])) for r in rows]
    # A point that several grids share belongs to the coarsest: break ties by density.
    best = np.argmin(away + 1e-6 * np.array(counts)[:, None], axis=0)
    notes = np.arange(len(take))
    return np.array(rows, dtype=np.int64)[best], beats_at(take.bars, snapped[best, notes] + 1e-9)


def grid_per_beat(
    take: Take, charge_ms2: float = CHARGE_MS2, off_grid_ms2: float = OFF_GRID_MS2
) -> Call:
    """Each beat on the grid of least squared error plus a charge for the positions it offers."""
    answers = [
        _per_beat(take, ratio, offset, charge_ms2, off_grid_ms2)
        for offset in OFFSETS_MS
        for ratio in SWING_RATIOS
    ]
    cost, row, position = min(answers, key=lambda answer: answer[0])
    return row, position


def _per_beat(
    take: Take, ratio: float, offset_ms: float, charge_ms2: float, off_grid_ms2: float
) -> tuple[float, Ints, Floats]:
    quarter = quarters_at(take.tempo_map, take.onset_sec - offset_ms / 1000.0)
    scale = 1000.0 * quarter_sec_at(take.tempo_map, quarter)
    rows = _rows(take)
    snapped = np.array([_snap(take, quarter, r, ratio) for r in rows])
    squared = ((snapped - quarter) * scale) ** 2
    beat = np.floor(beats_at(take.bars, quarter) + EARLY_BEAT).astype(np.int64)
    beat -= beat.min(initial=0)
    sums = np.array([np.bincount(beat, s) for s in squared])
    notes = np.bincount(beat)
    density = [len(grid.positions(grid.SUBDIVISIONS[r], take.bars.meters[0])) for r in rows]
    per_beat = np.array(density) / take.bars.meters[0].beats
    cost = sums + charge_ms2 * per_beat[:, None]
    best = cost.argmin(axis=0)
    least = cost.min(axis=0)
    free = (sums[best, np.arange(len(notes))] > off_grid_ms2 * notes) & (notes > 0)
    row = np.where(free, -1, np.array(rows)[best])[beat]
    position = snapped[best[beat], np.arange(len(take))]
    total = float(np.minimum(least, off_grid_ms2 * notes)[notes > 0].sum())
    return total, row, np.where(row < 0, np.nan, beats_at(take.bars, position + 1e-9))


def _rows(take: Take) -> list[int]:
    meter = take.bars.meters[0]
    quarter_sec = float(take.tempo_map.quarter_sec[0])
    rows = []
    for row in grid.offered(meter):
        step = float(meter.bar_quarters) / len(grid.positions(grid.SUBDIVISIONS[row], meter))
        if step * quarter_sec >= SHORTEST_STEP_SEC:
            rows.append(row)
    return rows


def _offset_removed(take: Take) -> tuple[Floats, Floats]:
    """Onsets in quarters without the constant offset, and ms per quarter at each."""
    quarter = quarters_at(take.tempo_map, take.onset_sec)
    scale = 1000.0 * quarter_sec_at(take.tempo_map, quarter)
    rows = [r for r in _rows(take) if grid.SUBDIVISIONS[r].key in ("unit", "half-unit")]
    snapped = np.array([_snap(take, quarter, r, 1.0) for r in rows])
    away = (quarter - snapped) * scale
    nearest = away[np.abs(away).argmin(axis=0), np.arange(len(quarter))]
    return quarter - np.median(nearest) / scale, scale


def _snap(take: Take, quarter: Floats, row: int, ratio: float) -> Floats:
    """The row's grid point nearest to each onset, in quarters, as swung."""
    bars = take.bars
    bar = bar_index(bars, quarter)
    found = np.empty(len(quarter))
    for m, meter in enumerate(bars.meters):
        here = np.flatnonzero(bars.meter[bar] == m)
        places = grid.swung_positions(grid.SUBDIVISIONS[row], meter, ratio)
        closed = np.append(np.array(places), float(meter.bar_quarters))
        into = quarter[here] - bars.start_quarter[bar[here]]
        nearest = np.abs(into[:, None] - closed).argmin(axis=1)
        found[here] = bars.start_quarter[bar[here]] + closed[nearest]
    return found
