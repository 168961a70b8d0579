"""Where bar 1 of a take lies: count-in, stated and found starts, a backing."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from midi_bytes import (
    QUARTERS,
    TEMPO_96,
    TEMPO_120,
    bar_numbers,
    beats,
    line,
    midi,
    parsed,
    quantity,
    solo,
    track,
)

from improv.errors import TakeError
from improv.midi import read_take, take_from_smf, take_of_bytes
from improv.midi_sentences import found_sentence
from improv.midi_tempo import file_time
from improv.model import Reading
from improv.smf import Smf
from improv.start import Start
from improv.tempo import constant_tempo, seconds_at


def test_count_in() -> None:
    """Two bars of count-in: the solo's notes in it stand in bars -1 and 0."""
    take = solo(TEMPO_96, Reading(count_in_bars=2))

    assert bar_numbers(take) == [-1] * 4 + [0] * 4 + [1] * 4 + [2] * 4
    assert seconds_at(take.tempo_map, np.zeros(1)) == pytest.approx([8 * 0.625])


@pytest.mark.parametrize(("bars", "first"), [(5, -4), (100, -99), (1000, -999)])
def test_a_count_in_longer_than_the_take(bars: int, first: int) -> None:
    """Bars count down to a bar 1 that nobody plays, and a sentence asks whether that can be."""
    take = solo(TEMPO_96, Reading(count_in_bars=bars))
    assert bar_numbers(take)[0] == first
    said = "Every note lies before bar 1: are the count-in and the start right?"
    assert said in take.warnings
    assert said not in solo(TEMPO_96, Reading(count_in_bars=3)).warnings


def test_a_click_of_ours_in_the_file_says_its_count_in() -> None:
    """A project that holds the practice click has its bar 1; what is stated of it wins."""
    mark = b"click: 4/4, count-in 2"
    marked = f"{TEMPO_96}00 FF 06 {(quantity(len(mark)) + mark).hex(' ')} "
    said = "The file holds a click of 'improv click' with 2 bars of count-in"

    def read(reading: Reading) -> tuple[int, bool]:
        take = solo(marked, reading)
        return bar_numbers(take)[0], any(text.startswith(said) for text in take.warnings)

    assert read(Reading()) == (-1, True)
    assert read(Reading(tempo_bpm=96.0)) == (-1, True)
    assert read(Reading(count_in_bars=0)) == (1, False)
    assert read(Reading(count_in_bars=1)) == (0, False)
    assert read(Reading(start_sec=0.0)) == (1, False)
    backed = take_of_bytes(
        midi(track(marked + line(QUARTERS))), "x", Reading(backing="b"), midi(track(TEMPO_96))
    )
    assert bar_numbers(backed)[0] == 1


def test_count_in_through_a_meter_change() -> None:
    """A count-in of 4/4 before a tune in 6/8: bar 1 is the first 6/8, a tempo counts its beat."""
    change = "00 FF 58 04 04 02 18 08 " + quantity(480 * 4).hex(" ") + " FF 58 04 06 03 24 08 "
    smf = parsed(TEMPO_120 + change, line(QUARTERS))

    take = take_from_smf(smf, "x.mid", Reading(count_in_bars=1))
    stated = take_from_smf(smf, "x.mid", Reading(count_in_bars=1, tempo_bpm=80.0))

    assert take.bars.start_quarter[:4].tolist() == [-4.0, 0.0, 3.0, 6.0]
    assert take.tempo_bpm == pytest.approx(80.0)
    assert str(take.bars.meters[0]) == "6/8"  # whose beat tempo and rates are told in
    assert stated.bars.start_quarter == pytest.approx(take.bars.start_quarter)


@pytest.mark.parametrize("tempo", [None, 96.0])
def test_a_stated_start(tempo: float | None) -> None:
    """The downbeat at 1.25 s is quarter 2 of the file; earlier notes stand in bar 0."""
    take = solo(TEMPO_96, Reading(start_sec=1.25, tempo_bpm=tempo))

    assert beats(take)[:4] == pytest.approx([-2.0, -1.0, 0.0, 1.0])
    assert bar_numbers(take)[:3] == [0, 0, 1]


def test_a_start_before_the_file() -> None:
    """A recording cut after its downbeat: the start is negative, the notes are late by as much."""
    take = solo(TEMPO_96, Reading(start_sec=-0.25))

    assert beats(take)[0] == pytest.approx(0.4)


def test_start_and_count_in_together() -> None:
    """The stated second is where the count-in begins."""
    take = solo(TEMPO_96, Reading(start_sec=0.625, count_in_bars=1))

    assert bar_numbers(take)[:6] == [-1, 0, 0, 0, 0, 1]


def test_a_found_start_says_how_sure_it_is() -> None:
    """The found place and its probabilities stand in a warning."""
    ticks = [t + 100 for t in (0, 480, 960, 1200, 1440, 1920, 2400, 2640, 2880, 3360, 3600)]
    take = take_from_smf(
        parsed(TEMPO_96 + line(ticks)), "x.mid", Reading(find_start=True, tempo_bpm=96.0)
    )

    (sentence,) = [w for w in take.warnings if "found" in w]
    assert "% sure" in sentence
    assert beats(take)[0] == pytest.approx(round(beats(take)[0]), abs=0.02)


@pytest.mark.parametrize(("probability", "said"), [(1.0, 99), (0.997, 99), (0.914, 91)])
def test_a_found_start_is_never_certain(probability: float, said: int) -> None:
    """What is inferred from playing is told as 99 % at most."""
    found = Start(0.0, probability, probability, from_first_strong_note=False)
    sentence = found_sentence(constant_tempo(96.0), 0.0, found)
    assert re.findall(r"(\d+) %", sentence) == [str(said)] * 2


def test_a_found_start_with_a_count_in() -> None:
    """The first bar line in the file begins the count-in; the solo enters after it, in bar 1."""
    rhythm = (0, 480, 960, 1200, 1440, 1920, 2160, 2400, 2880, 3360, 3600)
    ticks = [1920 + 230 + t + 3840 * round_ for round_ in range(4) for t in rhythm]
    smf = parsed(TEMPO_96 + line(ticks))

    take = take_from_smf(smf, "x.mid", Reading(find_start=True, count_in_bars=1))

    assert bar_numbers(take)[:9] == [1] * 5 + [2] * 3 + [2]
    assert take.bars.number[0] <= 0


# --- a backing file ---------------------------------------------------------------


def backing_of(*tracks: str) -> Smf:
    """A parsed backing."""
    return parsed(*tracks)


def test_the_backing_gives_tempo_meter_and_bar_one() -> None:
    """Notes are laid by their seconds on the backing's ramp and 3/4."""
    jump = quantity(480 * 4).hex(" ") + " FF 51 03 0F 42 40 "  # 60 per minute from quarter 4
    backing = file_time(backing_of(TEMPO_120 + "00 FF 58 04 03 02 18 08 " + jump), "backing.mid")

    take = take_from_smf(parsed(line(QUARTERS)), "x.mid", Reading(), backing)

    # The solo's file has no tempo: notes every 0.5 s; the backing slows to 1 s per quarter at 2 s.
    assert beats(take)[:7] == pytest.approx([0, 1, 2, 3, 4, 4.5, 5.0])
    assert take.meter_text == "3/4"
    assert take.warnings == (
        "All notes lie on a raster of 500 ms: the file was quantized or recorded that coarsely, "
        "and whatever timing was finer is lost.",
    )


def test_disagreement_with_the_backing_is_said() -> None:
    """The take's own tempo against the backing's, and the backing's against the stated."""
    backing = file_time(backing_of(TEMPO_120), "backing.mid")
    smf = parsed(TEMPO_96 + line(QUARTERS))

    laid = take_from_smf(smf, "x.mid", Reading(backing="backing.mid"), backing).warnings
    reading = Reading(tempo_bpm=100.0, backing="backing.mid")
    said = take_from_smf(smf, "x.mid", reading, backing).warnings

    assert "own file says 96 quarter notes per minute; the backing's 120" in laid[0]
    assert "own file says 96 quarter notes per minute; the stated 100" in said[0]
    assert "The backing says 120 quarter notes per minute; the stated 100" in said[1]


def test_a_backing_is_read_from_its_path(tmp_path: Path) -> None:
    """`Reading.backing` names a file; what is wrong with it names it too."""
    (tmp_path / "solo.mid").write_bytes(midi(track(line(QUARTERS))))
    (tmp_path / "backing.mid").write_bytes(midi(track(TEMPO_96)))
    (tmp_path / "pieces.mid").write_bytes(midi(track(), track(), kind=2))

    take = read_take(tmp_path / "solo.mid", Reading(backing=str(tmp_path / "backing.mid")))

    assert take.tempo_bpm == 96.0
    with pytest.raises(TakeError, match=r"pieces\.mid: a type 2 file"):
        read_take(tmp_path / "solo.mid", Reading(backing=str(tmp_path / "pieces.mid")))
    with pytest.raises(TakeError, match=r"none\.mid: there is no such file"):
        read_take(tmp_path / "solo.mid", Reading(backing=str(tmp_path / "none.mid")))


def test_bytes_are_read_as_their_files_are(tmp_path: Path) -> None:
    """A take and its backing kept as bytes are read as from disk, refusals included."""
    notes, backing = midi(track(line(QUARTERS))), midi(track(TEMPO_96))
    pieces = midi(track(), track(), kind=2)
    for name, data in (("solo", notes), ("backing", backing), ("pieces", pieces)):
        (tmp_path / name).write_bytes(data)
    reading = Reading(backing=str(tmp_path / "backing"))
    path = str(tmp_path / "solo")

    kept, read = take_of_bytes(notes, path, reading, backing), read_take(path, reading)

    assert (kept.tempo_bpm, kept.warnings) == (read.tempo_bpm, read.warnings)
    reading = Reading(backing=str(tmp_path / "pieces"))
    with pytest.raises(TakeError) as of_bytes:
        take_of_bytes(notes, path, reading, pieces)
    with pytest.raises(TakeError) as of_file:
        read_take(path, reading)
    assert str(of_bytes.value) == str(of_file.value)
