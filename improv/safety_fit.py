"""Fitting the map of safety: spread against interval (the share on the grid: `safety_share`).

A regression drawn towards priors (see `safety` for the model and its sources), with
bands from `sandwich`, over blocks and with the priors' own uncertainty. Intervals
between notes in ms, spreads as natural logarithms of ms, one own parameter per subdivision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from improv.model import Floats, Ints
from improv.sandwich import Fit, sandwich

FLOOR_PRIOR = (math.log(12.0), 1.0)
SHARE_PRIOR = (math.log(0.028), 0.6)
OWN_FACTOR_SD = 0.15
BLOCK_SD, BLOCK_SD_BLOCKS = 0.1, 4.0
"""How much a player's spread differs from day to day, on a logarithmic scale, before a log
tells; no source, weighs as much as so many days."""
TIED_AFTER = 4


class Ties:
    """How the rows of a block hang together: a working model, one level per block.

    A block's level has the variance tau^2 (by moments: DerSimonian & Laird 1986, Controlled
    Clinical Trials 7, 177-188; drawn to `BLOCK_SD` with the weight of `BLOCK_SD_BLOCKS`, for
    a handful of days hardly tells): `between`. Weights are the inverse of variance + tau^2 11'.
    """

    def __init__(self, rest: Floats, variance: Floats, block: Ints, blocks: int) -> None:
        self._block = block
        self._weight = 1.0 / variance
        self._total = np.asarray(np.bincount(block, self._weight, blocks), dtype=np.float64)
        some = self._total > 0.0
        total = self._total[some]
        level = np.asarray(np.bincount(block, self._weight * rest, blocks), dtype=np.float64)
        level[some] = level[some] / total
        count = len(total)
        inside = np.sum(self._weight * (rest - level[block]) ** 2) / max(len(rest) - count, 1)
        centre = float(total @ level[some]) / total.sum()
        between = float(total @ (level[some] - centre) ** 2) - (count - 1) * inside
        room = total.sum() - float(total @ total) / total.sum()
        found = max(between / room, 0.0) if room > 0.0 else 0.0
        tau2 = BLOCK_SD_BLOCKS * BLOCK_SD**2 + (count - 1) * found
        self.between = tau2 / (BLOCK_SD_BLOCKS + count - 1)
        self._share = self.between / (1.0 + self.between * self._total)

    def weighted(self, columns: Floats) -> Floats:
        """The weights times these columns, (rows, k)."""
        plain = columns * self._weight[:, None]
        sums = np.zeros((len(self._total), columns.shape[1]))
        np.add.at(sums, self._block, plain)
        level = (sums * self._share[:, None])[self._block]
        return np.asarray(plain - level * self._weight[:, None])


# --- spread against interval ---------------------------------------------------


def log_spread(theta: Floats, step: Floats, own: Ints) -> tuple[Floats, Floats]:
    """log sigma(d) and its gradient; parameters: log floor, log share, one factor per kind."""
    floor2, grown2 = math.exp(2 * theta[0]), math.exp(2 * theta[1]) * step**2
    total = floor2 + grown2
    gradient = np.zeros((len(step), len(theta)))
    gradient[:, 0], gradient[:, 1] = floor2 / total, grown2 / total
    gradient[np.arange(len(step)), 2 + own] = 1.0
    return 0.5 * np.log(total) + theta[2 + own], gradient


@dataclass(frozen=True, eq=False)
class Spreads:
    """What is fitted, one row per cell: log spreads with their working variances.

    `by_memory` is how a row moves with the memory that was put in; `memory_moved` (blocks,)
    how far each block moved that.
    """

    value: Floats
    variance: Floats
    step: Floats
    own: Ints
    block: Ints
    by_memory: Floats
    memory_moved: Floats


def fit_spread(data: Spreads, kinds: int) -> Fit:
    """Gauss-Newton on log spreads, towards the priors; `kinds` subdivisions have a factor each.

    One of which no spread is known keeps the prior's factor, as unsure as that is.
    The memory is an estimate as well, and all the rows lean on it: each block's score takes
    in what the block did to the memory.
    """
    count, blocks = 2 + kinds, len(data.memory_moved)
    mean = np.zeros(count)
    mean[:2] = FLOOR_PRIOR[0], SHARE_PRIOR[0]
    precision = np.full(count, 1.0 / OWN_FACTOR_SD**2)
    precision[:2] = FLOOR_PRIOR[1] ** -2, SHARE_PRIOR[1] ** -2
    theta = mean.copy()
    ties = Ties(np.zeros_like(data.value), data.variance, data.block, blocks)
    for turn in range(60):
        fitted, gradient = log_spread(theta, data.step, data.own)
        if turn == TIED_AFTER:  # by now the residuals are no longer those of the priors' curve
            ties = Ties(data.value - fitted, data.variance, data.block, blocks)
        weighted = ties.weighted(gradient)
        information = weighted.T @ gradient + np.diag(precision)
        score = weighted.T @ (data.value - fitted) - precision * (theta - mean)
        move = np.linalg.solve(information, score)
        theta = theta + np.clip(move, -1.0, 1.0)
        if turn > TIED_AFTER and np.abs(move).max() < 1e-8:
            break
    fitted, gradient = log_spread(theta, data.step, data.own)
    weighted = ties.weighted(gradient)
    found = sandwich(theta, precision, gradient, weighted, data.value - fitted, data.block, blocks)
    leaning = np.outer(data.memory_moved, weighted.T @ data.by_memory)
    return replace(found, scores=found.scores + leaning)
