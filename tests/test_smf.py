"""Bytes to events: the published examples, and event by event against mido."""

from __future__ import annotations

import io

import mido
import numpy as np
import pytest
from midi_bytes import header, midi, parsed, quantity, raw, track
from mido.midifiles.meta import encode_variable_int

from improv.smf import SmfTrack, parse_smf

# Standard MIDI Files 1.0, variable-length quantities (values quoted from memory).
PUBLISHED_QUANTITIES = [
    ("00", 0x00),
    ("40", 0x40),
    ("7F", 0x7F),
    ("81 00", 0x80),
    ("C0 00", 0x2000),
    ("FF 7F", 0x3FFF),
    ("81 80 00", 0x4000),
    ("FF FF FF 7F", 0x0FFFFFFF),
]


@pytest.mark.parametrize(("written", "value"), PUBLISHED_QUANTITIES)
def test_variable_length_quantities(written: str, value: int) -> None:
    """The specification's example quantities are read as delta times."""
    smf = parsed(f"{written} 90 3C 40")

    assert smf.tracks[0].note_tick.tolist() == [value]


@pytest.mark.parametrize(("written", "value"), PUBLISHED_QUANTITIES)
def test_the_test_helper_writes_quantities_like_mido(written: str, value: int) -> None:
    """Our test bytes, mido's encoder and the specification agree."""
    assert quantity(value) == bytes(encode_variable_int(value)) == raw(written)


def test_published_meta_events() -> None:
    """Tempo FF 51 03 07 A1 20 is 500 000; FF 58 04 06 03 24 08 is 6/8 (SMF 1.0's examples)."""
    smf = parsed("00 FF 51 03 07 A1 20  00 FF 58 04 06 03 24 08")

    assert smf.tracks[0].tempo_us.tolist() == [500_000]
    assert smf.tracks[0].signature.tolist() == [[6, 3]]


def test_note_on_of_velocity_zero_is_a_note_off() -> None:
    """Running status with velocity 0 ends a note, as MIDI 1.0 says."""
    smf = parsed(
        """00 90 3C 40   # note on
           60 3C 00      # running status, velocity 0
           00 80 3E 33   # note off, release velocity 33 hex
        """
    )

    assert smf.tracks[0].note_velocity.tolist() == [0x40, 0, 0]
    assert smf.tracks[0].note_tick.tolist() == [0, 0x60, 0x60]


def test_what_stands_between_the_notes_is_passed_over() -> None:
    """System exclusive, escapes, controllers, pressure, programs and texts carry no notes."""
    smf = parsed(
        """00 F0 05 7E 7F 09 01 F7   # system exclusive
           00 F7 02 F3 01            # escape
           00 B0 40 7F  00 C0 05  00 D0 22  00 E0 00 40  00 A0 3C 20
           00 FF 01 04 90 3C 40 00   # a text that looks like a note
           00 FF 7F 00               # empty sequencer event
           0A 99 26 50               # the one note
        """
    )

    assert smf.tracks[0].note_tick.tolist() == [10]
    assert smf.tracks[0].note_channel.tolist() == [10]


def test_running_status_survives_meta_events() -> None:
    """Some writers count on it; a note is not lost for their sake."""
    smf = parsed("00 90 3C 40  10 FF 01 01 41  10 3E 40")

    assert smf.tracks[0].note_pitch.tolist() == [60, 62]


def test_unknown_chunks_and_long_headers_are_passed_over() -> None:
    """The specification asks readers to skip chunks and header bytes they do not know."""
    alien = b"XFIH" + (3).to_bytes(4, "big") + b"abc"
    long_header = b"MThd" + raw("00 00 00 08  00 01  00 01  01 E0  AA BB")

    smf = parse_smf(long_header + alien + track("00 90 3C 40") + b"junk", "x.mid")

    assert len(smf.tracks) == 1
    assert smf.ticks_per_quarter == 480


def test_time_before_an_unknown_meta_event_counts() -> None:
    """The delta time of a meta event nobody knows is time all the same (mido 1.3.3 drops it)."""
    smf = parsed("60 FF 60 01 00  10 90 3C 40")

    assert smf.tracks[0].note_tick.tolist() == [0x70]


def test_nothing_is_read_past_the_end_of_track() -> None:
    """What follows the end-of-track event inside a chunk is no music."""
    smf = parsed("00 90 3C 40  10 FF 2F 00  10 3E 40")

    assert smf.tracks[0].note_pitch.tolist() == [60]
    assert smf.tracks[0].end_tick == 0x10


@pytest.mark.parametrize(
    ("body", "name"),
    [
        ("00 FF 03 05 53 6F 6C 6F 21", "Solo!"),
        ("00 FF 03 05 4E C3 A9 65 21", "Née!"),  # UTF-8
        ("00 FF 03 03 4E E9 65", "Née"),  # Latin-1
        ("00 FF 03 00  00 FF 03 01 42", "B"),  # the first name that is not empty
    ],
)
def test_track_names(body: str, name: str) -> None:
    """Track names are UTF-8 where that is possible and Latin-1 where not."""
    assert parsed(body).tracks[0].name == name


def as_mido_sees(track: mido.MidiTrack) -> list[tuple[int, ...]]:
    """Note, tempo and signature events of a track in mido's reading."""
    now, seen = 0, []
    for message in track:
        now += message.time
        if message.type in ("note_on", "note_off"):
            velocity = message.velocity if message.type == "note_on" else 0
            seen.append((now, message.channel + 1, message.note, velocity))
        elif message.type == "set_tempo":
            seen.append((now, message.tempo))
        elif message.type == "time_signature":
            seen.append((now, message.numerator, message.denominator))
    return seen


def as_we_see(track: SmfTrack) -> list[tuple[int, ...]]:
    """The same of our reading, sorted by kind; compare as sorted lists."""
    notes = [track.note_tick, track.note_channel, track.note_pitch, track.note_velocity]
    seen: list[tuple[int, ...]] = list(zip(*(a.tolist() for a in notes), strict=True))
    seen += zip(track.tempo_tick.tolist(), track.tempo_us.tolist(), strict=True)
    signatures = zip(track.signature_tick.tolist(), track.signature.tolist(), strict=True)
    return seen + [(tick, upper, 2**power) for tick, (upper, power) in signatures]


def random_file(rng: np.random.Generator) -> bytes:
    """A valid file of every kind of event mido can write, at random."""
    kind = int(rng.integers(0, 3))
    file = mido.MidiFile(type=kind, ticks_per_beat=int(rng.integers(1, 32768)))
    for _ in range(1 if kind == 0 else int(rng.integers(1, 5))):
        messages = mido.MidiTrack()
        for _ in range(int(rng.integers(0, 120))):
            messages.append(random_message(rng))
        file.tracks.append(messages)
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def random_message(rng: np.random.Generator) -> mido.Message | mido.MetaMessage:
    """One event with a delta time of up to four bytes."""
    delta = int(rng.integers(0, 2 ** rng.integers(1, 29)))
    channel, a, b = int(rng.integers(16)), int(rng.integers(128)), int(rng.integers(128))
    return [
        lambda: mido.Message("note_on", channel=channel, note=a, velocity=b, time=delta),
        lambda: mido.Message("note_on", channel=0, note=a, velocity=b, time=delta),
        lambda: mido.Message("note_off", channel=channel, note=a, velocity=b, time=delta),
        lambda: mido.Message("control_change", channel=channel, control=a, value=b, time=delta),
        lambda: mido.Message("program_change", channel=channel, program=a, time=delta),
        lambda: mido.Message("aftertouch", channel=channel, value=a, time=delta),
        lambda: mido.Message("polytouch", channel=channel, note=a, value=b, time=delta),
        lambda: mido.Message("pitchwheel", channel=channel, pitch=a * 64 - 4096, time=delta),
        lambda: mido.Message("sysex", data=[a] * b, time=delta),
        lambda: mido.MetaMessage("set_tempo", tempo=int(rng.integers(1, 2**24)), time=delta),
        lambda: mido.MetaMessage(
            "time_signature", numerator=a + 1, denominator=2 ** (b % 6), time=delta
        ),
        lambda: mido.MetaMessage("marker", text="x" * (a + b), time=delta),
    ][int(rng.integers(12))]()


@pytest.mark.parametrize("seed", range(60))
def test_event_by_event_against_mido(seed: int) -> None:
    """On random valid files our reading is mido's: every note, tempo and signature, in order."""
    data = random_file(np.random.default_rng(seed))
    reference = mido.MidiFile(file=io.BytesIO(data))

    ours = parse_smf(data, "random.mid")

    assert ours.ticks_per_quarter == reference.ticks_per_beat
    assert len(ours.tracks) == len(reference.tracks)
    for mine, theirs in zip(ours.tracks, reference.tracks, strict=True):
        assert sorted(as_we_see(mine)) == sorted(as_mido_sees(theirs))
        notes = [event for event in as_mido_sees(theirs) if len(event) == 4]
        assert as_we_see(mine)[: len(notes)] == notes
        assert mine.end_tick == sum(message.time for message in theirs)


def test_whatever_mido_reads_of_a_mutated_file_we_read_alike() -> None:
    """Among files with one damaged byte, those that mido still reads yield the same notes."""
    rng = np.random.default_rng(5)
    compared = 0
    for _ in range(300):
        data = bytearray(random_file(rng))
        at = int(rng.integers(14, len(data)))
        data[at] = int(rng.integers(256))
        try:
            theirs = mido.MidiFile(file=io.BytesIO(bytes(data)))
            ours = parse_smf(bytes(data), "mutated.mid")
        except Exception:  # noqa: S112 (only files both can read are compared)
            continue
        notes = [[e for e in as_mido_sees(t) if len(e) == 4] for t in theirs.tracks]
        kinds = {message.type for t in theirs.tracks for message in t[:-1]}
        if kinds & {"end_of_track", "unknown_meta"}:
            continue  # mido reads on past the end, and drops the time before unknown meta events
        assert [as_we_see(t)[: len(n)] for t, n in zip(ours.tracks, notes, strict=True)] == notes
        compared += 1

    assert compared > 100


def test_the_header_counts_the_tracks() -> None:
    """Tracks beyond those announced are not read."""
    data = header(1, 1, 96) + track("00 90 3C 40") + track("00 90 3C 40")

    assert len(parse_smf(data, "x.mid").tracks) == 1
    assert len(parse_smf(midi(track(), track()), "x.mid").tracks) == 2


class Counted(bytes):
    """Bytes that count what is copied out of them."""

    copied = 0

    def __getitem__(self, index):  # type: ignore[no-untyped-def]
        found = super().__getitem__(index)
        self.copied += len(found) if isinstance(found, bytes) else 0
        return found


def test_what_is_copied_is_bounded_by_the_file() -> None:
    """A thousand empty tracks before a long one do not copy the long one a thousand times."""
    long = track("00 F0 " + quantity(100_000).hex() + " 00" * 100_000)
    data = Counted(midi(*[track() for _ in range(1000)], long))

    assert len(parse_smf(data, "test.mid").tracks) == 1001
    assert 0 < data.copied <= len(data)
