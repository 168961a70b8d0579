"""How sure the means of a phrase are: a player's own scatter and memory, phrase by phrase.

Conventions
-----------
All arrays are per event, deviations in ms. A phrase's scatter is taken about its own middle, so
that phrases which lean this way and that do not make each other doubtful: how far they lie
apart is what a lean is, and no error of any of them. Deviations remember: those of two notes
k steps apart are correlated by rho to the power k (`memory`), fumbled notes included.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.memory import degrees, estimate
from improv.model import Bools, Floats, Ints, _Frozen

TAKE_NOTES = 6.0
"""Notes that the scatter inside all phrases is worth beside a phrase's own."""
FARTHEST = 24
"""Notes apart beyond which deviations count as independent (0.85 to that power is 0.02)."""


@dataclass(frozen=True, eq=False)
class Scatter(_Frozen):
    """The deviations inside phrases: a spread per phrase (ms) and one memory."""

    spread_ms: Floats
    memory: float


def scatter_of(rest_ms: Floats, timed: Bools, usual: Bools, phrase: Ints, fitted: Ints) -> Scatter:
    """The scatter of each phrase, from what is left of its deviations once its middle is out.

    `timed` events have a deviation; `usual` ones, which are no fumbles, tell the memory.
    `fitted` (phrases,) counts what was taken out: 1 the middle, 2 the drift as well.
    """
    count = len(fitted)
    # A phrase of fumbles has no middle, so nothing is left about it.
    timed, usual = timed & np.isfinite(rest_ms), usual & np.isfinite(rest_ms)
    notes = np.bincount(phrase, timed, count).astype(np.int64)
    kept = np.bincount(phrase, usual, count).astype(np.int64)
    rest = np.where(timed, rest_ms, 0.0)
    linked = usual[1:] & usual[:-1] & (phrase[1:] == phrase[:-1])
    product = _sums(linked * rest[1:] * rest[:-1], phrase[1:], count)
    memory = estimate(kept, fitted, _sums(usual * rest**2, phrase, count), product)
    square = _sums(rest**2, phrase, count)
    free, _ = degrees(notes, fitted, memory)
    inside = float(square[free > 0].sum()) / max(float(free.sum()), 1e-9)
    variance = (square + TAKE_NOTES * inside) / (free + TAKE_NOTES)
    return Scatter(np.sqrt(variance), memory)


def error_of(part: Floats, phrase: Ints, scatter: Scatter) -> Floats:
    """Standard error in ms of a weighted sum of deviations in each phrase, (phrases,).

    `part` (N,) is what each event counts for: 1/n for a mean, 1/n and -1/m for the
    difference of two.
    """
    count = len(scatter.spread_ms)
    total = _sums(part**2, phrase, count)
    for apart in range(1, min(FARTHEST, len(part) - 1) + 1):
        both = part[apart:] * part[:-apart] * (phrase[apart:] == phrase[:-apart])
        total = total + 2.0 * scatter.memory**apart * _sums(both, phrase[apart:], count)
    return np.asarray(scatter.spread_ms * np.sqrt(np.maximum(total, 0.0)))


def _sums(value: Floats, phrase: Ints, count: int) -> Floats:
    return np.bincount(phrase, value, count).astype(np.float64)
