"""Where events are, in a musician's terms, and what their rows are called there.

Conventions: everything is per event; bars and beats count from 1; see `counting`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from improv.counting import count_places
from improv.grid import SUBDIVISIONS, name
from improv.meter import Meter
from improv.model import Bools, Floats, Ints, Place, Take
from improv.tempo import bar_index


@dataclass(frozen=True, eq=False)
class Places:
    """Bar, beat, count, onset and meter of every event."""

    bar: Ints
    beat: Ints
    count: tuple[str, ...]
    onset_sec: Floats
    meter: Ints
    meters: tuple[Meter, ...]

    @staticmethod
    def of(take: Take, onset_sec: Floats, at_quarter: Floats, row: Ints) -> Places:
        """Places of events at grid positions (or at their onsets where `row` is -1)."""
        bar, beat, count = count_places(take.bars, at_quarter, row)
        meter = take.bars.meter[bar_index(take.bars, at_quarter + 1e-7)]
        return Places(bar, beat, count, onset_sec, meter, take.bars.meters)

    def place(self, event: int) -> Place:
        """The place of one event."""
        bar, beat, onset_sec = self._plain
        return Place(bar[event], beat[event], self.count[event], onset_sec[event])

    def meter_at(self, event: int) -> Meter:
        """The meter one event is in."""
        return self.meters[int(self.meter[event])]

    def name(self, row: int, event: int) -> str:
        """What a row is called in the meter of an event."""
        return self._names[self.meter[event]][row] or "beats"

    def per_beat(self, row: int, event: int) -> float:
        """Notes per beat of a row in the meter of an event."""
        per_beat = self._per_beat[self.meter[event]][row]
        return 1.0 if np.isnan(per_beat) else per_beat

    @cached_property
    def _plain(self) -> tuple[list[int], list[int], list[float]]:
        """Bar, beat and onset as Python's own numbers: one at a time they are much faster."""
        return self.bar.tolist(), self.beat.tolist(), self.onset_sec.tolist()

    @cached_property
    def _names(self) -> list[list[str | None]]:
        """What every row is called in every meter, and `None` for row -1."""
        return [[*(name(row, meter) for row in SUBDIVISIONS), None] for meter in self.meters]

    @cached_property
    def _per_beat(self) -> list[list[float]]:
        """Notes per beat of every row in every meter; NaN where there is none."""
        counts = [[row.per_beat(meter.kind) for row in SUBDIVISIONS] for meter in self.meters]
        return [[*(float(np.nan if c is None else c) for c in row), np.nan] for row in counts]

    def subdivision_columns(
        self, row: Ints, event: Ints
    ) -> tuple[Floats, Bools, tuple[str | None, ...]]:
        """Per note: notes per beat (NaN for row -1), swung or not, and the row's name."""
        names, per_beat = np.array(self._names, dtype=object), np.array(self._per_beat)
        swung = np.array([*(s.swung for s in SUBDIVISIONS), False])
        meter_of = self.meter[event]
        return per_beat[meter_of, row], swung[row], tuple(names[meter_of, row].tolist())
