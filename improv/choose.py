"""From posteriors to calls: one row and position per event, and how sure that is.

Conventions: `row` indexes `SUBDIVISIONS`, -1 is off any grid; confidence is the share of such
calls that turn out right (calibrated on simulated solos, see `benchmarks/calibration.py`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.events import Events
from improv.frame import Singles
from improv.grid import SUBDIVISIONS, positions
from improv.hand import Hand
from improv.model import Bars, Bools, Floats, Ints
from improv.scene import Scene
from improv.tempo import bar_index

EARLY_BEAT = 0.08
"""A note this early in beats still belongs to the beat it heralds."""
ROW_ALLOWED = 0.15
CALIBRATION = (1.55, 0.523, 6.9)
"""A call the model gives log odds x is right with log odds a + b x - c (spread / step): fitted
on simulated solos, tuning seeds. Where scatter nears the step, no answer is safe."""
FREE_CALIBRATION = (-0.15, 0.523)
"""The same for a call off the grid."""


def choose(
    scene: Scene, belief: Singles, hand: Hand, *, free: bool = True
) -> dict[str, NDArray[Any]]:
    """Call every event of a scene from its posterior: columns by name.

    With `free=False` every event is put on some grid.
    """
    slot = scene.layout.slot
    here = belief[..., slot]
    lane_rows = np.array([lane.row for lane in scene.lattice.lanes])
    by_row = by_rows(here.sum(axis=0, dtype=np.float64), lane_rows)
    if not free:  # where no row is offered at all, there is none to put the event on
        by_row[-1] = np.where(by_row[:-1].any(axis=0), 0.0, 1.0)
    row = _one_row_per_beat(scene, by_row)
    is_free = row == len(SUBDIVISIONS)
    here *= lane_rows[:, None] == row
    count = len(slot)
    best = here.reshape(-1, count).argmax(axis=0)
    each = np.arange(count)
    candidate, lane = np.divmod(best, len(lane_rows))
    quarter = scene.lattice.quarter[candidate, lane, slot]
    deviation = scene.lattice.deviation_ms[candidate, lane, slot]
    confidence = np.where(is_free, by_row[-1], here[candidate, lane, each])
    return {
        "row": np.where(is_free, -1, row),
        "quarter": np.where(is_free, np.nan, quarter),
        "deviation_ms": np.where(is_free, np.nan, deviation),
        "confidence": calibrated(
            confidence, is_free, hand.spread_ms / steps_ms(scene.events, scene.bars, row)
        ),
        "row_probability": _tempered(by_row).T,
    }


def by_rows(by_lane: Floats, lane_rows: Ints) -> Floats:
    """Posterior of every row and, last, of being free: (rows + 1, events)."""
    by_row = np.zeros((len(SUBDIVISIONS) + 1, by_lane.shape[1]))
    for chance, row in zip(by_lane, lane_rows, strict=True):
        by_row[row] += chance
    by_row[-1] = np.clip(1.0 - by_row.sum(axis=0), 0.0, 1.0)
    return by_row


def calibrated(probability: Floats, is_free: Bools, spread_per_step: Floats) -> Floats:
    """The share of calls that turn out right when the model says `probability`."""
    inside = np.clip(probability, 1e-6, 1.0 - 1e-6)
    odds = np.log(inside / (1.0 - inside))
    base, scale, scatter = CALIBRATION
    free_base, free_scale = FREE_CALIBRATION
    on_grid = base + scale * odds - scatter * spread_per_step
    return np.asarray(
        1.0 / (1.0 + np.exp(-np.where(is_free, free_base + free_scale * odds, on_grid)))
    )


def steps_ms(events: Events, bars: Bars, row: Ints) -> Floats:
    """Mean step in ms of each event's row in its bar; infinite where it has none."""
    table = np.full((len(bars.meters), len(SUBDIVISIONS) + 1), np.inf)
    for m, meter in enumerate(bars.meters):
        for r, subdivision in enumerate(SUBDIVISIONS):
            if places := positions(subdivision, meter):
                table[m, r] = float(meter.bar_quarters) / len(places)
    meter_of = bars.meter[bar_index(bars, events.quarter)]
    return np.asarray(table[meter_of, row] * events.quarter_ms)


def _tempered(by_row: Floats) -> Floats:
    """Row probabilities flattened as far as the calibration of single calls demands."""
    flat = np.where(by_row > 1e-4, by_row, 0.0) ** CALIBRATION[1]
    return np.asarray(flat / np.maximum(flat.sum(axis=0), 1e-12))


def _one_row_per_beat(scene: Scene, by_row: Floats) -> Ints:
    """The likeliest row of each event; events of one beat agree where they can.

    Changes inside a beat are rare, so a beat's notes choose together; one that hardly
    allows the common choice keeps its own.
    """
    own = by_row.argmax(axis=0)
    on_grid = own < len(SUBDIVISIONS)
    beat = np.floor(scene.meant_beat + EARLY_BEAT)
    fresh = np.ones(len(own), dtype=np.bool_)
    fresh[1:] = (np.diff(beat) != 0) | (np.diff(scene.phrase) != 0)
    total = np.add.reduceat(by_row[:-1] * on_grid, np.flatnonzero(fresh), axis=1)
    common = total.argmax(axis=0)[np.cumsum(fresh) - 1]
    each = np.arange(len(own))
    allowed = on_grid & (by_row[common, each] > ROW_ALLOWED * by_row[own, each])
    return np.asarray(np.where(allowed, common, own))
