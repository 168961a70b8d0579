"""Circular statistics as a yardstick for the outside checks; improv itself needs the mean only.

The mean resultant length r is the length of the mean of the unit vectors: 1 when all angles
agree, 0 when they cancel. Sources: Mardia & Jupp 2000, Directional Statistics (from memory);
Zar 1999, p. 617, for the Rayleigh test, as in Berens 2009, J. Stat. Softw. 31(10).
"""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from improv.model import Floats


def phase_angle(deviation: Floats, step: float) -> Floats:
    """Angle of deviations around a grid `step` apart (same unit): a step is a full turn."""
    return np.asarray(2.0 * np.pi * deviation / step, dtype=np.float64)


def resultant_length(angle: Floats) -> float:
    """Mean resultant length r, 0 to 1, by scipy."""
    vectors = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return float(stats.directional_stats(vectors).mean_resultant_length)


def rayleigh_p(count: int, r: float) -> float:
    """Chance that `count` independent uniform angles agree at least as closely as `r`.

    p = exp(sqrt(1 + 4n + 4(n^2 - R^2)) - (1 + 2n)), R = n r: at n = 8 within 0.0005 of the
    tables, where exp(-n r^2) is off by 0.005.
    """
    resultant = count * r
    exponent = math.sqrt(1.0 + 4.0 * count + 4.0 * (count**2 - resultant**2)) - (1.0 + 2.0 * count)
    return min(math.exp(exponent), 1.0)
