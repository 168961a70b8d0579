"""How a share changes when what it counts is rare: runs that leave the grid.

A phrase leaves the grid or does not, and most do not. The usual interval, estimate and so many
standard errors, fails there: a side on which nothing happened has no variance to show, and what
is added to make up for that lasts too long. So, as is standard for a difference of proportions:

* each side's share gets the interval of the binomial's own tails, what was seen counted half on
  either side (mid-P: Lancaster 1961, Journal of the American Statistical Association 56, 223-234;
  Berry & Armitage 1995, The Statistician 44, 417-423), which is as it should be for no event at
  all, and the two are put together by their distances from the shares (Newcombe 1998, Statistics
  in Medicine 17, 873-890, method 10, there of score intervals, which few events make too wide;
  for any contrast and any intervals Zou & Donner 2008, same journal 27, 1693-1702);
* notes of a run go together and phrases of a day may: the phrases count as fewer (or more)
  by the dispersion of what was seen (Rao & Scott 1992, Biometrics 48, 577-585), so that events
  and trials need not be whole (as Korn & Graubard 1998, Survey Methodology 24, 193-201);
* that dispersion is taken between blocks and drawn to the one between phrases, of which there
  are more (as moderated variances are: Smyth 2004, Statistical Applications in Genetics and
  Molecular Biology 3, article 3), with the degrees of freedom of such a sum (Satterthwaite
  1946, Biometrics Bulletin 2, 110-114).

With one or two events expected a side no interval that is not drawn by lot can be right 95 times
in a hundred: even all of them on one side is no proof, so a true difference of nothing lies
inside nearly always (on what few events do to any interval: Agresti & Coull 1998, American
Statistician 52, 119-126). `benchmarks/comparison.py` shows from where on it is near. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from improv.chance import (
    Estimate,
    Prior,
    incomplete_beta,
    line_weights,
    t_probability,
    t_quantile,
)
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
_NOTHING = 1e-12
_WIDEST = 32.0
"""Standard errors beyond which an interval is not followed: a normal's tail is 1e-224 there."""


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
        while self._excess(high) < 0.0 and high < _WIDEST:
            low, high = high, 2.0 * high
        return t_probability(_root(self._excess, low, high), self.df)

    def _excess(self, t: float) -> float:
        """How far beyond 0 the interval `t` standard errors wide reaches."""
        low, high = self._limits(t)
        return -low if self.value > 0.0 else high

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """The confidence interval."""
        low, high = self._limits(t_quantile(level, self.df))
        # A line through a few days may point further than a share can go.
        return min(max(low, -1.0), self.value), max(min(high, 1.0), self.value)

    def _limits(self, t: float) -> tuple[float, float]:
        ends = [share_interval(p, n, t) for p, n in zip(self.shares, self.counts, strict=True)]
        down, up = combined(self.shares, (ends[0], ends[1]))
        return (
            self.value - math.hypot(self.scale * down, t * self.prior_sd),
            self.value + math.hypot(self.scale * up, t * self.prior_sd),
        )


def combined(
    shares: tuple[float, float], ends: tuple[tuple[float, float], tuple[float, float]]
) -> tuple[float, float]:
    """How far a difference, after minus before, may lie below and above the one seen.

    `shares` and their intervals are (before, after); Newcombe 1998, method 10.
    """
    (before, after), ((low0, high0), (low1, high1)) = shares, ends
    return math.hypot(after - low1, high0 - before), math.hypot(high1 - after, before - low0)


def share_interval(share: float, count: float, t: float) -> tuple[float, float]:
    """The mid-P interval of a share seen in `count` trials, `t` standard errors wide.

    A normal's tails beyond `t` are left out on either side; trials need not be whole.
    """
    tail = math.erfc(t / math.sqrt(2.0)) / 2.0
    events = min(max(share, 0.0), 1.0) * count
    low, high = _lower(events, count, tail), 1.0 - _lower(count - events, count, tail)
    return min(low, share), max(high, share)


def _lower(events: float, count: float, tail: float) -> float:
    """The share at which `events` or more, what was seen counted half, has the chance `tail`.

    Newton's steps on the logarithms of both, between which the curve is nearly straight.
    """
    if events <= _NOTHING or tail <= 0.0:
        return 0.0
    misses = max(count - events, 0.0)
    ways = math.lgamma(count + 1.0) - math.lgamma(events + 1.0) - math.lgamma(misses + 1.0)
    low, high = math.log(_NOTHING), math.log(min(events / count, 1.0 - 1e-12))
    at = high
    for _ in range(_STEPS):
        p = math.exp(at)
        seen = math.exp(ways + events * at + misses * math.log1p(-p))
        more = incomplete_beta(events + 1.0, misses, p) if misses > 0.0 else 0.0
        chance = max(more + seen / 2.0, 1e-300)
        over = math.log(chance / tail)
        low, high = (low, at) if over > 0.0 else (at, high)
        slope = seen * (misses * p / (1.0 - p) + events) / 2.0 / chance
        step = at - over / max(slope, 1e-12)
        step = step if low < step < high else (low + high) / 2.0
        if abs(step - at) < 1e-13:
            break
        at = step
    return 0.0 if at <= math.log(2.0 * _NOTHING) else math.exp(at)


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a growing function is 0, by straight lines that are kept from getting stuck.

    Dowell & Jarratt 1971, BIT 11, 168-174 (the Illinois rule).
    """
    below, above = function(low), function(high)
    if above <= 0.0:
        return high
    last = 0
    for _ in range(_STEPS):
        at = high - above * (high - low) / (above - below)
        found = function(at)
        if found >= 0.0:
            high, above = at, found
            below = below / 2.0 if last > 0 else below
            last = 1
        else:
            low, below = at, found
            above = above / 2.0 if last < 0 else above
            last = -1
        if abs(found) < 1e-14 or high - low < 1e-13 * high:
            break
    return at


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
    outer = _ratio(y, size, later, shares)
    outer = inner if outer is None else outer
    blocks, inside = len(y), len(phrases.share) - len(y)
    free = max(float(blocks - 2), 1.0)
    mixed, df = drawn(inner, outer, free, happened, min(DRAWN_DF, float(inside)))
    return max(mixed, LEAST_DISPERSION), df


def drawn(
    inner: float, outer: float, free: float, events: int, weight: float = DRAWN_DF
) -> tuple[float, float]:
    """The blocks' dispersion drawn to the phrases', and its degrees of freedom.

    `outer` is the blocks' with `free` degrees, `inner` the phrases', which `weight` degrees stand
    for. Satterthwaite 1946: the phrases' part is as sure as there were events to see it by.
    """
    mixed = (weight * inner + free * outer) / (weight + free)
    return mixed, (weight + free) ** 2 / (weight**2 / (events + 1.0) + free)


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
