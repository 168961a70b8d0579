"""Finding the beat and the downbeat from the playing."""

from __future__ import annotations

import numpy as np
import pytest

from improv.meter import parse_meter
from improv.start import find_start


def line_in(
    text: str, seed: int, bars: int, scatter_quarter: float
) -> tuple[np.ndarray, np.ndarray]:
    """Onsets (quarters) and velocities: beats mostly, halves or thirds often, accents on beats."""
    rng = np.random.default_rng(seed)
    (meter,) = parse_meter(text)
    parts = 3 if meter.kind == "compound" else 2
    onset, velocity = [], []
    for bar in range(bars):
        for start, length in zip(meter.beat_starts_quarter, meter.beat_quarters, strict=True):
            for j in range(parts):
                if rng.uniform() < (0.9 if j == 0 else 0.5):
                    at = bar * meter.bar_quarters + start + length * j / parts
                    onset.append(float(at) + rng.normal(0.0, scatter_quarter))
                    velocity.append(90.0 if start == j == 0 else 75.0 if j == 0 else 65.0)
    order = np.argsort(onset)
    return np.array(onset)[order], np.array(velocity)[order]


def off_beat(found: float, shift: float, beat: float) -> float:
    """Distance of the found downbeat from the nearest true beat, in quarters."""
    return abs((found - shift + beat / 2) % beat - beat / 2)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("text", "beat"), [("4/4", 1.0), ("3/4", 1.0), ("6/8", 1.5), ("5/4", 1.0)])
def test_the_beat_is_found(text: str, beat: float, seed: int) -> None:
    """Sixteen bars at 100 per minute, 20 ms of scatter: the beat within 15 ms, and fairly sure."""
    onset, velocity = line_in(text, seed, 16, 0.033)
    shift = np.random.default_rng(seed).uniform(0.0, 5.0)

    found = find_start(onset + shift, velocity, 0.6, parse_meter(text))

    assert off_beat(found.downbeat_quarter, shift, beat) < 0.025
    assert found.beat_confidence > 0.8


@pytest.mark.parametrize("text", ["4/4", "6/8", "2+2+3/8", "9/8+10/8"])
def test_shifting_the_playing_shifts_the_answer(text: str) -> None:
    """Nothing but the phase matters: the answer moves with the onsets."""
    onset, velocity = line_in("4/4", 1, 16, 0.02)
    cycle = parse_meter(text)

    one = find_start(onset, velocity, 0.5, cycle)
    two = find_start(onset + 0.731, velocity, 0.5, cycle)

    assert two.downbeat_quarter - one.downbeat_quarter == pytest.approx(0.731, abs=0.01)


def test_an_unclear_downbeat_is_the_first_strong_note() -> None:
    """Even quarters say nothing of the bar: the first of them counts as its downbeat."""
    onset = np.arange(3.3, 40.0)

    found = find_start(onset, np.full(len(onset), 80.0), 0.5, parse_meter("4/4"))

    assert found.from_first_strong_note
    assert found.downbeat_quarter == pytest.approx(3.3, abs=0.01)
    assert found.downbeat_confidence < 0.5 < 0.8 < found.beat_confidence


def test_a_soft_pickup_is_not_the_downbeat() -> None:
    """A soft off-beat before the first strong beat stays before bar 1."""
    onset = np.concatenate([[2.5], np.arange(3.0, 40.0)])
    velocity = np.concatenate([[30.0], np.full(37, 80.0)])

    found = find_start(onset, velocity, 0.5, parse_meter("4/4"))

    assert found.downbeat_quarter == pytest.approx(3.0, abs=0.01)


def test_habit_is_not_certainty() -> None:
    """A player of off-beats is misread; ten times as many bars of it make that no surer."""

    def confidence(beats: float) -> float:
        onset = np.concatenate([np.arange(0.5, beats), np.arange(0.0, beats, 2.0)])
        velocity = np.full(len(onset), 80.0)
        found = find_start(np.sort(onset), velocity, 0.5, parse_meter("4/4"))
        return found.beat_confidence

    assert confidence(400.0) == pytest.approx(confidence(40.0), abs=0.01)
    assert confidence(400.0) < 0.99


def test_noise_is_not_certain() -> None:
    """Onsets anywhere give no sure beat."""
    onset = np.sort(np.random.default_rng(2).uniform(0.0, 60.0, 60))

    assert find_start(onset, np.full(60, 80.0), 0.5, parse_meter("4/4")).beat_confidence < 0.7


@pytest.mark.parametrize("onset", [[0.0], [5.0, 5.0], [0.0, 1e7]])
def test_very_few_notes(onset: list[float]) -> None:
    """One or two notes give an answer near the first of them, whatever it is worth."""
    found = find_start(np.array(onset), np.full(len(onset), 64.0), 0.5, parse_meter("4/4"))

    assert abs(found.downbeat_quarter - onset[0]) <= 2.0
