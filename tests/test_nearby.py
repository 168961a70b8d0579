"""Phrases in doubt are read under the likeliest hand nearby; those in no doubt are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import group, scattered, take_of

from improv.fit import candidate_rows
from improv.grid import SUBDIVISIONS
from improv.hand import first_lanes
from improv.learn import lane_weights
from improv.model import Floats
from improv.nearby import SHIFTS_MS, SLOPES, WIDTHS, closer
from improv.scene import Scene

MEMORY = 0.4


def scene_of(beats: Floats, late_ms: float | Floats, bpm: float, phrases: list[int]) -> Scene:
    take = take_of(beats, bpm, late_ms=late_ms)
    lanes = first_lanes(candidate_rows(take.bars))
    weight = lane_weights(lanes, take.bars, np.ones(len(SUBDIVISIONS)))
    return Scene.of(group(take, 30.0), np.array(phrases), take.bars, lanes, weight)


def test_a_phrase_in_no_doubt_is_left_alone() -> None:
    """Tight eighths at a moderate tempo: nothing is tried, nothing moves."""
    scene = scene_of(np.arange(16) / 2.0, scattered(16, 6.0, 1), 100.0, [0, 16])
    center, spread = np.zeros(16), np.full(16, 8.0)
    belief = scene.believe(center, spread, MEMORY)
    again, where, width = closer(scene, belief, center, spread, MEMORY)
    assert again is belief and where is center and width is spread


@pytest.mark.parametrize("shift_ms", [-8.0, 8.0])
@pytest.mark.parametrize("slope", [-0.01, 0.0, 0.01])
def test_a_hand_thought_of_wrongly_is_set_right(shift_ms: float, slope: float) -> None:
    """Sixteenths that lie later, or later and later, than thought: the line played is found."""
    beats = np.arange(33) / 4.0
    since_ms = (beats - 4.0) * 60000.0 / 132.0
    played = shift_ms + slope * since_ms + scattered(33, 7.0, 2)
    scene = scene_of(beats, played, 132.0, [0, 33])
    thought, width = np.zeros(33), np.full(33, 20.0)
    plain = scene.believe(thought, width, MEMORY)
    at_sea = np.full_like(plain, 0.5 / plain.shape[1])
    _, center, spread = closer(scene, at_sea, thought, width, MEMORY)
    assert center == pytest.approx(shift_ms + slope * since_ms, abs=1.0)
    assert spread == pytest.approx(np.full(33, 15.0))


def test_no_worse_and_no_farther_than_it_may_go() -> None:
    """A doubtful phrase's likelihood never falls; its neighbour in no doubt keeps everything."""
    sure = np.arange(16) / 2.0
    fast = 12.0 + np.arange(25) / 5.0
    beats = np.concatenate([sure, fast])
    late = np.concatenate([scattered(16, 5.0, 3), scattered(25, 26.0, 4)])
    scene = scene_of(beats, late, 80.0, [0, 16, 41])
    center, spread = np.full(41, 3.0), np.full(41, 12.0)
    belief = scene.believe(center, spread, MEMORY)
    again, where, width = closer(scene, belief, center, spread, MEMORY)
    before, after = (
        scene.evidence(c[None], s[None], MEMORY, with_free=False)
        for c, s in ((center, spread), (where, width))
    )
    first, second = scene.layout.slot[:16], scene.layout.slot[16:]
    assert np.array_equal(again[..., first], belief[..., first])
    assert not np.array_equal(again[..., second], belief[..., second])
    assert np.array_equal(where[:16], center[:16])
    assert after[0, 0] == before[0, 0] and after[0, 1] > before[0, 1]
    reach = max(SHIFTS_MS) + max(SLOPES) * np.ptp(scene.events.onset_sec[16:]) * 500.0
    assert np.abs(where - center).max() <= reach + 1e-6
    assert set(np.round(width[16:] / 12.0, 6)) <= set(WIDTHS)


def test_a_short_phrase_hardly_on_any_grid_is_read_again() -> None:
    """Four notes, nine chances in ten off the grid: no lane is given a note, some are kept."""
    scene = scene_of(np.arange(4) / 3.7, scattered(4, 5.0, 5), 100.0, [0, 4])
    center, spread = np.zeros(4), np.full(4, 9.0)
    plain = scene.believe(center, spread, MEMORY)
    hardly = np.full_like(plain, 0.1 / plain[..., 0].size)
    again, where, width = closer(scene, hardly, center, spread, MEMORY)
    assert again.shape == plain.shape
    assert again.sum() > hardly.sum()
    assert np.isfinite(where).all() and np.isfinite(width).all()
