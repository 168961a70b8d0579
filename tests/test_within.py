"""Only some bars are asked for: these are reported, exactly, and no chord is torn."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import Settings, Take, TakeError, analyze

BARS = 8


def early(early_ms: float, chords: bool = False) -> Take:
    """Eight bars of eighths struck ahead of the beat by a player who always is, perhaps in chords
    of which the second note comes 12 ms after the first."""
    beats = np.arange(BARS * 8) / 2
    late_ms = scattered(len(beats), 6.0, 2) - early_ms
    take = take_of(np.repeat(beats, 2), late_ms=np.repeat(late_ms, 2) + np.tile([0.0, 12.0], 64))
    low = np.arange(0 if chords else 1, len(take), 1 if chords else 2)
    return take.at(low)


def bars_heard(take: Take, first: int, last: int) -> set[int]:
    """The bars of the notes reported of the bars asked for."""
    return set(analyze(take, Settings(first_bar=first, last_bar=last)).notes.bar.tolist())


@pytest.mark.parametrize("early_ms", [-40.0, 0.0, 40.0, 66.0])
@pytest.mark.parametrize(("first", "last"), [(1, 2), (3, 3), (4, 6), (8, 8)])
def test_the_bars_asked_for_and_no_other(early_ms: float, first: int, last: int) -> None:
    """Ahead of the beats or behind: beat 1 belongs to the bar it opens."""
    asked = Settings(first_bar=first, last_bar=last)
    made = analyze(early(early_ms), asked)
    assert set(made.notes.bar.tolist()) == set(range(first, last + 1))
    assert len(made.notes) == 8 * (last - first + 1)
    assert made.phrases[0].begins.count == "1"
    assert (made.phrases[0].first_bar, made.phrases[-1].ends.bar) == (first, last)


@pytest.mark.parametrize("early_ms", [56.0, 60.0, 64.0])
def test_a_chord_on_the_bar_line_stays_whole(early_ms: float) -> None:
    """All its notes are in one bar, that of the beat it was meant for."""
    take = early(early_ms, chords=True)
    for bar in range(1, BARS + 1):
        made = analyze(take, Settings(first_bar=bar, last_bar=bar))
        assert len(made.notes) == 16
        assert np.bincount(made.notes.event).tolist() == [2] * 8


def test_each_note_is_in_one_bar() -> None:
    """What is heard bar by bar adds up to the take."""
    take = early(50.0, chords=True)
    each = [analyze(take, Settings(first_bar=b, last_bar=b)).take for b in range(1, BARS + 1)]
    assert np.concatenate([part.onset_sec for part in each]).tolist() == take.onset_sec.tolist()


def test_what_is_heard_depends_on_these_bars_only() -> None:
    """Whatever else is played in the take, far from the bars asked for."""
    take = early(30.0)
    alone = take.at(np.arange(14, 42))
    asked = Settings(first_bar=3, last_bar=4)
    whole, part = analyze(take, asked), analyze(alone, asked)
    assert whole.phrases == part.phrases
    assert whole.constant_offset_ms == part.constant_offset_ms


@pytest.mark.parametrize("bars", [(900, 901), (-5, -4)])
def test_no_notes_there_and_where_they_are(bars: tuple[int, int]) -> None:
    """The bars a take is said to have are those its title names: beat 1 of bar 9 was early."""
    take = take_of(np.arange(BARS * 8 + 1) / 2, late_ms=-40.0)
    assert analyze(take).phrases[-1].ends.bar == 9
    with pytest.raises(TakeError, match="the take has notes in bars 1 to 9"):
        analyze(take, Settings(first_bar=bars[0], last_bar=bars[1]))


def test_only_strays_of_another_bar_are_no_notes_either() -> None:
    """Beat 1 of bar 3 struck early is nothing in bar 2."""
    take = take_of(np.append(np.arange(4) / 2, 8 + np.arange(8) / 2), late_ms=-40.0)
    with pytest.raises(TakeError, match="no notes in the bars asked for"):
        analyze(take, Settings(first_bar=2, last_bar=2))
