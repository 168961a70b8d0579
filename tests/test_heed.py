"""Notes that heed no grid at all are not put on one with any confidence; loose playing is."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import LEAD_SEC, scattered, take_of

from improv import Settings, Take, analyze
from improv.hand import Hand
from improv.headline import STREWN, headline
from improv.heed import evidence, heeds
from improv.model import Floats
from improv.practice import advise

BPM = 100.0
BEAT_MS = 60000.0 / BPM


def strewn(seed: int, beats: float) -> Floats:
    """Onsets in beats whose steps keep to nothing: 0.15 to 0.9 beat, as chance will have it."""
    steps = np.random.default_rng(seed).uniform(0.15, 0.9, int(beats / 0.15))
    at = np.cumsum(steps) - steps[0]
    return at[at < beats]


def anywhere(seed: int, per_beat: int, beats: float) -> Floats:
    """Each of a grid's notes moved by up to half a step either way, one in seven left out."""
    rng = np.random.default_rng(seed)
    grid = np.arange(round(beats * per_beat)) / per_beat
    moved = grid + rng.uniform(-0.5, 0.5, len(grid)) / per_beat
    return np.sort(np.maximum(moved[rng.random(len(grid)) > 0.15], 0.0))


def loose(seed: int, per_beat: float, spread_ms: float, beats: float = 32.0) -> Floats:
    """A grid's notes with the scatter of a loose hand, one in seven left out."""
    rng = np.random.default_rng(seed)
    grid = np.arange(round(beats * per_beat)) / per_beat
    kept = grid[rng.random(len(grid)) > 0.15]
    return kept + scattered(len(kept), spread_ms, seed) / BEAT_MS


def as_take(beats: Floats) -> Take:
    return take_of(np.sort(np.maximum(beats, 0.0)), BPM, length_beat=0.1)


HAND = Hand(center_ms=0.0, spread_ms=43.3, memory=0.0)


def told(stray_ms: Floats, step_ms: float, hand: Hand = HAND) -> float:
    count = len(stray_ms)
    row, phrase = np.full(count, 4), np.zeros(count, dtype=np.int64)
    return float(evidence(stray_ms, np.full(count, step_ms), row, phrase, hand).sum())


def test_notes_strewn_evenly_over_their_steps_tell_against_the_grid() -> None:
    """Deviations spread evenly over a step are worth their hand-worked nats, against the grid."""
    # By hand: a normal as wide as d / sqrt(12) against 1 / d loses log(sqrt(12 / 2 pi)) - 1/2
    # = -0.176 nats a note, besides 1.5 for naming the subdivision; fumbles change it little.
    stray = (np.arange(100) + 0.5 - 50.0) * 1.5
    assert told(stray, 150.0) == pytest.approx(-1.5 - 100 * 0.176, abs=4.0)


def test_notes_near_their_places_tell_for_the_grid() -> None:
    """Deviations of a tenth of a step are worth their hand-worked nats, for the grid."""
    # A tenth of a step wide: log(1 / 0.1 / sqrt(2 pi)) - 1/2 = 0.88 nats a note.
    stray = np.tile([15.0, -15.0], 50)
    assert told(stray, 150.0) == pytest.approx(-1.5 + 100 * 0.88, abs=8.0)


def test_the_scale_of_time_does_not_matter() -> None:
    """Twice the deviations over steps twice as long, by a hand twice as wide, tell the same."""
    stray = np.random.default_rng(1).normal(0.0, 20.0, 40)
    wide = Hand(center_ms=0.0, spread_ms=2 * HAND.spread_ms, memory=0.0)
    assert told(2.0 * stray, 300.0, wide) == pytest.approx(told(stray, 150.0))


def test_a_take_without_notes_on_a_grid_tells_nothing() -> None:
    """Where nothing lies on a grid there is no evidence that one is not heeded."""
    none = np.full(6, np.nan)
    each = evidence(none, none, np.full(6, -1), np.zeros(6, dtype=np.int64), HAND)
    assert each.tolist() == [0.0]
    assert heeds(each) > 0.99


STREWN_TAKES = {
    **{f"steps of any length {s}": strewn(s, 32.0) for s in range(4)},
    **{f"eighths moved by half a step {s}": anywhere(s, 2, 32.0) for s in range(2)},
    **{f"triplets moved by half a step {s}": anywhere(s, 3, 32.0) for s in range(2)},
    **{f"sixteenths moved by half a step {s}": anywhere(s, 4, 32.0) for s in range(4)},
}


def test_random_notes_are_hardly_ever_called_a_subdivision() -> None:
    """Of twelve takes that keep to nothing one at most is called by name; few notes are sure."""
    takes = [analyze(as_take(beats)) for beats in STREWN_TAKES.values()]
    named = [any(p.verdict in ("on the grid", "mixed") for p in heard.phrases) for heard in takes]
    assert sum(named) <= 1
    sure = [
        float((h.notes.confidence > 0.5)[~h.notes.off_grid].sum()) / len(h.notes) for h in takes
    ]
    assert float(np.mean(sure)) < 0.15


LOOSE_TAKES = {
    "sixteenths, 12 ms": (4, 12.0, "sixteenths"),
    "sixteenths, 25 ms": (4, 25.0, "sixteenths"),
    "eighths, 30 ms": (2, 30.0, "eighths"),
    "eighths, 40 ms": (2, 40.0, "eighths"),
    "triplets, 25 ms": (3, 25.0, "eighth triplets"),
    "quarters, 45 ms": (1, 45.0, "quarters"),
}


@pytest.mark.parametrize("name", LOOSE_TAKES)
def test_loose_playing_is_not_called_strewn(name: str) -> None:
    """Scatter as wide as a beginner's heeds its grid, and is called by its subdivision."""
    per_beat, spread_ms, subdivision = LOOSE_TAKES[name]
    for seed in range(3):
        heard = analyze(as_take(loose(seed, per_beat, spread_ms)))
        assert heard.heeded > 0.9
        assert headline(heard) != STREWN
        assert {p.subdivision for p in heard.phrases} - {None} == {subdivision}


def test_what_is_strewn_is_said_and_leads_back_to_the_beat() -> None:
    """The headline says it, nothing is to be held, and the advice is a note on every beat."""
    heard = analyze(as_take(anywhere(3, 4, 32.0)))
    assert heard.strewn
    assert headline(heard) == STREWN
    advice = advise(heard)
    assert advice.hold is None
    assert "one note on every beat" in advice.text


def test_one_strewn_phrase_among_steady_ones_is_off_the_grid() -> None:
    """The rest of the take keeps its grid; most of that phrase leaves it."""
    off = []
    for seed in range(6):
        parts = [20.0 * k + loose(7 * seed + k, 4, 15.0, 16.0) for k in (0, 1, 3, 4)]
        take = as_take(np.concatenate([*parts, 40.0 + strewn(seed, 16.0)]))
        heard = analyze(take)
        at_beat = (take.onset_sec - LEAD_SEC) * BPM / 60.0
        within = (at_beat > 39.5) & (at_beat < 57.0)
        off.append(float(heard.notes.off_grid[within].mean()))
        assert not heard.notes.off_grid[~within].any()
    assert float(np.mean(off)) > 0.6


@pytest.mark.parametrize("bpm", [120.0, 145.0, 160.0])
def test_even_thirty_seconds_are_thirty_seconds_at_any_tempo(bpm: float) -> None:
    """Sequenced notes, 47 to 63 ms apart: never the next slower subdivision, and no free run."""
    late_ms = scattered(96, 4.0, 1)
    heard = analyze(take_of(np.arange(96) / 8.0, bpm, late_ms=late_ms))
    assert {p.subdivision for p in heard.phrases} == {"thirty-seconds"}
    assert not heard.notes.off_grid.any()


def test_a_subdivision_too_dense_to_be_told_is_called_nothing() -> None:
    """At 220 BPM thirty-seconds lie 34 ms apart; asked for them alone, no other may be named."""
    take = take_of(np.arange(64) / 8.0, 220.0, late_ms=scattered(64, 3.0, 2))
    heard = analyze(take, Settings(subdivisions=("thirty-seconds",)))
    assert {name for name in heard.notes.subdivision_name if name} <= {"thirty-seconds"}
