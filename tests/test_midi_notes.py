"""Notes of a take: every stroke is kept, odd ones too, and said where it matters."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pretty_midi
import pytest
from midi_bytes import TEMPO_96, line, parsed, solo

from improv.midi import read_take, take_from_smf
from improv.model import Reading


def test_channel_ten_is_percussion() -> None:
    """General MIDI level 1 (from memory): the drum kit is on channel 10."""
    for channel in (1, 9, 10, 11):
        made = parsed(line([0, 480, 960], channel=channel))
        assert take_from_smf(made, "x.mid", Reading()).percussion is (channel == 10)


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
