"""Free runs: the stretches of a scene that may be some, scored under a hand.

Conventions: as in `scene`; what is gathered depends on the notes alone, so every hand that is
tried shares it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from improv import free
from improv.events import Events
from improv.grid import SUBDIVISIONS, positions
from improv.lattice import Lane
from improv.layout import Layout
from improv.meter import Meter
from improv.model import Bars, Floats, Ints
from improv.tempo import bar_index

NO_STEP_QUARTER = 1000.0


@dataclass(frozen=True, eq=False)
class FreeRuns:
    """Stretches of the phrases of a layout, batch by batch."""

    events: Events
    layout: Layout
    bars: Bars
    lanes: tuple[Lane, ...]

    def scores(self, number: int, center_ms: Floats, spread_ms: Floats) -> Floats | None:
        """Free-run densities of a batch; the hand's lean and spread given per event."""
        gathered = self._gathered[number]
        if gathered is None:
            return None
        rows = self.layout.batches[number].rows
        ground = free.Ground(
            spread_ms[rows[0]],
            self._even_steps_ms[rows[0]],
            self._chains_ms[rows[0]],
            self._in_bar_ms[rows.T] - center_ms[rows.T],
        )
        return free.stretch_scores(gathered, (rows.shape[0], rows.shape[1]), ground)

    @cached_property
    def _gathered(self) -> tuple[free.Stretches | None, ...]:
        """What could be free runs, batch by batch."""
        onset_ms = self.events.onset_sec * 1000.0
        return tuple(
            free.gather(onset_ms[b.rows.T], b.valid.T, self._beat_ms[b.rows[0]][:, None])
            for b in self.layout.batches
        )

    @cached_property
    def _bar(self) -> Ints:
        return bar_index(self.bars, self.events.quarter)

    @cached_property
    def _in_bar_ms(self) -> Floats:
        """Distance of each onset from its bar line."""
        into = self.events.quarter - self.bars.start_quarter[self._bar]
        return np.asarray(into * self.events.quarter_ms)

    @cached_property
    def _even_steps_ms(self) -> Floats:
        """Steps of the even grids on offer, (events, rows); a far value where there is none."""
        rows = sorted({n.row for n in self.lanes if not SUBDIVISIONS[n.row].swung})
        table = np.array(
            [[even_step_quarter(r, m) for r in rows] or [NO_STEP_QUARTER] for m in self.bars.meters]
        )
        return np.asarray(table[self.bars.meter[self._bar]] * self.events.quarter_ms[:, None])

    @cached_property
    def _chains_ms(self) -> Floats:
        """Steps of chains and of the grids they keep to, (events, chains, 2); as above."""
        rows = {n.row for n in self.lanes}
        table = np.array(
            [
                [
                    (every * even_step_quarter(row, meter), even_step_quarter(row, meter))
                    for row in sorted(rows)
                    for every in SUBDIVISIONS[row].chains
                ]
                or [(NO_STEP_QUARTER, NO_STEP_QUARTER)]
                for meter in self.bars.meters
            ]
        )
        steps = table[self.bars.meter[self._bar]] * self.events.quarter_ms[:, None, None]
        return np.asarray(steps)

    @cached_property
    def _beat_ms(self) -> Floats:
        """Length of the beat that the tempo counts, per event."""
        beat_quarter = self.bars.tempo_beat_quarter[self.bars.meter[self._bar]]
        return np.asarray(beat_quarter * self.events.quarter_ms)


@cache
def even_step_quarter(row: int, meter: Meter) -> float:
    """Step of a straight row in quarter notes where it is even all through the bar."""
    places = positions(SUBDIVISIONS[row], meter)
    if not places:
        return NO_STEP_QUARTER
    steps = {b - a for a, b in zip(places, [*places[1:], meter.bar_quarters], strict=True)}
    return float(steps.pop()) if len(steps) == 1 else NO_STEP_QUARTER
