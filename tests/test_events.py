"""Notes to events: what is one chord, what an ornament, and what must never be merged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_takes import LEAD_SEC, group, scattered, take_of

from improv.analysis import analyze
from improv.model import Take
from improv.strokes import Strokes
from improv.tempo import constant_tempo

SPREAD_MS = 35.0


def struck(
    at_ms: list[float],
    pitch: list[int],
    length_ms: float = 200.0,
    velocity: list[int] | None = None,
) -> Take:
    """Notes at times in ms from bar 1, one tempo."""
    take = take_of(np.array(at_ms) / 500.0)
    return replace(
        take,
        release_sec=take.onset_sec + length_ms / 1000.0,
        pitch=np.array(pitch, dtype=np.int64),
        velocity=np.array(velocity or [80] * len(pitch), dtype=np.int64),
    )


ONE_CHORD = {
    "a chord on the wire (0.96 ms a note: IEC 63035)": struck([0, 0.96, 1.92], [60, 64, 67]),
    "a strum that rings": struck([0, 9, 18, 27], [50, 55, 59, 64]),
    "a slow strum up": struck([0, 30, 60, 90], [50, 55, 59, 64], length_ms=900),
    "a roll from the top": struck([0, 25, 50, 75, 100], [76, 72, 67, 64, 48], length_ms=600),
    "struck at once": struck([0, 0, 0], [60, 64, 67]),
    "short notes of a hand and a far one": struck([0, 20], [40, 76], length_ms=10),
}

LINES = {
    "a fast line": struck([0, 60, 120, 180], [60, 62, 64, 65], length_ms=55),
    "a fast legato line": struck([0, 75, 150], [60, 62, 64], length_ms=90),
    "a run that lets go": struck([0, 48, 96, 144], [60, 62, 64, 65], length_ms=80),
    "a broken chord that rings": struck([0, 60, 120, 180], [48, 52, 55, 60], length_ms=900),
    "a roll of two pitches": struck([0, 40, 80, 120], [60, 62, 60, 62], length_ms=30),
    "repeated notes": struck([0, 50, 100, 150], [60, 60, 60, 60], length_ms=45),
}


@pytest.mark.parametrize("name", ONE_CHORD)
def test_one_event(name: str) -> None:
    """Notes of one chord are one event, timed by the first that sounds."""
    events = group(ONE_CHORD[name], SPREAD_MS)
    assert len(events) == 1
    assert events.onset_sec[0] == ONE_CHORD[name].onset_sec[0]
    assert events.end_sec[0] == ONE_CHORD[name].release_sec.max()


@pytest.mark.parametrize("name", LINES)
def test_a_line_is_never_merged(name: str) -> None:
    """However fast, notes of a melody stay events of their own."""
    events = group(LINES[name], SPREAD_MS)
    assert len(events) == len(LINES[name])
    assert not events.grace_note.any()


def test_a_flam_is_an_ornament_and_its_note() -> None:
    """A soft stroke 28 ms before a loud one of the same pitch has no place of its own."""
    take = struck([0, 472, 500, 1000], [38] * 4, length_ms=20, velocity=[90, 40, 90, 90])
    events = group(take, SPREAD_MS)
    assert events.grace_note.tolist() == [False, True, False, False]
    assert events.of_note.tolist() == [0, 1, 1, 2]
    assert events.onset_sec - take.onset_sec[0] == pytest.approx([0.0, 0.5, 1.0])


@pytest.mark.parametrize("ahead_ms", [18.0, 30.0, 60.0])
def test_a_crushed_note_is_an_ornament(ahead_ms: float) -> None:
    """A grace that sounds into its note, let go at once, does not move the event."""
    at_ms = [0.0, 500.0 - ahead_ms, 500.0, 1000.0]
    take = struck(at_ms, [60, 63, 64, 65], velocity=[80, 60, 80, 80])
    let_go = np.array([200.0, ahead_ms + 20.0, 200.0, 200.0]) / 1000.0
    events = group(replace(take, release_sec=take.onset_sec + let_go), SPREAD_MS)
    assert events.grace_note.tolist() == [False, True, False, False]
    assert events.onset_sec - LEAD_SEC == pytest.approx([0.0, 0.5, 1.0])


@pytest.mark.parametrize(
    ("bpm", "ahead_ms", "velocity", "ornament"),
    [
        (120.0, 60.0, 70, True),
        (120.0, 72.0, 40, True),
        (120.0, 90.0, 40, False),
        (200.0, 30.0, 76, True),
        (200.0, 30.0, 86, False),
        (200.0, 20.0, 96, True),
        (200.0, 50.0, 56, True),
        (200.0, 55.0, 56, True),
        (200.0, 55.0, 80, False),
        (200.0, 75.0, 56, False),
    ],
    ids=["short", "short and soft", "too long", "very short", "short but loud",
         "too near to be told", "soft cut", "longer soft cut", "not soft", "a soft sixteenth"],
)  # fmt: skip
def test_a_soft_note_may_be_a_longer_grace(
    bpm: float, ahead_ms: float, velocity: int, ornament: bool
) -> None:
    """Among eighths: at 200 BPM a sixteenth's upbeat lies 75 ms ahead, softer or not."""
    beat = np.array([0.0, 0.5, 1.0, 1.5, 1.5, 2.0, 2.5, 3.0])
    late = np.zeros(8)
    late[3] = -ahead_ms
    take = take_of(beat, bpm, late_ms=late, length_beat=0.05)
    loud = np.where(np.arange(8) == 3, velocity, 90).astype(np.int64)
    events = group(replace(take, velocity=loud), 35.0)
    assert events.grace_note.tolist() == [i == 3 and ornament for i in range(8)]


@pytest.mark.parametrize("percussion", [True, False])
def test_two_limbs_are_one_event(percussion: bool) -> None:
    """A kick 38 ms ahead of a softer snare: one stroke of a drummer, two notes of anybody else."""
    take = struck([0, 500, 538, 1000], [36, 36, 38, 36], length_ms=20, velocity=[90, 96, 80, 90])
    events = group(replace(take, percussion=percussion), SPREAD_MS)
    assert len(events) == (3 if percussion else 4)


def test_strokes_cut_to_the_start_of_the_file_are_marked() -> None:
    """A first onset at time 0 where the file begins with bar 1 carries no timing."""
    take = take_of(np.arange(4.0))
    moved = replace(
        take,
        onset_sec=take.onset_sec - 2.0,
        release_sec=take.release_sec - 2.0,
        tempo_map=replace(take.tempo_map, start_sec=np.zeros(1)),
    )
    assert group(moved, SPREAD_MS).untimed.tolist() == [True, False, False, False]
    assert not group(take, SPREAD_MS).untimed.any()


def test_nothing_is_dropped() -> None:
    """Every note belongs to an event, and events rise in time."""
    rng = np.random.default_rng(4)
    at = np.sort(rng.uniform(0, 8000, 300))
    take = struck(at.tolist(), rng.integers(40, 80, 300).tolist(), length_ms=80)
    events = group(take, SPREAD_MS)
    assert set(events.of_note.tolist()) == set(range(len(events)))
    assert np.all(np.diff(events.of_note) >= 0)
    assert np.all(np.diff(events.onset_sec) >= 0)


def test_strokes_cut_to_the_start_of_the_recording_tell_no_timing() -> None:
    """A first note at exactly 0 on the downbeat keeps its place and counts in no mean."""
    late_ms = np.array([0.0, *([20.0] * 15)])
    later = take_of(np.arange(16) / 2.0, late_ms=late_ms)
    take = replace(
        later,
        onset_sec=later.onset_sec - LEAD_SEC,
        release_sec=later.release_sec - LEAD_SEC,
        tempo_map=constant_tempo(120.0, 0.0),
    )

    analysis = analyze(take)

    assert analysis.notes.position_beat[0] == 0.0
    assert analysis.phrases[0].offset_ms == pytest.approx(20.0)


def test_a_line_played_legato_is_no_row_of_chords() -> None:
    """Thirty-seconds that overlap by a few ms, jitter bringing some within a chord's spread."""
    late_sec = scattered(64, 8.0, 4) / 1000.0
    onset = 1.0 + np.arange(64) * 60.0 / 140.0 / 8.0 + late_sec
    take = take_of(np.arange(64) / 8.0, 140.0)
    line = np.array([60, 62, 64, 65, 67, 65, 64, 62])[np.arange(64) % 8]
    release = onset + 0.9 * 60.0 / 140.0 / 8.0
    take = replace(take, onset_sec=onset, release_sec=release, pitch=line)
    assert len(Strokes.of(take, SPREAD_MS)) == 64
