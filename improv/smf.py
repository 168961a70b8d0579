"""Standard MIDI file bytes to arrays of notes, tempi and time signatures: pure, bounded.

Conventions
-----------
Ticks are int64 from the start of the file (of the track, in type 2 files). Events stand
in file order. Byte layout after the Standard MIDI Files 1.0 specification: chunks, delta
times as variable-length quantities of at most four bytes, running status.

Why the bytes are read here and not by a library: one object per message costs about
10 microseconds and 250 bytes, a length field without end costs quadratic time, and mido
1.3.3 drops the delta time of meta events it does not know, so that every later note comes
early. This reader needs a tenth of the time and memory, both bounded by the file's size;
the tests hold it to mido's reading, event by event, wherever mido is right.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

import numpy as np

from improv.errors import TakeError
from improv.model import Ints

_META, _SYSEX, _SYSEX_MORE = 0xFF, 0xF0, 0xF7
_TRACK_NAME, _MARKER, _END_OF_TRACK, _TEMPO, _SIGNATURE = 0x03, 0x06, 0x2F, 0x51, 0x58
_MOST_MARKERS, _LONGEST_MARKER = 10_000, 200
_SYSTEM_DATA_BYTES = {
    0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0, 0xF8: 0, 0xFA: 0, 0xFB: 0, 0xFC: 0, 0xFE: 0,
}  # fmt: skip
_NOTE_OFF, _NOTE_ON, _PROGRAM, _CHANNEL_PRESSURE = 8, 9, 12, 13


@dataclass(frozen=True, eq=False)
class SmfTrack:
    """One track: its note events, tempo events and time signatures, each in file order.

    `note_*` hold note-on and note-off events alike; a note-off, or a note-on of velocity
    0, has `note_velocity` 0. `channel` counts from 1. `tempo_us` is microseconds per
    quarter note; `signature` rows are (upper figure, exponent of two of the lower figure);
    `markers` are (tick, text), texts cut to a length no marker needs.
    """

    name: str
    end_tick: int
    note_tick: Ints
    note_channel: Ints
    note_pitch: Ints
    note_velocity: Ints
    tempo_tick: Ints
    tempo_us: Ints
    signature_tick: Ints
    signature: Ints
    markers: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, eq=False)
class Smf:
    """A parsed file: `kind` 0, 1 or 2, ticks per quarter note, and its tracks."""

    kind: int
    ticks_per_quarter: int
    tracks: tuple[SmfTrack, ...]


class _Fault(Exception):
    """What is wrong with the bytes, in words."""


def parse_smf(data: bytes, name: str) -> Smf:
    """Read the bytes of a Standard MIDI file; `name` is how messages call it.

    Raises `TakeError` for anything that is not a whole, valid file counted in quarter notes.
    """
    try:
        return _parse(data)
    except _Fault as fault:
        raise TakeError(f"{name}: {fault}") from None


def _parse(data: bytes) -> Smf:
    if not data:
        raise _Fault("the file is empty; export the take again")
    if data[:4] != b"MThd":
        raise _Fault("not a MIDI file (it does not begin with MThd); export the take as .mid")
    length = int.from_bytes(data[4:8], "big")
    if len(data) < 14 or length < 6 or 8 + length > len(data):
        raise _Fault("the header is cut short; export the take again")
    kind, declared, division = (int.from_bytes(data[i : i + 2], "big") for i in (8, 10, 12))
    _check_header(kind, division)
    tracks: list[SmfTrack] = []
    position = 8 + length
    while len(tracks) < declared:
        if position + 8 > len(data):
            raise _Fault(
                f"the file is cut short: {declared} tracks announced, {len(tracks)} there; "
                "export the take again"
            )
        tag = data[position : position + 4]
        size = int.from_bytes(data[position + 4 : position + 8], "big")
        begin, position = position + 8, position + 8 + size
        if tag == b"MTrk":
            tracks.append(_track(data, begin, position, len(tracks) + 1))
    if not tracks:
        raise _Fault("the file holds no tracks; export the take again")
    return Smf(kind, division, tuple(tracks))


def _check_header(kind: int, division: int) -> None:
    if kind > 2:
        raise _Fault(f"MIDI file type {kind} does not exist; export the take as type 0 or 1")
    if division & 0x8000:
        raise _Fault(
            "its time is counted in film frames (SMPTE), not in quarter notes; "
            "export the take with ticks per quarter note"
        )
    if division == 0:
        raise _Fault("it has 0 ticks to a quarter note, so no time at all; export the take again")


def _track(data: bytes, begin: int, end: int, number: int) -> SmfTrack:
    if end > len(data):
        raise _Fault(f"the file is cut short inside track {number}; export the take again")
    events = _Events()
    try:
        position = _scan(data, begin, end, events)
    except IndexError:
        position = end + 1
    except _Fault as fault:
        raise _Fault(f"track {number} is damaged ({fault}); export the take again") from None
    if position > end:
        raise _Fault(f"track {number} ends in the middle of an event; export the take again")
    return events.as_track()


class _Events:
    """What the scan gathers: packed integers, turned into arrays once."""

    def __init__(self) -> None:
        self.name = b""
        self.end_tick = 0
        self.ended = False
        self.note_tick = array("q")
        self.note = array("i")
        self.tempo = array("q")
        self.signature = array("q")
        self.markers: list[tuple[int, bytes]] = []

    def meta(self, kind: int, tick: int, body: bytes) -> None:
        """Keep the meta events that matter; one with a body too short is passed over."""
        if kind == _TRACK_NAME and not self.name:
            self.name = body
        elif kind == _TEMPO and len(body) >= 3:
            self.tempo.extend((tick, int.from_bytes(body[:3], "big")))
        elif kind == _SIGNATURE and len(body) >= 2:
            self.signature.extend((tick, body[0], body[1]))
        elif kind == _MARKER and len(self.markers) < _MOST_MARKERS:
            self.markers.append((tick, body[:_LONGEST_MARKER]))

    def as_track(self) -> SmfTrack:
        note = np.array(self.note, dtype=np.int64)
        velocity = np.where(note >> 18 == _NOTE_ON, note & 0x7F, 0)
        tempo = np.array(self.tempo, dtype=np.int64).reshape(-1, 2)
        signature = np.array(self.signature, dtype=np.int64).reshape(-1, 3)
        return SmfTrack(
            name=_text(self.name),
            end_tick=self.end_tick,
            note_tick=np.array(self.note_tick, dtype=np.int64),
            note_channel=(note >> 14 & 0xF) + 1,
            note_pitch=note >> 7 & 0x7F,
            note_velocity=velocity,
            tempo_tick=tempo[:, 0],
            tempo_us=tempo[:, 1],
            signature_tick=signature[:, 0],
            signature=signature[:, 1:],
            markers=tuple((tick, _text(body)) for tick, body in self.markers),
        )


def _scan(data: bytes, position: int, end: int, events: _Events) -> int:
    """Read events up to `end` or the end-of-track event; returns where reading stopped.

    One loop without calls for the common events: it is the cost of reading a file.
    Running status survives meta and system events, as readers commonly allow.
    """
    add_tick, add_note = events.note_tick.append, events.note.append
    tick = running = 0
    while position < end and not events.ended:
        byte = data[position]
        position += 1
        if byte < 0x80:
            tick += byte
        else:
            delta, position = _quantity(data, position - 1)
            tick += delta
        status = data[position]
        if status >= 0x80:
            position += 1
        else:
            status = running
        if status >= 0xF0:
            position = _system(data, status, position, tick, events)
            continue
        running = status
        high = status >> 4
        first = data[position]
        if high == _NOTE_ON or high == _NOTE_OFF:
            second = data[position + 1]
            if (first | second) & 0x80:
                raise _Fault(f"a note with a value over 127 near byte {position}")
            add_tick(tick)
            add_note(status << 14 | first << 7 | second)
            position += 2
        else:
            position = _other(data, high, position)
    events.end_tick = tick
    return position


def _other(data: bytes, high: int, position: int) -> int:
    """Pass over a channel event that is no note; returns the position after it."""
    if high == 0:
        raise _Fault(f"data without a status near byte {position}")
    after = position + (1 if high in (_PROGRAM, _CHANNEL_PRESSURE) else 2)
    if (data[position] | data[after - 1]) & 0x80:
        raise _Fault(f"an event with a value over 127 near byte {after}")
    return after


def _system(data: bytes, status: int, position: int, tick: int, events: _Events) -> int:
    """Read a meta event or pass over a system event; returns the position after it."""
    if status == _META:
        kind = data[position]
        size, position = _quantity(data, position + 1)
        if kind == _END_OF_TRACK:
            events.ended = True
        else:
            events.meta(kind, tick, data[position : position + size])
        return position + size
    if status in (_SYSEX, _SYSEX_MORE):
        size, position = _quantity(data, position)
        return position + size
    if status in _SYSTEM_DATA_BYTES:
        return position + _SYSTEM_DATA_BYTES[status]
    raise _Fault(f"unknown event {status:02X} near byte {position}")


def _quantity(data: bytes, position: int) -> tuple[int, int]:
    """A variable-length quantity (at most four bytes) and the position after it."""
    value = 0
    for _ in range(4):
        byte = data[position]
        position += 1
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, position
    raise _Fault(f"a number of more than four bytes near byte {position}")


def _text(raw: bytes) -> str:
    """Track names have no stated encoding: UTF-8 where that is possible, else Latin-1."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")
