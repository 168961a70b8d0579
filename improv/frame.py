"""What the score offers at every event, and how a hand's deviations weigh it.

Conventions
-----------
Arrays end in slots, one for every event (`layout`); lanes and the two candidates come before:
(2 candidates, lanes, slots), and (2 from, 2 to, lanes, slots) for going on in a lane. On a
grid the deviation is an autoregressive process, a_n ~ N(m + rho (a_{n-1} - m), s^2 (1 - rho^2)),
with a share of fumbled notes nearly three times as wide. Entering a lane at a new pulse is
cheap, inside a pulse dear. Densities are per ms. The arrays are float32: a posterior needs no
more, and it is twice as fast. What depends on the score alone is in `Frame`, what depends on the
hand in `Steps`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from improv.lattice import Lattice
from improv.layout import Batch, Layout
from improv.model import Floats, Ints

Singles = NDArray[np.float32]

FUMBLED = 0.04
FUMBLE_WIDTH = 2.7
SWITCH_AT_PULSE = 0.06
SWITCH_INSIDE = 0.006
SKIP_FLOOR = float(np.exp(-4.5))
"""Long notes are common: past this charge a longer wait costs no more."""
MEMORY_CLIP = 2.0
"""A fumble is not remembered beyond this many spreads."""
REST_MEMORY_MS = 1500.0
"""Memory of the last deviation fades over about this time."""


@dataclass(frozen=True, eq=False)
class Frame:
    """Chances that follow from the score alone; densities multiply them.

    `stay` (2 from, 2 to, lanes, slots) to go on in a lane; `enter` (2, lanes, slots) after a
    free run; `switch` the same from another lane, its charge included; `start` at a phrase's
    first event. `deviation_ms` (2, lanes, slots) and `gap_ms` (slots,), the time since the
    event before, are what the hand is held against.
    """

    stay: Singles
    enter: Singles
    switch: Singles
    start: Singles
    deviation_ms: Singles
    gap_ms: Floats

    def favouring(self, factor: Floats) -> Frame:
        """The frame with the lanes' prior shares multiplied by `factor` (lanes, slots)."""
        more = factor.astype(np.float32)
        return replace(
            self, enter=self.enter * more, switch=self.switch * more, start=self.start * more
        )

    def at(self, slots: Ints) -> Frame:
        """The frame of some slots; phrases must stay whole."""
        return Frame(
            self.stay[..., slots],
            self.enter[..., slots],
            self.switch[..., slots],
            self.start[..., slots],
            self.deviation_ms[..., slots],
            self.gap_ms[slots],
        )

    def only(self, kept: Ints) -> Frame:
        """The frame of some lanes."""
        return Frame(
            self.stay[:, :, kept],
            self.enter[:, kept],
            self.switch[:, kept],
            self.start[:, kept],
            self.deviation_ms[:, kept],
            self.gap_ms,
        )

    def of(self, batch: Batch) -> Frame:
        """A batch's share: the same arrays ending in (events, phrases), as views."""
        return Frame(
            batch.of(self.stay),
            batch.of(self.enter),
            batch.of(self.switch),
            batch.of(self.start),
            batch.of(self.deviation_ms),
            batch.of(self.gap_ms),
        )


@dataclass(frozen=True, eq=False)
class Steps:
    """Some events of a batch under some hands, laid side by side as if phrases were repeated.

    `stay` (2 from, 2 to, lanes, events, hands x phrases), the others (2, lanes, events,
    hands x phrases); see `Frame`. `start` is there for a first event only.
    """

    stay: Singles
    enter: Singles
    switch: Singles
    start: Singles


def frame(
    lattice: Lattice,
    layout: Layout,
    gap_ms: Floats,
    pulse_quarter: Floats,
    lane_weight: Floats,
    stressed: tuple[Floats, Floats],
) -> Frame:
    """What the score offers at every event.

    `gap_ms` is the time since the event before (any value at a phrase start), `pulse_quarter`
    where the pulse begins that the event was meant for, `lane_weight` (lanes, slots) the lanes'
    prior shares; `stressed` (slots,) what loudness says for places on beats, and off them.
    """
    previous = layout.previous
    place = (lane_weight * lattice.allowed).astype(np.float32)
    on, off = (weight.astype(np.float32) for weight in stressed)
    loud = np.where(lattice.on_beat > 0, on, off)
    played = np.exp(lattice.log_played) * loud
    start = place * np.exp(lattice.log_start) * loud
    after = lattice.passed + lattice.log_silent

    near = np.abs(lattice.deviation_ms[1]) < np.abs(lattice.deviation_ms[0])
    near_after = np.where(near, after[1], after[0])[:, previous]
    near_index = np.where(near, lattice.index[1], lattice.index[0])[:, previous]
    # A lane entered at a pulse is not charged for what it offered before.
    since = np.minimum(lattice.passed_at_pulse, near_after)
    enter = place * played * _chance_silent(lattice.passed - since)
    enter *= lattice.index > near_index
    new_pulse = lattice.pulse_quarter > pulse_quarter[previous] + 1e-3
    charge = np.where(new_pulse | (lattice.on_beat > 0), SWITCH_AT_PULSE, SWITCH_INSIDE)

    stay = _chance_silent(lattice.passed - after[:, None, :, previous])
    stay *= (1.0 - SWITCH_AT_PULSE) * played * lattice.allowed
    stay *= lattice.index > lattice.index[:, None, :, previous]
    return Frame(
        stay, enter, enter * charge.astype(np.float32), start, lattice.deviation_ms, gap_ms
    )


def _chance_silent(log_chance: Floats) -> Singles:
    """Chance that all positions passed over stayed silent, not below the floor."""
    single = log_chance.astype(np.float32)
    np.minimum(single, np.float32(0.0), out=single)
    np.exp(single, out=single)
    return np.maximum(single, np.float32(SKIP_FLOOR), out=single)


def heavy_tailed(error_ms: Singles, spread_ms: Singles) -> Singles:
    """Density per ms of a deviation: a normal with a share of fumbled, wider notes.

    Overwrites `error_ms`, which must be a fresh array.
    """
    z = error_ms
    z *= np.float32(np.sqrt(0.5)) / spread_ms
    z *= z
    near = np.exp(-z)
    z *= np.float32(-(FUMBLE_WIDTH**-2))
    np.exp(z, out=z)
    z *= np.float32(FUMBLED / FUMBLE_WIDTH / (1.0 - FUMBLED))
    near += z
    near *= np.float32((1.0 - FUMBLED) * 0.3989422804014327) / spread_ms
    return near


@dataclass(frozen=True, eq=False)
class Hands:
    """Hands for a batch: center and spread in ms, (events, hands, phrases), and their memory."""

    center_ms: Singles
    spread_ms: Singles
    memory: float


def under_hands(frame: Frame, hands: Hands, first: int, stop: int) -> Steps:
    """Hold a batch's events [first, stop) against some hands; `frame` is the batch's own."""
    before = max(first - 1, 0)
    here = slice(first - before, None)
    center, spread = hands.center_ms[before:stop], hands.spread_ms[before:stop]
    error = frame.deviation_ms[:, :, before:stop, None] - center
    shape = (*error.shape[:2], stop - first, -1)

    fade = (hands.memory * np.exp(-frame.gap_ms[first:stop] / REST_MEMORY_MS)).astype(np.float32)
    fade = fade[:, None]
    kept = spread[here] * np.sqrt(1.0 - fade**2)
    limit = np.float32(MEMORY_CLIP) * spread
    remembered = np.clip(error, -limit, limit)[:, :, : stop - first]
    if first == 0:
        remembered = np.concatenate([remembered[:, :, :1], remembered[:, :, :-1]], axis=2)
    now = error[:, :, here]
    stay = heavy_tailed(now - (remembered * fade)[:, None], kept)
    stay *= frame.stay[..., first:stop, None, :]
    marginal = heavy_tailed(now.copy(), spread[here])

    def weighed(chances: Singles) -> Singles:
        return np.asarray(chances[:, :, first:stop, None] * marginal).reshape(shape)

    start = weighed(frame.start) if first == 0 else marginal[:0]
    stay = stay.reshape(2, *shape)
    return Steps(stay, weighed(frame.enter), weighed(frame.switch), start)
