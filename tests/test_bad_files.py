"""Broken, hostile and extreme files: one line that names file, fault and remedy, or a take."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
from midi_bytes import chunk, header, line, midi, parsed, quantity, raw, track

from benchmarks.mutations import mutations
from improv.errors import ImprovError, OutputError, TakeError
from improv.midi import read_take, take_from_smf, write_take
from improv.model import Reading
from improv.smf import parse_smf
from improv.tempo import beats_at, quarters_at

NOTES = track(line(range(0, 4800, 480)))
WHOLE = midi(NOTES)

BROKEN = [
    # bytes, what is said
    pytest.param(b"", "the file is empty", id="empty"),
    pytest.param(b"MThd", "header is cut short", id="four bytes"),
    pytest.param(WHOLE[:13], "header is cut short", id="header cut"),
    pytest.param(WHOLE[:14], "1 tracks announced, 0 there", id="header only"),
    pytest.param(WHOLE[:20], "1 tracks announced, 0 there", id="chunk name cut"),
    pytest.param(WHOLE[:40], "cut short inside track 1", id="track cut"),
    pytest.param(WHOLE[:-1], "cut short inside track 1", id="last byte missing"),
    pytest.param(b"RIFF" + WHOLE, "not a MIDI file", id="another container"),
    pytest.param(b"\x89PNG\r\n" * 99, "not a MIDI file", id="a picture"),
    pytest.param(b"\0" * 4096, "not a MIDI file", id="zeros"),
    pytest.param(midi(NOTES, division=0), "0 ticks to a quarter note", id="zero division"),
    pytest.param(midi(NOTES, division=0xE728), r"film frames \(SMPTE\)", id="SMPTE 25, 40"),
    pytest.param(midi(NOTES, division=0xE250), r"film frames \(SMPTE\)", id="SMPTE 30, 80"),
    pytest.param(midi(NOTES, kind=3), "type 3 does not exist", id="type 3"),
    pytest.param(midi(NOTES, kind=0xFFFF), "type 65535 does not exist", id="type 65535"),
    pytest.param(midi(), "holds no tracks", id="no tracks"),
    pytest.param(midi(track()), "no notes in this file", id="no notes"),
    pytest.param(midi(track("00 80 3C 40 00 90 3C 00")), "no notes", id="only note-offs"),
    pytest.param(midi(chunk(b"MTrk", b"")), "no notes", id="a track of no bytes"),
    pytest.param(midi(track("00 90 3C", end="")), "middle of an event", id="note cut"),
    pytest.param(midi(track("00 90", end="")), "middle of an event", id="status only"),
    pytest.param(midi(track("81", end="")), "middle of an event", id="delta cut"),
    pytest.param(midi(track("00 FF 51 7F 07", end="")), "middle of an event", id="meta too long"),
    pytest.param(midi(track("00 F0 FF FF FF 7F 01")), "middle of an event", id="sysex too long"),
    pytest.param(midi(track("00 3C 40")), "without a status", id="no running status"),
    pytest.param(midi(track("00 90 3C 80")), "value over 127", id="velocity 128"),
    pytest.param(midi(track("00 C0 FF")), "value over 127", id="program 255"),
    pytest.param(midi(track("00 F4 00")), "unknown event F4", id="undefined status"),
    pytest.param(
        midi(track("FF FF FF FF 7F 90 3C 40")), "more than four bytes", id="long quantity"
    ),
    pytest.param(
        header(1, 1, 480) + b"MTrk\xff\xff\xff\xff" + b"\xff" * 200_000,
        "cut short inside track 1",
        id="a quantity without end",
    ),
    pytest.param(
        header(1, 1, 480) + chunk(b"MTrk", b"\xff" * 200_000),
        "more than four bytes",
        id="a whole chunk of FF",
    ),
    pytest.param(header(1, 65535, 480) + NOTES, "65535 tracks announced", id="65535 tracks"),
    pytest.param(
        midi(track("00 FF 51 03 00 00 00 " + line((0, 480)))), "time stands still", id="tempo 0"
    ),
    pytest.param(
        midi(track("00 FF 51 03 00 00 01 " + line((0, 480)))), "no tempo of music", id="tempo 1 us"
    ),
    pytest.param(
        midi(track(line((0, 2**28 - 1))), division=1), "more than 200000 bars", id="endless"
    ),
    pytest.param(
        midi(track("00 90 3C 40" + 30 * " FF FF FF 7F 90 3C 40")),
        "more than 200000 bars",
        id="many longest deltas",
    ),
]


@pytest.mark.parametrize(("data", "words"), BROKEN)
def test_broken_files_are_refused_in_one_line(data: bytes, words: str, tmp_path: Path) -> None:
    """Every fault is one line that begins with the file and offers a way out."""
    path = tmp_path / "broken.mid"
    path.write_bytes(data)

    with pytest.raises(TakeError, match=words) as refusal:
        read_take(path)

    message = str(refusal.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    assert any(word in message for word in ("export", "state", "cut", "choose", "wrong"))


NOT_REFUSED = [
    # what is odd, and no reason to refuse the take
    pytest.param(midi(track("00 90 3C 40")), 1, id="one note"),
    pytest.param(midi(track("00 90 3C 40", end="")), 1, id="no end of track"),
    pytest.param(WHOLE + b"junk after the music", 10, id="junk at the end"),
    pytest.param(midi(track(), NOTES, track()), 10, id="empty tracks beside it"),
    pytest.param(midi(NOTES, division=1), 10, id="one tick to a quarter"),
    pytest.param(midi(track("00 FF 51 00 " + line(range(5)))), 5, id="a tempo without value"),
    pytest.param(midi(track("00 FF 58 01 04 " + line(range(5)))), 5, id="half a signature"),
    pytest.param(midi(track("00 FF 58 04 FF 02 18 08 " + line(range(5)))), 5, id="255/4"),
    pytest.param(midi(track("00 FF 58 04 04 FF 18 08 " + line(range(5)))), 5, id="4/2^255"),
    pytest.param(midi(track("00 FF 51 03 FF FF FF " + line(range(5)))), 5, id="3.6 per minute"),
    pytest.param(midi(track("00 FF 03 03 FF FE 00 " + line(range(5)))), 5, id="an odd name"),
    pytest.param(midi(track(line((0, 2**28 - 1))), division=15360), 2, id="2^28 ticks"),
    pytest.param(midi(track("00 F8 00 FE " + line(range(5)))), 5, id="realtime bytes"),
]


@pytest.mark.parametrize(("data", "notes"), NOT_REFUSED)
def test_odd_files_are_read(data: bytes, notes: int, tmp_path: Path) -> None:
    """Oddities that leave the notes and their times whole are no reason to refuse."""
    (tmp_path / "odd.mid").write_bytes(data)

    take = read_take(tmp_path / "odd.mid")

    assert len(take) == notes
    assert np.isfinite(beats_at(take.bars, quarters_at(take.tempo_map, take.onset_sec))).all()
    assert take.track.isprintable()


@pytest.mark.parametrize("seed", range(20))
def test_random_bytes(seed: int, tmp_path: Path) -> None:
    """Noise, bare or behind a good header, never gets past the reader as a traceback."""
    rng = np.random.default_rng(seed)
    noise = rng.bytes(int(rng.integers(1, 3000)))
    for data in (noise, header(1, 1, 480) + noise, header(0, 1, 96) + chunk(b"MTrk", noise)):
        (tmp_path / "noise.mid").write_bytes(data)
        with pytest.raises(TakeError, match=r"noise\.mid: "):
            read_take(tmp_path / "noise.mid")


def test_mutated_files_end_in_a_take_or_one_line() -> None:
    """2000 seeded mutations of valid files, read in five ways; both ends are met often."""
    read = refused = 0
    with np.errstate(all="raise", under="ignore"):
        for data, reading in mutations(2000, 1):
            try:
                take = take_from_smf(parse_smf(data, "m.mid"), "m.mid", reading)
            except ImprovError as refusal:
                assert "\n" not in str(refusal)
                refused += 1
            else:
                assert np.isfinite(take.onset_sec).all()
                assert (take.release_sec >= take.onset_sec).all()
                read += 1

    assert min(read, refused) > 400


def test_a_missing_file_is_named() -> None:
    """No such file is said as such."""
    with pytest.raises(TakeError, match=r"^nowhere/take\.mid: there is no such file$"):
        read_take("nowhere/take.mid")


def test_what_is_no_regular_file(tmp_path: Path) -> None:
    """A directory or a pipe is refused without waiting for it."""
    os.mkfifo(tmp_path / "pipe.mid")
    for path in (tmp_path, tmp_path / "pipe.mid"):
        with pytest.raises(TakeError, match="not a regular file"):
            read_take(path)


def test_a_file_too_large_is_refused(tmp_path: Path) -> None:
    """64 MB is more than any take; a sparse file of 65 is refused unparsed."""
    with open(tmp_path / "large.mid", "wb") as file:
        file.write(WHOLE)
        file.truncate(65 * 2**20)

    with pytest.raises(TakeError, match="larger than 64 MB"):
        read_take(tmp_path / "large.mid")


def test_names_that_are_not_utf8(tmp_path: Path) -> None:
    """File and track names of other encodings are read and shown with replacement marks."""
    path = os.fsdecode(os.fsencode(tmp_path) + b"/s\xf6lo\n.mid")
    Path(path).write_bytes(midi(track("00 FF 03 06 53 1B 5B 33 31 6D " + line(range(5)))))

    take = read_take(path)

    assert take.name.endswith("/s\ufffdlo\ufffd.mid")
    assert take.track == "S\ufffd[31m"
    with pytest.raises(TakeError) as refusal:
        read_take(path, Reading(track="\udcf6"))
    assert str(refusal.value).isprintable()


def test_a_very_long_track_name_is_shortened() -> None:
    """A name of a million letters stays one line."""
    name = b"\x00\xff\x03" + quantity(1_000_000) + b"x" * 1_000_000
    take = take_from_smf(parsed(name.hex() + line(range(5))), "x.mid", Reading())

    assert len(take.track) == 60


def test_many_tracks_are_listed_in_part() -> None:
    """A hundred playable tracks do not make a page of an error."""
    with pytest.raises(TakeError, match="and 70 more. Choose with --track") as refusal:
        take_from_smf(parsed(*[line((0, 480))] * 100), "x.mid", Reading())

    assert len(str(refusal.value)) < 1500


def test_a_million_notes(tmp_path: Path) -> None:
    """A million notes are read whole, in order, each released."""
    strokes = raw("3C 3C 40 3C 3C 00") * 999_999
    body = raw("00 90 3C 40 3C 3C 00") + strokes + raw("00 FF 2F 00")
    (tmp_path / "long.mid").write_bytes(midi(chunk(b"MTrk", body)))

    take = read_take(tmp_path / "long.mid")

    assert len(take) == 1_000_000
    assert take.released.all()
    assert take.onset_sec[-1] == pytest.approx(999_999 * 120 / 960)


def test_a_hundred_thousand_tempo_events() -> None:
    """A tempo event on every tick is a tempo map like any other."""
    events = b"".join(
        b"\x01\xff\x51\x03" + struct.pack(">I", 500_000 + i % 7)[1:] for i in range(100_000)
    )
    take = take_from_smf(parsed(events.hex(), line(range(0, 96_000, 480))), "x.mid", Reading())

    assert beats_at(take.bars, quarters_at(take.tempo_map, take.onset_sec)) == pytest.approx(
        np.arange(200.0), abs=1e-6
    )


def test_meter_events_without_end_are_refused() -> None:
    """A time signature on every tick, hundreds of thousands of them, is no music."""
    events = b"".join(bytes([1, 255, 0x58, 4, 3 + i % 2, 2, 24, 8]) for i in range(200_001))

    with pytest.raises(TakeError, match="more than 200000 time signatures"):
        take_from_smf(parsed(events.hex() + line((0, 480))), "x.mid", Reading())


def test_an_unwritable_place_for_a_take(tmp_path: Path) -> None:
    """Writing where nothing can be written raises the one error and leaves nothing."""
    take = take_from_smf(parsed(line(range(5))), "x.mid", Reading())

    for place in (tmp_path, tmp_path / "none" / "take.mid"):
        with pytest.raises(OutputError, match=f"{place}: "):
            write_take(take, place)
    assert list(tmp_path.iterdir()) == []
