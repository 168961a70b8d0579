"""The map's bands: blocks, ties within them, the memory's own uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from improv.cells import Cells, timing_cells
from improv.chance import robust_line, t_quantile
from improv.measures import spread_by_memory, values
from improv.memory import estimate, influence
from improv.safety_fit import Ties
from improv.sandwich import Fit, sandwich


def line(seed: int, rows: int = 14) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns, values and variances of a straight line with unequal scatter."""
    rng = np.random.default_rng(seed)
    columns = np.column_stack([np.ones(rows), rng.uniform(-1, 1, rows)])
    variance = rng.uniform(0.5, 2.0, rows)
    return columns, rng.standard_normal(rows), variance


def fitted(
    columns: np.ndarray, y: np.ndarray, variance: np.ndarray, block: np.ndarray, precision: float
) -> Fit:
    """A weighted line drawn to 0, with its sandwich."""
    weighted = columns / variance[:, None]
    prior = np.full(columns.shape[1], precision)
    theta = np.linalg.solve(weighted.T @ columns + np.diag(prior), weighted.T @ y)
    rest = y - columns @ theta
    return sandwich(theta, prior, columns, weighted, rest, block, int(block.max()) + 1)


@pytest.mark.parametrize("seed", range(4))
def test_blocks_of_one_row_are_the_comparisons_regression(seed: int) -> None:
    """With a row per block and no prior the band is `robust_line`'s, degrees of freedom and all
    (which the comparison's tests hold to Welch's t of a reference library)."""
    columns, y, variance = line(seed)
    known = robust_line(y, columns, variance, 1)
    found = fitted(columns, y, variance, np.arange(len(y)), 1e-9)
    assert known is not None
    assert found.theta[1] == pytest.approx(known.value, rel=1e-6)
    half = t_quantile(0.95, known.df) * known.se
    assert found.band(np.array([[0.0, 1.0]]))[0] == pytest.approx(half, rel=1e-5)


def test_equal_blocks_are_a_t_interval_of_their_means() -> None:
    """Days of equal size, a level only: the textbook's t with a day less than there are days."""
    rng = np.random.default_rng(5)
    block = np.repeat(np.arange(7), 6)
    y = rng.standard_normal(7)[block] + 0.3 * rng.standard_normal(42)
    means = y.reshape(7, 6).mean(axis=1)
    variance = 1.0 + 100.0 * 6  # a working model in which the day's level is nearly all
    tied = np.full((6, 6), -100.0 / variance) + np.eye(6)
    weighted = np.concatenate([tied @ np.ones((6, 1))] * 7)
    theta = np.array([y.mean()])
    found = sandwich(theta, np.zeros(1), np.ones((42, 1)), weighted, y - y.mean(), block, 7)
    half = t_quantile(0.95, 6) * means.std(ddof=1) / np.sqrt(7)
    assert found.band(np.ones((1, 1)))[0] == pytest.approx(half, rel=1e-6)


def test_a_prior_alone_is_as_sure_as_it_says() -> None:
    """A column nothing was heard of keeps the prior's own 95 %, 1.96 standard deviations."""
    columns, y, variance = line(6)
    columns[:, 1] = 0.0
    found = fitted(columns, y, variance, np.arange(len(y)) // 2, 4.0)
    assert found.band(np.array([[0.0, 1.0]]))[0] == pytest.approx(1.95996 * 0.5, rel=1e-4)


def test_ties_are_the_inverse_of_their_covariance() -> None:
    """Weights times columns equal the dense inverse of variance + tau^2 11' per block."""
    rng = np.random.default_rng(7)
    block = np.array([0, 0, 0, 1, 1, 2, 2, 2, 2, 4])
    variance, columns = rng.uniform(0.02, 0.2, 10), rng.standard_normal((10, 2))
    rest = 0.3 * rng.standard_normal(10)
    ties = Ties(rest, variance, block, 5)
    whole = np.zeros((10, 10))
    for g in range(5):
        here = np.flatnonzero(block == g)
        whole[np.ix_(here, here)] = ties.between
    assert ties.between > 0.0
    expected = np.linalg.solve(whole + np.diag(variance), columns)
    assert ties.weighted(columns) == pytest.approx(expected, rel=1e-9)


def test_days_that_differ_are_seen_to() -> None:
    """Forty days whose levels differ by 0.3: the working model says so; by nothing: little."""
    rng = np.random.default_rng(8)
    block = np.repeat(np.arange(40), 12)
    variance = np.full(480, 0.04)
    scatter = 0.2 * rng.standard_normal(480)
    level = 0.3 * rng.standard_normal(40)
    assert Ties(scatter + level[block], variance, block, 40).between ** 0.5 == pytest.approx(
        0.3, rel=0.25
    )
    assert Ties(scatter, variance, block, 40).between ** 0.5 < 0.06


def remembered(days: int, rho: float = 0.5) -> tuple[Cells, np.ndarray]:
    """Phrases of 14 notes on several days, with their day."""
    rng = np.random.default_rng(9)
    parts: list[tuple[np.ndarray, np.ndarray]] = []
    for _ in range(4 * days):
        stray = rng.standard_normal(14)
        for i in range(1, 14):
            stray[i] = rho * stray[i - 1] + np.sqrt(1 - rho**2) * stray[i]
        parts.append((np.arange(14) * 0.2, 12.0 * stray))
    return timing_cells(parts, 0.0, [200.0] * len(parts)), np.repeat(np.arange(days), 4)


def sums(cells: Cells) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What the memory is estimated from."""
    return (
        cells["on"].astype(int), cells["fitted"].astype(int),
        cells["square_ms2"].astype(float), cells["product_ms2"].astype(float),
    )  # fmt: skip


def test_each_days_influence_on_the_memory_is_the_jackknifes() -> None:
    """Leaving each day out in turn (Efron's jackknife) moves the memory as much as is said."""
    cells, day = remembered(20)
    rho = estimate(*sums(cells))
    moved = influence(*sums(cells), rho, day)
    left_out = np.array([rho - estimate(*sums(cells[day != d])) for d in range(20)])
    assert np.corrcoef(moved, left_out)[0, 1] > 0.98
    assert np.sum(moved**2) == pytest.approx(np.sum(left_out**2), rel=0.25)


def test_the_spread_leans_on_the_memory_as_said() -> None:
    """The derivative agrees with spreads worked out at two memories."""
    cells, _ = remembered(3)
    slope = (values(cells, "spread", 0.525).value - values(cells, "spread", 0.475).value) / 0.05
    assert spread_by_memory(cells, 0.5) == pytest.approx(slope, rel=1e-6)
    assert (slope > 0.0).all()  # more memory, more of the scatter hidden in the phrase's own mean
