"""Ornaments weighed by the rhythm around them: what is one, and what must stay a note."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_takes import scattered, shifted, take_of

from improv import Take, analyze
from improv.model import Floats

SIXTEENTHS = np.arange(32) / 4.0
EIGHTHS = np.arange(24) / 2.0
SPREAD_MS = 7.0


def line(
    beats: Floats, bpm: float, before: tuple[int, ...], ahead_ms: float, loud: int, ghost: int
) -> tuple[Take, list[bool]]:
    """A scattered line of notes at one loudness; ahead of some of them a note of another."""
    beats = np.asarray(beats, dtype=np.float64)
    late = scattered(len(beats), SPREAD_MS, 5)
    beat_ms = 60000.0 / bpm
    extra = beats[list(before)] + (late[list(before)] - ahead_ms) / beat_ms
    at = np.concatenate([beats + late / beat_ms, extra])
    order = np.argsort(at, kind="stable")
    take = take_of(at[order], bpm, length_beat=0.05)
    ornament = (np.arange(len(at)) >= len(beats))[order]
    velocity = np.where(ornament, ghost, loud).astype(np.int64)
    return replace(take, velocity=velocity), ornament.tolist()


ORNAMENTS = {
    "soft, among sixteenths": (SIXTEENTHS, 84.0, (4, 12, 21), 55.0, 80, 64),
    "soft, among eighths, rather long": (EIGHTHS, 112.0, (3, 10, 17), 72.0, 80, 60),
    "as loud as its note, among eighths": (EIGHTHS, 96.0, (4, 13), 48.0, 80, 80),
    "a little louder than its note": (EIGHTHS, 96.0, (4, 13), 40.0, 80, 84),
    "soft, at a fast tempo": (EIGHTHS, 168.0, (4, 13), 50.0, 90, 66),
    "soft, before triplets": (np.arange(24) / 3.0, 90.0, (6, 16), 55.0, 80, 60),
}

DOUBLE = {
    "two soft ones before a note": (84.0, 42.0, 64),
    "two quick ones as loud as their note": (96.0, 34.0, 80),
    "two soft ones at a fast tempo": (150.0, 40.0, 60),
}

NOTES = {
    "a sixteenth's upbeat, as loud": (EIGHTHS, 200.0, (4, 13), 75.0, 80, 80),
    "a sixteenth's upbeat, softer": (EIGHTHS, 190.0, (3, 7, 11, 15, 19), 79.0, 80, 64),
    "a thirty-second before the beat": (EIGHTHS, 96.0, (4, 13), 78.0, 80, 80),
    "an accented thirty-second": (EIGHTHS, 100.0, (4, 8, 16), 75.0, 80, 96),
}


@pytest.mark.parametrize("name", ORNAMENTS)
def test_must_be_an_ornament(name: str) -> None:
    """No place in the rhythm, soft or with room before it: the line keeps its subdivision."""
    take, ornament = line(*ORNAMENTS[name])
    notes = analyze(take).notes
    assert notes.grace.tolist() == ornament
    assert len(set(notes.subdivision[~notes.grace].tolist())) == 1


@pytest.mark.parametrize("name", DOUBLE)
def test_two_in_a_row_are_ornaments(name: str) -> None:
    """A double grace, each step as short as the other, among eighths."""
    bpm, step_ms, ghost = DOUBLE[name]
    main = np.arange(24) / 2.0 + scattered(24, SPREAD_MS, 6) * bpm / 60000.0
    extra = np.concatenate([main[[5, 14]] - k * step_ms * bpm / 60000.0 for k in (1, 2)])
    at = np.concatenate([main, extra])
    order = np.argsort(at)
    ornament = order >= 24
    take = take_of(at[order], bpm, length_beat=0.05)
    velocity = np.where(ornament, ghost, 80).astype(np.int64)
    notes = analyze(replace(take, velocity=velocity)).notes
    assert notes.grace.tolist() == ornament.tolist()


@pytest.mark.parametrize("bpm", [100.0, 120.0])
def test_two_thirty_seconds_in_place_are_notes(bpm: float) -> None:
    """Pairs of thirty-seconds before beats, 75 and 62 ms a note, among sixteenths and eighths."""
    cell = np.array([0.0, 0.5, 0.75, 0.875, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 2.75, 2.875, 3.0, 3.5])
    beats = (cell + 4.0 * np.arange(4)[:, None]).ravel()
    take = take_of(beats, bpm, late_ms=scattered(len(beats), 5.0, 3), length_beat=0.05)
    assert not analyze(take).notes.grace.any()


@pytest.mark.parametrize("name", NOTES)
def test_must_stay_a_note(name: str) -> None:
    """A short note that has its place is none, softer or not."""
    take, _ = line(*NOTES[name])
    assert not analyze(take).notes.grace.any()


@pytest.mark.parametrize("bpm", [76.0, 92.0])
def test_short_notes_of_double_dotted_pairs_are_notes(bpm: float) -> None:
    """Double-dotted eighths and thirty-seconds, the short ones softer, as they are played."""
    beats = np.sort(np.concatenate([np.arange(12.0), np.arange(12) + 0.875]))
    take = take_of(beats, bpm, late_ms=scattered(24, 6.0, 8), length_beat=0.05)
    softer = np.where(np.arange(24) % 2 == 0, 84, 74).astype(np.int64)
    assert not analyze(replace(take, velocity=softer)).notes.grace.any()


@pytest.mark.parametrize("late_ms", [-25.0, 30.0])
def test_a_constant_delay_changes_no_ornament(late_ms: float) -> None:
    """Struck throughout ahead of the beat or behind it: the same notes are ornaments."""
    take, ornament = line(*ORNAMENTS["soft, among sixteenths"])
    assert analyze(shifted(take, late_ms)).notes.grace.tolist() == ornament


def test_thirty_seconds_among_others_are_notes() -> None:
    """A thirty-second's upbeat of 71 ms, in a line that has them in every bar, softer or not."""
    cell = np.array([0.0, 0.25, 0.5, 0.875, 1.0, 1.25, 1.375, 1.5, 1.75, 2.0, 2.5, 2.875, 3.0, 3.5])
    beats = (cell + 4.0 * np.arange(4)[:, None]).ravel()
    take = take_of(beats, 106.0, late_ms=scattered(len(beats), 5.0, 3), length_beat=0.05)
    softer = np.where(np.isclose(beats % 1, 0.875), 74, 84).astype(np.int64)
    assert not analyze(replace(take, velocity=softer)).notes.grace.any()


def test_a_free_run_keeps_its_notes() -> None:
    """Nothing in an even run is an ornament, however soft one of its notes is."""
    beats = np.concatenate([np.arange(8) / 2.0, 4.1 + np.arange(14) / 7.3])
    take = take_of(beats, 104.0, late_ms=scattered(22, 5.0, 2), length_beat=0.05)
    softer = np.where(np.arange(22) == 13, 60, 84).astype(np.int64)
    assert not analyze(replace(take, velocity=softer)).notes.grace.any()
