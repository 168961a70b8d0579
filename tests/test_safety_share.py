"""Where runs leave the grid: its profile likelihood against hand, published data and a library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from improv.cells import CELL
from improv.model import Floats
from improv.safety_share import (
    RUN_NOTES,
    Answers,
    Shares,
    _dispersion,
    fit_share,
    share_design,
)

SURE = 1e9
"""Degrees of freedom so many that t is the normal's."""
LIMIT = math.log(4.0)
"""Log odds of four in five."""
DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
TREATED = np.array([59.0, 60.0, 62.0, 56.0, 63.0, 59.0, 62.0, 60.0])
KILLED = np.array([6.0, 13.0, 18.0, 28.0, 52.0, 53.0, 61.0, 60.0])
"""Beetles killed by carbon disulphide: Bliss 1935, Annals of Applied Biology 22, 134-167 (as in
Dobson, An Introduction to Generalized Linear Models, table 7.2; from memory)."""


def told(design: Floats, share: Floats, weight: Floats, precision: float = 0.0) -> Answers:
    """Answers under a prior about 0, or none."""
    k = design.shape[1]
    return Answers(design, share, weight, np.zeros(k), np.full(k, precision))


def beetles() -> Shares:
    """The published data; the dose is centred, its slope the first column."""
    design = np.column_stack([DOSE - 1.8, np.ones(8)])
    answers = told(design, KILLED / TREATED, TREATED)
    return Shares(answers, answers.highest(np.zeros(2), np.eye(2)), 1.0, SURE)


def cells(on: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Cells that have counts only."""
    made = np.zeros(len(on), dtype=CELL)
    made["on"], made["off"] = on, off
    return made


def one_pace(on: np.ndarray, off: np.ndarray, block: np.ndarray) -> tuple[float, float]:
    """Dispersion and its degrees of freedom, all at one tempo, with no prior to speak of."""
    weight = (on + off) / RUN_NOTES
    answers = told(np.ones((len(on), 1)), on / (on + off), weight, 1e-9)
    theta = answers.highest(np.zeros(1), np.eye(1))
    events = int(np.count_nonzero(off))
    return _dispersion(answers, theta, block, int(block.max()) + 1, events)


def test_the_curve_is_the_published_one() -> None:
    """Slope 34.27 and constant -60.72 for the beetles (Dobson's table; figures from memory)."""
    slope, middle = beetles().theta
    assert slope == pytest.approx(34.27, abs=0.01)
    assert middle - 1.8 * slope == pytest.approx(-60.72, abs=0.02)


def test_half_the_beetles_as_the_reference_library_profiles_it() -> None:
    """The dose that kills half: the ends of its profile likelihood interval agree with scipy's."""
    found = beetles()

    def height(theta: Floats) -> float:
        p = 1.0 / (1.0 + np.exp(-(theta[0] * (DOSE - 1.8) + theta[1])))
        return float(np.sum(stats.binom.logpmf(KILLED, TREATED, p)))

    best = height(found.theta)

    def above(dose: float) -> float:
        def lost(slope: float) -> float:
            return -height(np.array([slope, -slope * (dose - 1.8)]))

        held = optimize.minimize_scalar(lost, bounds=(10.0, 80.0), method="bounded")
        return 2.0 * (best + held.fun) - float(stats.chi2.ppf(0.95, 1))

    middle = 1.8 - found.theta[1] / found.theta[0]
    for way, side in ((-1.0, middle - 0.02), (1.0, middle + 0.02)):
        end = optimize.brentq(above, middle, side)
        standing = found.standing(np.array([[end - 1.8, 1.0]]), 0.0)
        assert standing[0] == pytest.approx(way, abs=1e-3)


@pytest.mark.parametrize("trials", [3, 10, 40])
def test_no_event_by_hand(trials: int) -> None:
    """None of n left: the likelihood at four in five is 0.8 to the n, whatever the estimate."""
    answers = told(np.ones((1, 1)), np.ones(1), np.array([float(trials)]), 1e-7)
    shares = Shares(answers, answers.highest(np.zeros(1), np.eye(1)), 1.0, SURE)
    fall = -2.0 * trials * math.log(0.8)
    known = math.sqrt(fall / float(stats.chi2.ppf(0.95, 1)))
    assert shares.standing(np.ones((1, 1)), LIMIT)[0] == pytest.approx(known, abs=1e-3)
    assert (known > 1.0) == (trials > 8)  # 0.8 ** 8.6 is where it becomes proof


def test_dispersion_scales_the_fall() -> None:
    """Twice the variance, half the fall; few degrees of freedom, a wider t."""
    once, at = beetles(), np.array([[-0.04, 1.0]])
    twice = Shares(once.answers, once.theta, 2.0, SURE)
    few = Shares(once.answers, once.theta, 1.0, 5.0)
    known = once.standing(at, 0.0)[0]
    assert twice.standing(at, 0.0)[0] == pytest.approx(known / math.sqrt(2.0), rel=1e-9)
    wider = float(stats.t.ppf(0.975, 5) / stats.norm.ppf(0.975))
    assert few.standing(at, 0.0)[0] == pytest.approx(known / wider, rel=1e-5)


def test_a_priors_own_uncertainty_counts() -> None:
    """Drawn to a prior, the curve is as unsure as the prior leaves it: the fall is not inflated."""
    answers = told(np.ones((1, 1)), np.array([0.5]), np.array([1e-6]), 0.25)
    shares = Shares(answers, np.zeros(1), 1.0, 4.0)
    # All is prior: a normal about 0 with a standard deviation of 2, whatever the answers' t.
    known = -LIMIT / 2.0 / float(stats.norm.ppf(0.975))
    assert shares.standing(np.ones((1, 1)), LIMIT)[0] == pytest.approx(known, rel=1e-3)


def test_runs_that_leave_alone_and_phrases_that_leave_whole() -> None:
    """Six notes are one answer: phrases of 12 that leave in halves have 1, as a whole 2."""
    rng = np.random.default_rng(3)
    block = np.repeat(np.arange(1000), 10)
    halves = 6 * rng.binomial(2, 0.8, 10_000)
    whole = 12 * rng.binomial(1, 0.8, 10_000)
    assert one_pace(halves, 12 - halves, block)[0] == pytest.approx(1.0, rel=0.1)
    assert one_pace(whole, 12 - whole, block)[0] == pytest.approx(2.0, rel=0.1)


def test_days_that_leave_whole() -> None:
    """Ten phrases of a day all on or all off count as one."""
    rng = np.random.default_rng(4)
    on = np.repeat(6 * rng.binomial(1, 0.8, 300), 10)
    assert one_pace(on, 6 - on, np.repeat(np.arange(300), 10))[0] == pytest.approx(10.0, rel=0.15)


def test_before_any_event_six_notes_are_one_answer() -> None:
    """Nothing has left the grid: the dispersion is the stated one, whatever the days."""
    on = np.full(40, 12)
    assert one_pace(on, 0 * on, np.repeat(np.arange(8), 5))[0] == pytest.approx(1.0)


def test_merging_equal_tempi_changes_nothing() -> None:
    """Rows of half a per cent of tempo are one row: the curve is that of all the rows."""
    rng = np.random.default_rng(6)
    step, own = np.exp(rng.uniform(4.7, 6.0, 900)), rng.integers(0, 3, 900)
    on = 12 * (rng.random(900) < 1.0 / (1.0 + 0.25 * (step / 140.0) ** -5.0))
    found = fit_share(cells(on, 12 - on), step, own, np.repeat(np.arange(30), 30), 30)
    assert len(found.answers.share) < 800
    whole = Answers(
        share_design(step, own, 5), on / 12.0, np.full(900, 2.0),
        found.answers.mean, found.answers.precision,
    )  # fmt: skip
    assert found.theta == pytest.approx(whole.highest(np.zeros(5), np.eye(5)), abs=0.01)


def test_the_standing_is_nothing_where_the_curve_crosses() -> None:
    """At the estimate itself the standing is 0; it grows with the interval."""
    rng = np.random.default_rng(7)
    step, own = np.exp(rng.uniform(4.7, 6.0, 400)), np.zeros(400, dtype=np.int64)
    on = 12 * (rng.random(400) < 1.0 / (1.0 + 0.25 * (step / 140.0) ** -5.0))
    found = fit_share(cells(on, 12 - on), step, own, np.repeat(np.arange(20), 20), 20)
    crossing = math.exp((LIMIT - found.theta[0] - found.theta[2]) / found.theta[1]) * 150.0
    steps = crossing * np.array([0.8, 0.9, 1.0, 1.1, 1.2])
    standing = found.standing(share_design(steps, np.zeros(5, dtype=np.int64), 3), LIMIT)
    assert standing[2] == pytest.approx(0.0, abs=1e-4)
    assert np.all(np.diff(standing) > 0.0)
