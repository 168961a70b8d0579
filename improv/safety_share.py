"""Up to which interval runs stay on the grid: a logistic curve, and where it is surely held.

A phrase's notes stay on the grid or leave it, few of them do, and rarely near the tempo asked
about. The usual interval, estimate and so many standard errors, fails there: without an event
it is too narrow, and drawn to the prior (Hauck & Donner 1977, Journal of the American
Statistical Association 72, 851-853). So, as is standard for a dose at which a share is reached:

* an interval between notes is kept as long as the likelihood, at its highest with exactly the
  asked share there, is not too far below the highest of all (a profile likelihood, the prior's
  log density added: Venzon & Moolgavkar 1988, Applied Statistics 37, 87-94);
* notes of a run go together and phrases of a day may: the likelihood's fall is scaled by what
  that does to the variance (Rotnitzky & Jewell 1990, Biometrika 77, 485-497), the dispersion
  taken between phrases and between blocks as in `rare`, each as sure as there were events;
* a prior's own uncertainty counts in full, and as sure as it says it is (Satterthwaite 1946).

Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.cells import Cells
from improv.chance import t_quantile
from improv.model import Floats, Ints
from improv.rare import drawn
from improv.sandwich import LEVEL

LEVEL_PRIOR = (3.0, 2.0)
SLOPE_PRIOR = (4.0, 3.0)
OWN_SHIFT_SD = 0.7
MIDDLE_MS = 150.0
"""Interval at which the share on the grid has its level."""
RUN_NOTES = 6.0
"""Notes of a run fall off together: so many count as one answer, before events tell."""
LEAST_DISPERSION = 0.1
"""Copies of one take agree to the last digit, which is no evidence."""
_MERGED = 0.005
"""Rows of a subdivision whose logarithms of the interval fall into one such step are one row."""
_EVERY = 5
_TURNS, _CLOSE = 60, 1e-9


def share_design(step: Floats, own: Ints, count: int) -> Floats:
    """Columns: level, slope on the logarithm of the interval, each subdivision's own shift."""
    design = np.zeros((len(step), count))
    design[:, 0], design[:, 1] = 1.0, np.log(step / MIDDLE_MS)
    design[np.arange(len(step)), 2 + own] = 1.0
    return design


@dataclass(frozen=True, eq=False)
class Answers:
    """Shares that stayed, each in so many independent answers; and the prior, k parameters."""

    design: Floats
    share: Floats
    weight: Floats
    mean: Floats
    precision: Floats

    def height(self, theta: Floats) -> float:
        """Log likelihood plus the prior's log density, up to a constant."""
        at = self.design @ theta
        told = float(self.weight @ (self.share * at - np.logaddexp(0.0, at)))
        return told - 0.5 * float(self.precision @ (theta - self.mean) ** 2)

    def information(self, theta: Floats) -> Floats:
        """What the answers say, (k, k), without the prior."""
        p = _logistic(self.design @ theta)
        return np.asarray((self.design * (self.weight * p * (1.0 - p))[:, None]).T @ self.design)

    def highest(self, start: Floats, free: Floats) -> Floats:
        """The parameters of greatest height among `start` + `free` u (k, free), by Newton."""
        theta = start
        for _ in range(_TURNS):
            rest = self.weight * (self.share - _logistic(self.design @ theta))
            score = self.design.T @ rest - self.precision * (theta - self.mean)
            bent = free.T @ (self.information(theta) + np.diag(self.precision)) @ free
            move = np.clip(np.linalg.solve(bent, free.T @ score), -1.0, 1.0)
            theta = theta + free @ move
            if np.abs(move).max(initial=0.0) < _CLOSE:
                break
        return theta


@dataclass(frozen=True, eq=False)
class Shares:
    """The fit: `theta` (k,), how much more the answers vary than single ones, how sure that is."""

    answers: Answers
    theta: Floats
    dispersion: float
    df: float

    def standing(self, design: Floats, limit: float) -> Floats:
        """How far the curve lies above `limit`, in half-widths of its 95 % interval, (points,).

        `design` is (points, k), its last column that is not 0 a 1; `limit` a log odds. Above 1
        the point is surely held, below -1 surely not.
        """
        top = self.answers.height(self.theta)
        theta, fallen, df = self.theta, np.zeros(len(design)), np.zeros(len(design))
        for i, x in enumerate(design):
            theta = self._held_to(x, limit, theta)
            scale, df[i] = self._scale(x, theta)
            fallen[i] = math.sqrt(max(2.0 * scale * (top - self.answers.height(theta)), 0.0))
        # Degrees of freedom change slowly along the curve.
        at = np.unique(np.append(np.arange(0, len(df), _EVERY), len(df) - 1))
        t = np.interp(np.arange(len(df)), at, [t_quantile(LEVEL, d) for d in df[at].tolist()])
        return np.asarray(np.copysign(fallen / t, design @ self.theta - limit))

    def _held_to(self, x: Floats, limit: float, start: Floats) -> Floats:
        """The highest parameters whose curve passes through `limit` at `x`."""
        own = int(np.flatnonzero(x)[-1])
        others = np.delete(np.eye(len(x)), own, axis=1)
        free = others.copy()
        free[own] -= x @ others
        start = start.copy()
        start[own] += limit - float(x @ start)
        return self.answers.highest(start, free)

    def _scale(self, x: Floats, theta: Floats) -> tuple[float, float]:
        """Working over true variance of the curve at `x`, and the degrees of freedom of that."""
        told = self.answers.information(theta)
        lead = np.linalg.solve(told + np.diag(self.answers.precision), x)
        seen = self.dispersion * float(lead @ told @ lead)
        total = seen + float(self.answers.precision @ lead**2)
        df = total**2 * self.df / max(seen**2, 1e-300)
        return float(x @ lead) / total, min(df, 1e6)


def fit_share(cells: Cells, step: Floats, own: Ints, block: Ints, blocks: int) -> Shares:
    """The share on the grid against the interval between notes (ms), towards the priors."""
    on, off = (cells[f].astype(np.float64) / RUN_NOTES for f in ("on", "off"))
    tried = np.flatnonzero(on + off > 0.0)
    on, off, step, own, block = on[tried], off[tried], step[tried], own[tried], block[tried]
    k = 2 + int(own.max()) + 1
    mean, precision = np.zeros(k), np.full(k, OWN_SHIFT_SD**-2)
    mean[:2] = LEVEL_PRIOR[0], SLOPE_PRIOR[0]
    precision[:2] = LEVEL_PRIOR[1] ** -2, SLOPE_PRIOR[1] ** -2
    merged = _merged(on, off, step, own)
    answers = Answers(share_design(merged[2], merged[3], k), *merged[:2], mean, precision)
    theta = answers.highest(mean, np.eye(k))
    plain = Answers(share_design(step, own, k), on / (on + off), on + off, mean, precision)
    events = int(np.count_nonzero(off))
    return Shares(answers, theta, *_dispersion(plain, theta, block, blocks, events))


def _merged(
    on: Floats, off: Floats, step: Floats, own: Ints
) -> tuple[Floats, Floats, Floats, Ints]:
    """Share, weight, interval and subdivision of rows that lie within half a per cent."""
    weight = on + off
    key = own * 1_000_000 + np.round(np.log(step) / _MERGED).astype(np.int64)
    _, first, row = np.unique(key, return_index=True, return_inverse=True)
    total, stayed, along = (
        _summed(row, value, len(first)) for value in (weight, on, weight * np.log(step))
    )
    return stayed / total, total, np.exp(along / total), own[first]


def _dispersion(
    answers: Answers, theta: Floats, block: Ints, blocks: int, events: int
) -> tuple[float, float]:
    """Variance of the answers as a multiple of single ones', and its degrees of freedom.

    `rare` says why between phrases and between blocks; with no event it is 1.
    """
    p = _logistic(answers.design @ theta)
    alone = answers.weight * p * (1.0 - p)
    score, moved = answers.weight * (answers.share - p), answers.design * alone[:, None]
    told = moved.T @ answers.design
    inverse = np.linalg.inv(told + np.diag(answers.precision))
    # Residuals about a fitted curve are smaller: r = (1 - M) s, its variance 1 - 2 M + M I M.
    taken = np.asarray(2.0 * inverse - inverse @ told @ inverse)
    phrases = _ratio(score, alone, moved, taken)[0]
    together = np.zeros((blocks, len(theta)))
    np.add.at(together, block, moved)
    between, left = _ratio(
        _summed(block, score, blocks), _summed(block, alone, blocks), together, taken
    )
    inner = (events * phrases + 1.0) / (events + 1.0)
    outer = (events * between + inner) / (events + 1.0)
    free = max(left * blocks, 1.0)
    mixed, df = drawn(inner, outer, free, events)
    return max(mixed, LEAST_DISPERSION), df


def _ratio(score: Floats, alone: Floats, moved: Floats, taken: Floats) -> tuple[float, float]:
    """Squares of scores over their expected sum, and what share of variance the fit left."""
    left = float(alone.sum()) - float(np.einsum("ij,jk,ik->", moved, taken, moved))
    return float(score @ score) / max(left, 1e-12), left / max(float(alone.sum()), 1e-12)


def _summed(block: Ints, value: Floats, blocks: int) -> Floats:
    return np.asarray(np.bincount(block, value, blocks), dtype=np.float64)


def _logistic(at: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(at, -30.0, 30.0))))
