"""Statistics shared by many modules: a mean direction, and what correlated values are worth.

Conventions
-----------
Angles are radians, any shape, any turn; a full turn is one beat. Empty input gives NaN. A
player's *memory* is rho, the correlation of one deviation with the next, of a first-order
autoregressive series.

Sources: Mardia & Jupp 2000, Directional Statistics, and Bayley & Hammersley 1946, J. R.
Stat. Soc. (suppl.) 8, for the worth of correlated values (both from memory).
"""

from __future__ import annotations

import math

import numpy as np

from improv.model import Floats

SURE_ERRORS = 2.0
"""Standard errors from which what is told is more than chance: about 95 % (normal errors)."""


def circular_mean(angle: Floats) -> float:
    """Direction of the mean of the unit vectors, in (-pi, pi]; meaningless where they cancel."""
    if np.size(angle) == 0:
        return math.nan
    return math.atan2(float(np.mean(np.sin(angle))), float(np.mean(np.cos(angle))))


MOST_MEMORY = 0.85
"""Neighbouring deviations of a hand do not stray more alike (0.3 to 0.8 in players)."""


def correlation(rest: Floats) -> float:
    """Correlation of each of the residuals in `rest` with the next; 0 where all are 0."""
    power = float(rest @ rest)
    return float(rest[1:] @ rest[:-1]) / power if power > 0.0 else 0.0


def memory_of(rest: Floats, prior: float, worth: float, fitted: float = 0.0) -> float:
    """The memory of residuals about a fit, drawn to `prior`, which is worth so many notes.

    `fitted` is the correlation that the fit took away, in notes of 1. From 0 to `MOST_MEMORY`;
    residuals that are all 0 tell nothing, and the prior stands.
    """
    if not rest.any():
        return prior
    count = len(rest)
    drawn = (correlation(rest) * count + fitted + prior * worth) / (count + worth)
    return min(max(drawn, 0.0), MOST_MEMORY)


def inflation(memory: float) -> float:
    """(1 + rho) / (1 - rho): how often a long correlated series must be as long as an independent.

    The variance of its mean is that many times larger; divide a count by it for the number
    of independent values it is worth. `memory` is rho, above -1 and below 1.
    """
    return (1.0 + memory) / (1.0 - memory)
