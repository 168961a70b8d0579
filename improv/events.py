"""Strokes to rhythmic events: a chord is one event, a grace note belongs to its main note.

Conventions
-----------
An **event** is timed by its first sounding note (a chord begins when it is first heard); an
ornament is timed by its main note, before which it stands (Timmers et al. 2002: grace notes
take their time from the note before).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.accent import against_neighbours
from improv.model import Bools, Floats, Ints, Take, _Frozen
from improv.strokes import Strokes
from improv.tempo import beats_at


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


def events_of(take: Take, strokes: Strokes, ornament: Bools) -> Events:
    """Events of a take's strokes, some of them ornaments of the next one."""
    main = ~ornament
    event_of_stroke: Ints = np.cumsum(main) - np.where(ornament, 0, 1)
    of_note: Ints = event_of_stroke[strokes.of_note].astype(np.int64)
    onset_sec, quarter = strokes.onset_sec[main], strokes.quarter[main]
    return Events(
        onset_sec=onset_sec,
        end_sec=_last_release(take.release_sec, of_note, len(onset_sec)),
        quarter=quarter,
        beat=beats_at(take.bars, quarter),
        quarter_ms=strokes.quarter_sec[main] * 1000.0,
        loudness=against_neighbours(strokes.loudness[main]) * (not take.percussion),
        untimed=(onset_sec == 0.0) & (np.abs(quarter) < 1e-9),
        of_note=of_note,
        grace_note=ornament[strokes.of_note],
    )


def _last_release(release_sec: Floats, of_note: Ints, count: int) -> Floats:
    end = np.full(count, -np.inf)
    np.maximum.at(end, of_note, release_sec)
    return end
