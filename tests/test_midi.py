"""Takes read from MIDI files: what a file says, and what is stated instead."""

from __future__ import annotations

import numpy as np
import pytest
from midi_bytes import QUARTERS, SIX_EIGHT, TEMPO_96, TEMPO_120, beats, line, parsed, quantity, solo

from improv.errors import UsageError
from improv.meter import parse_meter
from improv.midi import take_from_smf
from improv.model import Reading

# --- what the file says -------------------------------------------------------


def test_standard_defaults() -> None:
    """No tempo event means 120, no signature 4/4 (Standard MIDI Files 1.0); it is said."""
    take = solo()

    assert (take.tempo_bpm, take.meter_text) == (120.0, "4/4")
    assert take.onset_sec[:3] == pytest.approx([0.0, 0.5, 1.0])
    assert "states no tempo; 120" in take.warnings[0]


def test_published_meta_events_make_a_take() -> None:
    """500 000 is 120 quarters: in 6/8 the beat is the dotted quarter, 80 (SMF 1.0 examples)."""
    take = solo(TEMPO_120 + SIX_EIGHT)

    assert (take.tempo_bpm, take.meter_text) == (80.0, "6/8")
    assert beats(take)[:4] == pytest.approx([0.0, 2 / 3, 4 / 3, 2.0])


def test_clocks_per_click_say_nothing_of_the_meter() -> None:
    """The widespread bad copy of the 6/8 example (06 03 18 08) is 6/8 all the same."""
    assert solo(TEMPO_120 + "00 FF 58 04 06 03 18 08 ").meter_text == "6/8"


@pytest.mark.parametrize("kind", [0, 1, 2])
@pytest.mark.parametrize("division", [1, 24, 96, 480, 960, 15360, 32767])
def test_any_type_and_any_resolution(kind: int, division: int) -> None:
    """Types 0, 1 and 2 and every count of ticks per quarter give the same seconds."""
    ticks = range(0, division * 16, division)
    smf = parsed(TEMPO_96 + line(ticks, division // 2), kind=kind, division=division)

    take = take_from_smf(smf, "x.mid", Reading())

    assert take.onset_sec == pytest.approx(np.arange(16) * 0.625)
    assert beats(take) == pytest.approx(np.arange(16.0))


@pytest.mark.parametrize("place", [0, 1, 2])
def test_tempo_and_meter_on_any_track(place: int) -> None:
    """Whichever track holds them, before the notes or after, tempo and meter count."""
    tracks = [line(QUARTERS), ""]
    tracks.insert(place, TEMPO_96 + "00 FF 58 04 03 02 18 08 ")

    take = take_from_smf(parsed(*tracks), "x.mid", Reading())

    assert (take.tempo_bpm, take.meter_text) == (96.0, "3/4")


def test_a_written_ritardando_is_no_dragging() -> None:
    """Notes on the beats of a ramp of 200 tempo events lie on the beats."""
    ramp = b"".join(
        quantity(30 if i else 0) + bytes.fromhex("FF5103") + (500_000 + 2000 * i).to_bytes(3, "big")
        for i in range(200)
    )
    take = take_from_smf(parsed(ramp.hex(" "), line(QUARTERS)), "x.mid", Reading())

    assert beats(take) == pytest.approx(np.arange(16.0), abs=1e-9)
    assert (np.diff(take.onset_sec, 2) > -1e-9).all()
    assert np.diff(take.onset_sec)[-1] > 1.7 * np.diff(take.onset_sec)[0]


def test_meter_changes_in_the_file() -> None:
    """4/4, from quarter 8 3/4, from quarter 12 (inside its second bar) 2/4."""
    changes = (
        "00 FF 58 04 04 02 18 08 "
        + quantity(480 * 8).hex(" ") + " FF 58 04 03 02 18 08 "
        + quantity(480 * 4).hex(" ") + " FF 58 04 02 02 18 08 "
    )  # fmt: skip
    take = take_from_smf(parsed(changes, line(QUARTERS)), "x.mid", Reading())

    assert take.bars.start_quarter.tolist() == [0, 4, 8, 11, 12, 14, 16]
    assert take.meter_text == "4/4, 3/4, 2/4"


def test_a_signature_that_is_no_meter_is_ignored_and_said() -> None:
    """0/4 in a file is no reason to refuse the take."""
    take = solo(TEMPO_120 + "00 FF 58 04 00 02 18 08 ")

    assert take.meter_text == "4/4"
    assert any("0/2^2" in warning for warning in take.warnings)


# --- what is stated -----------------------------------------------------------


def test_the_stated_tempo_places_the_seconds() -> None:
    """The file's own tempo times the playing; the stated one gives the beats, with a warning."""
    take = solo(TEMPO_96, Reading(tempo_bpm=48.0))

    assert take.onset_sec[:3] == pytest.approx([0.0, 0.625, 1.25])
    assert beats(take)[:3] == pytest.approx([0.0, 0.5, 1.0])
    assert take.warnings[0] == (
        "The file says 96 quarter notes per minute; the stated 48 quarter notes per minute is used."
    )


def test_a_stated_tempo_counts_the_beats_of_the_meter() -> None:
    """60 in 6/8 is 90 quarters per minute; the warning shows both counts of both tempi."""
    take = solo(TEMPO_120 + SIX_EIGHT, Reading(tempo_bpm=60.0))

    assert take.tempo_bpm == 60.0
    assert take.tempo_map.quarter_sec.tolist() == pytest.approx([60 / 90])
    assert take.warnings[0] == (
        "The file says 120 quarter notes per minute (80 beats of the meter); the stated "
        "90 quarter notes per minute (60 beats of the meter) is used."
    )


NO_WARNING = [
    (TEMPO_96, Reading()),
    (TEMPO_96, Reading(tempo_bpm=96.0)),
    (TEMPO_96, Reading(tempo_bpm=96.02)),  # what whole microseconds round away
    (TEMPO_120 + SIX_EIGHT, Reading(tempo_bpm=80.0)),
    (TEMPO_120 + SIX_EIGHT, Reading(meter=parse_meter("6/8"))),
    (TEMPO_120 + "00 FF 58 04 09 03 24 08 ", Reading(meter=parse_meter("2+2+2+3/8"))),
    (TEMPO_96, Reading(meter=parse_meter("3/4"))),  # the file states none
    (TEMPO_120 + "00 FF 58 04 02 02 18 08 ", Reading(meter=parse_meter("2/4"), count_in_bars=1)),
    ("", Reading(tempo_bpm=77.0)),
]


@pytest.mark.parametrize(("text", "reading"), NO_WARNING)
def test_what_agrees_is_not_warned_about(text: str, reading: Reading) -> None:
    """Agreement, a mere grouping, or silence of the file raise no warning."""
    take = take_from_smf(parsed(text + line((0, 473, 971, 1440, 1913))), "x.mid", reading)

    assert take.warnings == ()


def test_a_stated_meter_wins_with_a_warning() -> None:
    """The file's 6/8 against a stated 3/4: 3/4, and both are named."""
    take = solo(TEMPO_120 + SIX_EIGHT, Reading(meter=parse_meter("3/4")))

    assert take.meter_text == "3/4"
    assert "The file says 6/8; the stated 3/4 is used." in take.warnings


FOUR_FOUR, THREE_FOUR = "00 FF 58 04 04 02 18 08 ", "00 FF 58 04 03 02 18 08 "


def bars_of(*signatures: str) -> str:
    """A track of whole bars of 4/4 ("4") and 3/4 ("3"), each with its own signature event."""
    text, wait = "", "00 "
    for count in signatures:
        text += (FOUR_FOUR if count == "4" else THREE_FOUR).replace("00 ", wait, 1)
        wait = "8F 00 " if count == "4" else "8B 20 "
    return text


@pytest.mark.parametrize(
    ("file", "stated", "count_in", "words"),
    [
        ("444", "4/4+3/4+7/8", 0, "The file says 4/4; the stated 4/4+3/4+2+2+3/8 is used."),
        ("44", "4/4+3/4", 0, "The file says 4/4; the stated 4/4+3/4 is used."),
        ("434", "4/4", 0, "The file says 3/4, 4/4; the stated 4/4 is used."),
        ("4434", "4/4+3/4", 0, "The file says 3/4, 4/4 in another order; the stated"),
        ("43333", "3/4", 1, "The file says 3/4, 4/4; the stated 3/4 is used."),
        ("4", "4/4+3/4", 0, None),
        ("4343", "4/4+3/4", 0, None),
        ("3434", "4/4+3/4", 0, None),
        ("44343", "4/4+3/4", 1, None),
    ],
)
def test_stated_bars_that_alternate_are_held_against_the_files(
    file: str, stated: str, count_in: int, words: str | None
) -> None:
    """Bar by bar, begun anywhere in the cycle; the count-in is a cycle of its own."""
    smf = parsed(bars_of(*file), line(range(0, 480 * sum(map(int, file)), 480)))
    take = take_from_smf(smf, "x.mid", Reading(meter=parse_meter(stated), count_in_bars=count_in))
    told = [w for w in take.warnings if w.startswith("The file says")]
    assert [w[: len(words or "")] for w in told] == ([] if words is None else [words])


def test_alternating_bars_are_stated_as_a_cycle() -> None:
    """9/8+10/8 lays bars of 4.5 and 5 quarters in turn, the first with bar 1."""
    take = solo(TEMPO_96, Reading(meter=parse_meter("9/8+10/8"), count_in_bars=1))

    lines = take.bars.start_quarter
    one = int(np.flatnonzero(take.bars.number == 1)[0])
    assert np.diff(lines)[one - 1 : one + 2].tolist() == [4.5, 4.5, 5.0]
    assert take.meter_text == "9/8+3+3+2+2/8"


BAD_READINGS = [
    (Reading(tempo_bpm=0.0), "tempo 0"),
    (Reading(tempo_bpm=-96.0), "tempo -96"),
    (Reading(tempo_bpm=1e9), "tempo 1e"),
    (Reading(tempo_bpm=float("nan")), "tempo nan"),
    (Reading(tempo_bpm=float("inf")), "tempo inf"),
    (Reading(count_in_bars=-1), "count-in of -1"),
    (Reading(count_in_bars=10**9), "count-in of 1000000000"),
    (Reading(start_sec=float("nan")), "start nan"),
    (Reading(start_sec=1e300), "start 1e"),
    (Reading(start_sec=1.0, find_start=True), "one of the two"),
    (Reading(channel=0), "channel 0"),
    (Reading(channel=17), "channel 17"),
    (Reading(meter=()), "meter is empty"),
]


@pytest.mark.parametrize(("reading", "words"), BAD_READINGS)
def test_values_that_make_no_sense(reading: Reading, words: str) -> None:
    """Impossible values are wrong use, said in one line."""
    with pytest.raises(UsageError, match=words):
        solo(reading=reading)
