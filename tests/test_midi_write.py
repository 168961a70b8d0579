"""Takes written as MIDI files, and read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
from midi_bytes import SIX_EIGHT, TEMPO_96, TEMPO_120, bar_numbers, beats, line, named, parsed, solo

from improv.meter import parse_meter
from improv.midi import OutPart, read_take, take_from_smf, write_parts, write_take
from improv.model import Reading, Take


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
