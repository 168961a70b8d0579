"""Where events are, in a musician's terms, and what their rows are called there.

Conventions: everything is per event; bars and beats count from 1; see `counting`.
"""

from __future__ import annotations

from dataclasses import dataclass

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
        return Place(
            int(self.bar[event]),
            int(self.beat[event]),
            self.count[event],
            float(self.onset_sec[event]),
        )

    def name(self, row: int, event: int) -> str:
        """What a row is called in the meter of an event."""
        return name(SUBDIVISIONS[row], self.meters[int(self.meter[event])]) or "beats"

    def per_beat(self, row: int, event: int) -> float:
        """Notes per beat of a row in the meter of an event."""
        return float(SUBDIVISIONS[row].per_beat(self.meters[int(self.meter[event])].kind) or 1)

    def subdivision_columns(
        self, row: Ints, event: Ints
    ) -> tuple[Floats, Bools, tuple[str | None, ...]]:
        """Per note: notes per beat (NaN for row -1), swung or not, and the row's name."""
        width = len(SUBDIVISIONS) + 1
        names = np.full((len(self.meters), width), None, dtype=object)
        per_beat = np.full((len(self.meters), width), np.nan)
        swung = np.array([*(s.swung for s in SUBDIVISIONS), False])
        for m, meter in enumerate(self.meters):
            for r, subdivision in enumerate(SUBDIVISIONS):
                names[m, r] = name(subdivision, meter)
                count = subdivision.per_beat(meter.kind)
                per_beat[m, r] = np.nan if count is None else float(count)
        meter_of = self.meter[event]
        return per_beat[meter_of, row], swung[row], tuple(names[meter_of, row].tolist())
