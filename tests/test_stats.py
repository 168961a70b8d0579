"""Mean directions against a library; the worth of correlated values against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from circular import resultant_length
from scipy import stats as reference

from improv.stats import circular_mean, inflation


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
