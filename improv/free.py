"""Off any grid: how likely a stretch of onsets is as one free run.

Conventions
-----------
Input are onset times in ms, shape (phrases, events), padded; output are log densities
per ms for every stretch of `LENGTHS` events, indexed by its last event, -inf where the
stretch does not exist. A free run pays no heed to the beat, but fingers are regular:
its onsets lie on a smooth curve of time against note number (steady, or gliding
faster or slower), or its steps scatter about one length (uneven). The curve's
coefficients are integrated out under priors of human scale, so a run is not
rewarded for bending to whatever was played. Closed form: Bayesian linear regression on
an orthonormal polynomial basis (Gram's polynomials on equally spaced points).

A run that keeps to a subdivision's rate and place is no free run, however smoothly it is
played: such curves are taken out of the prior (`HOLDS_CHARGE`). Only a rate that excludes
every subdivision, or a place that keeps sliding, is off the grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from improv.model import Bools, Floats, Ints

LENGTHS = tuple(range(5, 25))
"""Events in a stretch scored as one; longer runs are stretches in a row."""
STEP_RANGE_MS = (45.0, 430.0)
"""A run's steps: faster than this is a grace, slower is not a run."""
LONGEST_STEP_BEAT = 0.85
LOG_STEP_SPAN = float(np.log(STEP_RANGE_MS[1] / STEP_RANGE_MS[0]))
LOG_GAP_SPAN = float(np.log(2000.0 / 40.0))
GLIDE_SD = 0.35
"""Prior deviation of the relative change of step from end to end of a gliding run."""
KIND_WEIGHTS = (0.4, 0.4, 0.2)
"""Prior shares of steady, gliding and uneven runs."""
SMOOTH_SHARE = 0.12
"""A flying hand's scatter about its own curve is at most this share of its step."""
SLOW_STEP_MS = 200.0
SLOW_CHARGE = 0.1
"""Per ms beyond: slower notes that leave the beat are drifting, not flying (our choice)."""
HOLDS_CHARGE = 10.0
HOLDS_SHARE = 0.3
HOLDS_EDGE = 0.04
PLACE_WEIGHT = 0.75
HOLDS_STEP_MS = 170.0
"""A run holds a grid while it stays within this share of a step from its positions."""
UNEVEN_SHARE = 0.18
"""Scatter of an uneven run's steps as a share of the step."""
_HALF_LOG_TAU = 0.5 * float(np.log(2.0 * np.pi))


@dataclass(frozen=True, eq=False)
class _Basis:
    """Orthonormal polynomials of degree 0 to 3 on L points, and norms of the raw ones."""

    columns: Floats
    slope_norm: float
    bend_norm: float


@cache
def _basis(length: int) -> _Basis:
    x = np.arange(length, dtype=np.float64)
    q, r = np.linalg.qr(np.vander(x, 4, increasing=True))
    return _Basis(q, abs(float(r[1, 1])), abs(float(r[2, 2])))


@dataclass(frozen=True, eq=False)
class Ground:
    """What lies under the phrases of a batch, in ms.

    `beat_ms`, `spread_ms` have shape (phrases, 1); `steps_ms` (phrases, rows) are the steps
    of the even grids on offer; `in_bar_ms` (phrases, events) is each onset's distance from
    its bar line, the hand's lean taken out.
    """

    beat_ms: Floats
    spread_ms: Floats
    steps_ms: Floats
    in_bar_ms: Floats


def stretch_scores(onset_ms: Floats, valid: Bools, ground: Ground) -> Floats:
    """Log density per stretch: shape (len(LENGTHS), phrases, events), indexed by last event.

    The density covers the stretch's onsets given the onset before it.
    """
    count, width = onset_ms.shape
    scores = np.full((len(LENGTHS), count, width), -np.inf)
    step = np.diff(onset_ms, axis=1)
    shortest, longest = STEP_RANGE_MS
    longest_ms = np.minimum(longest, LONGEST_STEP_BEAT * ground.beat_ms)
    runs_on = (step >= shortest) & (step <= longest_ms) & valid[:, 1:]
    broken = np.concatenate([np.zeros((count, 1)), np.cumsum(~runs_on, axis=1)], axis=1)
    gap = np.concatenate([np.full((count, 1), 500.0), np.maximum(step, 1.0)], axis=1)
    for k, length in enumerate(LENGTHS):
        if length > width:
            break
        windows = np.lib.stride_tricks.sliding_window_view(onset_ms, length, axis=1)
        intact = broken[:, length - 1 :] == broken[:, : width - length + 1]
        intact &= valid[:, length - 1 :]
        rows, at = np.nonzero(intact)
        if len(rows) == 0:
            continue
        local = windows[rows, at] - windows[rows, at, :1]
        score = _score(local, ground.spread_ms[rows, 0])
        score -= np.log(gap[rows, at] * LOG_GAP_SPAN)
        score -= HOLDS_CHARGE * _holds(local, ground, rows, at)
        score -= SLOW_CHARGE * np.maximum(local[:, -1] / (length - 1) - SLOW_STEP_MS, 0.0)
        scores[k, rows, at + length - 1] = score
    return scores


def _holds(local_ms: Floats, ground: Ground, rows: Ints, at: Ints) -> Floats:
    """How far each stretch keeps to the even grid nearest its rate: 1 wholly, 0 not at all.

    The stretch's straight line and its bow are compared with as many successive
    positions of that grid.
    """
    length = local_ms.shape[1]
    basis = _basis(length)
    line = local_ms @ basis.columns[:, :2]
    first = line @ basis.columns[0, :2]
    last = line @ basis.columns[-1, :2]
    bow = (local_ms @ basis.columns[:, 2]) * np.ptp(basis.columns[:, 2])
    step = (last - first) / (length - 1)
    steps = ground.steps_ms[rows]
    near = np.abs(np.log(steps / np.maximum(step, 1.0)[:, None])).argmin(axis=1)
    grid_step = steps[np.arange(len(rows)), near]
    place = (ground.in_bar_ms[rows, at] + first) / grid_step
    early = (place - np.round(place)) * grid_step
    late = early + (step - grid_step) * (length - 1)
    away = PLACE_WEIGHT * np.maximum(np.abs(early), np.abs(late))
    farthest = np.maximum(np.maximum(np.abs(late - early), np.abs(bow)), away)
    share = farthest / np.minimum(grid_step, HOLDS_STEP_MS)
    return np.asarray(1.0 / (1.0 + np.exp((share - HOLDS_SHARE) / HOLDS_EDGE)))


def _score(local_ms: Floats, spread_ms: Floats) -> Floats:
    """Log marginal density of stretches (rows, first onset at 0) under the three kinds."""
    length = local_ms.shape[1]
    basis = _basis(length)
    coefficient = local_ms @ basis.columns
    residual = np.maximum(np.sum(local_ms**2, axis=1) - np.sum(coefficient**2, axis=1), 0.0)
    step = local_ms[:, -1] / (length - 1)
    # Flat priors on place and log-uniform on step, in the basis' own coordinates.
    shared = -0.5 * np.log(length) - np.log(step * LOG_STEP_SPAN * basis.slope_norm)
    bend = GLIDE_SD * step / (2.0 * length) * basis.bend_norm
    kinds = []
    smooth_ms = np.minimum(spread_ms, SMOOTH_SHARE * step)
    for weight, scale in zip(KIND_WEIGHTS, (0.05, 1.0), strict=False):
        fit = np.logaddexp(
            _curve(coefficient, residual, smooth_ms, bend * scale, length),
            _curve(coefficient, residual, 0.5 * smooth_ms, bend * scale, length),
        )
        kinds.append(np.log(0.5 * weight) + shared + fit)
    kinds.append(np.log(KIND_WEIGHTS[2]) + _uneven(local_ms, step))
    return np.asarray(np.logaddexp(np.logaddexp(kinds[0], kinds[1]), kinds[2]))


def _curve(
    coefficient: Floats, residual: Floats, spread_ms: Floats, bend_ms: Floats, length: int
) -> Floats:
    """Residual scatter plus the prior on the two bending coefficients."""
    total = -(length - 4) * (np.log(spread_ms) + _HALF_LOG_TAU) - residual / (2.0 * spread_ms**2)
    for degree, share in ((2, 1.0), (3, 0.5)):
        variance = spread_ms**2 + (share * bend_ms) ** 2
        total -= _HALF_LOG_TAU + 0.5 * np.log(variance)
        total -= coefficient[:, degree] ** 2 / (2.0 * variance)
    return np.asarray(total)


def _uneven(local_ms: Floats, step: Floats) -> Floats:
    """Steps scattered about one length, independent of one another."""
    steps = np.diff(local_ms, axis=1)
    count = steps.shape[1]
    scatter = UNEVEN_SHARE * step
    squares = np.sum((steps - step[:, None]) ** 2, axis=1)
    return np.asarray(
        -(count - 1) * (np.log(scatter) + _HALF_LOG_TAU)
        - squares / (2.0 * scatter**2)
        - 0.5 * np.log(count)
        - np.log(step * LOG_STEP_SPAN)
    )
