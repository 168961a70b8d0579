"""What the score offers at every event, and how a hand's deviations weigh it.

Conventions
-----------
Flat over events; lanes and their two candidates follow (`lattice`). On a grid the deviation
is an autoregressive process, a_n ~ N(m + rho (a_{n-1} - m), s^2 (1 - rho^2)), with a share
of fumbled notes three times as wide. Entering a lane at a new beat is cheap, inside a
beat dear. Densities are per ms. The arrays are float32: a posterior needs no more,
and it is twice as fast. What depends on the score alone is in `Frame`, what depends
on the hand in `Steps`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from improv.lattice import Lattice
from improv.model import Floats, Ints

Singles = NDArray[np.float32]

FUMBLED = 0.04
FUMBLE_WIDTH = 3.2
SWITCH_AT_BEAT = 0.08
SWITCH_INSIDE = 0.003
SKIP_FLOOR = float(np.exp(-4.0))
"""Long notes are common: past this charge a longer wait costs no more."""
MEMORY_CLIP = 2.0
"""A fumble is not remembered beyond this many spreads."""
REST_MEMORY_MS = 1500.0
"""Memory of the last deviation fades over about this time."""
EARLY_BEAT = 0.08
"""A note this early in beats still belongs to the beat it heralds."""


@dataclass(frozen=True, eq=False)
class Frame:
    """Chances that follow from the score alone, flat over events; densities multiply them.

    `stay` (N, S, 2 from, 2 to) to go on in a lane; `enter` (N, S, 2) after a free run;
    `switch` the same from another lane, its charge included; `start` at a phrase's first event.
    `deviation_ms` (N, S, 2) and `gap_ms` (N,) are what the hand is held against.
    """

    stay: Singles
    enter: Singles
    switch: Singles
    start: Singles
    deviation_ms: Singles
    gap_ms: Floats

    def favouring(self, factor: Floats) -> Frame:
        """The frame with the lanes' prior shares multiplied by `factor` (N, S)."""
        more = factor.astype(np.float32)[:, :, None]
        return replace(
            self, enter=self.enter * more, switch=self.switch * more, start=self.start * more
        )

    def at(self, span: Ints) -> Frame:
        """The frame of some events; phrases must stay whole."""
        return Frame(
            self.stay[span],
            self.enter[span],
            self.switch[span],
            self.start[span],
            self.deviation_ms[span],
            self.gap_ms[span],
        )


@dataclass(frozen=True, eq=False)
class Steps:
    """A frame under some hands: (hands, N, S, 2, 2), (hands, N, S, 2) three times; see `Frame`."""

    stay: Singles
    enter: Singles
    switch: Singles
    start: Singles


def frame(lattice: Lattice, gap_ms: Floats, event_beat: Floats, lane_weight: Floats) -> Frame:
    """What the score offers at every event.

    `gap_ms` is the time since the event before (any value at a phrase start), `lane_weight`
    (N, S) the lanes' prior shares.
    """
    previous = np.roll(np.arange(len(gap_ms)), 1)
    place = (lane_weight[:, :, None] * lattice.allowed).astype(np.float32)
    played = np.exp(lattice.log_played)
    start = place * np.exp(lattice.log_start)
    after = lattice.passed + lattice.log_silent

    distance = np.abs(lattice.deviation_ms)
    near = (distance[:, :, 1] < distance[:, :, 0])[:, :, None]
    near_after = np.where(near, after[:, :, 1:], after[:, :, :1])[previous]
    near_index = np.where(near, lattice.index[:, :, 1:], lattice.index[:, :, :1])[previous]
    # A lane entered at a beat is not charged for what it offered before that beat.
    since = np.minimum(lattice.passed_at_beat, near_after)
    skipped = _chance_silent(lattice.passed - since)
    enter = place * played * skipped * (lattice.index > near_index)
    new_beat = lattice.beat_number > np.floor(event_beat[previous] + EARLY_BEAT)[:, None, None]
    charge = np.where(new_beat | (lattice.on_beat > 0), SWITCH_AT_BEAT, SWITCH_INSIDE)

    waited = lattice.passed[:, :, None, :] - after[previous][:, :, :, None]
    stay = _chance_silent(waited)
    stay *= ((1.0 - SWITCH_AT_BEAT) * played * lattice.allowed)[:, :, None, :]
    stay *= lattice.index[:, :, None, :] > lattice.index[previous][:, :, :, None]
    single = np.float32
    return Frame(
        stay,
        enter.astype(single),
        (enter * charge).astype(single),
        start.astype(single),
        lattice.deviation_ms,
        gap_ms,
    )


def _chance_silent(log_chance: Floats) -> Singles:
    """Chance that all positions passed over stayed silent, not below the floor."""
    single = np.minimum(log_chance, 0.0).astype(np.float32)
    np.exp(single, out=single)
    return np.maximum(single, np.float32(SKIP_FLOOR), out=single)


def heavy_tailed(error_ms: Singles, spread_ms: Singles) -> Singles:
    """Density per ms of a deviation: a normal with a share of fumbled, wider notes.

    Overwrites `error_ms`, which must be a fresh array.
    """
    z = error_ms
    z /= spread_ms
    z *= z
    z *= np.float32(-0.5)
    near = np.exp(z)
    z *= np.float32(FUMBLE_WIDTH**-2)
    np.exp(z, out=z)
    z *= np.float32(FUMBLED / FUMBLE_WIDTH)
    near *= np.float32(1.0 - FUMBLED)
    near += z
    near *= np.float32(0.3989422804014327) / spread_ms
    return near


def under_hands(frame: Frame, center_ms: Floats, spread_ms: Floats, memory: float) -> Steps:
    """Hold every event against some hands: center and spread (hands, events).

    The arrays of the result have a leading axis of hands.
    """
    center = center_ms.astype(np.float32)[..., None, None]
    spread = spread_ms.astype(np.float32)[..., None, None]
    previous = np.roll(np.arange(center_ms.shape[1]), 1)
    error = frame.deviation_ms - center
    fade = (memory * np.exp(-frame.gap_ms / REST_MEMORY_MS)).astype(np.float32)
    kept = spread[..., None] * np.sqrt(1.0 - fade**2)[:, None, None, None]
    limit = np.float32(MEMORY_CLIP) * spread
    remembered = np.clip(error, -limit, limit)[:, previous]
    remembered *= fade[:, None, None]
    stay = heavy_tailed(error[..., None, :] - remembered[..., None], kept)
    stay *= frame.stay
    marginal = heavy_tailed(error, spread)
    return Steps(stay, frame.enter * marginal, frame.switch * marginal, frame.start * marginal)
