"""The lattice: for every event, the grid positions it may stand for, under every row.

Conventions
-----------
A *lane* is one subdivision with one swing ratio (a straight row is one lane). Each
event has two candidates per lane: the grid position at or before it and the next one.
Arrays have shape (2, lanes, events). Deviations are ms, positive = late.

A grid is charged for what it offers and nobody plays. Each position has its own
chance of being played (`PLAYED`: beats oftenest, weak places least), so going from one
position to a later one costs log P(played there) + sum of log P(not played) over
those passed: the geometric charge q(1-q)^(m-1), with q by metrical strength.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.events import Events
from improv.grid import SUBDIVISIONS, on_beat, positions, pulse_quarters, swung_positions
from improv.meter import Meter
from improv.model import Bars, Floats, Ints
from improv.tempo import bar_index

PLAYED = (0.86, 0.81, 0.76)
"""Chance that an offered position is played: on a beat, halfway, elsewhere (tuned; benchmarks)."""
SHORTEST_STEP_MS = 44.0
"""Events under about 50 ms apart are heard as roughness, not rhythm (Ungan & Yagcioglu 2014); a
little less is let be, or even thirty-seconds at 160 BPM would be called something slower."""


@dataclass(frozen=True)
class Lane:
    """One subdivision (index into `SUBDIVISIONS`) at one swing ratio.

    `shape` is the row whose positions the lane offers, where that is not `row` itself: a
    dotted lane belongs to sixteenths but offers only the places of dotted pairs, those of
    eighths swung at exactly 3 : 1. Without it, dotted figures would be called swing.
    """

    row: int
    swing_ratio: float = 1.0
    shape: int | None = None

    @property
    def grid_row(self) -> int:
        """Row of the positions offered."""
        return self.row if self.shape is None else self.shape


@dataclass(frozen=True, eq=False)
class Lattice:
    """Candidates of every event; see the module's conventions.

    `index` numbers the positions of a lane from the first bar on; `passed` is the summed
    log chance that no position before this one was played, so that differences give the charge;
    `passed_at_pulse` the same at the start of the candidate's pulse.
    `pulse_quarter` is where the candidate's pulse (a beat's unit) begins; `allowed` whether the
    lane exists there.
    """

    lanes: tuple[Lane, ...]
    quarter: Floats
    deviation_ms: NDArray[np.float32]
    index: Ints
    log_played: NDArray[np.float32]
    log_silent: NDArray[np.float32]
    passed: Floats
    passed_at_pulse: Floats
    pulse_quarter: NDArray[np.float32]
    on_beat: NDArray[np.float32]
    log_start: NDArray[np.float32]
    allowed: NDArray[np.float32]

    def at(self, span: Ints) -> Lattice:
        """The lattice of some events."""
        return self._taken(self.lanes, (..., span))

    def only(self, kept: Ints) -> Lattice:
        """The lattice of some lanes."""
        lanes = tuple(self.lanes[i] for i in kept.tolist())
        return self._taken(lanes, (slice(None), kept))

    def _taken(self, lanes: tuple[Lane, ...], key: Any) -> Lattice:
        columns = [f.name for f in fields(self) if f.name != "lanes"]
        return Lattice(lanes=lanes, **{c: getattr(self, c)[key] for c in columns})


@dataclass(frozen=True, eq=False)
class _BarGrid:
    """One lane in one meter: positions with the next bar line appended."""

    quarter: Floats
    step: Floats
    mean_step: float
    log_played: Floats
    log_silent: Floats
    passed: Floats
    passed_at_pulse: Floats
    on_beat: Floats
    pulse: Floats
    log_start: Floats


def build(events: Events, bars: Bars, lanes: tuple[Lane, ...], meant_quarter: Floats) -> Lattice:
    """Lay every lane under every event, its candidates around `meant_quarter`."""
    bar = bar_index(bars, meant_quarter)
    into = meant_quarter - bars.start_quarter[bar]
    shape = (2, len(lanes), len(into))
    out: dict[str, NDArray[Any]] = {k: np.zeros(shape, dtype=t) for k, t in _COLUMNS.items()}
    for i, lane in enumerate(lanes):
        _lay(lane, {k: column[:, i] for k, column in out.items()}, events, bars, bar, into)
    late_quarter = events.quarter - out["quarter"]
    deviation_ms = (late_quarter * events.quarter_ms).astype(np.float32)
    return Lattice(lanes=lanes, deviation_ms=deviation_ms, **out)


def _lay(
    lane: Lane, out: dict[str, NDArray[Any]], events: Events, bars: Bars, bar: Ints, into: Floats
) -> None:
    """Fill one lane's columns, each (2, events)."""
    grids = [_bar_grid(lane, meter) for meter in bars.meters]
    size = np.array([len(g.quarter) - 1 if g else 1 for g in grids], dtype=np.int64)
    cost = np.array([g.passed[-1] if g else 0.0 for g in grids])
    first_index = np.concatenate([[0], np.cumsum(size[bars.meter])])[bar]
    first_passed = np.concatenate([[0.0], np.cumsum(cost[bars.meter])])[bar]
    for m, grid in enumerate(grids):
        if grid is None:
            continue
        # One meter throughout is the common case: a slice copies nothing.
        here: Any = np.flatnonzero(bars.meter[bar] == m) if len(grids) > 1 else slice(None)
        low = np.searchsorted(grid.quarter[:-1], into[here] + 1e-12, side="right") - 1
        low = np.clip(low, 0, len(grid.quarter) - 2)
        step = np.maximum(grid.step[low], grid.mean_step)
        fits = step * events.quarter_ms[here] >= SHORTEST_STEP_MS
        for end, at in enumerate((low, low + 1)):
            out["index"][end, here] = at + first_index[here]
            out["quarter"][end, here] = grid.quarter[at] + bars.start_quarter[bar[here]]
            out["passed"][end, here] = grid.passed[at] + first_passed[here]
            out["passed_at_pulse"][end, here] = grid.passed_at_pulse[at] + first_passed[here]
            out["pulse_quarter"][end, here] = grid.pulse[at] + bars.start_quarter[bar[here]]
            for column in ("log_played", "log_silent", "on_beat", "log_start"):
                out[column][end, here] = getattr(grid, column)[at]
            out["allowed"][end, here] = fits


_COLUMNS: dict[str, Any] = {
    "quarter": np.float64, "index": np.int64, "passed": np.float64, "passed_at_pulse": np.float64,
    "pulse_quarter": np.float32, "log_played": np.float32, "log_silent": np.float32,
    "on_beat": np.float32, "log_start": np.float32, "allowed": np.float32,
}  # fmt: skip


@cache
def _bar_grid(lane: Lane, meter: Meter) -> _BarGrid | None:
    row = SUBDIVISIONS[lane.grid_row]
    if not positions(row, meter):
        return None
    bar_quarters = float(meter.bar_quarters)
    quarter = np.array([*swung_positions(row, meter, lane.swing_ratio), bar_quarters])
    strong = np.array(on_beat(row, meter))
    rank = _strength(lane, meter)
    played = np.array(PLAYED)[rank]
    silent = np.log1p(-played)
    passed = np.concatenate([[0.0], np.cumsum(silent)])
    pulse = np.floor(quarter / pulse_quarters(meter) + 1e-6) * pulse_quarters(meter)
    opens = np.searchsorted(quarter[:-1], pulse[:-1] - 1e-6)
    weight = played / played.sum()
    return _BarGrid(
        quarter=quarter,
        step=np.diff(quarter),
        mean_step=float(np.diff(quarter).mean()),
        log_played=_closed(np.log(played)),
        log_silent=_closed(silent),
        passed=passed,
        passed_at_pulse=np.concatenate([passed[:-1][opens], passed[-1:]]),
        on_beat=_closed(strong.astype(np.float64)),
        pulse=pulse,
        log_start=_closed(np.log(weight * meter.beats)),
    )


def _closed(values: Floats) -> Floats:
    """Append the first value again: the next bar line is like this one."""
    return np.concatenate([values, values[:1]])


def _strength(lane: Lane, meter: Meter) -> Ints:
    """0 on a beat, 1 halfway (first of a pair inside the beat), 2 elsewhere."""
    row = SUBDIVISIONS[lane.grid_row]
    strong = np.array(on_beat(row, meter))
    since_beat = np.arange(len(strong)) - np.maximum.accumulate(
        np.where(strong, np.arange(len(strong)), 0)
    )
    per_beat = row.per_beat(meter.kind)
    pairs = (
        per_beat is not None and per_beat.denominator == 1 and per_beat % 2 == 0 and per_beat > 2
    )
    halfway = (since_beat % 2 == 0) & pairs
    return np.where(strong, 0, np.where(halfway, 1, 2)).astype(np.int64)
