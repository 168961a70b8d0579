"""Chance: Student's t, Holm, the robust regression, against tables and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from improv.chance import Prior, holm, incomplete_beta, robust_line, t_probability, t_quantile
from improv.measures import _log_chi_bias


@pytest.mark.parametrize(
    ("df", "expected"),
    [(1, 12.706), (2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042), (120, 1.980)],
)
def test_t_as_in_the_printed_tables(df: int, expected: float) -> None:
    """Two-sided 5 % points (any statistics handbook; typed from memory, checked by scipy below)."""
    assert t_quantile(0.95, df) == pytest.approx(expected, abs=5e-4)


def test_t_as_the_reference_library_has_it() -> None:
    """Probabilities and quantiles agree with scipy, fractional degrees of freedom included."""
    for df in (1.0, 1.7, 3.2, 9.9, 44.0, 1e4):
        for t in (0.0, 0.3, 1.0, 2.5, 8.0):
            assert t_probability(t, df) == pytest.approx(2 * stats.t.sf(t, df), rel=1e-9)
        for level in (0.5, 0.9, 0.95, 0.999):
            assert t_quantile(level, df) == pytest.approx(
                stats.t.ppf((1 + level) / 2, df), rel=1e-7
            )


def test_incomplete_beta_as_the_reference_library_has_it() -> None:
    """I_x(a, b) agrees with scipy over both branches."""
    for a, b, x in ((0.5, 0.5, 0.2), (3.0, 0.5, 0.9), (20.0, 0.5, 0.99), (2.0, 7.0, 0.6)):
        assert incomplete_beta(a, b, x) == pytest.approx(special.betainc(a, b, x), rel=1e-11)


def test_holm_worked_by_hand() -> None:
    """0.01, 0.04, 0.03 become 3 x 0.01, then max(2 x 0.03, 0.04), in the order given."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([0.6, 0.9]) == [1.0, 1.0]
    assert holm([]) == []


def test_holm_finds_nothing_twice_as_often_as_stated() -> None:
    """Over 4 000 families of 12 true nulls any finding comes in at most about 5 %."""
    rng = np.random.default_rng(3)
    any_found = [min(holm(p)) <= 0.05 for p in rng.random((4000, 12)).tolist()]
    assert np.mean(any_found) == pytest.approx(0.05, abs=0.012)


def two_groups(seed: int, sizes: tuple[int, int] = (9, 14)) -> tuple[np.ndarray, np.ndarray]:
    """Two groups of blocks with other means and spreads."""
    rng = np.random.default_rng(seed)
    return rng.normal(0.0, 1.0, sizes[0]), rng.normal(0.8, 0.6, sizes[1])


def contrast(a: np.ndarray, b: np.ndarray) -> tuple[float, float, float]:
    """Difference, standard error and degrees of freedom of b against a."""
    y = np.concatenate([a, b])
    place = np.repeat([0.0, 1.0], [len(a), len(b)])
    found = robust_line(y, np.column_stack([np.ones_like(y), place]), np.ones_like(y), 1)
    assert found is not None
    return found.value, found.se, found.df


def test_two_groups_are_welchs_t() -> None:
    """With equal weights the standard error is Welch's (1938), as scipy computes it."""
    a, b = two_groups(1)
    value, se, _ = contrast(a, b)
    reference = stats.ttest_ind(b, a, equal_var=False)
    assert value == pytest.approx(b.mean() - a.mean())
    assert value / se == pytest.approx(reference.statistic, rel=1e-9)


def test_equal_groups_have_the_pooled_degrees_of_freedom() -> None:
    """Bell & McCaffrey's degrees of freedom are 2 (n - 1) for two groups of n, as the plain t's."""
    a, b = two_groups(2, (7, 7))
    assert contrast(a, b)[2] == pytest.approx(12.0)


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_the_bootstrap_agrees(seed: int) -> None:
    """scipy's bootstrap of the same difference has the same standard error, within its error."""
    a, b = two_groups(seed, (40, 40))
    _, se, _ = contrast(a, b)
    found = stats.bootstrap(
        (a, b), lambda x, y, axis: y.mean(axis=axis) - x.mean(axis=axis), n_resamples=4000,
        rng=np.random.default_rng(seed), method="percentile",
    )  # fmt: skip
    # The bootstrap divides by n, not n - 1; 4 000 resamples know a spread to about 1.1 %.
    assert found.standard_error == pytest.approx(se * np.sqrt(39 / 40), rel=0.05)


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_the_permutation_test_agrees(seed: int) -> None:
    """scipy's permutation test of the same difference has the same chance, within its error."""
    rng = np.random.default_rng(seed)
    a, b = rng.normal(0, 1, 25), rng.normal(0.5, 1, 25)
    value, se, df = contrast(a, b)
    found = stats.permutation_test(
        (a, b), lambda x, y, axis: y.mean(axis=axis) - x.mean(axis=axis), n_resamples=6000,
        vectorized=True, rng=rng,
    )  # fmt: skip
    error = 4 * np.sqrt(found.pvalue * (1 - found.pvalue) / 6000) + 0.006
    assert t_probability(value / se, df) == pytest.approx(found.pvalue, abs=error)


def test_a_sharp_prior_decides_and_a_flat_one_does_not() -> None:
    """The slope's prior enters as one more observation with its own uncertainty."""
    rng = np.random.default_rng(10)
    x, place = rng.normal(size=30), np.repeat([0.0, 1.0], 15)
    y = 2.0 * x + 0.5 * place + rng.normal(0, 0.1, 30)
    columns = np.column_stack([np.ones(30), place, x])
    free = robust_line(y, columns, np.ones(30), 2)
    flat = robust_line(y, columns, np.ones(30), 2, Prior(2, 0.0, 1e6))
    sharp = robust_line(y, columns, np.ones(30), 2, Prior(2, 0.0, 1e-6))
    assert free is not None and flat is not None and sharp is not None
    assert flat.value == pytest.approx(free.value, rel=1e-6)
    assert sharp.value == pytest.approx(0.0, abs=1e-4)


def test_what_cannot_be_told_apart_is_not_told() -> None:
    """Columns that say the same, or too few rows, give no estimate."""
    one = np.ones(6)
    assert robust_line(one, np.column_stack([one, one]), one, 1) is None
    assert robust_line(one[:2], np.column_stack([one, np.arange(6.0)])[:2], one[:2], 1) is None


def test_bias_of_a_log_spread_is_digammas() -> None:
    """E[log(chi-square / df)] is digamma(df / 2) - log(df / 2), scipy's digamma being the judge."""
    df = np.array([0.5, 1.0, 3.0, 10.0, 80.0])
    expected = special.digamma(df / 2) - np.log(df / 2)
    assert np.allclose(_log_chi_bias(df), expected, atol=1e-8)
