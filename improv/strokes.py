"""Notes to strokes: what sounds together is one stroke, a chord or a single note.

Conventions: rows are notes sorted by onset. Simultaneity needs more than closeness: two notes
are one chord when the first still sounds as the second begins, or when no hand would play them
as a line (`LEAP_SEMITONES`), or when they are struck at the same instant. A slow strum or roll
is one chord if it goes one way and every note rings on; a line lets go of its notes. A crushed
note, let go as the next one begins to ring, is a stroke of its own: a grace. So is the first of
a flam, the same pitch struck twice within the chord spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.grid import pulse_quarters
from improv.model import Bars, Bools, Floats, Ints, Take, _Frozen
from improv.tempo import bar_index, quarter_sec_at, quarters_at

SAME_INSTANT_SEC = 0.0105
"""Ten notes of one chord need up to 8.64 ms on the wire (320 µs a byte, IEC 63035)."""
ROLL_LONGEST_SEC = 0.12
"""A chord strummed or rolled in one direction takes no longer (common practice, no source)."""
LEAP_SEMITONES = 13
"""A line does not leap more than an octave within a chord's spread (common practice, no source)."""
TOGETHER_SHARE = 0.5
"""Near notes are one chord where they share more than this of the shorter one (our choice)."""
CRUSHED_SHARE, CRUSHED_SEMITONES = 0.5, 4
"""A grace may sound into its note, but is let go long before; it lies within a third of it."""


@dataclass(frozen=True, eq=False)
class Strokes(_Frozen):
    """Strokes of a take, ascending in time; `of_note` maps note rows to strokes.

    A stroke is timed by its first sounding note and as loud as its loudest. `quarter` counts
    from bar 1, `quarter_sec` is the local length of a quarter note, `half_unit_sec` of half a
    unit of the meter (a sixteenth in 4/4 and 6/8).
    """

    onset_sec: Floats
    quarter: Floats
    quarter_sec: Floats
    half_unit_sec: Floats
    loudness: Ints
    of_note: Ints
    percussion: bool

    def __len__(self) -> int:
        return len(self.onset_sec)

    @staticmethod
    def of(take: Take, chord_spread_ms: float) -> Strokes:
        """The strokes of a take, its chords no wider than a spread."""
        first = _chord_starts(take, chord_spread_ms / 1000.0)
        starts = np.flatnonzero(first)
        onset_sec = take.onset_sec[starts]
        quarter = quarters_at(take.tempo_map, onset_sec)
        quarter_sec = quarter_sec_at(take.tempo_map, quarter)
        return Strokes(
            onset_sec,
            quarter,
            quarter_sec,
            _half_units(take.bars, quarter) * quarter_sec,
            np.maximum.reduceat(take.velocity, starts) if len(starts) else take.velocity,
            np.cumsum(first) - 1,
            take.percussion,
        )


def _chord_starts(take: Take, spread_sec: float) -> Bools:
    """Whether each note begins a new chord (Boolean, one per note)."""
    onset, count = take.onset_sec, len(take)
    first = np.ones(count, dtype=np.bool_)
    step = np.diff(onset)
    close = step <= spread_sec
    # A line played legato overlaps by a little; notes of a chord sound together.
    length = take.release_sec - onset
    together = take.release_sec[:-1] - onset[1:]
    overlap = together > TOGETHER_SHARE * np.minimum(length[:-1], length[1:])
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
