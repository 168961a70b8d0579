"""What a run off the grid was an attempt at, and what one attempt is: for advice and log alike.

Of the subdivisions played, the nearest by ratio where it lies within `ATTEMPT_SHARE` of the
run's rate; else the nearest of those played and those commonly met: nobody fails at quintuplets
who never plays any. Rates are notes to one and the same beat.

One attempt at a subdivision is a phrase with `FEWEST_FREE` notes at least on it, or in runs meant
for it; of a long phrase every `ATTEMPT_BEATS` beats' worth of such notes. One failed for every run
of at least `FEWEST_FREE` notes that left the grid.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TypeVar

import numpy as np

from improv.model import Floats, Ints
from improv.runs import FEWEST_FREE

ATTEMPT_SHARE = 0.19
"""How far from a subdivision's rate an attempt at it may lie, as a share of it (our choice)."""
SLOWEST_RATE = 1e-3
ATTEMPT_BEATS = 16.0
"""Four bars of four: one slip in a chorus without a rest does not undo all of it (our choice)."""

Key = TypeVar("Key")


def attempted(rate: float, played: Mapping[Key, float], common: Mapping[Key, float]) -> Key | None:
    """What a run of `rate` was an attempt at; `None` where nothing is played nor common.

    `played` and `common` hold the rates of subdivisions; of two equally near the first is meant.
    """

    def away(rates: Mapping[Key, float], key: Key) -> float:
        return abs(math.log(max(rate, SLOWEST_RATE) / rates[key]))

    nearest = min(played, key=lambda key: away(played, key), default=None)
    if nearest is not None and away(played, nearest) <= math.log1p(ATTEMPT_SHARE):
        return nearest
    both = {**played, **{key: common[key] for key in common if key not in played}}
    return min(both, key=lambda key: away(both, key), default=None)


def attempts_in(notes: Ints, per_beat: Floats) -> Ints:
    """How many attempts the notes of phrases are, at what has `per_beat` notes to the beat.

    `notes` are those of one phrase each, on the subdivision or in runs meant for it.
    """
    long = np.maximum(notes // (ATTEMPT_BEATS * per_beat), 1.0).astype(np.int64)
    return np.where(notes < FEWEST_FREE, 0, long)
