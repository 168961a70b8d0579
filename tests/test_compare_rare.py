"""A change in a rare share: against the published examples, and where events are few."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchmarks.histories import Player, Side, two_sides
from benchmarks.rare_shares import least_coverage
from improv.chance import Prior, line_weights, robust_line
from improv.compare import BETTER, WORSE, Comparison, Finding, compare_sets
from improv.contrasts import TOGETHER
from improv.rare import (
    DISPERSION,
    Phrases,
    ShareChange,
    combined,
    share_change,
    share_interval,
)


def off_grid(found: Comparison) -> list[Finding]:
    """The findings on runs that leave the grid, single subdivisions only."""
    return [
        f for f in found.findings if f.measure.key == "off_grid" and f.subdivision != TOGETHER.name
    ]


@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [
        (81, 263, 0.2544, 0.3658),
        (15, 148, 0.0601, 0.1581),
        (0, 20, 0.0, 0.1391),
        (1, 29, 0.0017, 0.1585),
    ],
)
def test_one_share_as_published(events: int, trials: int, low: float, high: float) -> None:
    """Newcombe 1998, Statistics in Medicine 17, 857-872, table I, mid-P (figures from memory)."""
    found = share_interval(events / trials, trials, stats.norm.ppf(0.975))
    assert found == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize("level", [0.5, 0.95, 0.999])
@pytest.mark.parametrize(("events", "trials"), [(1, 20), (5, 24), (12, 24), (23, 24), (300, 900)])
def test_one_share_as_the_reference_library_has_its_tails(
    events: int, trials: int, level: float
) -> None:
    """At each end scipy's binomial puts half the tail's chance, what was seen counted half."""
    tail = (1.0 - level) / 2.0
    low, high = share_interval(events / trials, trials, stats.norm.ppf(1.0 - tail))
    seen = [float(stats.binom.pmf(events, trials, p)) / 2.0 for p in (low, high)]
    assert stats.binom.sf(events, trials, low) + seen[0] == pytest.approx(tail, rel=1e-6)
    assert stats.binom.cdf(events - 1, trials, high) + seen[1] == pytest.approx(tail, rel=1e-6)


@pytest.mark.parametrize("trials", [3.0, 17.5, 400.0])
def test_none_and_all_are_each_others_mirror(trials: int) -> None:
    """No event: from 0 to where half the chance of none is the tail, 1 - 0.05 ** (1 / n)."""
    t = stats.norm.ppf(0.975)
    assert share_interval(0.0, trials, t) == pytest.approx((0.0, 1.0 - 0.05 ** (1.0 / trials)))
    assert share_interval(1.0, trials, t) == pytest.approx((0.05 ** (1.0 / trials), 1.0))


def test_parts_of_an_event_lie_between_whole_ones() -> None:
    """Effective events are rarely whole: the interval moves steadily from one to the next."""
    ends = np.array([share_interval(x / 30.0, 30.0, 2.0) for x in np.linspace(0.0, 30.0, 121)])
    assert np.all(np.diff(ends, axis=0) >= 0.0)
    assert np.abs(np.diff(ends, axis=0)).max() < 0.02


@pytest.mark.parametrize(
    ("first", "second", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 10), -0.2775, 0.2775),
        ((10, 10), (0, 10), 0.6075, 1.0000),
    ],
)
def test_two_shares_are_put_together_as_published(
    first: tuple[int, int], second: tuple[int, int], low: float, high: float
) -> None:
    """Newcombe 1998, Statistics in Medicine 17, 873-890, table II, method 10 (figures from
    memory), fed with that method's own intervals of each share (scipy's)."""
    shares = second[0] / second[1], first[0] / first[1]
    known = [stats.binomtest(*s).proportion_ci(0.95, method="wilson") for s in (second, first)]
    down, up = combined(shares, ((known[0].low, known[0].high), (known[1].low, known[1].high)))
    change = shares[1] - shares[0]
    assert (change - down, change + up) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize("rates", [(0.04, 0.04), (0.1, 0.1), (0.05, 0.1), (0.3, 0.3), (0.3, 0.5)])
def test_whole_phrases_are_covered_as_often_as_is_said(rates: tuple[float, float]) -> None:
    """Two sides of 40 independent phrases, summed exactly: 93 to 97 % from 1.6 events a side on
    where rates differ or events are more, and never below."""
    n, t = 40, stats.norm.ppf(0.975)
    ends = [share_interval(k / n, n, t) for k in range(n + 1)]
    covered = 0.0
    for i, j in np.ndindex(n + 1, n + 1):
        down, up = combined((i / n, j / n), (ends[i], ends[j]))
        seen, true = (j - i) / n, rates[1] - rates[0]
        if seen - down <= true <= seen + up:
            covered += float(stats.binom.pmf(i, n, rates[0]) * stats.binom.pmf(j, n, rates[1]))
    assert 0.93 <= covered <= (0.98 if rates == (0.04, 0.04) else 0.97)


def test_few_events_are_held_too_often_by_any_interval() -> None:
    """One expected a side: with 4 or 5 in all only all against none is proof (by hand)."""
    poisson = [math.exp(-2.0) * 2.0**m / math.factorial(m) for m in range(7)]
    by_hand = 1.0 - (poisson[4] / 8 + poisson[5] / 16 + poisson[6] / 32)
    assert least_coverage(1.0) == pytest.approx(by_hand, abs=1e-3)
    assert least_coverage(1.0) > 0.98 and least_coverage(0.3) > 0.999
    assert least_coverage(8.0) < 0.97


@pytest.mark.parametrize("shares", [(0.02, 0.3), (0.3, 0.02), (0.0, 0.2), (0.1, 0.12)])
def test_the_chance_is_the_level_at_which_nothing_is_just_inside(
    shares: tuple[float, float],
) -> None:
    """The interval at one less the probability ends at 0."""
    change = ShareChange(shares[1] - shares[0], 0.0, 9.0, shares, (40.0, 60.0))
    ends = change.interval(1.0 - change.probability)
    assert min(map(abs, ends)) == pytest.approx(0.0, abs=1e-9)


def test_no_event_is_no_certainty() -> None:
    """Nothing on either side: no change, chance 100 %, and an interval as wide as events allow."""
    low, high = ShareChange(0.0, 0.0, 9.0, (0.0, 0.0), (72.0, 72.0)).interval()
    assert low == -high and 0.02 < high < 0.15
    assert ShareChange(0.0, 0.0, 9.0, (0.0, 0.0), (72.0, 72.0)).probability == 1.0


@pytest.mark.parametrize("prior", [None, Prior(2, -0.2, 0.3)])
def test_weights_give_the_regressions_own_estimate(prior: Prior | None) -> None:
    """The sum over the blocks is `robust_line`'s value, and the weights sum to nothing."""
    rng = np.random.default_rng(4)
    columns = np.column_stack([np.ones(12), np.repeat([0.0, 1.0], 6), rng.normal(0, 0.1, 12)])
    y, variance = rng.uniform(0, 0.2, 12), rng.uniform(0.5, 2.0, 12)
    known, found = (f(y, columns, variance, 1, prior) for f in (robust_line, line_weights))
    assert known is not None and found is not None
    value, weights, left_open = found  # type: ignore[misc]
    assert value == pytest.approx(known.value)  # type: ignore[union-attr]
    assert weights.sum() == pytest.approx(0.0, abs=1e-9)
    assert (left_open > 0.0) == (prior is not None)


def simple(share: np.ndarray, blocks: int) -> ShareChange:
    """Phrases in equal blocks, the first half of them before."""
    block = np.repeat(np.arange(blocks), len(share) // blocks)
    y = np.bincount(block, share) / np.bincount(block)
    columns = np.column_stack([np.ones(blocks), (np.arange(blocks) >= blocks // 2).astype(float)])
    found = share_change(Phrases(share, block), y, columns, np.ones(blocks), None)
    assert found is not None
    return found


def test_phrases_that_leave_the_grid_whole_count_as_themselves() -> None:
    """Shares of 0 or 1 spread evenly over days: as many trials as phrases, nearly."""
    rng = np.random.default_rng(5)
    share = (rng.random(4000) < 0.2).astype(float)
    assert simple(share, 400).counts == pytest.approx((2000, 2000), rel=0.15)


def test_days_that_fall_off_as_a_whole_count_as_days() -> None:
    """Ten phrases of a day all off or all on: a tenth as many trials as phrases."""
    rng = np.random.default_rng(6)
    share = np.repeat((rng.random(400) < 0.2).astype(float), 10)
    assert simple(share, 400).counts == pytest.approx((200, 200), rel=0.15)


def test_before_any_event_a_run_is_taken_for_a_third_of_its_phrase() -> None:
    """Nothing seen: the dispersion is the stated one."""
    assert simple(np.zeros(60), 12).counts == pytest.approx((30 / DISPERSION, 30 / DISPERSION))


def test_a_share_never_changes_by_more_than_all_of_it() -> None:
    """However few the phrases, from none to all is the furthest."""
    change = ShareChange(0.4, 0.0, 3.0, (0.3, 0.5), (2.0, 2.0), scale=2.0)
    low, high = change.interval()
    assert low >= -1.0 and high <= 1.0


MUST_NOT = [(0.0, 1.0), (0.02, 1.0), (0.1, 1.0), (0.3, 1.0), (0.02, 1.5)]
MUST = [(0.04, 8.0), (0.05, 10.0), (0.1, 5.0), (0.4, 0.1), (0.5, 0.05)]


@pytest.mark.parametrize(("rate", "times"), MUST_NOT)
def test_no_change_is_not_flagged(rate: float, times: float) -> None:
    """Nothing changed, or too few runs to tell: nothing is called better or worse."""
    sides = two_sides(
        Player(off_grid=rate), Side(6), Side(6, off_grid_times=times), np.random.default_rng(7)
    )
    found = off_grid(compare_sets(*sides))
    assert found
    for f in found:
        assert f.verdict not in (BETTER, WORSE)
        assert f.low is not None and f.high is not None and f.low <= 0.0 <= f.high


@pytest.mark.parametrize(("rate", "times"), MUST)
def test_a_large_change_is_flagged(rate: float, times: float) -> None:
    """Many times as many runs off the grid, or as few: told, and the right way round."""
    sides = two_sides(
        Player(off_grid=rate), Side(12), Side(12, off_grid_times=times), np.random.default_rng(8)
    )
    told = {f.verdict for f in off_grid(compare_sets(*sides))}
    assert (WORSE if times > 1.0 else BETTER) in told
    assert (BETTER if times > 1.0 else WORSE) not in told
