"""What a user is told of how a file was read: said where it matters, and not where it does not."""

from __future__ import annotations

import pytest
from midi_bytes import line, parsed, quantity

from improv.errors import TakeError
from improv.midi import take_from_smf
from improv.midi_tempo import file_time
from improv.model import Reading

TEMPO_0 = "00 FF 51 03 00 00 00 "
TEMPO_96 = "00 FF 51 03 09 89 68 "
TEMPO_120 = "00 FF 51 03 07 A1 20 "
TEMPO_150 = "00 FF 51 03 06 1A 80 "
QUARTERS = range(0, 480 * 16, 480)
UNEVEN = [480 * i + 7 * (i % 5) for i in range(40)]


def told(*tracks: str, reading: Reading = Reading(), kind: int = 1) -> str:  # noqa: B008
    """All that is said of the solo on the last track."""
    return " ".join(take_from_smf(parsed(*tracks, kind=kind), "x.mid", reading).warnings)


# --- tempi that cannot both be -----------------------------------------------------------


def test_two_tracks_with_different_tempi_at_one_moment() -> None:
    """It is said which they are and which is used; a stated tempo settles it."""
    tracks = TEMPO_120, TEMPO_150 + line(UNEVEN)
    said = told(*tracks)
    assert "contradict each other at its start: 120 and 150 quarter notes per minute; 150" in said
    assert "contradict" not in told(*tracks, reading=Reading(tempo_bpm=120.0))


def test_tempi_that_agree_or_follow_each_other() -> None:
    """The same tempo on two tracks, or a correction on one track, is no contradiction."""
    assert told(TEMPO_120, TEMPO_120 + line(UNEVEN)) == ""
    assert told(TEMPO_120 + TEMPO_150 + line(UNEVEN)) == ""
    later = quantity(960).hex(" ") + TEMPO_150[2:]
    assert told(TEMPO_120 + later, line(UNEVEN)) == ""


@pytest.mark.parametrize("tracks", [(TEMPO_0, TEMPO_120), (TEMPO_120, TEMPO_0)])
def test_a_tempo_of_nothing_is_refused_on_any_track(tracks: tuple[str, str]) -> None:
    """Where time stands still on one track and not on another, neither is guessed at."""
    with pytest.raises(TakeError, match=r"x\.mid: a tempo event of 0 .* time stands still"):
        told(tracks[0], tracks[1] + line(UNEVEN))


def test_a_tempo_of_nothing_corrected_on_its_own_track() -> None:
    """The last event of a moment is the one that counts on its track."""
    assert told(TEMPO_0 + TEMPO_120 + line(UNEVEN)) == ""


def test_a_tempo_of_nothing_elsewhere_in_a_type_2_file() -> None:
    """Another piece's tempo of nothing is no tempo to state."""
    assert told(TEMPO_0, line(UNEVEN), kind=2) == told("", line(UNEVEN), kind=2)


def test_a_contradiction_later_on() -> None:
    """Anywhere in the file, told once."""
    later = quantity(960).hex(" ") + TEMPO_150[2:]
    sooner = quantity(960).hex(" ") + TEMPO_96[2:]
    said = told(TEMPO_120 + later, sooner, line(UNEVEN))
    assert "contradict each other at the same moment: 150 and 96 quarter" in said


def test_a_type_2_file_with_its_tempo_on_another_track() -> None:
    """What the other track states, and what is used instead."""
    said = told(TEMPO_96, line(UNEVEN), kind=2)
    assert said.startswith("Track 1 states 96 quarter notes per minute, the solo's own track no")
    assert "120 is assumed" in said and "states no tempo" not in said
    assert told(TEMPO_96, line(UNEVEN), kind=2, reading=Reading(tempo_bpm=96.0)) == ""
    assert told(TEMPO_96, line(UNEVEN)) == ""


def test_a_backing_without_a_tempo_is_named() -> None:
    """What states no tempo is the backing, not the take's file."""
    backing = file_time(parsed(line(QUARTERS)), "backing.mid")
    reading = Reading(backing="backing.mid")
    (said, *_) = take_from_smf(parsed(line(UNEVEN)), "x.mid", reading, backing).warnings
    assert said.startswith("The backing states no tempo; 120")


# --- notes before bar 1 ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (Reading(count_in_bars=3), "8 notes lie before bar 1, from bar -1 on: is the count-in of"),
        (Reading(start_sec=9.0), "14 notes lie before bar 1, from bar -3 on: is the start right?"),
        (
            Reading(count_in_bars=2, start_sec=2.0),
            "8 notes lie before bar 1, from bar -1 on: are the count-in of 2 bars and the start",
        ),
    ],
)  # fmt: skip
def test_more_than_a_pickup_before_bar_one(reading: Reading, said: str) -> None:
    """A count-in or a start that cannot be right is asked about by its name."""
    assert said in told(TEMPO_120 + line([t + 1920 for t in UNEVEN]), reading=reading)


@pytest.mark.parametrize(
    "reading", [Reading(), Reading(count_in_bars=1), Reading(start_sec=0.25), Reading(start_sec=2)]
)
def test_a_pickup_is_no_reason_to_ask(reading: Reading) -> None:
    """A bar of notes before bar 1 at most."""
    assert "before bar 1" not in told(TEMPO_120 + line(UNEVEN), reading=reading)


def test_a_note_early_for_a_whole_bar_of_pickup() -> None:
    """Struck early for beat 1 of bar 0 it is in no bar -1."""
    early = [1920 * 2 - 30, *range(1920 * 2 + 480, 1920 * 6, 480)]
    assert "before bar 1" not in told(TEMPO_120 + line(early), reading=Reading(count_in_bars=3))


# --- rasters -----------------------------------------------------------------------------


def test_a_raster_under_a_changing_tempo() -> None:
    """It is one of ticks: as wide in time as the tempo makes it."""
    later = quantity(480 * 8).hex(" ") + " FF 51 03 0F 42 40 "
    said = told(TEMPO_120 + later, line(QUARTERS))
    assert "a raster of 1 of a quarter note (500 to 1000 ms, as the tempo goes)" in said
    assert "a raster of 500 ms:" in told(TEMPO_120, line(QUARTERS))


def test_a_raster_is_measured_where_the_notes_are() -> None:
    """A count-in at another tempo is not."""
    later = quantity(480 * 4).hex(" ") + " FF 51 03 0F 42 40 "
    said = told(TEMPO_120 + later, line(range(480 * 4, 480 * 20, 480)))
    assert "a raster of 1000 ms:" in said
