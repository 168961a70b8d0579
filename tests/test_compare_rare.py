"""A change in a rare share: against the published examples, and where events are few."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchmarks.histories import Player, Side, two_sides
from improv.chance import Prior, line_weights, robust_line
from improv.compare import BETTER, WORSE, Comparison, Finding, compare_sets
from improv.contrasts import TOGETHER
from improv.rare import DISPERSION, Phrases, ShareChange, score_interval, share_change

SURE = 1e9
"""Degrees of freedom so many that t is the normal's."""


def off_grid(found: Comparison) -> list[Finding]:
    """The findings on runs that leave the grid, single subdivisions only."""
    return [
        f for f in found.findings if f.measure.key == "off_grid" and f.subdivision != TOGETHER.name
    ]


@pytest.mark.parametrize(("events", "trials"), [(0, 20), (1, 20), (5, 24), (12, 24), (24, 24)])
def test_score_interval_as_the_reference_library_has_it(events: int, trials: int) -> None:
    """Wilson's interval agrees with scipy's, none and all included."""
    known = stats.binomtest(events, trials).proportion_ci(0.95, method="wilson")
    low, high = score_interval(events / trials, trials, stats.norm.ppf(0.975))
    assert low == pytest.approx(known.low, abs=1e-12)
    assert high == pytest.approx(known.high, abs=1e-12)


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
def test_difference_of_two_shares_as_published(
    first: tuple[int, int], second: tuple[int, int], low: float, high: float
) -> None:
    """Newcombe 1998, Statistics in Medicine 17, table II, method 10 (figures from memory)."""
    shares = second[0] / second[1], first[0] / first[1]
    counts = float(second[1]), float(first[1])
    change = ShareChange(shares[1] - shares[0], 0.0, SURE, shares, counts)
    assert change.interval() == pytest.approx((low, high), abs=1e-4)


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
    for f in off_grid(compare_sets(*sides)):
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
