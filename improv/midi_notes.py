"""Note events to notes: onsets, releases, and what was odd about them.

Conventions: every note-on is a note, whatever follows it. A note ends at the first
note-off of its pitch and channel after it in the file; one that never ends gets the
next later onset, or the end of the track.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.model import Bools, Ints
from improv.smf import SmfTrack


@dataclass(frozen=True, eq=False)
class TickNotes:
    """Notes in time order, times in ticks."""

    onset_tick: Ints
    release_tick: Ints
    pitch: Ints
    velocity: Ints
    released: Bools


def notes_of(track: SmfTrack, channels: tuple[int, ...]) -> TickNotes:
    """The notes of a track on the given channels."""
    mine = np.isin(track.note_channel, channels)
    tick, velocity = track.note_tick[mine], track.note_velocity[mine]
    key = (track.note_channel[mine] << 7) | track.note_pitch[mine]
    on = np.flatnonzero(velocity > 0)
    release, released = _releases(tick, key, velocity, track.end_tick)
    return TickNotes(tick[on], release[on], key[on] & 0x7F, velocity[on], released[on])


def _releases(tick: Ints, key: Ints, velocity: Ints, end_tick: int) -> tuple[Ints, Bools]:
    """For every event, the tick of the next note-off of its key, or a stand-in and False."""
    order = np.argsort(key, kind="stable")
    place = np.arange(len(order), dtype=np.int64)
    off_place = np.where(velocity[order] == 0, place, len(order))
    next_off = np.minimum.accumulate(off_place[::-1])[::-1]
    found = next_off < len(order)
    event = order[np.where(found, next_off, 0)] if len(order) else order
    same_key = found & (key[event] == key[order])
    release, released = np.empty_like(tick), np.zeros(len(tick), dtype=np.bool_)
    released[order] = same_key
    release[order] = tick[event]
    onsets = np.unique(tick[velocity > 0])
    later = np.searchsorted(onsets, tick, side="right")
    stand_in = np.append(onsets, max(end_tick, int(tick[-1]) if len(tick) else 0))[later]
    return np.where(released, release, np.maximum(stand_in, tick)), released


def oddities(notes: TickNotes) -> tuple[str, ...]:
    """Whole sentences on notes that a listener might miss; empty for an ordinary take."""
    found = []
    unreleased = int((~notes.released).sum())
    if unreleased:
        found.append(f"{_count(unreleased, 'is', 'are')} never released; the onsets are kept.")
    flat = int((notes.released & (notes.release_tick == notes.onset_tick)).sum())
    if flat:
        found.append(f"{_count(flat, 'has', 'have')} no length; the onsets are kept.")
    doubled = len(notes.pitch) - len(np.unique(notes.onset_tick << 7 | notes.pitch))
    if doubled:
        found.append(
            f"{_count(doubled, 'repeats', 'repeat')} a pitch struck at the same moment; "
            "all are kept."
        )
    at_start = int((notes.onset_tick == 0).sum())
    if at_start > 1:
        found.append(
            f"{at_start} notes lie exactly at the start of the file; strokes ahead of a "
            "recording's start are often cut to it, so their timing is not judged."
        )
    return tuple(found)


def raster_tick(notes: TickNotes) -> int:
    """The widest spacing that all onset ticks are multiples of (0 for fewer than two onsets)."""
    return int(np.gcd.reduce(notes.onset_tick)) if len(notes.onset_tick) else 0


def _count(number: int, one: str, many: str) -> str:
    return f"1 note {one}" if number == 1 else f"{number} notes {many}"
