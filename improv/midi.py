"""MIDI files in and out: `read_take`, `take_of_bytes`, `list_tracks`, `write_take`.

The path of a take: bytes (`files`), events (`smf`), the part that is the solo
(`midi_parts`), its notes (`midi_notes`), the file's tempo and meter (`midi_tempo`), and
the notes laid on the beats (`midi_place`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv.errors import TakeError
from improv.files import AnyPath, read_bytes, shown
from improv.midi_notes import notes_of, oddities
from improv.midi_parts import PERCUSSION_CHANNEL, Part, check_channel, choose_part, playable_parts
from improv.midi_place import check_reading, place
from improv.midi_sentences import assumptions, count_in_sentence, own_tempo, raster
from improv.midi_tempo import FileTime, click_mark, file_time
from improv.midi_write import OutPart, write_parts, write_take
from improv.model import Reading, Take
from improv.smf import Smf, parse_smf

__all__ = [
    "OutPart",
    "Part",
    "list_tracks",
    "read_smf",
    "read_take",
    "take_from_smf",
    "take_of_bytes",
    "write_parts",
    "write_take",
]

LARGEST_FILE_BYTES = 64 * 2**20


def read_take(path: AnyPath, reading: Reading = Reading()) -> Take:  # noqa: B008 (frozen)
    """Read a solo from a MIDI file, laid on its beats as `reading` says.

    Raises `TakeError` for a file that cannot be read, holds no notes, or holds several
    playable parts when none is named; `UsageError` for values that make no sense.
    """
    check_reading(reading)
    check_channel(reading.channel)
    data = read_bytes(path, LARGEST_FILE_BYTES)
    backing = None if reading.backing is None else read_bytes(reading.backing, LARGEST_FILE_BYTES)
    return take_of_bytes(data, shown(path), reading, backing)


def take_of_bytes(data: bytes, name: str, reading: Reading, backing: bytes | None = None) -> Take:
    """The take in the bytes of a file called `name`, and of its backing where there is one.

    `reading.backing` is only what messages call the backing. Raises as `read_take` does.
    """
    smf = parse_smf(data, name)
    if backing is None:
        return take_from_smf(smf, name, replace(reading, backing=None))
    called = shown(reading.backing or "backing")
    return take_from_smf(smf, name, reading, file_time(_one_piece(backing, called), called))


def list_tracks(path: AnyPath) -> tuple[Part, ...]:
    """The playable parts of a MIDI file, in file order; raises `TakeError` if unreadable."""
    return playable_parts(read_smf(path))


def read_smf(path: AnyPath) -> Smf:
    """The parsed file at `path`; raises `TakeError` naming it."""
    return parse_smf(read_bytes(path, LARGEST_FILE_BYTES), shown(path))


def _one_piece(data: bytes, name: str) -> Smf:
    smf = parse_smf(data, name)
    if smf.kind == 2 and len(smf.tracks) > 1:
        raise TakeError(
            f"{name}: a type 2 file holds several separate pieces; export the backing as type 1"
        )
    return smf


def take_from_smf(smf: Smf, name: str, reading: Reading, backing: FileTime | None = None) -> Take:
    """The take in a parsed file called `name`; the pure part of `read_take`."""
    check_reading(reading)
    check_channel(reading.channel)
    reading, count_in = _counted_in(smf, reading, over_backing=backing is not None)
    part, said = choose_part(smf, name, reading)
    notes = notes_of(smf.tracks[part.number - 1], part.channels)
    own = file_time(smf, name, part.number)
    onset_sec, release_sec = own.seconds(notes.onset_tick), own.seconds(notes.release_tick)
    base = own if backing is None else backing
    placed = place(
        onset_sec,
        float(release_sec.max()),
        notes.velocity.astype(np.float64),
        base,
        reading,
        name,
    )
    meter = placed.bars.meters[int(placed.bars.meter[np.argmax(placed.bars.number >= 1)])]
    warnings = (
        *said,
        *count_in,
        *(own_tempo(own, backing, meter, reading) if backing is not None else ()),
        *placed.warnings,
        *assumptions(base, reading),
        *oddities(notes),
        *raster(notes, own, onset_sec),
    )
    return Take(
        name=name,
        track=part.label,
        onset_sec=onset_sec,
        release_sec=release_sec,
        pitch=notes.pitch,
        velocity=notes.velocity,
        released=notes.released,
        tempo_map=placed.tempo_map,
        bars=placed.bars,
        meter_text=placed.meter_text,
        tempo_bpm=placed.tempo_bpm,
        warnings=warnings,
        start_found=reading.find_start,
        percussion=part.channels == (PERCUSSION_CHANNEL,),
        file_tempo_map=own.tempo_map
        if own.states_tempo and (backing or reading.tempo_bpm)
        else None,
    )


def _counted_in(smf: Smf, reading: Reading, over_backing: bool) -> tuple[Reading, tuple[str, ...]]:
    """The reading with the count-in that a click of ours in the take's file says, and so said.

    What is stated wins; a start that is stated, or to be found, is that of bar 1.
    """
    stated = reading.count_in_bars is not None or reading.start_sec is not None
    mark = None if stated or over_backing or reading.find_start else click_mark(smf)
    if mark is None or not mark.count_in_bars:
        return reading, ()
    return replace(reading, count_in_bars=mark.count_in_bars), (count_in_sentence(mark),)
