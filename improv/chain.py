"""The chain: phrases as paths through lanes, positions and free runs; all paths summed.

Conventions
-----------
A phrase's state at an event is (candidate, lane) or *free*. Probabilities are summed
over every path (forward-backward), in batches of phrases padded to one length: arrays are
(2 candidates, lanes, events, phrases). A free run is a stretch scored whole (`free`), so
the model is semi-Markov. Messages are scaled to sum to 1 as they go. What events offer
is worked out a few at a time, so that it stays near at hand in memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from improv.frame import Frame, Hands, Singles, Steps, under_hands
from improv.free import LENGTHS
from improv.model import Bools, Floats

FREE_START = 0.0025
"""Chance per note that a free run of one given length begins."""
FREE_TO_FREE = 0.3
STRAY_DENSITY = 2e-7
"""Chance per ms that a single note belongs to nothing; it also keeps every path alive."""
_LARGEST_EXPONENT = 80.0
_LARGEST_MESSAGE = np.float32(1e30)
"""Where a message back grows beyond this, hardly any mass came forward."""
_NEAR_AT_HAND = 1 << 15
"""Numbers in `Steps.stay` worked out at once: about what a processor's own memory holds."""


@dataclass(frozen=True, eq=False)
class Field:
    """A batch of phrases side by side, under hands side by side.

    `frame` is the batch's own (`Frame.of`); `valid` (events, phrases); `ends` and `begins`
    (events, lengths, phrases) are log densities of free stretches by their last event, and by
    the event before their first; `None` leaves free runs out.
    """

    frame: Frame
    hands: Hands
    valid: Bools
    ends: Floats | None = None

    @property
    def begins(self) -> Floats | None:
        """Stretches by the event before their first."""
        if self.ends is None:
            return None
        begins = np.full_like(self.ends, -np.inf)
        for k, length in enumerate(LENGTHS):
            if length < len(begins):
                begins[: len(begins) - length, k] = self.ends[length:, k]
        return begins

    @property
    def tries(self) -> int:
        return int(self.hands.center_ms.shape[1])

    def steps(self) -> Iterator[tuple[int, Steps]]:
        """First event and steps of one stretch of events after another."""
        width = len(self.valid)
        each = self.frame.stay[..., 0, :].size * self.tries
        count = max(1, _NEAR_AT_HAND // max(each, 1))
        for first in range(0, width, count):
            yield first, under_hands(self.frame, self.hands, first, min(first + count, width))


def evidence(field: Field) -> Floats:
    """Log evidence of each phrase of a batch under each hand: (hands, phrases)."""
    return _Forward(field, keep=False).total.reshape(field.tries, -1)


def believe(field: Field) -> Singles:
    """Posterior of a batch under one hand, summed over all paths: what is missing to 1 is free.

    Shape (2, lanes, events, phrases).
    """
    return _posterior(_Forward(field, keep=True))


class _Forward:
    """Messages forward in time, each scaled to sum to 1; `total` is the evidence so far, logged.

    With `keep` the messages `grid`, the scales `log_scale` and the `steps` of every event
    are kept for the way back.
    """

    def __init__(self, field: Field, keep: bool) -> None:
        width = len(field.valid)
        shape = field.frame.start.shape[:2]
        count = field.valid.shape[1] * field.tries
        self.field = field
        self.valid = np.tile(field.valid, field.tries)
        self.full: Bools = np.asarray(field.valid.all(axis=1))
        self.total = np.zeros(count)
        self.ends = None if field.ends is None else np.tile(field.ends, field.tries)
        self.opening = _Openings(width, count)
        self.steps: list[tuple[Steps, int]] = []
        self.grid = np.empty((*shape, width if keep else 1, count), dtype=np.float32)
        self.log_scale = np.zeros((width, count))
        self._mass = np.zeros((*shape, count), dtype=np.float32)
        self._free = np.zeros(count)
        for first, steps in field.steps():
            for i in range(steps.stay.shape[3]):
                self._advance(steps, i, first + i)
                if keep:
                    self.steps.append((steps, i))
                    self.grid[:, :, first + i] = self._mass
                    self.log_scale[first + i] = self.total

    def _advance(self, steps: Steps, i: int, t: int) -> None:
        mass = self._reached(steps, i, t)
        free = np.full(len(self.total), STRAY_DENSITY)
        if self.ends is not None:
            free += self.opening.into(self.ends[t], t, self.total)
        on_grid = np.add.reduce(mass, axis=(0, 1))
        scale = on_grid + free
        if not self.full[t]:
            live = self.valid[t]
            scale = np.where(live, scale, 1.0)
            free = np.where(live, free, self._free)
            mass = np.where(live, mass, self._mass)
            on_grid = np.where(live, on_grid, 1.0 - free)
        mass /= scale.astype(np.float32)
        self._mass = mass
        self._free = free / scale
        self._on_grid = (on_grid / scale).astype(np.float32)
        self.total = self.total + np.log(scale)
        if self.ends is not None:
            self.opening.after(t, self._on_grid + FREE_TO_FREE * self._free, self.total)

    def _reached(self, steps: Steps, i: int, t: int) -> Singles:
        """Mass that reaches event t on the grid: by staying, by switching, after a free run."""
        if t == 0:
            return steps.start[:, :, 0].copy()
        before, stay = self._mass, steps.stay[:, :, :, i]
        mass = before[0] * stay[0]
        mass += before[1] * stay[1]
        mass += self._on_grid * steps.switch[:, :, i]
        mass += self._free.astype(np.float32) * steps.enter[:, :, i]
        return np.asarray(mass)


class _Openings:
    """Log mass that may open a free run after each event, shifted so that -1 is the start."""

    def __init__(self, width: int, count: int) -> None:
        self.reach = max(LENGTHS)
        self.back = self.reach + 1 - np.array(LENGTHS)
        self.mass = np.full((width + self.reach + 1, count), -np.inf)
        self.mass[self.reach] = np.log(FREE_START)

    def after(self, t: int, mass: Floats, total: Floats) -> None:
        self.mass[t + self.reach + 1] = np.log(FREE_START * mass) + total

    def into(self, scores: Floats, t: int, total: Floats) -> Floats | float:
        """Mass of the free runs that end at event t; `scores` (lengths, phrases) are theirs."""
        if scores.max() == -np.inf:
            return 0.0
        logs = self.mass[t + self.back] + scores - total
        return np.asarray(np.exp(np.minimum(logs, _LARGEST_EXPONENT)).sum(axis=0))


@np.errstate(over="ignore")  # what overflows is taken back to the largest message at once
def _posterior(forward: _Forward) -> Singles:
    """Messages backward in time, scaled by the forward evidence, times the forward ones."""
    posterior, valid, log_scale = forward.grid, forward.valid, forward.log_scale
    width, count = log_scale.shape
    message = np.ones((*posterior.shape[:2], count), dtype=np.float32)
    free_message = np.ones(count)
    begins = forward.field.begins
    closing = np.full((width + max(LENGTHS) + 1, count), -np.inf)
    lengths = np.array(LENGTHS)
    for t in range(width - 1, -1, -1):
        if t + 1 < width:
            steps, i = forward.steps[t + 1]
            shrink = np.exp(log_scale[t] - log_scale[t + 1])
            stray = STRAY_DENSITY * free_message
            switched = np.add.reduce(steps.switch[:, :, i] * message, axis=(0, 1)) + stray
            rejoined = np.add.reduce(steps.enter[:, :, i] * message, axis=(0, 1)) + stray
            offset, next_free = switched * shrink, rejoined * shrink
            if begins is not None and begins[t].max() > -np.inf:
                logs = begins[t] + closing[t + lengths] + log_scale[t]
                opened = FREE_START * np.exp(np.minimum(logs, _LARGEST_EXPONENT)).sum(axis=0)
                offset = offset + opened
                next_free = next_free + FREE_TO_FREE * opened
            ahead = _retreat(steps.stay[:, :, :, i], message)
            ahead *= shrink.astype(np.float32)
            ahead += offset.astype(np.float32)
            np.minimum(ahead, _LARGEST_MESSAGE, out=ahead)
            if not forward.full[t + 1]:
                last = ~valid[t + 1]
                ahead = np.where(last, np.float32(1.0), ahead)
                next_free = np.where(last, 1.0, next_free)
            message, free_message = ahead, next_free
        posterior[:, :, t] *= message
        if begins is not None:
            closing[t] = np.where(valid[t], np.log(free_message) - log_scale[t], -np.inf)
    return posterior


def _retreat(stay: Singles, message: Singles) -> Singles:
    """Message back over staying in a lane: (2, lanes, phrases)."""
    ahead = stay[:, 0] * message[0]
    ahead += stay[:, 1] * message[1]
    return np.asarray(ahead, dtype=np.float32)
