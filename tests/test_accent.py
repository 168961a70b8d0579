"""What loudness says of a note's place: learned from the player, and never by force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import Take, analyze
from improv.accent import FREE_POWER, NO_ACCENT, Accent, against_neighbours, learned
from improv.model import Floats


def test_weights_by_hand() -> None:
    """Stress 10, scatter 10, half on beats: 10 above the middle is e times likelier on a beat."""
    on, off = Accent(10.0, 0.0, 10.0, 0.5).weights(np.array([10.0, 0.0, -10.0]))
    assert on / off == pytest.approx(np.exp([1.0, 0.0, -1.0]))
    assert (on[1], off[1]) == pytest.approx((1.0, 1.0))
    any_note = 0.5 * np.e + 0.5
    assert on[0] == pytest.approx(np.e / (any_note ** (1 - FREE_POWER) * np.e**FREE_POWER))


def test_no_note_counts_for_more_than_so_much() -> None:
    """A thunderclap is still one note."""
    on, off = Accent(20.0, 0.0, 5.0, 0.5).weights(np.array([90.0, -90.0]))
    assert on / off == pytest.approx(np.exp([2.0, -2.0]))


def test_accents_are_learned_and_drawn_to_none() -> None:
    """20 notes 14 louder on beats, 20 off them: worth 10 notes against the prior's 6."""
    loudness = np.tile([7.0, -7.0], 20)
    on = np.tile([1.0, 0.0], 20)
    found = learned(loudness, on, 1.0 - on)
    assert found.stress == pytest.approx(14.0 * 10.0 / 16.0)
    assert (found.middle, found.on_share) == pytest.approx((0.0, 0.5))


@pytest.mark.parametrize("off", [np.zeros(8), np.full(8, 0.1)])
def test_one_kind_of_place_teaches_nothing(off: Floats) -> None:
    """Without notes off the beat there is no difference to learn."""
    assert learned(np.arange(8.0), np.ones(8), off) == NO_ACCENT
    assert NO_ACCENT.weights(np.array([30.0]))[0] == pytest.approx(1.0)


def test_a_crescendo_is_no_accent() -> None:
    """Steadily louder notes lie level against their neighbours, but at the ends."""
    level = against_neighbours(np.arange(40, 104))
    assert level[8:-8] == pytest.approx(np.zeros(48))


def quintuplets(seed: int, stressed: int) -> Take:
    """Two bars of eighths and two of quintuplets, scattered widely, twice; beats louder or not."""
    bar = 4.0 * np.arange(2)[:, None]
    eighths = (bar + np.arange(8) / 2.0).ravel()
    fives = 8.0 + (bar + np.arange(20) / 5.0).ravel()
    beat = np.concatenate([eighths, fives, 16.0 + eighths, 16.0 + fives])
    take = take_of(beat, 110.0, late_ms=scattered(len(beat), 30.0, seed))
    rng = np.random.default_rng(seed)
    loud = (
        72 + stressed * (np.abs(beat - np.round(beat)) < 1e-6) + 6 * rng.standard_normal(len(beat))
    )
    return replace(take, velocity=np.round(loud).astype(np.int64))


def right(take: Take) -> float:
    """Share of the quintuplets called so."""
    fives = np.abs(take.onset_sec - 2.0 - 60 / 110.0 * 12.0) < 60 / 110.0 * 4.1
    names = np.array(analyze(take).notes.subdivision_name, dtype=object)
    return float(np.mean(names[fives] == "quintuplets"))


def test_stressed_beats_help_where_the_timing_is_loose() -> None:
    """Fives whose first note is louder: at most two thirds of the wrong calls are left."""
    seeds = range(12)
    plain = np.mean([right(quintuplets(seed, 0)) for seed in seeds])
    stressed = np.mean([right(quintuplets(seed, 16)) for seed in seeds])
    assert 1.0 - stressed < (1.0 - plain) * 2 / 3


def test_loudness_as_a_whole_says_nothing() -> None:
    """The same line ten steps louder is heard the same."""
    take = quintuplets(3, 16)
    louder = replace(take, velocity=take.velocity + 10)
    assert analyze(louder).notes.subdivision_name == analyze(take).notes.subdivision_name
