"""Circular statistics: where onsets lie around a beat or a grid step, and how closely.

Conventions
-----------
Angles are radians, any shape, any turn; a full turn is one beat or one grid step. The mean
resultant length r is the length of the mean of the unit vectors: 1 when all angles agree, 0
when they cancel. It separates unrelated grids (0 against 1) but is 1 on every multiple of the
true grid too, so it never chooses a subdivision by itself. Empty input gives NaN.

Sources: Mardia & Jupp 2000, Directional Statistics (from memory); Zar 1999, p. 617, for the
Rayleigh test, as in Berens 2009, J. Stat. Softw. 31(10).
"""

from __future__ import annotations

import math

import numpy as np

from improv.model import Floats


def phase_angle(deviation: Floats, step: float) -> Floats:
    """Angle of deviations around a grid `step` apart (same unit): a step is a full turn."""
    return np.asarray(2.0 * np.pi * deviation / step, dtype=np.float64)


def circular_mean(angle: Floats) -> float:
    """Direction of the mean resultant vector, in (-pi, pi]; meaningless where r is near 0."""
    return math.atan2(*_mean_vector(angle)[::-1])


def resultant_length(angle: Floats) -> float:
    """Mean resultant length r, 0 to 1."""
    return min(math.hypot(*_mean_vector(angle)), 1.0)


def circular_sd(angle: Floats) -> float:
    """Circular standard deviation sqrt(-2 ln r), in radians; infinite for r = 0."""
    r = resultant_length(angle)
    if r == 0.0:
        return math.inf
    return math.sqrt(-2.0 * math.log(r)) + 0.0


def rayleigh_p(count: int, r: float) -> float:
    """Chance that `count` independent uniform angles agree at least as closely as `r`.

    p = exp(sqrt(1 + 4n + 4(n^2 - R^2)) - (1 + 2n)), R = n r: at n = 8 within 0.0005 of the
    tables, where exp(-n r^2) is off by 0.005. Successive deviations of a player are
    correlated, so for them p is too small.
    """
    if count < 1:
        return math.nan
    resultant = count * r
    exponent = math.sqrt(1.0 + 4.0 * count + 4.0 * (count**2 - resultant**2)) - (1.0 + 2.0 * count)
    return min(math.exp(exponent), 1.0)


def _mean_vector(angle: Floats) -> tuple[float, float]:
    if np.size(angle) == 0:
        return math.nan, math.nan
    return float(np.mean(np.cos(angle))), float(np.mean(np.sin(angle)))
