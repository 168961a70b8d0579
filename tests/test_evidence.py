"""What a check goes by: sure drift is one rule, and what is no run is a stray."""

from __future__ import annotations

import dataclasses

import hand_made
import numpy as np
import pytest
from core_takes import group, take_of

from improv.assignments.evidence import evidence
from improv.assignments.leaving import leaving
from improv.model import Bools
from improv.runs import find_runs
from improv.stats import SURE_ERRORS
from improv.summaries import SURE_DRIFT
from improv.wording import drift_text


@pytest.mark.parametrize(
    ("drift_bpm", "error_bpm", "slope"),
    [(-2.4, 1.0, 0.025), (2.4, 0.7, -0.025), (-2.0, 1.0, 0.0), (0.5, 1.0, 0.0), (None, None, 0.0)],
)
def test_a_drift_is_a_slope_where_it_is_no_chance(
    drift_bpm: float | None, error_bpm: float | None, slope: float
) -> None:
    """2.4 of 96 BPM too slow are 25 ms later every second; two standard errors may be chance."""
    told = hand_made.phrase(1, 0, 20, (1, 4), drift_bpm=drift_bpm, drift_se_bpm=error_bpm)
    assert told.sure_slope(SURE_ERRORS) == pytest.approx(slope)
    assert (drift_text(told) is None) == (told.sure_slope(SURE_DRIFT) == 0.0)


@pytest.mark.parametrize(("free", "stray"), [(3, True), (4, False)])
def test_what_is_no_run_is_a_stray(free: int, stray: bool) -> None:
    """Three notes off the grid are no run in an analysis, and fumbles in a check; four are one."""
    kinds: list[str | None] = ["unit"] * 20 + [None] * free + ["unit"] * 20
    made = hand_made.analysis(kinds, (hand_made.phrase(1, 0, 40 + free, (1, 11)),))
    runs = find_runs_of(np.array([kind is None for kind in kinds]))
    chance = leaving(evidence(made), ("eighths",), made.take.bars.meters).chance[20 : 20 + free]
    assert (len(runs) == 0) == stray
    without = dataclasses.replace(made.notes, confidence=np.full(40 + free, 0.5))
    unsure = leaving(
        evidence(dataclasses.replace(made, notes=without)), ("eighths",), made.take.bars.meters
    ).chance[20 : 20 + free]
    assert np.allclose(chance, unsure) == stray  # how sure the analysis is counts for runs alone


def find_runs_of(free: Bools) -> tuple[object, ...]:
    """The runs off the grid where these notes, eighths apart, are on none."""
    beats = np.arange(len(free)) / 2.0
    take = take_of(beats)
    events = group(take, 20.0)
    one = np.zeros(len(free), dtype=np.int64)
    found = find_runs(events, one, free, free.astype(np.float64), take.bars)
    return tuple(run for run in found if run.off_grid)
