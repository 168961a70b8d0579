"""Circular statistics against tables and a library; the published vector is an outside check."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as reference

from improv.stats import (
    circular_mean,
    circular_sd,
    phase_angle,
    rayleigh_p,
    resultant_length,
)

RAYLEIGH_TABLE = {
    # n: critical r at .10, .05, .025, .01
    8: (0.535, 0.602, 0.660, 0.725),
    10: (0.478, 0.540, 0.594, 0.655),
    12: (0.437, 0.494, 0.544, 0.602),
    16: (0.379, 0.429, 0.474, 0.525),
    20: (0.339, 0.385, 0.425, 0.472),
    30: (0.277, 0.315, 0.348, 0.387),
    50: (0.214, 0.244, 0.270, 0.301),
}


@pytest.mark.parametrize("count", RAYLEIGH_TABLE)
@pytest.mark.parametrize("column", range(4))
def test_rayleigh_critical_values(count: int, column: int) -> None:
    """Mardia 1972, Table A.10 in Davis, Statistics and Data Analysis in Geology (READ)."""
    nominal = (0.10, 0.05, 0.025, 0.01)[column]
    # The table's third decimal alone moves p by up to .001 where n and p are large.
    assert rayleigh_p(count, RAYLEIGH_TABLE[count][column]) == pytest.approx(nominal, abs=0.0015)


def test_rayleigh_by_simulation() -> None:
    """Of 40 000 samples of eight uniform angles one in twenty has r > .602 (Mardia 1972)."""
    angle = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, (40_000, 8))
    r = np.abs(np.exp(1j * angle).mean(axis=1))
    assert (r > 0.602).mean() == pytest.approx(0.05, abs=0.004)


@pytest.mark.parametrize("seed", range(20))
def test_mean_and_deviation_against_scipy(seed: int) -> None:
    """scipy.stats.circmean and circstd agree on random angles, near and far from each other."""
    rng = np.random.default_rng(seed)
    angle = rng.normal(rng.uniform(-10, 10), rng.uniform(0.01, 2.0), rng.integers(1, 60))
    expected = reference.circmean(angle, high=np.pi, low=-np.pi)
    assert math.remainder(circular_mean(angle) - expected, 2 * np.pi) == pytest.approx(0, abs=1e-9)
    assert circular_sd(angle) == pytest.approx(reference.circstd(angle), rel=1e-6, abs=1e-7)


def test_turning_all_angles_turns_only_the_mean() -> None:
    """Adding a constant or whole turns moves the mean alike and leaves the rest."""
    angle = np.random.default_rng(3).normal(0.3, 0.7, 40)
    turned = angle + 0.5 + 2 * np.pi * np.arange(40)
    assert circular_mean(turned) == pytest.approx(circular_mean(angle) + 0.5)
    assert resultant_length(turned) == pytest.approx(resultant_length(angle))
    assert circular_sd(turned) == pytest.approx(circular_sd(angle))


def test_extremes() -> None:
    """Equal angles: r 1, deviation 0. Opposite ones: r 0. None: nothing is known."""
    assert resultant_length(np.full(7, 1.2)) == pytest.approx(1.0)
    assert circular_sd(np.zeros(4)) == 0.0
    assert resultant_length(np.array([0.0, np.pi])) == pytest.approx(0.0, abs=1e-12)
    assert math.isnan(resultant_length(np.zeros(0)))
    assert math.isnan(circular_mean(np.zeros(0)))
    assert math.isnan(rayleigh_p(0, 0.5))
    assert rayleigh_p(5, 0.0) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("share", "r"), [(0.05, 0.9518), (0.10, 0.8209), (0.20, 0.4540), (0.24, 0.3208)]
)
def test_wrapped_normal(share: float, r: float) -> None:
    """Scatter of a share of the grid step gives r = exp(-2 pi^2 share^2) (DERIVED, simulated)."""
    deviation = np.random.default_rng(5).normal(0.0, share, 100_000)
    assert resultant_length(phase_angle(deviation, 1.0)) == pytest.approx(r, abs=0.005)
    assert math.exp(-2 * math.pi**2 * share**2) == pytest.approx(r, abs=5e-5)
