"""Mean directions against a library; the worth of correlated values against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from circular import resultant_length
from scipy import stats as reference

from improv.stats import MOST_MEMORY, circular_mean, correlation, inflation, memory_of


@pytest.mark.parametrize("seed", range(20))
def test_the_mean_direction_against_scipy(seed: int) -> None:
    """scipy.stats.circmean agrees on random angles, near and far from each other."""
    rng = np.random.default_rng(seed)
    angle = rng.normal(rng.uniform(-10, 10), rng.uniform(0.01, 2.0), rng.integers(1, 60))
    expected = reference.circmean(angle, high=np.pi, low=-np.pi)
    assert math.remainder(circular_mean(angle) - expected, 2 * np.pi) == pytest.approx(0, abs=1e-9)


def test_turning_all_angles_turns_the_mean() -> None:
    """Adding a constant or whole turns moves the mean by the constant."""
    angle = np.random.default_rng(3).normal(0.3, 0.7, 40)
    turned = angle + 0.5 + 2 * np.pi * np.arange(40)
    assert circular_mean(turned) == pytest.approx(circular_mean(angle) + 0.5)


def test_of_no_angles_nothing_is_known() -> None:
    """An empty array has no direction; of a single angle it is that one."""
    assert math.isnan(circular_mean(np.zeros(0)))
    assert circular_mean(np.array([1.2])) == pytest.approx(1.2)


@pytest.mark.parametrize(("memory", "times"), [(0.0, 1.0), (0.5, 3.0), (0.8, 9.0), (-0.5, 1 / 3)])
def test_the_worth_of_correlated_values(memory: float, times: float) -> None:
    """(1 + rho) / (1 - rho) by hand, and the variance of means of 2 000 simulated series.

    Series of 200: the formula holds for long ones, and is 5 % high here at rho 0.8.
    """
    assert inflation(memory) == pytest.approx(times)
    rng = np.random.default_rng(8)
    stray = rng.standard_normal((200, 2000))
    for n in range(1, 200):
        stray[n] = memory * stray[n - 1] + math.sqrt(1 - memory**2) * stray[n]
    assert 200 * stray.mean(axis=0).var() == pytest.approx(times, rel=0.12)


@pytest.mark.parametrize(
    ("share", "r"), [(0.05, 0.9518), (0.10, 0.8209), (0.20, 0.4540), (0.24, 0.3208)]
)
def test_the_yardstick_by_the_wrapped_normal(share: float, r: float) -> None:
    """Scatter of a share of a turn gives r = exp(-2 pi^2 share^2) (DERIVED, simulated)."""
    angle = 2 * np.pi * np.random.default_rng(5).normal(0.0, share, 100_000)
    assert resultant_length(angle) == pytest.approx(r, abs=0.005)
    assert math.exp(-2 * math.pi**2 * share**2) == pytest.approx(r, abs=5e-5)


def test_memory_worked_by_hand() -> None:
    """Of 1, -1, 2, 0 the neighbours' products are -3 and the squares 6: -0.5, four notes of it.

    Drawn to 0.4, worth 6 notes: (-2 + 2.4) / 10; with 2 notes more for the fit 2.4 / 10.
    """
    rest = np.array([1.0, -1.0, 2.0, 0.0])
    assert correlation(rest) == pytest.approx(-0.5)
    assert memory_of(rest, 0.4, 6.0) == pytest.approx(0.04)
    assert memory_of(rest, 0.4, 6.0, fitted=2.0) == pytest.approx(0.24)


def test_memory_has_bounds_and_a_prior() -> None:
    """A slow wave is no surer than a hand can be; what turns each time is 0; zeros tell nothing."""
    assert memory_of(np.sin(np.arange(400) / 40.0), 0.4, 10.0) == MOST_MEMORY
    assert memory_of(np.array([1.0, -1.0] * 40), 0.4, 10.0) == 0.0
    assert correlation(np.zeros(5)) == 0.0
    assert memory_of(np.zeros(5), 0.4, 10.0) == 0.4
