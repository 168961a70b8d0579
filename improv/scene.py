"""A scene: some phrases laid over their lattice, ready to be read under any hand.

Conventions: events are flat over phrases, `edges` bound them; hands are given per event
(center and spread in ms). Lattice, frame and posteriors are kept in slots (`layout`): their last
axis is a slot per event, batch by batch; `posterior[..., scene.layout.slot]` puts them in the
order of events. Several hands can be tried at once: they are read side by side, as
if the phrases were repeated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from improv import chain
from improv import frame as framing
from improv.accent import NO_ACCENT, Accent
from improv.events import Events
from improv.frame import Singles
from improv.free_runs import FreeRuns
from improv.grid import COARSE, pulse_quarters
from improv.lattice import Lane, Lattice, build
from improv.layout import Layout
from improv.model import Bars, Floats, Ints
from improv.phrases import numbers
from improv.tempo import bar_index, beats_at

EARLY_PULSE = 0.16
"""A note this early in pulses still belongs to the pulse it heralds."""


@dataclass(frozen=True, eq=False)
class Scene:
    """Phrases, their lattice, and what follows from the score alone."""

    events: Events
    edges: Ints
    bars: Bars
    layout: Layout
    lattice: Lattice
    frame: framing.Frame
    meant_beat: Floats
    free_runs: FreeRuns

    @staticmethod
    def of(
        events: Events,
        edges: Ints,
        bars: Bars,
        lanes: tuple[Lane, ...],
        weight: Floats,
        center_ms: float = 0.0,
        accent: Accent = NO_ACCENT,
    ) -> Scene:
        """Lay `lanes` (with prior shares `weight` per meter) under the phrases.

        Candidates lie around what each event was meant for, were the hand `center_ms` late.
        """
        layout = Layout.of(edges)
        gap_ms = np.diff(events.onset_sec, prepend=events.onset_sec[:1] - 1.0) * 1000.0
        meant_quarter = events.quarter - center_ms / events.quarter_ms
        meant_beat = beats_at(bars, meant_quarter)
        meter = bars.meter[bar_index(bars, events.quarter)]
        at = layout.event
        lattice = build(events.at(at), bars, lanes, meant_quarter[at])
        gap_ms = np.maximum(gap_ms, 0.0)[at]
        pulse = _pulse_quarter(bars, meant_quarter)[at]
        stressed = accent.weights(events.loudness[at])
        frame = framing.frame(lattice, layout, gap_ms, pulse, weight.T[:, meter[at]], stressed)
        free_runs = FreeRuns(events, layout, bars, lanes)
        return Scene(events, edges, bars, layout, lattice, frame, meant_beat, free_runs)

    def anew(
        self, lanes: tuple[Lane, ...], weight: Floats, center_ms: float, accent: Accent
    ) -> Scene:
        """The same phrases over other lanes, as `of`; what may be free runs is kept."""
        scene = Scene.of(self.events, self.edges, self.bars, lanes, weight, center_ms, accent)
        same = {lane.row for lane in lanes} == {lane.row for lane in self.lattice.lanes}
        return replace(scene, free_runs=self.free_runs) if same else scene

    def __len__(self) -> int:
        return len(self.events)

    @cached_property
    def phrase(self) -> Ints:
        """Phrase number of each event, from 0."""
        return numbers(self.edges)

    def evidence(
        self, center_ms: Floats, spread_ms: Floats, memory: float, with_free: bool
    ) -> Floats:
        """Log evidence of every phrase under several hands: (hands, phrases).

        `center_ms` and `spread_ms` have shape (hands, events).
        """
        found = np.zeros((len(center_ms), len(self.edges) - 1))
        for i, batch in enumerate(self.layout.batches):
            field = self._field(i, center_ms, spread_ms, memory, with_free)
            found[:, batch.phrase] = chain.evidence(field)
        return found

    def believe(
        self, center_ms: Floats, spread_ms: Floats, memory: float, with_free: bool = True
    ) -> Singles:
        """Posterior (2, lanes, slots) under one hand; what is missing to 1 is free."""
        posterior = np.zeros(self.lattice.deviation_ms.shape, dtype=np.float32)
        for i, batch in enumerate(self.layout.batches):
            field = self._field(i, center_ms[None], spread_ms[None], memory, with_free)
            np.multiply(chain.believe(field), batch.valid, out=batch.of(posterior))
        return posterior

    def _field(
        self, number: int, center_ms: Floats, spread_ms: Floats, memory: float, with_free: bool
    ) -> chain.Field:
        """One batch under some hands (hands, events)."""
        batch = self.layout.batches[number]
        center, spread = (
            np.moveaxis(hand[:, batch.rows], 0, 1).astype(np.float32)
            for hand in (center_ms, spread_ms)
        )
        hands = framing.Hands(center, spread, memory)
        ends = self.free_runs.scores(number, center_ms[0], spread_ms[0]) if with_free else None
        return chain.Field(self.frame.of(batch), hands, batch.valid, ends)

    def favouring(self, posterior: Singles, shares: Floats, strength: float) -> Scene:
        """The scene with each phrase's lanes weighted by what was heard in that phrase.

        `shares` (meters, lanes) are the prior shares so far, worth `strength` notes.
        """
        by_lane = posterior.sum(axis=0)[:, self.layout.slot]
        heard = np.add.reduceat(by_lane, self.edges[:-1], axis=1)
        total = heard.sum(axis=0)
        first_quarter = self.events.quarter[self.edges[:-1]]
        before = shares[self.bars.meter[bar_index(self.bars, first_quarter)]].T
        now = (heard + strength * before) / (total + strength)
        factor = np.where(before > 0, now / np.maximum(before, 1e-12), 0.0)
        coarse = np.array([lane.row in COARSE for lane in self.lattice.lanes])
        factor[coarse] = np.maximum(factor[coarse], 1.0)  # no phrase makes long notes rare
        at = self.phrase[self.layout.event]
        return replace(self, frame=self.frame.favouring(factor[:, at]))

    def part(self, chosen: Ints) -> Scene:
        """Some phrases of the scene as one of their own."""
        span, edges = span_of(self.edges, chosen)
        events, layout = self.events.at(span), Layout.of(edges)
        slots = self.layout.slot[span][layout.event]
        return Scene(
            events,
            edges,
            self.bars,
            layout,
            self.lattice.at(slots),
            self.frame.at(slots),
            self.meant_beat[span],
            FreeRuns(events, layout, self.bars, self.lattice.lanes),
        )

    def only(self, kept: Ints) -> Scene:
        """The scene over some of its lanes; what counts as a free run stays the same."""
        return replace(self, lattice=self.lattice.only(kept), frame=self.frame.only(kept))

    def expected(self, posterior: Singles) -> tuple[Floats, Floats]:
        """Expected deviation of each event given it is on a grid, and the chance that it is."""
        on_grid = posterior.sum(axis=(0, 1))
        error = (posterior * self.lattice.deviation_ms).sum(axis=(0, 1))
        slot = self.layout.slot
        chance = on_grid[slot].astype(np.float64)
        return error[slot] / np.maximum(chance, 1e-9), chance


def span_of(edges: Ints, chosen: Ints) -> tuple[Ints, Ints]:
    """Events of some phrases, and the edges of those phrases laid end to end."""
    sizes = np.diff(edges)[chosen]
    local = np.concatenate([[0], np.cumsum(sizes)])
    span = np.repeat(edges[:-1][chosen] - local[:-1], sizes) + np.arange(local[-1])
    return span, local


def _pulse_quarter(bars: Bars, meant_quarter: Floats) -> Floats:
    """Where the pulse begins that each event belongs to; a little early is in time."""
    bar = bar_index(bars, meant_quarter)
    length = np.array([pulse_quarters(meter) for meter in bars.meters])[bars.meter[bar]]
    into = meant_quarter - bars.start_quarter[bar]
    return np.asarray(np.floor(into / length + EARLY_PULSE) * length + bars.start_quarter[bar])
