"""The measures of lock-in that are compared, cell by cell: a value and its working variance.

Conventions
-----------
`spread` is compared as a natural logarithm (a change is a ratio), `swing` too; `offset` in
ms, `pocket` and `off grid` as shares, `drift` as a share of the tempo (positive = rushing).
Working variances need be right only roughly and up to a factor: they decide how much a
cell counts, not how sure the answer is (`chance.robust_line`). Their constants (`wander`)
are how much phrases of one player differ, from simulated hands of human scale; no source.

`slope` is what is known beforehand of a measure's change with the interval between notes,
per natural logarithm of it, used where two sets were played at different tempi:

* spread: between a floor (0) and a fixed share of the interval (1): Repp 2005 has 2 to 4 %
  of the interval above about 250 ms and a floor of 5 to 10 ms below (from memory).
* offset: Fujii et al. 2011 have about 10 ms between 120 and 200 BPM, either way.
* swing: Friberg & Sundstrom 2002 have ratios from 3.5 near 120 BPM to 1 at the fastest,
  soloists less.
* pocket, drift: wide guesses of our own; no source. So is off grid, on the logistic scale and
  as in the map of safety: what is rare cannot change by much.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.cells import POCKETS_MS, Cells
from improv.errors import UsageError
from improv.memory import degrees, estimate
from improv.model import Floats
from improv.stats import inflation

FEWEST_FOR_SPREAD = 4


@dataclass(frozen=True)
class Measure:
    """One measure: how a change in it is told, and what is known of it beforehand.

    `better` is -1 where less is better, +1 where more is, 0 where neither is (style).
    `to_zero`: better is nearer to zero. `coarse` is a change nobody would miss: where even
    that could not have been shown, there were too few notes to tell. `wander` is the working
    standard deviation between phrases.
    """

    key: str
    title: str
    unit: str
    better: int
    to_zero: bool
    ratio: bool
    coarse: float
    wander: float
    slope: tuple[float, float]


MEASURES: tuple[Measure, ...] = (
    Measure("spread", "spread", "ms", -1, False, True, math.log(1.5), 0.20, (0.5, 0.3)),
    Measure("offset", "offset", "ms", 0, False, False, 20.0, 6.0, (0.0, 20.0)),
    Measure("pocket", "in the pocket", "share", 1, False, False, 0.25, 0.10, (-0.2, 0.2)),
    Measure("off_grid", "off grid", "share", -1, False, False, 0.25, 0.15, (-4.0, 3.0)),
    Measure("drift", "drift", "share", 0, True, False, 0.03, 0.006, (0.0, 0.02)),
    Measure("swing", "swing ratio", "ratio", 0, False, True, math.log(1.5), 0.08, (0.7, 0.7)),
)
BY_KEY = {measure.key: measure for measure in MEASURES}


@dataclass(frozen=True, eq=False)
class Values:
    """A measure over some cells: `rows` index them; value, sampling variance and notes of each."""

    rows: np.ndarray
    value: Floats
    variance: Floats
    notes: Floats


def pocket_column(tolerance_ms: float) -> int:
    """The column of `cells.pocket` for a half-width; raises `UsageError` for one not counted."""
    for column, width in enumerate(POCKETS_MS):
        if abs(width - tolerance_ms) < 1e-6:
            return column
    widths = ", ".join(f"{w:g}" for w in POCKETS_MS)
    raise UsageError(f"a pocket of {tolerance_ms:g} ms is not kept in the log; choose {widths}")


def values(cells: Cells, measure: str, rho: float, tolerance_ms: float = 20.0) -> Values:
    """The values of one measure over `cells`, those that have any."""
    on = cells["on"].astype(np.int64)
    effective, chi = degrees(on, cells["fitted"].astype(np.int64), rho)
    independent = np.maximum(on / inflation(rho), 1e-9) + 0.5 * (on > 0)
    if measure == "spread":
        able = (on >= FEWEST_FOR_SPREAD) & (cells["square_ms2"] > 0) & (effective > 0.5)
        scale = np.log(cells["square_ms2"][able] / effective[able])
        value = (scale - _log_chi_bias(chi[able])) / 2.0
        return _of(able, value, 0.5 / chi[able], on)
    if measure == "offset":
        able = on >= 2
        return _of(able, cells["mean_ms"][able], 225.0 / independent[able], on)
    if measure == "pocket":
        able = on >= 2
        share = cells["pocket"][able, pocket_column(tolerance_ms)] / on[able]
        return _of(able, share, 0.2 / independent[able], on)
    if measure == "off_grid":
        total = on + cells["off"].astype(np.int64)
        able = total > 0
        return _of(able, cells["off"][able] / total[able], 0.5 / total[able], total)
    if measure == "drift":
        able = ~np.isnan(cells["drift"]) & (cells["span_sec2"] > 0)
        doubt = 0.015**2 * inflation(rho) / cells["span_sec2"][able]
        return _of(able, cells["drift"][able], doubt, on)
    able = ~np.isnan(cells["swing"])
    return _of(able, cells["swing"][able], 0.05 / independent[able], on)


def memory_of(cells: Cells) -> float:
    """The memory of the deviations in `cells` (see `memory.estimate`)."""
    return estimate(
        cells["on"].astype(np.int64),
        cells["fitted"].astype(np.int64),
        cells["square_ms2"].astype(np.float64),
        cells["product_ms2"].astype(np.float64),
    )


def spread_by_memory(cells: Cells, rho: float) -> Floats:
    """How the logarithm of each cell's spread moves per unit of the memory put in, (cells,)."""
    on, fitted = cells["on"].astype(np.int64), cells["fitted"].astype(np.int64)
    ends = max(rho - 0.025, 0.0), rho + 0.025
    effective, chi = zip(*(degrees(on, fitted, end) for end in ends), strict=True)
    low, high = (np.log(e) + _log_chi_bias(c) for e, c in zip(effective, chi, strict=True))
    return np.asarray((low - high) / 2.0 / (ends[1] - ends[0]))


def _of(able: np.ndarray, value: Floats, variance: Floats, notes: np.ndarray) -> Values:
    return Values(
        np.flatnonzero(able),
        np.asarray(value, dtype=np.float64),
        np.asarray(variance, dtype=np.float64),
        notes[able].astype(np.float64),
    )


def _log_chi_bias(degrees_of_freedom: Floats) -> Floats:
    """E[log(X/v)] for X chi-square with v degrees: digamma(v/2) - log(v/2).

    Digamma by recurrence and its asymptotic series (Abramowitz & Stegun 6.3.5, 6.3.18).
    """
    x = np.maximum(degrees_of_freedom / 2.0, 0.05)
    half = x.copy()
    total = np.zeros_like(x)
    for _ in range(6):
        total -= 1.0 / x
        x = x + 1.0
    inverse = 1.0 / x**2
    series = inverse * (1 / 12 - inverse * (1 / 120 - inverse * (1 / 252 - inverse / 240)))
    return np.asarray(total + np.log(x) - 0.5 / x - series - np.log(half))
