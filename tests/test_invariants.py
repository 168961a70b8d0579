"""What must not change an answer, and how it must change when it does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_takes import scattered, shifted, take_of

from improv import Analysis, Take, analyze
from improv.meter import parse_meter
from improv.synth import Hand, Line, Rest, Stretch, play, steady_run
from improv.tempo import constant_tempo, lay_bars

SEEDS = range(4)
LINE = Line(
    (
        Stretch("eighths", 12),
        Stretch("sixteenths", 4, filled=0.8),
        Rest(3, "bar"),
        Stretch("eighth triplets", 8),
        Stretch("eighths", 8),
        steady_run(11, 4.5),
        Rest(2, "bar"),
        Stretch("swung eighths", 12),
    ),
    tempo_bpm=104.0,
    chords=0.15,
    graces=0.05,
)


def made(seed: int) -> Take:
    """A take with most of what a take can have."""
    return play(LINE, Hand(6.0, 11.0), seed)[0]


def same(one: Analysis, other: Analysis) -> None:
    """The same answer for every note."""
    a, b = one.notes, other.notes
    assert a.subdivision_name == b.subdivision_name
    assert a.off_grid.tolist() == b.off_grid.tolist()
    assert a.grace.tolist() == b.grace.tolist()
    np.testing.assert_allclose(b.confidence, a.confidence, atol=1e-4)
    np.testing.assert_allclose(b.deviation_ms, a.deviation_ms, atol=1e-4)


@pytest.mark.parametrize("seed", SEEDS)
def test_transposing_changes_nothing(seed: int) -> None:
    """Rhythm is not pitch."""
    take = made(seed)
    up = analyze(replace(take, pitch=take.pitch + 7))
    down = analyze(take)
    same(down, up)
    np.testing.assert_array_equal(down.notes.position_beat, up.notes.position_beat)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_whole_bar_later_changes_the_bar_only(seed: int) -> None:
    """Two bars of silence more in front: bar numbers grow by two."""
    take = made(seed)
    bar_sec = 4 * 60.0 / take.tempo_bpm
    cycle = parse_meter("4/4")
    start = float(take.tempo_map.start_sec[0])
    last = (take.release_sec.max() + 2 * bar_sec - start) * take.tempo_bpm / 60.0
    later = replace(
        shifted(take, 2000.0 * bar_sec),
        bars=lay_bars(((0.0, cycle),), -start * take.tempo_bpm / 60.0, float(last)),
    )
    before, after = analyze(take), analyze(later)
    same(before, after)
    assert (after.notes.bar - before.notes.bar).tolist() == [2] * len(take)
    np.testing.assert_allclose(after.notes.position_beat, before.notes.position_beat + 8.0)


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_stretching_time_and_tempo_together_keeps_positions(factor: float) -> None:
    """A clean line at another tempo has the same positions; deviations in beats stay."""
    beat = np.concatenate([np.arange(24) / 2.0, 12 + np.arange(16) / 4.0, 17 + np.arange(9) / 3.0])
    late = scattered(len(beat), 6.0, 1)
    slow, fast = (
        take_of(beat, 100.0, late_ms=late),
        take_of(beat, 100.0 / factor, late_ms=late * factor),
    )
    one, other = analyze(slow), analyze(fast)
    np.testing.assert_allclose(one.notes.position_beat, other.notes.position_beat)
    np.testing.assert_allclose(one.notes.deviation_ms * factor, other.notes.deviation_ms, atol=1e-4)


@pytest.mark.parametrize("late_ms", [-20.0, -8.0, 8.0, 20.0])
def test_a_constant_delay_moves_the_offset_only(late_ms: float) -> None:
    """Every note later by as much: the offset follows, spread and subdivisions stay."""
    beat = np.concatenate([np.arange(32) / 2.0, 17 + np.arange(24) / 3.0])
    take = take_of(beat, 96.0, late_ms=scattered(56, 9.0, 2))
    before, after = analyze(take), analyze(shifted(take, late_ms))
    assert before.constant_offset_ms is not None and after.constant_offset_ms is not None
    moved = after.constant_offset_ms - before.constant_offset_ms
    assert moved == pytest.approx(late_ms, abs=0.5)
    assert after.spread_ms == pytest.approx(before.spread_ms, abs=0.3)
    assert after.notes.subdivision_name == before.notes.subdivision_name
    np.testing.assert_allclose(
        after.notes.deviation_ms - before.notes.deviation_ms, late_ms, atol=1e-4
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_the_order_of_a_chords_notes_is_nothing(seed: int) -> None:
    """Notes struck in one instant may stand in any order in the file."""
    rng = np.random.default_rng(seed)
    beat = np.repeat(np.arange(24) / 2.0, 3)
    take = take_of(beat, 100.0, late_ms=np.repeat(scattered(24, 8.0, seed), 3))
    order = np.concatenate([3 * i + rng.permutation(3) for i in range(24)])
    turned = replace(take, pitch=take.pitch[order], velocity=take.velocity[order])
    same(analyze(take), analyze(turned))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_take_gives_the_same_answer(seed: int) -> None:
    """Nothing is drawn by lot: twice analyzed, twice the same to the last bit."""
    one, other = analyze(made(seed)), analyze(made(seed))
    np.testing.assert_array_equal(one.notes.deviation_ms, other.notes.deviation_ms)
    np.testing.assert_array_equal(one.notes.confidence, other.notes.confidence)
    assert one.phrases == other.phrases


@pytest.mark.parametrize(
    ("name", "bpm"),
    [
        ("quarters", 120.0),
        ("eighths", 60.0),
        ("eighths", 200.0),
        ("eighth triplets", 90.0),
        ("sixteenths", 60.0),
        ("sixteenths", 120.0),
        ("sextuplets", 66.0),
        ("septuplets", 60.0),
        ("thirty-seconds", 60.0),
    ],
)
def test_a_grid_with_little_scatter_is_that_grid(name: str, bpm: float) -> None:
    """Sixteen beats of one subdivision, 5 ms of scatter: every note is called by its name."""
    take, _ = play(Line((Stretch(name, 16),), tempo_bpm=bpm), Hand(spread_ms=5.0), 3)
    assert set(analyze(take).notes.subdivision_name) == {name}


@pytest.mark.parametrize("seed", SEEDS)
def test_onsets_at_random_are_not_safely_on_any_grid(seed: int) -> None:
    """Notes thrown at random at some three to the beat: hardly one is placed with certainty."""
    rng = np.random.default_rng(seed)
    beat = np.cumsum(rng.uniform(0.12, 0.55, 80))
    notes = analyze(take_of(beat, 100.0, length_beat=0.1)).notes
    sure = (~notes.off_grid) & (notes.confidence > 0.9)
    assert sure.mean() < 0.35


def test_a_part_is_read_like_the_whole() -> None:
    """The first phrase alone has the subdivisions it has within the take."""
    line = Line((Stretch("eighths", 14), Rest(2), Stretch("sixteenths", 12)), tempo_bpm=92.0)
    take, _ = play(line, Hand(4.0, 9.0), 8)
    whole = analyze(take).notes
    first = whole.phrase == 1
    assert analyze(take.at(first)).notes.subdivision_name == tuple(
        n for n, here in zip(whole.subdivision_name, first, strict=True) if here
    )


def test_constant_tempo_and_bars_are_what_takes_stand_on() -> None:
    """A take built from parts equals the one the helper makes: the tests' own ground."""
    take = take_of(np.arange(8.0), 120.0)
    assert constant_tempo(120.0, 2.0).quarter_sec == take.tempo_map.quarter_sec
    assert analyze(take).notes.position_beat.tolist() == list(range(8))


@pytest.mark.parametrize("meter", ["4/4", "2/2", "6/8", "4/8", "4/16", "12/8"])
def test_positions_are_whole_beats_where_beats_were_played(meter: str) -> None:
    """Whatever a meter's beats are long: positions are exact, and beats are told from off-beats."""
    beats = np.arange(16.0)
    analysis = analyze(take_of(beats, 100.0, meter))
    at = np.array(analysis.notes.position_beat)
    np.testing.assert_array_equal(at, np.round(at))
    assert all(p.offbeat_offset_ms is None for p in analysis.phrases)
    assert any(p.beat_offset_ms is not None for p in analysis.phrases)
