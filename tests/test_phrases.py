"""Where phrases end: at rests that are long for the beat and for the player."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_takes import group, take_of

from improv.phrases import LONGEST_BARS, split


def edges(beats: list[float], length_beat: float = 0.2, rest_beat: float = 1.0) -> list[int]:
    """Phrase boundaries of notes at these beats, each sounding for `length_beat`."""
    take = take_of(np.array(beats), 100.0, length_beat=length_beat)
    return split(group(take, 35.0), take.bars, rest_beat).tolist()


def legato_phrases(beats: list[float]) -> int:
    """Number of phrases where every note sounds until the next."""
    take = take_of(np.array(beats), 100.0)
    onset = take.onset_sec
    take = replace(take, release_sec=np.append(onset[1:], onset[-1] + 0.3))
    return len(split(group(take, 35.0), take.bars, 1.0)) - 1


EIGHTHS = [i / 2 for i in range(8)]
ENDS = {
    "two beats of rest": (EIGHTHS + [b + 6 for b in EIGHTHS], [0, 8, 16]),
    "a bar of rest after quarters": ([0.0, 1, 2, 3, 8, 9, 10, 11], [0, 4, 8]),
    "two rests": ([0.0, 0.5, 1, 4, 4.5, 5, 8, 8.5, 9], [0, 3, 6, 9]),
    "a note alone after two bars": ([*EIGHTHS, 12.0, *(b + 20 for b in EIGHTHS)], [0, 8, 9, 17]),
}
DOES_NOT_END = {
    "half a beat of rest": [0.0, 0.5, 1, 1.5, 2.5, 3, 3.5, 4.5, 5],
    "quarters with gaps": [0.0, 1, 2, 3, 4, 5, 6, 7],
    "half notes": [0.0, 2, 4, 6, 8, 10],
    "one missing eighth": [b for b in np.arange(16) / 2 if b != 3.5],
    "one note after a beat of rest": [*EIGHTHS, 5.0],
    "two quarters after a missing one": [0.0, 1, 2, 3, 5, 6],
}


@pytest.mark.parametrize("name", ENDS)
def test_a_rest_ends_a_phrase(name: str) -> None:
    """Silence of a beat and more, longer than the notes around follow each other."""
    beats, expected = ENDS[name]
    assert edges(beats) == expected


@pytest.mark.parametrize("name", DOES_NOT_END)
def test_a_gap_ends_no_phrase(name: str) -> None:
    """What is usual for the line, or too short for a rest, is inside a phrase."""
    beats = DOES_NOT_END[name]
    assert edges(list(beats)) == [0, len(beats)]


@pytest.mark.parametrize("length_beat", [0.0, 0.1, 0.25, 0.5])
def test_a_short_stroke_rests_no_sooner_than_a_held_one(length_beat: float) -> None:
    """Pads send notes of no length: eighths with every fourth left out stay one phrase."""
    beats = [i / 2 for i in range(32) if i % 4 != 3]
    assert edges(beats, length_beat=length_beat) == [0, len(beats)]


def test_one_note_between_two_rests_joins_over_the_shorter() -> None:
    """A rest of one beat and one of a beat and a half: the note is of the line before it."""
    beats = [*EIGHTHS, 5.0, *(7.0 + b for b in EIGHTHS)]
    assert edges(beats) == [0, 9, 17]


def test_playing_without_a_rest_is_cut_at_bar_lines() -> None:
    """Twenty bars of eighths are parts of at most eight bars, each beginning with a bar."""
    found = edges([i / 2 for i in range(160)], length_beat=0.45)
    assert found[0] == 0 and found[-1] == 160
    assert all(edge % 8 == 0 for edge in found)
    assert max(np.diff(found)) <= 8 * LONGEST_BARS


@pytest.mark.parametrize(("held_beat", "parts"), [(4.0, 2), (2.5, 1)])
def test_a_last_note_held_on_ends_a_phrase(held_beat: float, parts: int) -> None:
    """A whole note after eighths, sounding until the next phrase; a shorter one is a long note."""
    assert legato_phrases([*EIGHTHS, *(b + 3.5 + held_beat for b in EIGHTHS)]) == parts


def test_long_notes_among_long_notes_end_nothing() -> None:
    """Half notes and whole notes, all held."""
    assert legato_phrases([0.0, 2, 4, 8, 10, 12, 16, 18, 20]) == 1


def test_the_bar_line_after_a_wait_is_the_better_cut() -> None:
    """Sixteen bars of sixteenths, the sixth ending on a quarter: cut there, not after eight."""
    beats = [i / 4 for i in range(256) if not 23.0 < i / 4 < 24.0]
    found = edges(beats, length_beat=0.24)
    assert beats[found[1]] == 24.0


def test_a_longer_rest_may_be_asked_for() -> None:
    """With `phrase_rest_beat` 4 two beats of rest end nothing."""
    beats, _ = ENDS["two beats of rest"]
    assert edges(beats, rest_beat=4.0) == [0, 16]


def test_one_note_is_one_phrase() -> None:
    """The edges cover what there is."""
    assert edges([0.0]) == [0, 1]
