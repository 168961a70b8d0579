"""MIDI files for tests, built byte by byte from commented hex.

`#` begins a comment; everything else is hex. The helpers add what the Standard MIDI Files
1.0 specification asks around it: chunk names and lengths, the end-of-track event.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from improv.midi import take_from_smf
from improv.model import Reading, Take
from improv.smf import Smf, parse_smf
from improv.tempo import bar_index, beats_at, quarters_at

END = "00 FF 2F 00"
TEMPO_96 = "00 FF 51 03 09 89 68 "  # 625 000 microseconds per quarter
TEMPO_120 = "00 FF 51 03 07 A1 20 "
SIX_EIGHT = "00 FF 58 04 06 03 24 08 "
QUARTERS = range(0, 480 * 16, 480)


def raw(text: str) -> bytes:
    """Commented hex to bytes."""
    return bytes.fromhex(re.sub(r"#.*", "", text))


def quantity(value: int) -> bytes:
    """A variable-length quantity: seven bits a byte, the first bit set on all but the last."""
    low = [value & 0x7F]
    while value := value >> 7:
        low.append(value & 0x7F | 0x80)
    return bytes(reversed(low))


def chunk(name: bytes, body: bytes) -> bytes:
    """A chunk with its length."""
    return name + len(body).to_bytes(4, "big") + body


def header(kind: int, tracks: int, division: int) -> bytes:
    """The header chunk."""
    return chunk(b"MThd", b"".join(n.to_bytes(2, "big") for n in (kind, tracks, division)))


def track(text: str = "", end: str = END) -> bytes:
    """A track chunk from commented hex, closed by an end-of-track event."""
    return chunk(b"MTrk", raw(text) + raw(end))


def midi(*tracks: bytes, kind: int = 1, division: int = 480) -> bytes:
    """A whole file of finished track chunks."""
    return header(kind, len(tracks), division) + b"".join(tracks)


def line(ticks: Iterable[int], length: int = 60, channel: int = 1, pitch: int = 60) -> str:
    """Hex of notes of one pitch struck at ascending ticks, each `length` ticks long."""
    events = [(t, 1) for t in ticks]
    events += [(t + length, 0) for t, _ in events]
    out, now = b"", 0
    for tick, is_on in sorted(events):
        status = (0x90 if is_on else 0x80) | channel - 1
        out += quantity(tick - now) + bytes([status, pitch, 80 if is_on else 64])
        now = tick
    return out.hex(" ")


def named(text: str) -> str:
    """Hex of a track name event."""
    body = text.encode()
    return f"00 FF 03 {(quantity(len(body)) + body).hex(' ')} "


def parsed(*tracks: str, kind: int = 1, division: int = 480) -> Smf:
    """A parsed file of tracks given as commented hex."""
    return parse_smf(midi(*map(track, tracks), kind=kind, division=division), "test.mid")


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
