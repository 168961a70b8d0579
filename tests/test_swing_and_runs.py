"""Swing ratios and fast runs, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import analyze
from improv.grid import row_of
from improv.runs import kind, rate, steps_gone
from improv.swing import FEWEST_SECONDS, dotted_pairs, pair_quarters, pairs, ratios


def ratio(first: list[float], second: list[float], weight: float = 1.0) -> float:
    """The ratio of pairs: places of first and second notes as shares of the pair."""
    share = np.array(first + second)
    is_second = np.array([False] * len(first) + [True] * len(second))
    phrase = np.zeros(len(share), dtype=np.int64)
    return float(ratios(share, is_second, np.full(len(share), weight), phrase, 1)[0])


@pytest.mark.parametrize(
    ("offbeat", "expected"),
    # Offbeat r / (1 + r): 1.3 Corcoran & Frieler 2021, 1.6 Collier & Collier 2002, 5 : 3 the
    # MusicXML 4.0 `swing` example (sources READ, arithmetic DERIVED).
    [(0.5, 1.0), (0.5652173913, 1.3), (0.6153846154, 1.6), (0.625, 5 / 3), (2 / 3, 2.0), (0.75, 3)],
)
def test_ratio_of_an_offbeat(offbeat: float, expected: float) -> None:
    """The place of the second note in its pair gives long : short."""
    assert ratio([0.0] * 4, [offbeat] * 4) == pytest.approx(expected, abs=1e-8)


def test_lateness_is_no_swing() -> None:
    """All notes late by a tenth of the pair: the same ratio."""
    assert ratio([0.1] * 4, [0.1 + 2 / 3] * 4) == pytest.approx(2.0)


def test_swing_is_undefined_without_enough_pairs() -> None:
    """Too few seconds, no first note, or none that count: nothing is made up."""
    assert np.isnan(ratio([0.0], [0.6] * (FEWEST_SECONDS - 1)))
    assert np.isnan(ratio([], [0.6] * 8))
    assert np.isnan(ratio([0.0] * 4, [0.6] * 4, weight=0.0))


def test_phrases_have_ratios_of_their_own() -> None:
    """Two phrases at 1 : 1 and 2 : 1."""
    share = np.array([0.0, 0.5] * 4 + [0.0, 2 / 3] * 4)
    second, phrase = np.tile([False, True], 8), np.repeat([0, 1], 8)
    assert ratios(share, second, np.ones(16), phrase, 2) == pytest.approx([1.0, 2.0])


@pytest.mark.parametrize("per_beat", [2.0, 3.0, 4.6, 5.0, 7.25])
def test_rate_of_a_steady_run(per_beat: float) -> None:
    """Notes to the beat are the inverse of the step, wherever the run begins."""
    assert rate(3.3 + np.arange(9) / per_beat) == pytest.approx(per_beat)


HOLES = {"at the fifth": (16, (4,)), "at the ninth": (16, (8,)), "two": (14, (3, 9)),
         "two in a row": (14, (6, 7))}  # fmt: skip


@pytest.mark.parametrize("name", HOLES)
@pytest.mark.parametrize("per_beat", [4.6, 5.4])
def test_a_note_left_out_changes_neither_rate_nor_kind(name: str, per_beat: float) -> None:
    """The pace goes on through the hole: steady at the rate of its steps."""
    count, out = HOLES[name]
    beat = 3.3 + np.delete(np.arange(count), out) / per_beat
    beat += np.random.default_rng(2).normal(0.0, 0.012, len(beat))
    number = steps_gone(beat)
    assert rate(beat, number) == pytest.approx(per_beat, rel=0.01)
    assert kind(beat, number) == "steady"


def test_a_gliding_run_with_a_hole_still_glides() -> None:
    """Steps that shrink from 0.25 to 0.17 of a beat, the sixth note left out."""
    beat = np.delete(np.concatenate([[0.0], np.cumsum(np.linspace(0.25, 0.17, 13))]), 5)
    assert kind(beat, steps_gone(beat)) == "speeding up"


@pytest.mark.parametrize("seed", range(6))
def test_long_steps_of_an_uneven_run_are_no_holes(seed: int) -> None:
    """Steps scattered by a third: a long one is uneven playing, not a note left out."""
    step = 0.2 * np.exp(np.random.default_rng(seed).normal(0.0, 0.35, 12))
    beat = np.concatenate([[0.0], np.cumsum(step)])
    assert steps_gone(beat).tolist() == list(range(13))


def test_rate_is_regressed() -> None:
    """One late note in nine moves the rate by far less than it moves its steps."""
    beat = np.arange(9) / 4.0
    beat[4] += 0.05
    assert rate(beat) == pytest.approx(4.0, abs=0.01)


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        (np.full(12, 0.22), "steady"),
        (np.geomspace(0.35, 0.18, 12), "speeding up"),
        (np.geomspace(0.18, 0.35, 12), "slowing down"),
        (np.tile([0.14, 0.30, 0.22, 0.16, 0.33, 0.2], 2), "uneven"),
    ],
)
def test_kinds_of_runs(steps: np.ndarray, expected: str) -> None:
    """A run is steady, glides one way or the other, or scatters."""
    assert kind(np.concatenate([[0.0], np.cumsum(steps)])) == expected


def test_a_steady_run_with_human_scatter_hardly_ever_glides() -> None:
    """Ten notes at 5 to the beat, 6 % scatter of the step: in nine of ten no glide is seen."""
    rng = np.random.default_rng(1)
    found = [kind(np.arange(10) / 5.0 + rng.normal(0, 0.06 / 5.0, 10)) for _ in range(300)]
    assert found.count("steady") >= 270


def test_dotted_pairs_count_where_the_phrase_swings() -> None:
    """Of pairs at 0, 1, 2 and 3: swung, dotted, four sixteenths, dotted in a straight phrase."""
    swung, sixteenth, straight = (row_of(k) for k in ("swung-unit", "half-unit", "unit"))
    row = np.array([swung, swung, *[sixteenth] * 8])
    main = np.array([*[swung] * 8, straight, straight])
    place = np.array([0.0, 0.5, 0.0, 0.75, 0.0, 0.25, 0.5, 0.75, 0.0, 0.75])
    pair_start = np.array([0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 3.0, 3.0])
    found = dotted_pairs(row, main, place, pair_start)
    assert found.tolist() == [False, False, True, True, *[False] * 6]


def test_a_wide_swing_is_not_narrowed() -> None:
    """At 2.8 : 1 some second notes lie nearest to dotted pairs; they count all the same."""
    second = np.arange(128) % 2 == 1
    swung = np.arange(128) / 2.0 + np.where(second, 2.8 / 3.8 - 0.5, 0.0)
    found = []
    for seed in range(6):
        late = scattered(128, 20.0, seed)
        late -= np.where(second, late[second].mean(), late[~second].mean())
        found.append(analyze(take_of(swung, 96.0, late_ms=late)).phrases[0].swing_ratio)
    assert np.mean(found) == pytest.approx(2.8, abs=0.025)


def test_sixteenths_among_swung_eighths_are_no_second_notes() -> None:
    """A beat of four sixteenths in every bar of swung eighths leaves their ratio alone."""
    bar = np.array([0.0, 2 / 3, 1.0, 1 + 2 / 3, 2.0, 2.25, 2.5, 2.75, 3.0, 3 + 2 / 3])
    beats = (bar + 4.0 * np.arange(6)[:, None]).ravel()
    phrase = analyze(take_of(beats, 90.0, late_ms=scattered(60, 6.0, 2))).phrases[0]
    assert phrase.swing_ratio == pytest.approx(2.0, abs=0.12)


@pytest.mark.parametrize("seed", [7, 12, 17, 21])
def test_notes_are_held_against_the_ratio_that_is_told(seed: int) -> None:
    """Eight pairs at 1.9 : 1 leave the ratio open to 22 ms of scatter; the notes share one."""
    late = scattered(16, 22.0, seed)
    beats = np.arange(16) / 2.0 + np.where(np.arange(16) % 2 == 1, 1.9 / 2.9 - 0.5, 0.0)
    analysis = analyze(take_of(beats, 110.0, late_ms=late))
    (phrase,), notes = analysis.phrases, analysis.notes
    assert phrase.swung and phrase.swing_ratio is not None
    place = np.unique(np.round(notes.position_beat[notes.subdivision >= 0] % 1.0, 6))
    told = phrase.swing_ratio / (1.0 + phrase.swing_ratio)
    assert len(place) == 2 and place[0] == 0.0
    assert place[1] == pytest.approx(told, abs=0.01)


def test_pairs_of_each_meter() -> None:
    """Swung eighths pair up in a quarter, in 6/8 only sixteenths do; triplets never."""
    bars = [take_of(np.arange(4.0), 100.0, meter=m).bars for m in ("4/4", "6/8")]
    unit, half, third = (row_of(k) for k in ("swung-unit", "swung-half-unit", "triplet"))
    four, six = (pair_quarters(b)[[unit, half, third], 0] for b in bars)
    assert four[:2].tolist() == [1.0, 0.5] and np.isnan(four[2])
    assert six[1] == 0.5 and np.isnan(six[0])
    start, length, place = pairs(bars[0], np.array([2.0, 2.6, 5.5]), np.full(3, unit))
    assert start == pytest.approx([2.0, 2.0, 5.0]) and length.tolist() == [1.0] * 3
    assert place == pytest.approx([0.0, 0.6, 0.5], abs=1e-6)
