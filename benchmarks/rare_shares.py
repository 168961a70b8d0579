"""Table 2 of `comparison`: the off-grid share's interval, by how many events there are.

A phrase leaves the grid or does not. Where few do, coverage comes in steps and no interval
that is not drawn by lot is right 95 times in a hundred: with one expected a side even all against
none is no proof, and a true difference of nothing is held nearly always (`least_coverage`).
Beside each figure stands the standard interval for two proportions (Newcombe 1998, Statistics
in Medicine 17, 873-890, method 10), told more than a log ever tells: that every phrase is
independent, and that tempi play no part. Its coverage is summed exactly. The column before the
last is the mean over expected numbers from 1 to 8, each as likely.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from benchmarks.coverage import mark_of, standard_error
from benchmarks.histories import Side, random_player, two_sides
from improv.compare import Comparison, compare_over_time, compare_sets
from improv.contrasts import TOGETHER
from improv.material import joined
from improv.rare import combined

BINS = ((0.3, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (8.0, 16.0))
FEWEST = 400
RATES = (0.02, 0.5)
USUAL = (1.0, 8.0)
"""Events expected a side over which coverage is averaged."""
FEW = 2.0
"""Fewer events expected a side than this are too few for coverage to come near 95 %."""
SEED = 2_000_000


@dataclass(frozen=True)
class Design:
    """Two sides alike, or one course over time, of so many days and phrases a day."""

    name: str
    days: int
    phrases: int
    over_time: bool = False
    doubled: bool = False

    @property
    def each(self) -> int:
        """Phrases on a subdivision, a side."""
        return self.days * self.phrases


DESIGNS = (
    Design("days, 4 against 4", 4, 6),
    Design("days, 8 against 8", 8, 3),
    Design("days, 20 against 20", 20, 3),
    Design("the same, twice as often", 20, 3, doubled=True),
    Design("over time, 10 days", 5, 6, over_time=True),
)


def table(histories: int) -> str:
    """Coverage by the phrases expected to leave the grid on each side."""
    heads = [f"{low:g}-{high:g}" for low, high in BINS]
    lines = [
        "2. Off-grid share: coverage by the phrases expected to leave the grid a side, first of",
        "   the interval, then of Newcombe's on phrases known to be independent (exact); ~ above",
        f"   97 % where fewer than {FEW:g} are expected (too few events), ! outside otherwise",
        f"{'':<25}" + "".join(f"{head:>12}" for head in heads) + f"{'mean 1-8':>11}{'s.e.':>5}",
    ]
    for number, design in enumerate(DESIGNS):
        found: list[list[float]] = [[] for _ in BINS]
        usual: list[tuple[float, float]] = []
        for i in range(histories):
            for expected, covered in _one(design, SEED + number * 20_000 + i):
                for place, (low, high) in enumerate(BINS):
                    if low <= expected < high:
                        found[place].append(covered)
                if USUAL[0] <= expected < USUAL[1]:
                    usual.append((expected, covered))
        cells = [_cell(f, design, b) for f, b in zip(found, BINS, strict=True)]
        worst = max([standard_error(f) for f in found if len(f) >= FEWEST] or [0.0])
        row = "".join(f"{cell:>12}" for cell in cells)
        lines.append(f"{design.name:<25}{row}{_mean(usual):>11}{100 * worst:>5.1f}")
    least = ", ".join(f"{100 * least_coverage(e):.1f} % at {e:g}" for e in (0.3, 0.5, 1.0))
    lines += [
        "Where nothing differs, an interval that took even 4 against none (1 in 8) for proof would",
        f"cover at least {least} expected a side (exact).",
    ]
    return "\n".join(lines)


def least_coverage(expected: float, proof: float = 0.125) -> float:
    """Coverage of no difference by any interval that leaves out 0 only on such proof.

    Events on two equal sides, so many expected on each, independent and rare (Poisson): of m
    in all, each falls on either side by a coin's toss. Proof is a split whose two-sided exact
    chance is at most `proof`.
    """
    missed = 0.0
    for m in range(1, 20 + int(6 * expected)):
        splits = np.arange(m + 1)
        beyond = stats.binom.cdf(np.minimum(splits, m - splits), m, 0.5)
        told = np.minimum(2.0 * beyond, 1.0) <= proof + 1e-12
        missed += float(stats.poisson.pmf(m, 2.0 * expected)) * float(
            stats.binom.pmf(splits[told], m, 0.5).sum()
        )
    return 1.0 - missed


def _mean(usual: list[tuple[float, float]]) -> str:
    """Coverage and its standard error where every expected number is as likely.

    Rates are drawn even on a logarithmic scale, so each counts by its size.
    """
    weight, covered = np.array(usual).T
    mean = float(np.average(covered, weights=weight))
    return f"{100 * mean:.1f}{mark_of(mean)} +-{100 * standard_error(covered, weight):.1f}"


def _cell(covered: list[float], design: Design, between: tuple[float, float]) -> str:
    if len(covered) < FEWEST or between[1] > 0.9 * design.each:
        return "-"
    share, known = float(np.mean(covered)), _newcombe(design, between)
    return f"{100 * share:.1f}{mark_of(share, between[1] <= FEW):<1} {100 * known:.1f}"


def _one(design: Design, seed: int) -> list[tuple[float, float]]:
    """Of one history, per subdivision: phrases expected to leave the grid, and if covered."""
    rng = np.random.default_rng(seed)
    rate = float(np.exp(rng.uniform(*np.log(RATES))))
    player = replace(random_player(rng), off_grid=rate)
    times = 2.0 if design.doubled else 1.0
    plan = Side(design.days, phrases=design.phrases)
    sides = two_sides(player, plan, replace(plan, off_grid_times=times), rng)
    told: Comparison
    told = compare_over_time(joined(*sides)) if design.over_time else compare_sets(*sides)
    found = []
    for f in told.findings:
        if f.measure.key != "off_grid" or f.subdivision == TOGETHER.name:
            continue
        if f.low is None or f.high is None:
            continue
        risks = [min(rate * t * f.per_beat / 3.0, 0.9) for t in (1.0, times)]
        true = true_share(risks[1], design.phrases) - true_share(risks[0], design.phrases)
        found.append((design.each * risks[0], float(f.low <= true <= f.high)))
    return found


_SHARES: dict[int, tuple[np.ndarray, np.ndarray]] = {}


def true_share(risk: float, phrases: int) -> float:
    """What a day's share is on average, weighted as the comparison weights phrases."""
    if phrases not in _SHARES:
        rng = np.random.default_rng(1)
        grid = np.linspace(0.0, 0.9, 19)
        on = rng.integers(8, 25, (60_000, phrases))
        run = rng.integers(5, 12, on.shape)
        chance = rng.random(on.shape)
        means = []
        for p in grid:
            off = run * (chance < p)
            weight = 1.0 / (0.15**2 + 0.5 / (on + off))
            means.append(float(np.mean((weight * off / (on + off)).sum(1) / weight.sum(1))))
        _SHARES[phrases] = grid, np.array(means)
    return float(np.interp(risk, *_SHARES[phrases]))


def _newcombe(design: Design, between: tuple[float, float]) -> float:
    """Exact coverage of Newcombe's interval over the same expected numbers, two equal sides."""
    n = design.each
    p = np.arange(n + 1) / n
    ends = [stats.binomtest(k, n).proportion_ci(0.95, method="wilson") for k in range(n + 1)]
    down, up = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
    for i, j in np.ndindex(n + 1, n + 1):
        reach = combined((p[i], p[j]), ((ends[i].low, ends[i].high), (ends[j].low, ends[j].high)))
        down[i, j], up[i, j] = p[j] - p[i] - reach[0], p[j] - p[i] + reach[1]
    times = 2.0 if design.doubled else 1.0
    shares = []
    for expected in np.geomspace(*between, 40):
        risks = [min(expected / n * t, 0.9) for t in (1.0, times)]
        chances = np.outer(*(stats.binom.pmf(np.arange(n + 1), n, r) for r in risks))
        true = risks[1] - risks[0]
        shares.append(float(chances[(down <= true) & (true <= up)].sum()))
    return float(np.mean(shares))
