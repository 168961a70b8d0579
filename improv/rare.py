"""How a share changes when what it counts is rare: runs that leave the grid.

A phrase leaves the grid or does not, and most do not. The usual interval, estimate and so many
standard errors, fails there: a side on which nothing happened has no variance to show, and what
is added to make up for that lasts too long. So, as is standard for a difference of proportions:

* each side's share gets a score interval (Wilson 1927, Journal of the American Statistical
  Association 22, 209-212), which is as it should be for no event at all, and the two are put
  together by their distances from the shares (Newcombe 1998, Statistics in Medicine 17,
  873-890, method 10; for any contrast Zou & Donner 2008, same journal 27, 1693-1702);
* notes of a run go together and phrases of a day may: the phrases count as fewer (or more)
  by the dispersion of what was seen (Rao & Scott 1992, Biometrics 48, 577-585);
* that dispersion is taken between blocks and drawn to the one between phrases, of which there
  are more (as moderated variances are: Smyth 2004, Statistical Applications in Genetics and
  Molecular Biology 3, article 3), with the degrees of freedom of such a sum (Satterthwaite
  1946, Biometrics Bulletin 2, 110-114).

With fewer than about four events expected on each side no interval that is not drawn by lot
can be right 95 times in a hundred: even all of them on one side is no proof, so a true
difference of nothing lies inside nearly always (on what few events do to any interval: Agresti
& Coull 1998, American Statistician 52, 119-126). `benchmarks/comparison.py` shows from where
on it is near. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.chance import Estimate, Prior, line_weights, t_probability, t_quantile
from improv.model import Bools, Floats, Ints

DISPERSION = 1.0 / 3.0
"""Dispersion of a phrase's share before any event tells, weighing as much as one event: a run
that leaves the grid is about a third of its phrase; no source."""
LEAST_DISPERSION = 0.1 * DISPERSION
"""Copies of one take agree to the last digit, which is no evidence."""
DRAWN_DF = 4.0
"""Weight, in degrees of freedom, with which blocks' dispersion is drawn to phrases'; no source.
Intervals then hold 95 times in a hundred where days' rates differ by 30 %; by 60 %, with half
of all phrases off the grid and four days a side, 92 times."""
_STEPS = 80


@dataclass(frozen=True)
class ShareChange(Estimate):
    """A change of a share, after minus before, times `scale`.

    `shares` and `counts` are (before, after): the sides' shares and as how many independent
    phrases they count. `prior_sd` is what a prior leaves open. `se` is that of the interval.
    """

    shares: tuple[float, float] = (0.0, 0.0)
    counts: tuple[float, float] = (1.0, 1.0)
    scale: float = 1.0
    prior_sd: float = 0.0

    @property
    def probability(self) -> float:
        """The level at which the interval just touches 0."""
        if self.value == 0.0:
            return 1.0
        low, high = 0.0, 1.0
        while self._holds_zero(high) is False and high < 1e6:
            low, high = high, 2.0 * high
        for _ in range(_STEPS):
            middle = (low + high) / 2.0
            low, high = (low, middle) if self._holds_zero(middle) else (middle, high)
        return t_probability(high, self.df)

    def _holds_zero(self, t: float) -> bool:
        low, high = self._limits(t)
        return low <= 0.0 <= high

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """The confidence interval."""
        return self._limits(t_quantile(level, self.df))

    def _limits(self, t: float) -> tuple[float, float]:
        (low0, high0), (low1, high1) = (
            score_interval(p, n, t) for p, n in zip(self.shares, self.counts, strict=True)
        )
        before, after = self.shares
        prior = t * self.prior_sd
        down = math.hypot(self.scale * (after - low1), self.scale * (high0 - before), prior)
        up = math.hypot(self.scale * (high1 - after), self.scale * (before - low0), prior)
        # A line through a few days may point further than a share can go.
        return min(max(self.value - down, -1.0), self.value), max(
            min(self.value + up, 1.0), self.value
        )


def score_interval(share: float, count: float, t: float) -> tuple[float, float]:
    """Wilson's interval of a share seen in `count` trials, `t` standard errors wide."""
    square = t * t / count
    middle = (share + square / 2.0) / (1.0 + square)
    half = t / (1.0 + square) * math.sqrt(share * (1.0 - share) / count + square / (4.0 * count))
    return min(max(middle - half, 0.0), share), max(min(middle + half, 1.0), share)


@dataclass(frozen=True, eq=False)
class Phrases:
    """Shares of single phrases, and the block each belongs to, counted from 0."""

    share: Floats
    block: Ints


def share_change(
    phrases: Phrases, y: Floats, columns: Floats, variance: Floats, prior: Prior | None
) -> ShareChange | None:
    """Column 1's coefficient in a regression of blocks' shares `y` (n,), as `robust_line` has it.

    `prior` is on the logistic scale. `None` where the data cannot tell the coefficient.
    """
    if prior is not None:
        usual = (float(phrases.share.sum()) + DISPERSION / 2.0) / (len(phrases.share) + 1.0)
        slope = usual * (1.0 - usual)  # of the logistic curve at the usual share, half an event in
        prior = Prior(prior.column, slope * prior.mean, slope * prior.sd)
    found = line_weights(y, columns, variance, 1, prior)
    if found is None:
        return None
    value, weights, prior_sd = found
    later = weights > 0.0
    scale = float(weights[later].sum())
    size = np.asarray(np.bincount(phrases.block, minlength=len(y)), dtype=np.float64)
    shares = (
        float(weights[~later] @ y[~later] / weights[~later].sum()),
        float(weights[later] @ y[later] / scale),
    )
    dispersion, df = _dispersion(phrases, y, size, later, shares)
    counts = [
        scale**2 / (dispersion * float(np.sum(weights[side] ** 2 / size[side])))
        for side in (~later, later)
    ]
    made = ShareChange(value, 0.0, df, shares, (counts[0], counts[1]), scale, prior_sd)
    low, high = made.interval()
    se = (high - low) / 2.0 / t_quantile(0.95, df)
    return ShareChange(value, se, df, shares, made.counts, scale, prior_sd)


def _dispersion(
    phrases: Phrases, y: Floats, size: Floats, later: Bools, shares: tuple[float, float]
) -> tuple[float, float]:
    """Variance of a phrase's share as a part of p (1 - p), and its degrees of freedom."""
    happened = int((phrases.share > 1e-9).sum())
    inner = DISPERSION
    alone = _ratio(phrases.share, np.ones(len(phrases.share)), later[phrases.block], None)
    if alone is not None:
        inner = (alone * happened + DISPERSION) / (happened + 1)
    outer = _ratio(y, size, later, shares) or inner
    blocks = len(y)
    drawn = min(DRAWN_DF, float(len(phrases.share) - blocks))
    free = max(float(blocks - 2), 1.0)
    mixed = (drawn * inner + free * outer) / (drawn + free)
    # Satterthwaite 1946: the phrases' part is as sure as there were events to see it by.
    df = (drawn + free) ** 2 / (drawn**2 / (happened + 1.0) + free)
    return max(mixed, LEAST_DISPERSION), df


def _ratio(
    share: Floats, size: Floats, later: Bools, known: tuple[float, float] | None
) -> float | None:
    """Squares about each side's share over what p (1 - p) makes of them; `None` if that is 0."""
    above = below = 0.0
    for number, side in enumerate((~later, later)):
        p = known[number] if known else float(share[side].mean()) if side.any() else 0.0
        above += float(np.sum(size[side] * (share[side] - p) ** 2))
        below += (int(side.sum()) - 1) * p * (1.0 - p)
    return above / below if below > 0.0 else None
