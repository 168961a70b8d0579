"""Synthetic takes: hand-worked truths, determinism, and hands that are what they say."""

from __future__ import annotations

import numpy as np
import pytest

from improv import grid
from improv.errors import UsageError
from improv.meter import parse_meter
from improv.synth import (
    FreeRun,
    Hand,
    Line,
    Notated,
    Rest,
    Stretch,
    gliding_run,
    play,
    steady_run,
    uneven_run,
)
from improv.synth_solos import METERS, Rhythm, random_solo

EXACT = Hand(spread_ms=0.0)
KEYS = [s.key for s in grid.SUBDIVISIONS]


def _positions(line: Line, hand: Hand = EXACT) -> list[float]:
    _, truth = play(line, hand, 0)
    return [round(float(q), 6) for q in truth.position_quarter[truth.main]]


def test_eighths_of_an_exact_hand_fall_every_quarter_second_at_120():
    """120 BPM: an eighth is 0.25 s; the first note opens bar 1, a second into the take."""
    take, truth = play(Line((Stretch("eighths", 2),)), EXACT, 0)
    np.testing.assert_allclose(take.onset_sec, [1.0, 1.25, 1.5, 1.75])
    np.testing.assert_allclose(truth.position_quarter, [0.0, 0.5, 1.0, 1.5])
    np.testing.assert_allclose(truth.deviation_ms, 0.0, atol=1e-9)
    assert set(truth.subdivision.tolist()) == {KEYS.index("unit")}


@pytest.mark.parametrize(
    ("meter", "name", "beats", "expected"),
    [
        ("4/4", "quarter triplets", 2, [0, 2 / 3, 4 / 3]),
        ("4/4", "quintuplets", 1, [0, 0.2, 0.4, 0.6, 0.8]),
        ("3/4", "half notes", 6, [0, 2, 3, 5]),
        ("6/8", "duplets", 2, [0, 0.75, 1.5, 2.25]),
        ("6/8", "dotted quarters", 4, [0, 1.5, 3, 4.5]),
        ("2+2+2+3/8", "beats", 5, [0, 1, 2, 3, 4.5]),
        ("2+2+2+3/8", "eighths", 4, [0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]),
    ],
)
def test_stretches_lie_on_the_grid_of_their_meter(meter, name, beats, expected):
    """Positions in quarters from bar 1, worked by hand for simple, compound, additive meters."""
    found = _positions(Line((Stretch(name, beats),), meter=meter))
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_swing_of_two_to_one_delays_the_second_eighth_to_two_thirds():
    """Ratio 2 puts the off-beat at 2/3 of the beat: 1/3 s at 120 BPM, but no deviation."""
    hand = Hand(spread_ms=0.0, swing_ratio=2.0)
    take, truth = play(Line((Stretch("swung eighths", 2),)), hand, 0)
    np.testing.assert_allclose(take.onset_sec, [1.0, 1 + 1 / 3, 1.5, 1.5 + 1 / 3])
    np.testing.assert_allclose(truth.position_quarter, [0.0, 0.5, 1.0, 1.5])
    np.testing.assert_allclose(truth.due_quarter, [0.0, 2 / 3, 1.0, 5 / 3])
    np.testing.assert_allclose(truth.deviation_ms, 0.0, atol=1e-9)


def test_a_laid_back_hand_is_late_by_its_offset():
    """A constant 12 ms is in every deviation and in no scatter."""
    _, truth = play(Line((Stretch("eighths", 4),)), Hand(offset_ms=12.0, spread_ms=0.0), 0)
    np.testing.assert_allclose(truth.deviation_ms, 12.0, atol=1e-9)
    np.testing.assert_allclose(truth.stray_ms, 0.0)


def test_rushing_gains_on_the_backing_from_the_phrase_start():
    """At 124 over 120 BPM the fourth beat comes 4 · (0.5 - 60/124) s = 64.5 ms early."""
    line = Line((Stretch("quarters", 5), Rest(3), Stretch("quarters", 2)), drift_bpm=(4.0, 0.0))
    _, truth = play(line, EXACT, 0)
    expected = [-1000 * n * (0.5 - 60 / 124) for n in range(5)] + [0.0, 0.0]
    np.testing.assert_allclose(truth.deviation_ms, expected, atol=1e-6)


def test_rests_part_phrases_and_can_reach_the_bar_line():
    """Two beats of notes, a rest of one: the next phrase waits for bar 2 if told to."""
    pieces = (Stretch("quarters", 2), Rest(1, "bar"), Stretch("quarters", 1))
    _, truth = play(Line(pieces), EXACT, 0)
    assert truth.position_quarter.tolist() == [0.0, 1.0, 4.0]
    assert truth.phrase.tolist() == [0, 0, 1]
    assert [(p.start, p.stop) for p in truth.phrases] == [(0, 2), (2, 3)]


def test_a_pickup_lies_before_bar_one():
    """Start on beat -1: one quarter before the bar line, and the take still starts after 0 s."""
    take, truth = play(Line((Stretch("eighths", 2),), start_beat=-1), EXACT, 0)
    assert truth.position_quarter.tolist() == [-1.0, -0.5, 0.0, 0.5]
    assert take.onset_sec[0] > 0.5


def test_a_free_run_has_its_own_steps_and_no_position():
    """Three notes 0.3 beat apart, the first 0.3 after the stretch; then the next grid position."""
    line = Line((Stretch("quarters", 1), FreeRun((0.3, 0.3, 0.3)), Stretch("eighths", 1)))
    take, truth = play(line, EXACT, 0)
    beats = (take.onset_sec - 1.0) / 0.5
    np.testing.assert_allclose(beats[:4], [0.0, 1.3, 1.6, 1.9])
    assert truth.free.tolist() == [False, True, True, True, False, False, False]
    assert np.isnan(truth.position_quarter[1:4]).all()
    assert np.isnan(truth.deviation_ms[1:4]).all()
    # The line goes on 0.75 · 0.3 beat later, at 2.125, and for one whole beat from beat 3.
    np.testing.assert_allclose(beats[4:], [2.5, 3.0, 3.5])


def test_runs_of_three_kinds():
    """Steady: equal steps. Gliding: a constant factor from rate to rate. Uneven: neither."""
    assert steady_run(3, 4.0).steps_beat == (0.25, 0.25, 0.25)
    glide = np.array(gliding_run(5, 2.0, 8.0).steps_beat)
    np.testing.assert_allclose(glide[1:] / glide[:-1], (1 / 4) ** (1 / 4))
    assert gliding_run(5, 8.0, 2.0).kind == "slowing down"
    uneven = np.diff(np.log(uneven_run(200, 4.0, 0.2, seed=1).steps_beat))
    assert uneven.std() == pytest.approx(0.2 * np.sqrt(2), rel=0.15)


def test_a_written_rhythm_is_parted_where_one_row_cannot_hold_it():
    """Sixteenths for two beats, then a triplet: two segments, each the coarsest that holds it."""
    onsets = (0, 0.75, 1, 1.5, 2, 2 + 1 / 3, 2 + 2 / 3)
    _, truth = play(Line((Notated(onsets, 4),)), EXACT, 0)
    np.testing.assert_allclose(truth.position_quarter, onsets, atol=1e-6)
    rows = [KEYS[r] for r in truth.subdivision]
    assert rows == ["half-unit"] * 4 + ["triplet"] * 3
    assert truth.segment.tolist() == [0] * 4 + [1] * 3
    assert truth.notated.all()


def test_a_written_rhythm_no_row_holds_is_refused():
    """An onset at a tenth of a beat together with one at a third has no subdivision."""
    with pytest.raises(UsageError, match="no subdivision holds"):
        play(Line((Notated((0.1, 1 / 3), 1),)), EXACT, 0)


def test_wrong_names_and_counts_are_refused():
    """A subdivision the meter does not offer; drifts for more phrases than there are."""
    with pytest.raises(UsageError, match="no subdivision 'swung eighths' in 6/8"):
        play(Line((Stretch("swung eighths", 2),), meter="6/8"), EXACT, 0)
    with pytest.raises(UsageError, match="2 drifts for 1 phrases"):
        play(Line((Stretch("eighths", 2),), drift_bpm=(1.0, 2.0)), EXACT, 0)


def test_chords_and_graces_repeat_their_event():
    """Companions come 0 to 25 ms after the main note and overlap it; graces 40 to 70 ms before."""
    line = Line((Stretch("quarters", 60),), chords=0.5, graces=0.3)
    take, truth = play(line, Hand(spread_ms=5.0), 3)
    assert truth.main.sum() == 60
    main = np.empty(60)
    main[truth.event[truth.main]] = take.onset_sec[truth.main]
    lag_ms = 1000 * (take.onset_sec - main[truth.event])
    companion = ~truth.main & ~truth.grace
    assert companion.sum() > 20 and truth.grace.sum() > 8
    assert (lag_ms[companion] >= 0).all() and (lag_ms[companion] <= 25).all()
    assert (lag_ms[truth.grace] <= -40).all() and (lag_ms[truth.grace] >= -70).all()
    assert (take.release_sec[companion] > main[truth.event[companion]] + 0.05).all()
    assert (np.diff(take.onset_sec) >= 0).all()
    assert (take.release_sec > take.onset_sec).all()


def test_same_seed_same_take_other_seed_other_take():
    """The whole take is a function of line, hand and seed."""
    line = Line((Stretch("sixteenths", 16, filled=0.8), Rest(2), steady_run(7, 4.6)), chords=0.1)
    hand = Hand(offset_ms=5.0, spread_ms=12.0, fumbles=0.05)
    first, second, third = (play(line, hand, seed)[0] for seed in (4, 4, 5))
    np.testing.assert_array_equal(first.onset_sec, second.onset_sec)
    np.testing.assert_array_equal(first.pitch, second.pitch)
    assert first.onset_sec.tolist() != third.onset_sec.tolist()


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
def test_scatter_has_the_spread_and_the_memory_it_says(memory):
    """4 000 notes: standard deviation 15 ms and lag-one correlation, by numpy alone.

    The variance of an AR(1) sample has relative standard error
    sqrt(2 (1 + rho²) / (1 - rho²) / n) (Bartlett), of the spread half of that: 2.4 % at 0.8.
    """
    hand = Hand(offset_ms=-7.0, spread_ms=15.0, memory=memory)
    take, truth = play(Line((Stretch("quarters", 4000),), tempo_bpm=60.0), hand, 11)
    away_ms = 1000.0 * (take.onset_sec - 1.0 - np.arange(4000))
    np.testing.assert_allclose(truth.deviation_ms, away_ms, atol=1e-6)
    assert away_ms.std() == pytest.approx(15.0, rel=0.07)
    assert away_ms.mean() == pytest.approx(-7.0, abs=2.2)
    assert np.corrcoef(away_ms[:-1], away_ms[1:])[0, 1] == pytest.approx(memory, abs=0.05)
    two_on = np.corrcoef(away_ms[:-2], away_ms[2:])[0, 1]
    assert two_on == pytest.approx(memory**2, abs=0.06)


def test_fumbled_notes_stray_three_times_as_far_and_are_told():
    """Share 5 %, extra N(0, (3 sigma)²): together sqrt(10) sigma; the others keep sigma."""
    hand = Hand(spread_ms=10.0, memory=0.3, fumbles=0.05)
    _, truth = play(Line((Stretch("quarters", 4000),), tempo_bpm=60.0), hand, 2)
    assert truth.fumbled.mean() == pytest.approx(0.05, abs=0.012)
    assert truth.stray_ms[~truth.fumbled].std() == pytest.approx(10.0, rel=0.06)
    assert truth.stray_ms[truth.fumbled].std() == pytest.approx(10.0 * np.sqrt(10), rel=0.2)


def test_left_out_notes_are_left_out_at_the_stated_share():
    """Filled 0.8 of 4 000 positions: 3 200 notes, give or take four standard errors."""
    _, truth = play(Line((Stretch("sixteenths", 1000, filled=0.8),)), EXACT, 1)
    assert len(truth) == pytest.approx(3200, abs=4 * np.sqrt(4000 * 0.16))


def test_no_two_strokes_are_closer_than_a_hand_can_make():
    """Wild scatter on thirty-seconds at 120 BPM: order kept, 30 ms kept, truth still true."""
    take, truth = play(Line((Stretch("thirty-seconds", 64),)), Hand(spread_ms=30.0, memory=0.0), 1)
    assert np.diff(take.onset_sec).min() >= 0.030 - 1e-9
    due_sec = 1.0 + truth.due_quarter * 0.5
    np.testing.assert_allclose(truth.deviation_ms, 1000 * (take.onset_sec - due_sec), atol=1e-6)


def test_two_subdivisions_never_share_a_name_in_the_meters_of_the_solos():
    """Lines are written by name, so a name must mean one row."""
    for text, _ in METERS:
        meter = parse_meter(text)[0]
        names = [grid.name(grid.SUBDIVISIONS[r], meter) for r in grid.offered(meter)]
        assert len(set(names)) == len(names)


WALTZ = Rhythm("3/4", (0.0, 1.0, 1.5, 2.0, 3.0, 4.5, 5.0), 6.0)
COMMON = Rhythm("4/4", (0.0, 0.5, 1.0, 2.0, 2.75, 3.0, 3.5, 4.0, 6.0), 8.0)


def test_random_solos_keep_to_their_limits():
    """80 solos: ranges of tempo, hand and steps; runs clear of grids; every truth consistent."""
    kinds: set[str] = set()
    lengths: list[int] = []
    filled: list[float] = []
    written = notes = free = 0
    for seed in range(80):
        line, hand = random_solo(seed, (WALTZ, COMMON))
        assert 60 <= line.tempo_bpm <= 220 and 6 <= hand.spread_ms <= 30
        assert -30 <= hand.offset_ms <= 34 and 0.3 <= hand.memory <= 0.8
        take, truth = play(line, hand, seed)
        main = truth.main
        notes, free = notes + main.sum(), free + truth.free[main].sum()
        written += truth.notated[main].sum()
        kinds.update(truth.run_kinds)
        assert len(take) == len(truth) and (np.diff(take.onset_sec) >= 0).all()
        assert (np.isnan(truth.position_quarter) == truth.free).all()
        lengths += [len(piece.steps_beat) for piece in line.pieces if isinstance(piece, FreeRun)]
        filled += [piece.filled for piece in line.pieces if isinstance(piece, Stretch)]
    assert lengths and 5 <= min(lengths) and max(lengths) <= 20
    assert filled and 0.70 <= min(filled) and max(filled) <= 0.92
    assert kinds == {"", "steady", "speeding up", "slowing down", "uneven"}
    assert 0.07 < free / notes < 0.25
    assert written > 0.05 * notes


def test_random_solos_leave_out_what_they_are_told_to():
    """No free runs where none are wanted, and a narrow hand where that is asked for."""
    for seed in range(20):
        line, hand = random_solo(seed, spread_ms=(6.0, 12.0), free_runs=False)
        assert not any(isinstance(p, FreeRun) for p in line.pieces)
        assert hand.spread_ms <= 12.0
