"""Fitting the map of safety: spread against interval, and the share that stays on the grid.

Both are regressions drawn towards priors (see `safety` for the model and its sources), with
a sandwich covariance over blocks to which the priors' own uncertainty is added. Intervals
between notes in ms, spreads as natural logarithms of ms, one own parameter per subdivision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.cells import Cells
from improv.chance import t_quantile
from improv.model import Floats, Ints

FLOOR_PRIOR = (math.log(12.0), 1.0)
SHARE_PRIOR = (math.log(0.028), 0.6)
OWN_FACTOR_SD = 0.15
LEVEL_PRIOR = (3.0, 2.0)
SLOPE_PRIOR = (4.0, 3.0)
OWN_SHIFT_SD = 0.7
MIDDLE_MS = 150.0
"""Interval at which the share on the grid has its level."""
RUN_NOTES = 6.0
"""Notes of a run fall off together: so many count as one answer."""
LEVEL = 0.95


@dataclass(frozen=True, eq=False)
class Fit:
    """Parameters, their covariance, and the degrees of freedom behind it."""

    theta: Floats
    covariance: Floats
    df: float

    def band(self, gradient: Floats) -> Floats:
        """Half-width of the 95 % band for values with these gradients, (points, parameters)."""
        variance = np.einsum("ij,jk,ik->i", gradient, self.covariance, gradient)
        return np.asarray(t_quantile(LEVEL, self.df) * np.sqrt(np.maximum(variance, 0.0)))


# --- spread against interval ---------------------------------------------------


def log_spread(theta: Floats, step: Floats, own: Ints) -> tuple[Floats, Floats]:
    """log sigma(d) and its gradient; parameters: log floor, log share, one factor per kind."""
    floor2, grown2 = math.exp(2 * theta[0]), math.exp(2 * theta[1]) * step**2
    total = floor2 + grown2
    gradient = np.zeros((len(step), len(theta)))
    gradient[:, 0], gradient[:, 1] = floor2 / total, grown2 / total
    gradient[np.arange(len(step)), 2 + own] = 1.0
    return 0.5 * np.log(total) + theta[2 + own], gradient


def fit_spread(y: Floats, variance: Floats, step: Floats, own: Ints, block: Ints) -> Fit:
    """Gauss-Newton on log spreads, towards the priors."""
    count = 2 + int(own.max()) + 1
    mean = np.zeros(count)
    mean[:2] = FLOOR_PRIOR[0], SHARE_PRIOR[0]
    precision = np.full(count, 1.0 / OWN_FACTOR_SD**2)
    precision[:2] = FLOOR_PRIOR[1] ** -2, SHARE_PRIOR[1] ** -2
    theta = mean.copy()
    for _ in range(60):
        fitted, gradient = log_spread(theta, step, own)
        weighted = gradient / variance[:, None]
        information = weighted.T @ gradient + np.diag(precision)
        move = np.linalg.solve(information, weighted.T @ (y - fitted) - precision * (theta - mean))
        theta = theta + np.clip(move, -1.0, 1.0)
        if np.abs(move).max() < 1e-8:
            break
    fitted, gradient = log_spread(theta, step, own)
    scores = gradient * ((y - fitted) / variance)[:, None]
    information = (gradient / variance[:, None]).T @ gradient + np.diag(precision)
    return _sandwich(theta, information, precision, scores, block)


# --- share on the grid against interval ----------------------------------------


def share_design(step: Floats, own: Ints, count: int) -> Floats:
    design = np.zeros((len(step), count))
    design[:, 0], design[:, 1] = 1.0, np.log(step / MIDDLE_MS)
    design[np.arange(len(step)), 2 + own] = 1.0
    return design


def fit_share(cells: Cells, step: Floats, own: Ints, block: Ints) -> Fit:
    """Logistic regression by Newton's method, towards the priors."""
    on, off = (cells[f].astype(np.float64) / RUN_NOTES for f in ("on", "off"))
    count = 2 + int(own.max()) + 1
    mean = np.zeros(count)
    mean[:2] = LEVEL_PRIOR[0], SLOPE_PRIOR[0]
    precision = np.full(count, 1.0 / OWN_SHIFT_SD**2)
    precision[:2] = LEVEL_PRIOR[1] ** -2, SLOPE_PRIOR[1] ** -2
    design = share_design(step, own, count)
    theta = mean.copy()
    for _ in range(60):
        chance = 1.0 / (1.0 + np.exp(-np.clip(design @ theta, -30, 30)))
        weight = (on + off) * chance * (1.0 - chance)
        information = (design * weight[:, None]).T @ design + np.diag(precision)
        score = design.T @ (on - (on + off) * chance) - precision * (theta - mean)
        move = np.linalg.solve(information, score)
        theta = theta + np.clip(move, -1.0, 1.0)
        if np.abs(move).max() < 1e-8:
            break
    chance = 1.0 / (1.0 + np.exp(-np.clip(design @ theta, -30, 30)))
    scores = design * (on - (on + off) * chance)[:, None]
    weight = (on + off) * chance * (1.0 - chance)
    information = (design * weight[:, None]).T @ design + np.diag(precision)
    return _sandwich(theta, information, precision, scores, block)


def _sandwich(
    theta: Floats, information: Floats, precision: Floats, scores: Floats, block: Ints
) -> Fit:
    """Covariance from blocks' scores; the priors' own uncertainty is added.

    Fitted parameters make residuals too small, those the priors hold make them less so:
    both enter by the effective number of parameters, tr(I - information^-1 precision).
    """
    _, number = np.unique(block, return_inverse=True)
    blocks = int(number.max()) + 1
    summed = np.zeros((blocks, len(theta)))
    np.add.at(summed, number, scores)
    inverse = np.linalg.inv(information)
    spent = min(len(theta) - float(np.diag(inverse) @ precision), blocks / 2.0)
    free = max(blocks - max(spent, 1.0), 1.0)
    meat = summed.T @ summed * (blocks / free) + np.diag(precision)
    return Fit(theta, inverse @ meat @ inverse, free)
