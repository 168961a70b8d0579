"""Events into notes: accents, pitches, lengths, companions of chords, grace notes.

Conventions: seconds; the notes come in time order. The first note of a chord carries
its timing (melody lead: the top note comes first, Goebl 2001), and so does the main
note after a grace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.model import Bools, Floats, Ints
from improv.synth_line import Line
from improv.synth_plan import Plan
from improv.tempo import beats_at

CHORD_SPREAD_SEC = 0.025
GRACE_LEAD_SEC = (0.040, 0.070)
CHORD_ROOM_SEC = 0.120
GRACE_ROOM_SEC = 0.150
LEGATO_GAP_SEC = 0.080
"""Notes of a line overlap a little, but not where the next one follows as fast as in a chord."""
LONGEST_NOTE_SEC = 1.5
SCALE = np.array([0, 3, 5, 6, 7, 10])
"""A minor blues scale in semitones: common practice, no source."""


@dataclass(frozen=True)
class Struck:
    """Notes in time order: arrays of one row per note. `main` notes carry their event's timing."""

    onset_sec: Floats
    release_sec: Floats
    pitch: Ints
    velocity: Ints
    event: Ints
    main: Bools
    grace: Bools


def strike(onset_sec: Floats, plan: Plan, line: Line, rng: np.random.Generator) -> Struck:
    """The notes struck for the events of a plan whose onsets are `onset_sec`."""
    count = len(onset_sec)
    gap = np.diff(onset_sec, append=onset_sec[-1:] + 2.0)
    longest = np.where(gap > LEGATO_GAP_SEC, 1.06, 0.95)
    length = np.minimum(gap * rng.uniform(0.6, longest), LONGEST_NOTE_SEC)
    pitch = _melody(count, rng)
    velocity = _accents(plan, rng)
    rows = [
        (onset_sec[i], onset_sec[i] + length[i], pitch[i], velocity[i], i, True, False)
        for i in range(count)
    ]
    before = np.diff(onset_sec, prepend=onset_sec[:1] - 2.0)
    ornament = rng.random((2, count))
    for i in np.flatnonzero((ornament[0] < line.chords) & (gap > CHORD_ROOM_SEC)):
        rows += _companions(rows[i], rng)
    for i in np.flatnonzero((ornament[1] < line.graces) & (before > GRACE_ROOM_SEC)):
        lead = rng.uniform(*GRACE_LEAD_SEC)
        at = onset_sec[i] - lead
        rows.append((at, at + lead * 0.9, pitch[i] - 1, velocity[i] - 15, int(i), False, True))
    rows.sort(key=lambda row: (row[0], row[4], not row[5]))
    onset, release, pitches, velocities, event, main, grace = zip(*rows, strict=True)
    return Struck(
        np.array(onset),
        np.array(release),
        np.array(pitches, dtype=np.int64),
        np.clip(np.array(velocities, dtype=np.int64), 1, 127),
        np.array(event, dtype=np.int64),
        np.array(main, dtype=np.bool_),
        np.array(grace, dtype=np.bool_),
    )


_Row = tuple[float, float, int, int, int, bool, bool]


def _companions(lead: _Row, rng: np.random.Generator) -> list[_Row]:
    """One to three lower notes struck within the chord spread after the leading one."""
    onset, release, pitch, velocity, event = lead[:5]
    count = int(rng.integers(1, 4))
    late = rng.uniform(0.0, CHORD_SPREAD_SEC, count)
    below = np.cumsum(rng.integers(3, 6, count))
    end = max(release, onset + 0.09)
    return [
        (onset + float(late[j]), end, pitch - int(below[j]), velocity - 8, event, False, False)
        for j in range(count)
    ]


def _melody(count: int, rng: np.random.Generator) -> Ints:
    """A wandering line over three octaves of the scale."""
    steps = rng.choice([-2, -1, -1, 1, 1, 2, 3, -3], count)
    degree = np.abs((np.cumsum(steps) + 9) % 36 - 18)
    return np.asarray(57 + 12 * (degree // 6) + SCALE[degree % 6], dtype=np.int64)


def _accents(plan: Plan, rng: np.random.Generator) -> Ints:
    """Louder on the meter's beats, and where the fancy takes the player."""
    beat = beats_at(plan.bars, plan.due_quarter)
    on_beat = np.abs(beat - np.round(beat)) < 0.02
    loud = 74 + 14 * on_beat + 14 * (rng.random(len(on_beat)) < 0.12)
    return np.asarray(np.round(loud + 6 * rng.standard_normal(len(loud))), dtype=np.int64)
