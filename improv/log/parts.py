"""Which part of a file a take is: the same file may hold several players.

A part is told by what was read, not by how it was asked for: the only track of a file is
one take whether nobody named it, or its name, its number or its channel.
"""

from __future__ import annotations

import json

from improv.midi_parts import choose_part
from improv.model import Reading
from improv.smf import parse_smf


def part_of(midi: bytes, name: str, reading: Reading) -> str:
    """The track (from 1) and channels that a reading takes of a file, as canonical JSON.

    Raises `TakeError` for a file called `name` in which there is no such part.
    """
    part, _ = choose_part(parse_smf(midi, name), name, reading)
    return json.dumps([part.number, list(part.channels)])
