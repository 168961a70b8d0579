"""Reading takes: tempo, meter, bar 1, the choice of the solo, odd notes; and writing them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pretty_midi
import pytest
from midi_bytes import line, midi, named, parsed, quantity, track

from improv.errors import TakeError, UsageError
from improv.meter import parse_meter
from improv.midi import (
    OutPart,
    list_tracks,
    read_take,
    take_from_smf,
    take_of_bytes,
    write_parts,
    write_take,
)
from improv.midi_sentences import found_sentence
from improv.midi_tempo import file_time
from improv.model import Reading, Take
from improv.smf import Smf
from improv.start import Start
from improv.tempo import bar_index, beats_at, constant_tempo, quarters_at, seconds_at

TEMPO_96 = "00 FF 51 03 09 89 68 "  # 625 000 microseconds per quarter
TEMPO_120 = "00 FF 51 03 07 A1 20 "
SIX_EIGHT = "00 FF 58 04 06 03 24 08 "
QUARTERS = range(0, 480 * 16, 480)


def solo(text: str = "", reading: Reading = Reading(), **file: int) -> Take:  # noqa: B008
    """A take from one track: the given events, then 16 quarters."""
    return take_from_smf(parsed(text + line(QUARTERS), **file), "solo.mid", reading)


def beats(take: Take) -> np.ndarray:
    """Positions of the notes in beats from bar 1 beat 1."""
    return beats_at(take.bars, quarters_at(take.tempo_map, take.onset_sec))


def bar_numbers(take: Take) -> list[int]:
    """The bar number of every note."""
    quarter = quarters_at(take.tempo_map, take.onset_sec)
    return take.bars.number[bar_index(take.bars, quarter + 1e-6)].tolist()


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
    for beats in signatures:
        text += (FOUR_FOUR if beats == "4" else THREE_FOUR).replace("00 ", wait, 1)
        wait = "8F 00 " if beats == "4" else "8B 20 "
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
    assert len(told) == (words is not None)
    assert words is None or told[0].startswith(words)


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


# --- where bar 1 is -------------------------------------------------------------


def test_channel_ten_is_percussion() -> None:
    """General MIDI level 1 (from memory): the drum kit is on channel 10."""
    for channel in (1, 9, 10, 11):
        made = parsed(line([0, 480, 960], channel=channel))
        assert take_from_smf(made, "x.mid", Reading()).percussion is (channel == 10)


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


# --- which track -------------------------------------------------------------------

BAND = (TEMPO_96, named("Piano") + line(QUARTERS), named("Sax") + line((0, 500, 900), channel=2))


def test_bytes_are_read_as_their_files_are(tmp_path: Path) -> None:
    """A take and its backing kept as bytes are read as from disk, refusals included."""
    solo, backing = midi(track(line(QUARTERS))), midi(track(TEMPO_96))
    pieces = midi(track(), track(), kind=2)
    for name, data in (("solo", solo), ("backing", backing), ("pieces", pieces)):
        (tmp_path / name).write_bytes(data)
    reading = Reading(backing=str(tmp_path / "backing"))
    path = str(tmp_path / "solo")

    kept, read = take_of_bytes(solo, path, reading, backing), read_take(path, reading)

    assert (kept.tempo_bpm, kept.warnings) == (read.tempo_bpm, read.warnings)
    reading = Reading(backing=str(tmp_path / "pieces"))
    with pytest.raises(TakeError) as of_bytes:
        take_of_bytes(solo, path, reading, pieces)
    with pytest.raises(TakeError) as of_file:
        read_take(path, reading)
    assert str(of_bytes.value) == str(of_file.value)


def test_several_parts_are_listed_and_asked_for() -> None:
    """The refusal names every playable track by number, name and notes, and the remedy."""
    with pytest.raises(TakeError, match="which part is the solo") as refusal:
        take_from_smf(parsed(*BAND), "band.mid", Reading())

    assert str(refusal.value) == (
        "band.mid: which part is the solo? The file has tracks 2 'Piano' (16 notes), "
        "3 'Sax' (3 notes). Choose with --track NAME|NUMBER"
    )


def test_one_part_is_listed_as_one() -> None:
    """A file with a single playable track says "track", not "tracks"."""
    with pytest.raises(TakeError, match=r"The file has track 1 'Sax' \(3 notes\)\. Choose"):
        take_from_smf(parsed(BAND[2]), "x.mid", Reading(track="Oboe"))


@pytest.mark.parametrize("track", ["Sax", "sax", " SAX ", "3"])
def test_a_part_is_chosen_by_name_or_number(track: str) -> None:
    """Names are matched without regard to case; numbers count all tracks of the file from 1."""
    take = take_from_smf(parsed(*BAND), "x.mid", Reading(track=track))

    assert (take.track, len(take)) == ("Sax", 3)


def test_a_channel_can_settle_the_choice() -> None:
    """Only one track plays on channel 2."""
    assert len(take_from_smf(parsed(*BAND), "x.mid", Reading(channel=2))) == 3


WRONG_CHOICES = [
    (Reading(track="Oboe"), "track 'Oboe' is not in this file. The file has tracks 2 'Piano'"),
    (Reading(track="9"), "track '9' is not in this file"),
    (Reading(track="1"), "track '1' holds no notes"),
    (Reading(track="9" * 5000), "is not in this file"),
    (Reading(track="²"), "is not in this file"),
    (Reading(channel=7), "no notes on channel 7"),
    (Reading(track="Sax", channel=1), "no notes on channel 1"),
]


@pytest.mark.parametrize(("reading", "words"), WRONG_CHOICES)
def test_a_part_that_is_not_there(reading: Reading, words: str) -> None:
    """An unknown track, an empty one or a silent channel is said with the parts there are."""
    with pytest.raises(TakeError, match=words.replace("(", r"\(")):
        take_from_smf(parsed(*BAND), "x.mid", reading)


def test_two_tracks_of_one_name_need_a_number() -> None:
    """A name that fits two playable tracks is no choice."""
    smf = parsed(*BAND, named("Sax") + line(QUARTERS))

    with pytest.raises(TakeError, match="2 tracks are called 'Sax'; choose by number"):
        take_from_smf(smf, "x.mid", Reading(track="Sax"))


def test_a_click_track_is_set_aside() -> None:
    """A part of wood blocks beside the solo is a click (pitches: General MIDI percussion map)."""
    click = named("metro") + line(QUARTERS, channel=10, pitch=76)

    take = take_from_smf(parsed(TEMPO_96, click, named("Sax") + line((7, 500))), "x", Reading())
    alone = take_from_smf(parsed(TEMPO_96 + click), "x", Reading())

    assert take.track == "Sax"
    assert "set metro aside as a click" in take.warnings[0]
    assert len(alone) == 16


def test_channels_are_the_parts_of_a_type_0_file() -> None:
    """One track, three channels (drums among them): the channel is asked for."""
    mixed = line(QUARTERS) + "00 91 3C 40 10 81 3C 40 00 99 26 50"
    smf = parsed(TEMPO_96 + mixed, kind=0)

    with pytest.raises(
        TakeError, match=r"channel 1 \(16 notes\), channel 2 \(1 note\), channel 10"
    ):
        take_from_smf(smf, "x", Reading())
    assert take_from_smf(smf, "x", Reading(channel=1)).track == "channel 1"
    assert len(take_from_smf(smf, "x", Reading(track="1"))) == 18


def test_one_track_of_many_channels_is_one_part() -> None:
    """A guitar that sends each string on its own channel is one player's solo."""
    strings = "".join(f"10 9{c:x} 3C 40 10 8{c:x} 3C 40 " for c in range(6))

    assert len(take_from_smf(parsed(TEMPO_96, strings), "x", Reading())) == 6


def test_type_2_tracks_keep_their_own_tempo() -> None:
    """Each track of a type 2 file is its own piece, with its own tempo and meter."""
    smf = parsed(TEMPO_120 + line(QUARTERS), TEMPO_96 + SIX_EIGHT + line(QUARTERS), kind=2)

    with pytest.raises(TakeError, match="which part is the solo"):
        take_from_smf(smf, "x", Reading())
    take = take_from_smf(smf, "x", Reading(track="2"))
    assert (take.tempo_bpm, take.meter_text) == (64.0, "6/8")


def test_list_tracks(tmp_path: Path) -> None:
    """The playable parts of a file with their numbers, names, channels and notes."""
    (tmp_path / "band.mid").write_bytes(midi(*map(track, BAND)))

    parts = list_tracks(tmp_path / "band.mid")

    assert [(p.number, p.name, p.channels, p.notes, p.is_click) for p in parts] == [
        (2, "Piano", (1,), 16, False),
        (3, "Sax", (2,), 3, False),
    ]


# --- odd notes ------------------------------------------------------------------------


def test_every_note_on_is_an_onset() -> None:
    """Unreleased, zero-length and doubled notes are kept, and counted in sentences."""
    take = take_from_smf(
        parsed(
            TEMPO_96
            + """
            60 90 3C 40   # never released
            60 90 3E 40  00 80 3E 40   # no length
            60 90 40 40  00 90 40 50   # one pitch twice at a time
            60 80 40 40
            60 90 41 40  20 90 41 40  20 80 41 40   # struck again while it sounds
            """
        ),
        "x.mid",
        Reading(),
    )

    assert take.pitch.tolist() == [0x3C, 0x3E, 0x40, 0x40, 0x41, 0x41]
    assert take.released.tolist() == [False, True, True, True, True, True]
    assert take.release_sec[0] == take.onset_sec[1]
    assert take.release_sec[1] == take.onset_sec[1]
    assert take.release_sec[4] == take.release_sec[5]
    assert take.warnings == (
        "1 note is never released; the onsets are kept.",
        "1 note has no length; the onsets are kept.",
        "1 note repeats a pitch struck at the same moment; all are kept.",
    )


def test_a_last_note_without_end_lasts_to_the_end_of_the_file() -> None:
    """Nothing follows it, so the end of its track ends it."""
    take = take_from_smf(parsed(TEMPO_96 + "00 90 3C 40 83 60 FF 2F 00"), "x.mid", Reading())

    assert take.release_sec.tolist() == pytest.approx([0.625])


def test_a_release_written_after_the_next_stroke() -> None:
    """On, on, off on the second's tick, off: the first off ends the first stroke."""
    take = take_from_smf(
        parsed(TEMPO_96 + "00 90 3C 40 83 60 90 3C 40 00 80 3C 40 83 60 80 3C 40"), "x", Reading()
    )

    assert take.release_sec.tolist() == pytest.approx([0.625, 1.25])
    assert not any("no length" in warning for warning in take.warnings)


def test_strokes_cut_at_the_start_are_warned_about() -> None:
    """Two pitches at exactly time 0 may have been played before it; one note is no such sign."""
    two = take_from_smf(parsed(TEMPO_96 + "00 90 3C 40 00 90 40 40 60 90 43 40"), "x", Reading())
    one = take_from_smf(parsed(TEMPO_96 + "00 90 3C 40 60 90 43 40"), "x", Reading())

    assert any(w.startswith("2 notes lie exactly at the start") for w in two.warnings)
    assert not any("exactly at the start" in w for w in one.warnings)


def test_a_coarse_raster_is_warned_about() -> None:
    """Takes quantized to sixteenths are told apart from played ones."""
    smf = parsed(TEMPO_96 + line(range(0, 120 * 20, 120)))
    played = parsed(TEMPO_96 + line([t + (t // 120) ** 3 % 11 for t in range(0, 120 * 20, 120)]))

    assert any("raster of 156 ms" in w for w in take_from_smf(smf, "x", Reading()).warnings)
    assert take_from_smf(played, "x", Reading()).warnings == ()


def test_the_order_of_notes_is_time() -> None:
    """Notes come out in time order with all arrays of one length, read-only."""
    take = solo(TEMPO_96)

    assert (np.diff(take.onset_sec) >= 0).all()
    arrays = (take.onset_sec, take.release_sec, take.pitch, take.velocity, take.released)
    assert {len(a) for a in arrays} == {16}
    assert not any(a.flags.writeable for a in arrays)


@pytest.mark.parametrize("seed", range(8))
def test_notes_against_pretty_midi(seed: int, tmp_path: Path) -> None:
    """On well-formed files pretty_midi finds the same notes, onsets and releases."""
    rng = np.random.default_rng(seed)
    song = pretty_midi.PrettyMIDI(initial_tempo=float(rng.uniform(50, 220)))
    instrument = pretty_midi.Instrument(0, name="Solo")
    at = np.cumsum(rng.uniform(0.01, 0.7, 80))
    for start in at:
        end = start + rng.uniform(0.02, 0.8)
        note = pretty_midi.Note(int(rng.integers(1, 128)), int(rng.integers(40, 90)), start, end)
        instrument.notes.append(note)
    song.instruments.append(instrument)
    song.write(str(tmp_path / "song.mid"))
    reference = sorted(
        (n.start, n.pitch, n.end)
        for i in pretty_midi.PrettyMIDI(str(tmp_path / "song.mid")).instruments
        for n in i.notes
    )

    take = read_take(tmp_path / "song.mid")

    ours = sorted(zip(take.onset_sec, take.pitch, take.release_sec, strict=True))
    assert np.array(ours) == pytest.approx(np.array(reference), abs=1e-9)


# --- writing ----------------------------------------------------------------------------


def played(seed: int, text: str, reading: Reading) -> Take:
    """A take with random times and lengths over the given tempo and meter events."""
    rng = np.random.default_rng(seed)
    ticks = np.cumsum(rng.integers(30, 400, 60)).tolist()
    return take_from_smf(parsed(text, named("Solo") + line(ticks, 25)), "x.mid", reading)


RAMP = TEMPO_120 + "8F 00 FF 51 03 08 52 AE 9E 00 FF 51 03 09 27 C0 "
ROUND_TRIPS = [
    (TEMPO_96, Reading()),
    (TEMPO_120 + SIX_EIGHT, Reading(count_in_bars=2)),
    (RAMP, Reading(count_in_bars=1)),
    ("", Reading(tempo_bpm=97.3)),
    (TEMPO_96, Reading(meter=parse_meter("9/8+10/8"))),
    (TEMPO_96, Reading(meter=parse_meter("2+2+2+3/8"), tempo_bpm=133.0)),
    (TEMPO_96, Reading(start_sec=0.377, tempo_bpm=120.0)),
    ("00 FF 58 04 04 02 18 08 9E 00 FF 58 04 03 02 18 08 8F 00 FF 58 04 05 02 18 08", Reading()),
]


@pytest.mark.parametrize(("text", "reading"), ROUND_TRIPS)
def test_a_written_take_reads_back(text: str, reading: Reading, tmp_path: Path) -> None:
    """Notes within half a tick, tempo within rounding, the same bars; nothing lost."""
    take = played(3, text, reading)

    write_take(take, tmp_path / "copy.mid")
    again = read_take(tmp_path / "copy.mid", replace(reading, tempo_bpm=None))

    half_tick_sec = take.tempo_map.quarter_sec.max() / 960 / 2 + 1e-9
    assert again.onset_sec == pytest.approx(take.onset_sec, abs=half_tick_sec)
    assert again.release_sec == pytest.approx(take.release_sec, abs=half_tick_sec)
    assert again.pitch.tolist() == take.pitch.tolist()
    assert again.velocity.tolist() == take.velocity.tolist()
    assert again.tempo_bpm == pytest.approx(take.tempo_bpm, rel=1e-5)
    assert beats(again) == pytest.approx(beats(take), abs=0.002)
    assert bar_numbers(again) == bar_numbers(take)


def test_odd_notes_survive_writing(tmp_path: Path) -> None:
    """Unreleased and zero-length notes stay what they are."""
    smf = parsed(TEMPO_96 + "60 90 3C 40 60 90 3E 40 00 80 3E 40 60 90 40 40 20 80 40 40")
    take = take_from_smf(smf, "x.mid", Reading())

    write_take(take, tmp_path / "copy.mid")
    again = read_take(tmp_path / "copy.mid")

    assert again.released.tolist() == [False, True, True]
    assert again.warnings == take.warnings


def test_what_is_written_is_a_standard_file(tmp_path: Path) -> None:
    """mido reads it: type 1, 960 ticks, tempo and signature first, names and markers kept."""
    take = solo(TEMPO_120 + SIX_EIGHT)
    part = OutPart(
        "Söló", take.onset_sec, take.release_sec, take.pitch, take.velocity,
        channel=10, program=25, markers=((1.0, "here"),),
    )  # fmt: skip

    write_parts(tmp_path / "parts.mid", (part,), take.tempo_map, take.bars)

    file = mido.MidiFile(tmp_path / "parts.mid", charset="utf-8")
    conductor, voice = file.tracks
    assert (file.type, file.ticks_per_beat) == (1, 960)
    assert [m.type for m in conductor] == ["time_signature", "set_tempo", "end_of_track"]
    assert (conductor[0].numerator, conductor[0].denominator) == (6, 8)
    assert conductor[0].clocks_per_click == 36
    assert voice.name == "Söló"
    assert {m.channel for m in voice if m.type == "note_on"} == {9}
    marker_tick = sum(m.time for m in voice[: [m.type for m in voice].index("marker") + 1])
    assert marker_tick == 2 * 960
