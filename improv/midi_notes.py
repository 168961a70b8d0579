"""Note events to notes: onsets, releases, and what was odd about them.

Conventions: every note-on is a note, whatever follows it. A note ends at the first
note-off of its pitch and channel after it in the file, and so do earlier ones of that
pitch still sounding: one lost note-off disturbs one note. A note-off on the tick of a
repeated stroke ends the stroke before it, in whichever order the file holds them. A note
that never ends gets the next later onset, or the end of the track.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.counting import counted
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
    """For every event, the tick of the note-off that ends it, or a stand-in and False."""
    if not len(tick):
        return tick, np.zeros(0, dtype=np.bool_)
    order = np.argsort(key, kind="stable")
    off = _ending_event(tick[order], key[order], velocity[order])
    ended = off >= 0
    release, released = np.empty_like(tick), np.empty(len(tick), dtype=np.bool_)
    released[order] = ended
    release[order] = tick[order][off]
    onsets = distinct(tick[velocity > 0])
    later = np.searchsorted(onsets, tick, side="right")
    stand_in = np.append(onsets, max(end_tick, int(tick[-1])))[later]
    return np.where(released, release, stand_in), released


def _ending_event(tick: Ints, key: Ints, velocity: Ints) -> Ints:
    """For events sorted by key, the index of the note-off that ends each, -1 for none."""
    count = len(tick)
    off_here = np.where(velocity == 0, np.arange(count), count)
    next_off = np.append(np.minimum.accumulate(off_here[::-1])[::-1], [count, count])
    first = next_off[:count]
    closed = np.minimum(first, count - 1)
    sounding = np.append(
        False, (key[1:] == key[:-1]) & (velocity[:-1] > 0) & (tick[:-1] < tick[1:])
    )
    is_earlier_ones = sounding & (first < count) & (tick[closed] == tick)
    ending = np.where(is_earlier_ones, next_off[first + 1], first)
    found = (ending < count) & (key[np.minimum(ending, count - 1)] == key)
    return np.where(found, ending, -1)


def oddities(notes: TickNotes) -> tuple[str, ...]:
    """Whole sentences on notes that a listener might miss; empty for an ordinary take."""
    found = []
    unreleased = int((~notes.released).sum())
    if unreleased:
        found.append(f"{_count(unreleased, 'is', 'are')} never released; the onsets are kept.")
    flat = int((notes.released & (notes.release_tick == notes.onset_tick)).sum())
    if flat:
        found.append(f"{_count(flat, 'has', 'have')} no length; the onsets are kept.")
    doubled = len(notes.pitch) - len(distinct(np.sort(notes.onset_tick << 7 | notes.pitch)))
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


def distinct(ascending: Ints) -> Ints:
    """The different values of an ascending array (`np.unique` hashes, 20 times slower here)."""
    first = np.append(True, ascending[1:] != ascending[:-1])[: len(ascending)]
    return np.asarray(ascending[first])


def raster_tick(notes: TickNotes) -> int:
    """The widest spacing that all onset ticks are multiples of (0 for fewer than two onsets)."""
    return int(np.gcd.reduce(notes.onset_tick)) if len(notes.onset_tick) else 0


def _count(number: int, one: str, many: str) -> str:
    return f"{counted(number, 'note')} {one if number == 1 else many}"
