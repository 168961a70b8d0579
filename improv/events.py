"""Notes to rhythmic events: a chord is one event, a grace note belongs to its main note.

Conventions
-----------
Rows are notes sorted by onset. An **event** is timed by its first sounding note (a
chord begins when it is first heard); an ornament is timed by its main note, before
which it stands (Timmers et al. 2002: grace notes take their time from the note
before). Simultaneity needs more than closeness: two notes are one chord when the
first still sounds as the second begins, or when no hand would play them as a line
(`LEAP_SEMITONES`), or when they are struck at the same instant. A slow strum or roll is one
chord if it goes one way and every note rings on; a line lets go of its notes. A crushed
note, let go as the next one begins to ring, is a grace. A flam (same
pitch struck twice within the chord spread) is a grace note and its main note.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.accent import against_neighbours
from improv.grid import pulse_quarters
from improv.model import Bars, Bools, Floats, Ints, Take, _Frozen
from improv.tempo import bar_index, beats_at, quarter_sec_at, quarters_at

SAME_INSTANT_SEC = 0.0105
"""Ten notes of one chord need up to 8.64 ms on the wire (320 µs a byte, IEC 63035)."""
ROLL_LONGEST_SEC = 0.12
"""A chord strummed or rolled in one direction takes no longer (common practice, no source)."""
LEAP_SEMITONES = 13
"""A line does not leap more than an octave within a chord's spread (common practice, no source)."""
CRUSHED_SHARE, CRUSHED_SEMITONES = 0.5, 4
"""A grace may sound into its note, but is let go long before; it lies within a third of it."""
GRACE_LONGEST_SEC = 0.075
"""A short grace note keeps its length at any tempo (Timmers et al. 2002); the bound is ours."""
GRACE_SHARE = 0.68
"""At fast tempi a grace is shorter still: nearer to half a unit, an upbeat is a written one."""
GRACE_FLAT_SEC = 0.045
"""The longest where all notes around are equally loud, or two limbs strike."""
GRACE_ISOLATION = 0.4
"""A grace note's step is under this share of the steps around it; a run's notes are not."""
QUIET_SHARE = 0.9
"""A grace is this much softer than its note, unless the take knows no loud and soft."""
ORDER_SEC = 0.025
"""Closer than this the ear hardly tells which came first (Hirsh 1959 has 20 ms; from memory)."""
SOFT_SHARE, SOFT_GRACE_SHARE, SOFT_ISOLATION = 0.86, 0.75, 0.65
"""A note clearly softer than both its neighbours may be a grace at more, and nearer to others."""


@dataclass(frozen=True, eq=False)
class Events(_Frozen):
    """Rhythmic events of a take, ascending in time; `of_note` maps note rows to events.

    `quarter` and `beat` are positions from bar 1 beat 1; `quarter_ms` the local length of
    a quarter note; `end_sec` when the event stops sounding; `loudness` is `accent`'s, 0
    in percussion, where every drum has its own; `untimed` marks onsets cut to the very start
    of the recording, which carry no timing.
    """

    onset_sec: Floats
    end_sec: Floats
    quarter: Floats
    beat: Floats
    quarter_ms: Floats
    loudness: Floats
    untimed: Bools
    of_note: Ints
    grace_note: Bools

    def __len__(self) -> int:
        return len(self.onset_sec)

    def at(self, span: Ints) -> Events:
        """Some of the events, without the tables of notes."""
        none = np.zeros(0, dtype=np.int64)
        return Events(
            self.onset_sec[span],
            self.end_sec[span],
            self.quarter[span],
            self.beat[span],
            self.quarter_ms[span],
            self.loudness[span],
            self.untimed[span],
            of_note=none,
            grace_note=none.astype(np.bool_),
        )


def group(take: Take, chord_spread_ms: float) -> Events:
    """Group a take's notes into events; `of_note` and `grace_note` are sized by notes."""
    first = _chord_starts(take, chord_spread_ms / 1000.0)
    chord = np.cumsum(first) - 1
    starts = np.flatnonzero(first)
    loudness = np.maximum.reduceat(take.velocity, starts) if len(starts) else take.velocity
    onset_sec = take.onset_sec[starts]
    quarter = quarters_at(take.tempo_map, onset_sec)
    quarter_sec = quarter_sec_at(take.tempo_map, quarter)
    half_unit_sec = _half_units(take.bars, quarter) * quarter_sec
    ornament = _graces(onset_sec, loudness, half_unit_sec, take.percussion)
    event_of_chord: Ints = np.cumsum(~ornament) - np.where(ornament, 0, 1)
    of_note: Ints = event_of_chord[chord]
    onset_sec, quarter = onset_sec[~ornament], quarter[~ornament]
    return Events(
        onset_sec=onset_sec,
        end_sec=_last_release(take.release_sec, of_note, len(onset_sec)),
        quarter=quarter,
        beat=beats_at(take.bars, quarter),
        quarter_ms=quarter_sec[~ornament] * 1000.0,
        loudness=against_neighbours(loudness[~ornament]) * (not take.percussion),
        untimed=(onset_sec == 0.0) & (np.abs(quarter) < 1e-9),
        of_note=of_note.astype(np.int64),
        grace_note=ornament[chord],
    )


def _last_release(release_sec: Floats, of_note: Ints, count: int) -> Floats:
    end = np.full(count, -np.inf)
    np.maximum.at(end, of_note, release_sec)
    return end


def _chord_starts(take: Take, spread_sec: float) -> Bools:
    """Whether each note begins a new chord (Boolean, one per note)."""
    onset, count = take.onset_sec, len(take)
    first = np.ones(count, dtype=np.bool_)
    step = np.diff(onset)
    close = step <= spread_sec
    overlap = take.release_sec[:-1] > onset[1:] + 1e-9
    leap = np.abs(np.diff(take.pitch)) >= LEAP_SEMITONES
    same_pitch = np.diff(take.pitch) == 0
    joined = close & (overlap | leap | (step <= SAME_INSTANT_SEC)) & ~(same_pitch & (step > 0))
    joined &= ~_crushed(take)
    began = 0
    for i in (np.flatnonzero(joined) + 1).tolist():
        if first[i - 1]:
            began = i - 1
        # A rolled chord may be longer than any one step, but not longer than the spread,
        # unless hand or pick goes one way over notes that all ring on.
        longest = ROLL_LONGEST_SEC if _rolled(take, began, i) else spread_sec
        first[i] = onset[i] - onset[began] > longest
    return first


def _crushed(take: Take) -> Bools:
    """Whether each note but the last is a grace crushed into the next: near it, and let go."""
    length = take.release_sec - take.onset_sec
    let_go = length[:-1] < CRUSHED_SHARE * length[1:]
    near = np.abs(np.diff(take.pitch)) <= CRUSHED_SEMITONES
    quieter = take.velocity[:-1] <= take.velocity[1:]
    apart = np.diff(take.onset_sec) > SAME_INSTANT_SEC
    return np.asarray(let_go & near & quieter & apart)


def _rolled(take: Take, began: int, last: int) -> bool:
    """Whether notes from `began` to `last` go up, or down, and all sound when the last begins."""
    direction = np.sign(np.diff(take.pitch[began : last + 1]))
    one_way = bool((direction == direction[0]).all() and direction[0] != 0)
    return one_way and bool((take.release_sec[began:last] > take.onset_sec[last]).all())


def _half_units(bars: Bars, quarter: Floats) -> Floats:
    """Half a unit of the meter (a sixteenth in 4/4 and 6/8) in quarters, at some positions."""
    unit = np.array([pulse_quarters(meter) for meter in bars.meters])
    return np.asarray(0.5 * unit[bars.meter[bar_index(bars, quarter)]])


def _graces(onset_sec: Floats, loudness: Ints, half_unit_sec: Floats, percussion: bool) -> Bools:
    """Whether each chord is an ornament of the next one: short, isolated, not louder.

    Where half a unit is hardly longer than that, an upbeat of its length is a rhythm. Two
    limbs of a drummer never strike quite together, whichever is louder.
    """
    count = len(onset_sec)
    grace = np.zeros(count, dtype=np.bool_)
    if count < 2:
        return grace
    step = np.diff(onset_sec)
    before = np.concatenate([[np.inf], step[:-1]])
    after = np.concatenate([step[1:], [np.inf]])
    neighbours = np.minimum(loudness[1:], np.concatenate([loudness[1:2], loudness[:-2]]))
    soft = loudness[:-1] < SOFT_SHARE * neighbours
    share = np.where(soft, SOFT_GRACE_SHARE, GRACE_SHARE)
    isolation = np.where(soft, SOFT_ISOLATION, GRACE_ISOLATION)
    short = step <= np.minimum(share * half_unit_sec[1:], GRACE_LONGEST_SEC)
    short &= step < isolation * np.minimum(before, after)
    flat = (loudness[:-1] == loudness[1:]) & (loudness[:-1] == neighbours)
    quieter = loudness[:-1] < QUIET_SHARE * loudness[1:]
    quieter |= (step <= ORDER_SEC) | ((flat | percussion) & (step <= GRACE_FLAT_SEC))
    grace[:-1] = short & quieter
    return grace
