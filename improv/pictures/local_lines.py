"""Straight lines through the points around a place, and how far their slopes can be trusted.

`local_lines` fits a line at each place, points weighted by a Gaussian of their distance.
The noise is that of a hand, each deviation remembering the one before with correlation r
(an AR(1) series): the slope is a weighted sum of the points, and its variance the sum of
all their covariances, noise² r^|i - j|. Noise and memory come from what a parabola
through all points leaves; memory is corrected for its bias in short series (Marriott &
Pope 1954; from memory) and drawn towards `USUAL_MEMORY` where there are few points.
"""

from __future__ import annotations

import numpy as np

from improv.model import Floats
from improv.stats import correlation, inflation, memory_of

FEWEST_NEAR = 4.0
"""Weighted points around a place below which no line is drawn."""
USUAL_MEMORY = 0.5
"""Correlation from note to note; about 0.3 to 0.8 in players."""
USUAL_WORTH = 8.0
"""How many points the usual memory is worth against the measured one."""
REACH = 5.0
"""Points farther than this many widths bear no weight."""
_PLACES_AT_ONCE = 64
_LEAST_COVARIANCE = 0.01


def local_lines(x: Floats, y: Floats, at: Floats, width: float) -> tuple[Floats, Floats, Floats]:
    """Height, slope and standard error of the slope of the lines at places `at`, ascending.

    Shapes: x ascending, y (N,); at and the results (M,). NaN where fewer than
    `FEWEST_NEAR` weighted points lie near.
    """
    noise, memory = noise_of(x, y)
    found = np.full((3, len(at)), np.nan)
    for begin in range(0, len(at), _PLACES_AT_ONCE):
        some = slice(begin, begin + _PLACES_AT_ONCE)
        low = np.searchsorted(x, at[some][0] - REACH * width)
        high = np.searchsorted(x, at[some][-1] + REACH * width)
        near = slice(int(low), int(high))
        found[:, some] = _lines(x[near], y[near], at[some], width, noise, memory)
    return found[0], found[1], found[2]


def _lines(
    x: Floats, y: Floats, at: Floats, width: float, noise: float, memory: float
) -> tuple[Floats, Floats, Floats]:
    away = x[None, :] - at[:, None]
    weight = np.exp(-0.5 * (away / width) ** 2)
    total = weight.sum(axis=1)
    known = total >= FEWEST_NEAR
    total = np.where(known, total, 1.0)
    center = (weight * away).sum(axis=1) / total
    lever = weight * (away - center[:, None])
    spread = (lever * (away - center[:, None])).sum(axis=1)
    known &= spread > 1e-9
    lever = lever / np.where(known, spread, 1.0)[:, None]
    slope = lever @ y
    height = (weight @ y) / total - slope * center
    blank = np.where(known, 0.0, np.nan)
    error = noise * np.sqrt(_covariances(lever, memory))
    return height + blank, slope + blank, error + blank


def _covariances(lever: Floats, memory: float) -> Floats:
    """Variance of weighted sums (rows of `lever`) of a unit AR(1) series."""
    total = (lever**2).sum(axis=1)
    share, apart = memory, 1
    while share > _LEAST_COVARIANCE and apart < lever.shape[1]:
        total = total + 2.0 * share * (lever[:, apart:] * lever[:, :-apart]).sum(axis=1)
        share, apart = share * memory, apart + 1
    return np.asarray(np.maximum(total, 0.0))


def noise_of(x: Floats, y: Floats) -> tuple[float, float]:
    """Standard deviation and memory of what a parabola through the points leaves."""
    count = len(x)
    span = max(float(np.ptp(x)), 1e-9)
    order = min(2, count - 2)
    if order < 0:
        return 0.0, USUAL_MEMORY
    powers = np.vander((x - x.mean()) / span, order + 1)
    rest = y - powers @ np.linalg.lstsq(powers, y, rcond=None)[0]
    energy = float(rest @ rest)
    taken = 1.0 + order + 4.0 * correlation(rest)
    memory = memory_of(rest, USUAL_MEMORY, USUAL_WORTH, fitted=taken)
    # The parabola follows a series with memory closer than one without.
    used = (order + 1) * inflation(memory)
    return float(np.sqrt(energy / max(count - used, count / 3.0))), memory
