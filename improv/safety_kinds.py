"""Which subdivisions the map of safety tells of, which it leaves out; the latest take. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.cells import Cells
from improv.held import ENOUGH_NOTES, HELD_SHARE, HELD_SPREADS
from improv.material import Material
from improv.measures import FEWEST_FOR_SPREAD, memory_of
from improv.model import Bools, Floats, Ints
from improv.practice import LAG_MS
from improv.runs import FEWEST_FREE
from improv.stats import SURE_ERRORS, inflation
from improv.wording import HEARD_DRIFT_SHARE

FEWEST_NOTES = 24
LEAST_SPREAD_MS = 1.0
"""Less is what rounding to ticks leaves of a machine's notes: no hand is so even."""


@dataclass(frozen=True)
class Failed:
    """A subdivision attempted in vain, too little to be mapped, and how slowly it was tried."""

    subdivision: str
    per_beat: float
    slowest_bpm: float


def without_spread(material: Material) -> bool:
    """Whether there are notes enough for a map, but no spread can be measured in any of them."""
    kinds = len(material.kinds)
    return len(mappable(material.cells, kinds)[1]) > 0 and not _measured(material.cells).any()


def mappable(cells: Cells, kinds: int) -> tuple[Ints, Ints]:
    """Subdivisions attempted with notes enough, and those left out as exact, by number.

    Failed attempts are attempts: what mostly leaves the grid is on the map for that. Exact
    are those in which no spread can be measured: copied or quantised notes, or a few at a time.
    """
    on, off = (_sums(cells, field, kinds) for field in ("on", "off"))
    enough = on + off >= FEWEST_NOTES
    seen = np.bincount(cells["subdivision"], _measured(cells), kinds) > 0
    told = seen | failing(on, off)
    return np.flatnonzero(enough & told), np.flatnonzero(enough & ~told)


def _measured(cells: Cells) -> Bools:
    """The cells whose scatter can be a hand's."""
    human = cells["square_ms2"] > LEAST_SPREAD_MS**2 * cells["on"]
    return np.asarray((cells["on"] >= FEWEST_FOR_SPREAD) & human)


def failing(on: Floats | int, off: Floats | int) -> Bools:
    """Whether more notes left the grid than may, of those on it and those off it."""
    return np.asarray(on < HELD_SHARE * (np.asarray(on) + off))


def _sums(cells: Cells, field: str, kinds: int) -> Floats:
    return np.asarray(np.bincount(cells["subdivision"], cells[field], kinds), dtype=np.float64)


def failed_besides(material: Material, told: Ints) -> tuple[Failed, ...]:
    """The subdivisions besides those told of at which most attempts left the grid."""
    cells, kinds = material.cells, len(material.kinds)
    mostly_off = failing(_sums(cells, "on", kinds), _sums(cells, "off", kinds))
    found = []
    for number in np.setdiff1d(np.flatnonzero(mostly_off), told).tolist():
        kind = material.kinds[number]
        tried = cells["interval_ms"][(cells["subdivision"] == number) & (cells["off"] > 0)]
        slowest = 60_000.0 / (float(tried.max()) * kind.per_beat)
        found.append(Failed(kind.name, kind.per_beat, slowest))
    return tuple(sorted(found, key=lambda f: (f.per_beat, f.subdivision)))


@dataclass(frozen=True)
class Latest:
    """What the latest take has that comes before any more speed, as `practice` has it.

    `drift_bpm` is the worst drift to be heard in it, positive = rushing, 0 for none; `left` holds
    the notes to the beat of every subdivision that runs left the grid at, and how many notes did;
    `held_per_beat` those of the densest that is held in it, 0 for none.
    """

    drift_bpm: float = 0.0
    left: tuple[tuple[float, int], ...] = ()
    held_per_beat: float = 0.0

    def notes_left(self, per_beat: float) -> int:
        """Notes of runs that left the grid at this many to the beat, or faster.

        Or as fast as what the take itself holds: its own advice knows of no other.
        """
        dense = min(per_beat, self.held_per_beat)
        return sum(notes for rate, notes in self.left if rate >= dense)


def latest(material: Material, tolerance_ms: float) -> Latest:
    """What is to be heard in the take played last, or, of takes without a day, added last."""
    when = np.flatnonzero(material.day == material.day.max(initial=-1))
    if not len(when):
        return Latest()
    cells = material.cells[material.take == when[-1]]
    tempo = float(material.tempo_bpm[when[-1]])
    drift_bpm = _drift_share(cells, memory_of(material.cells)) * tempo
    return Latest(drift_bpm, _left(material, cells), _held_per_beat(material, cells, tolerance_ms))


def _held_per_beat(material: Material, cells: Cells, tolerance_ms: float) -> float:
    """The densest subdivision held in a take's cells, as `held.is_held` has it; 0 for none."""
    kinds = len(material.kinds)
    on, off, square, fitted = (
        _sums(cells, field, kinds) for field in ("on", "off", "square_ms2", "fitted")
    )
    spread_ms = np.sqrt(square / np.maximum(on - fitted, 1.0))
    step_ms = np.bincount(cells["subdivision"], cells["interval_ms"] * cells["on"], kinds)
    held = (on >= ENOUGH_NOTES) & ~failing(on, off) & (spread_ms <= tolerance_ms)
    held &= step_ms >= HELD_SPREADS * spread_ms * on
    return max((material.kinds[k].per_beat for k in np.flatnonzero(held)), default=0.0)


def _left(material: Material, cells: Cells) -> tuple[tuple[float, int], ...]:
    """Runs alone: a few notes beside any grid are none (`runs.FEWEST_FREE`)."""
    runs = cells[cells["off"] >= FEWEST_FREE]
    notes = _sums(runs, "off", len(material.kinds)).astype(np.int64).tolist()
    return tuple((k.per_beat, n) for k, n in zip(material.kinds, notes, strict=True) if n)


def _drift_share(cells: Cells, memory: float) -> float:
    """The worst drift to be heard in a take's cells, as a share of the tempo.

    As `practice` has it: sure, heard, and at least `LAG_MS` by the end of the phrase.
    """
    cells = cells[~np.isnan(cells["drift"]) & (cells["span_sec2"] > 0) & (cells["on"] > 0)]
    drift, span, on = (cells[f].astype(np.float64) for f in ("drift", "span_sec2", "on"))
    scatter_ms2 = cells["square_ms2"] / np.maximum(on - 2.0, 1.0)
    error = np.sqrt(scatter_ms2 * inflation(memory) / span) / 1000.0
    # Even onsets over T seconds have n T^2 / 12 as the sum of squares about their mean.
    lag_ms = 1000.0 * np.abs(drift) * np.sqrt(12.0 * span / on)
    told = (np.abs(drift) >= HEARD_DRIFT_SHARE) & (np.abs(drift) > SURE_ERRORS * error)
    told &= lag_ms >= LAG_MS
    return float(drift[told][lag_ms[told].argmax()]) if told.any() else 0.0
