"""A scene: some phrases laid over their lattice, ready to be read under any hand.

Conventions: events are flat over phrases, `edges` bound them; hands are given per event
(center and spread in ms). Work is done in batches of phrases of like length. Several
hands can be tried at once: they are read side by side, as if the phrases were repeated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from improv import chain, free
from improv import frame as framing
from improv.events import Events
from improv.grid import SUBDIVISIONS, positions
from improv.lattice import Lane, Lattice, build
from improv.meter import Meter
from improv.model import Bars, Bools, Floats, Ints
from improv.tempo import bar_index, beats_at

NO_STEP_QUARTER = 1000.0


@dataclass(frozen=True, eq=False)
class Scene:
    """Phrases, their lattice, and what follows from the score alone."""

    events: Events
    edges: Ints
    bars: Bars
    lattice: Lattice
    frame: framing.Frame
    meant_beat: Floats
    rows: tuple[tuple[Ints, Bools], ...]

    @staticmethod
    def of(
        events: Events,
        edges: Ints,
        bars: Bars,
        lanes: tuple[Lane, ...],
        weight: Floats,
        center_ms: Floats | float = 0.0,
    ) -> Scene:
        """Lay `lanes` (with prior shares `weight` per meter) under the phrases.

        Candidates lie around what each event was meant for, were the hand `center_ms` late.
        """
        gap = np.diff(events.onset_sec, prepend=events.onset_sec[:1] - 1.0) * 1000.0
        meter = bars.meter[bar_index(bars, events.quarter)]
        meant_quarter = events.quarter - center_ms / events.quarter_ms
        meant_beat = beats_at(bars, meant_quarter)
        lattice = build(events, bars, lanes, meant_quarter)
        frame = framing.frame(lattice, np.maximum(gap, 0.0), meant_beat, weight[meter])
        return Scene(events, edges, bars, lattice, frame, meant_beat, _batches(edges))

    def __len__(self) -> int:
        return len(self.events)

    @cached_property
    def phrase(self) -> Ints:
        """Phrase number of each event, from 0."""
        return np.repeat(np.arange(len(self.edges) - 1), np.diff(self.edges))

    def evidence(
        self, center_ms: Floats, spread_ms: Floats, memory: float, with_free: bool
    ) -> Floats:
        """Log evidence of every phrase under several hands: (hands, phrases).

        `center_ms` and `spread_ms` have shape (hands, events).
        """
        found = np.zeros((len(center_ms), len(self.edges) - 1))
        steps = framing.under_hands(self.frame, center_ms, spread_ms, memory)
        for i, (rows, valid) in enumerate(self.rows):
            stretches = self.stretches(i, center_ms[0], spread_ms[0]) if with_free else None
            batch = chain.Batch.of(rows, valid, stretches)
            found[:, self._numbers(rows)] = chain.evidence(steps, batch)
        return found

    def believe(
        self, center_ms: Floats, spread_ms: Floats, memory: float, with_free: bool = True
    ) -> NDArray[np.float32]:
        """Posterior (events, lanes, 2) under one hand; what is missing to 1 is free."""
        steps = framing.under_hands(self.frame, center_ms[None], spread_ms[None], memory)
        posterior = np.zeros(self.lattice.deviation_ms.shape, dtype=np.float32)
        for i, (rows, valid) in enumerate(self.rows):
            stretches = self.stretches(i, center_ms, spread_ms) if with_free else None
            belief = chain.believe(steps, chain.Batch.of(rows, valid, stretches))
            posterior[rows.T[valid.T]] = belief[valid.T]
        return posterior

    def favouring(self, posterior: NDArray[np.float32], shares: Floats, strength: float) -> Scene:
        """The scene with each phrase's lanes weighted by what was heard in that phrase.

        `shares` (meters, lanes) are the prior shares so far, worth `strength` notes.
        """
        count = len(self.edges) - 1
        by_lane = posterior.sum(axis=2, dtype=np.float64)
        heard = np.add.reduceat(by_lane, self.edges[:-1], axis=0)
        before = shares[self.bars.meter[self._bar]]
        total = np.bincount(self.phrase, by_lane.sum(axis=1), count)
        now = heard[self.phrase] + strength * before
        now /= (total + strength)[self.phrase][:, None]
        factor = np.where(before > 0, now / np.maximum(before, 1e-12), 0.0)
        return replace(self, frame=self.frame.favouring(factor))

    def part(self, chosen: Ints) -> Scene:
        """Some phrases of the scene as one of their own."""
        span, edges = span_of(self.edges, chosen)
        lattice, frame = self.lattice.at(span), self.frame.at(span)
        beat = self.meant_beat[span]
        return Scene(self.events.at(span), edges, self.bars, lattice, frame, beat, _batches(edges))

    def expected(self, posterior: NDArray[np.float32]) -> tuple[Floats, Floats]:
        """Expected deviation of each event given it is on a grid, and the chance that it is."""
        flat = posterior.reshape(len(posterior), -1)
        on_grid = flat.sum(axis=1, dtype=np.float64)
        error = np.einsum("ij,ij->i", flat, self.lattice.deviation_ms.reshape(flat.shape))
        return error / np.maximum(on_grid, 1e-9), on_grid

    def stretches(self, batch: int, center_ms: Floats, spread_ms: Floats) -> Floats | None:
        """Free-run densities of a batch; the hand's lean and spread given per event."""
        rows, _ = self.rows[batch]
        gathered = self.gathered[batch]
        if gathered is None:
            return None
        ground = free.Ground(
            spread_ms[rows[:, :1]],
            self.even_steps_ms[rows[:, 0]],
            self.in_bar_ms[rows] - center_ms[rows],
        )
        return free.stretch_scores(gathered, (rows.shape[0], rows.shape[1]), ground)

    @cached_property
    def gathered(self) -> tuple[free.Stretches | None, ...]:
        """What could be free runs, batch by batch."""
        onset_ms = self.events.onset_sec * 1000.0
        return tuple(
            free.gather(onset_ms[rows], valid, self.beat_ms[rows[:, :1]])
            for rows, valid in self.rows
        )

    def _numbers(self, rows: Ints) -> Ints:
        return np.searchsorted(self.edges, rows[:, 0]).astype(np.int64)

    @cached_property
    def _bar(self) -> Ints:
        return bar_index(self.bars, self.events.quarter)

    @cached_property
    def in_bar_ms(self) -> Floats:
        """Distance of each onset from its bar line."""
        into = self.events.quarter - self.bars.start_quarter[self._bar]
        return np.asarray(into * self.events.quarter_ms)

    @cached_property
    def even_steps_ms(self) -> Floats:
        """Steps of the even grids on offer, (events, rows); a far value where there is none."""
        rows = sorted({n.row for n in self.lattice.lanes if not SUBDIVISIONS[n.row].swung})
        table = np.array([[even_step_quarter(r, m) for r in rows] for m in self.bars.meters])
        return np.asarray(table[self.bars.meter[self._bar]] * self.events.quarter_ms[:, None])

    @cached_property
    def beat_ms(self) -> Floats:
        """Length of the beat that the tempo counts, per event."""
        beat_quarter = np.array([float(m.tempo_beat_quarter) for m in self.bars.meters])
        return np.asarray(beat_quarter[self.bars.meter[self._bar]] * self.events.quarter_ms)


def span_of(edges: Ints, chosen: Ints) -> tuple[Ints, Ints]:
    """Events of some phrases, and the edges of those phrases laid end to end."""
    sizes = np.diff(edges)[chosen]
    local = np.concatenate([[0], np.cumsum(sizes)])
    span = np.repeat(edges[:-1][chosen] - local[:-1], sizes) + np.arange(local[-1])
    return span, local


@cache
def even_step_quarter(row: int, meter: Meter) -> float:
    """Step of a straight row in quarter notes where it is even all through the bar."""
    places = positions(SUBDIVISIONS[row], meter)
    if not places:
        return NO_STEP_QUARTER
    steps = {b - a for a, b in zip(places, [*places[1:], meter.bar_quarters], strict=True)}
    return float(steps.pop()) if len(steps) == 1 else NO_STEP_QUARTER


def _batches(edges: Ints, waste: float = 1.4) -> tuple[tuple[Ints, Bools], ...]:
    """Phrases padded into a few batches of like length: (rows, valid), (phrases, events)."""
    sizes = np.diff(edges)
    order = np.argsort(-sizes, kind="stable")
    batches: list[tuple[Ints, Bools]] = []
    first = 0
    while first < len(order):
        width = int(sizes[order[first]])
        last = first + int(np.searchsorted(-sizes[order[first:]], -width / waste**2, side="right"))
        if width < 24 or len(order) - last < 4:
            last = len(order)
        chosen = order[first:last]
        steps = np.arange(width)[None, :]
        valid = steps < sizes[chosen][:, None]
        rows = np.minimum(edges[chosen][:, None] + steps, edges[chosen + 1][:, None] - 1)
        batches.append((rows, valid))
        first = last
    return tuple(batches)
