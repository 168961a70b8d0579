"""What a run off the grid was an attempt at: one rule for a take's advice and for the log.

Of the subdivisions played, the nearest by ratio where it lies within `ATTEMPT_SHARE` of the
run's rate; else the nearest of those played and those commonly met: nobody fails at quintuplets
who never plays any. Rates are notes to one and the same beat.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TypeVar

ATTEMPT_SHARE = 0.19
"""How far from a subdivision's rate an attempt at it may lie, as a share of it (our choice)."""
SLOWEST_RATE = 1e-3

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
