"""How the notes on a grid scatter: each phrase about its own center and, where sure, its drift.

Conventions: ms, positive = late. Notes that stray far from their phrase's center and line are
fumbled: each counts for its chance of being ordinary (`hand.nearness`), which is taken anew over
three turns, so that center and spread are those of the ordinary ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.hand import nearness
from improv.model import Analysis, Bools, Floats, Ints, _Frozen
from improv.summaries import FEWEST_NOTES, SURE_DRIFT

LEAST_SPREAD_MS = 2.0
"""Nobody's hand scatters less; files round onsets to their ticks."""
TURNS = 3


@dataclass(frozen=True, eq=False)
class Scatter(_Frozen):
    """How the events on a grid scatter, one row each; ms, positive = late.

    `row` indexes `Notes`; `rest_ms` is what is left of a deviation about its phrase's center
    and sure drift; `square_ms2` its square, a fumble's weighing little; `freedom` for how much
    freedom that stands.
    """

    row: Ints
    rest_ms: Floats
    square_ms2: Floats
    freedom: Floats

    def spread_ms(self, at: Ints | Bools) -> float:
        """The spread of some of the rows; infinite where nothing tells of one."""
        return pooled_spread_ms(float(self.square_ms2[at].sum()), float(self.freedom[at].sum()))


def pooled_spread_ms(square_ms2: float, freedom: float) -> float:
    """The spread that summed squares and freedom make; infinite where nothing tells of one."""
    return math.sqrt(square_ms2 / freedom) if freedom > 0 else math.inf


def scatter_on_grid(analysis: Analysis) -> Scatter:
    """The scatter of every event on a grid: chords once, ornaments not at all.

    A center and a line cost each phrase two notes of freedom, shared by all of them.
    """
    notes = analysis.notes
    on_grid = notes.counted & (notes.subdivision >= 0) & ~notes.off_grid
    rows = np.flatnonzero(on_grid & ~np.isnan(notes.deviation_ms))
    deviation, at_ms = notes.deviation_ms[rows], notes.onset_sec[rows] * 1000.0
    numbers, group = np.unique(notes.phrase[rows], return_inverse=True)
    slope, count = _sure_slopes(analysis, numbers)[group], len(numbers)
    usual = np.full(len(rows), max(analysis.spread_ms or np.inf, LEAST_SPREAD_MS))
    weight, rest = np.ones(len(rows)), deviation
    for _ in range(TURNS):
        kept = np.maximum(np.bincount(group, weight, count), 1e-9)
        center = np.bincount(group, weight * deviation, count) / kept
        middle = np.bincount(group, weight * at_ms, count) / kept
        rest = deviation - center[group] - slope * (at_ms - middle[group])
        weight = nearness(rest, usual)
    known = np.bincount(group, minlength=count) >= FEWEST_NOTES
    weight = weight * known[group]
    total = np.maximum(np.bincount(group, weight, count), 1e-9)
    freedom = weight * (np.maximum(total - 2.0, 1.0) / total)[group]
    return Scatter(rows, rest, weight * rest**2, freedom)


def _sure_slopes(analysis: Analysis, numbers: Ints) -> Floats:
    """Slope of deviation on time of the phrases numbered, in ms per ms; 0 where it is unsure."""
    slopes = {phrase.number: phrase.sure_slope(SURE_DRIFT) for phrase in analysis.phrases}
    return np.array([slopes.get(int(number), 0.0) for number in numbers])
