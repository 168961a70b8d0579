"""Where events lie in memory: phrases of like length side by side, time going first.

Conventions: events are flat over phrases, `edges` bound them. A **batch** is some phrases padded
to the longest of them; its slots run (events, phrases), so what happens at one time is
contiguous. All batches of a layout lie end to end. A padded slot repeats its phrase's last
event.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.model import Bools, Ints

WASTE = 1.25
"""The longest phrase of a batch may be this many times the shortest, squared."""
SHORT_EVENTS = 24
FEW_PHRASES = 12
"""Phrases shorter than the one, or fewer than the other, are not worth a batch of their own."""


@dataclass(frozen=True, eq=False)
class Batch:
    """Slots [first, first + events x phrases): `rows` and `valid` (events, phrases).

    `rows` are the events in the slots, `phrase` (phrases,) which phrases they are.
    """

    first: int
    rows: Ints
    valid: Bools
    phrase: Ints

    def of(self, slots: NDArray[Any]) -> NDArray[Any]:
        """This batch's part of an array that ends in slots: it ends in (events, phrases)."""
        return slots[..., self.first : self.first + self.rows.size].reshape(
            *slots.shape[:-1], *self.rows.shape
        )


@dataclass(frozen=True, eq=False)
class Layout:
    """All batches: `event` (slots,) is the event in each slot, `slot` (events,) the way back.

    `previous` (slots,) is the slot of the event before; at a phrase's first event its own.
    """

    batches: tuple[Batch, ...]
    event: Ints
    slot: Ints
    previous: Ints

    @staticmethod
    def of(edges: Ints) -> Layout:
        """Lay out phrases bounded by `edges`."""
        batches, first = [], 0
        sizes = np.diff(edges)
        for chosen in _alike(sizes):
            time = np.arange(int(sizes[chosen].max()))[:, None]
            rows = np.minimum(edges[chosen] + time, edges[chosen + 1] - 1)
            batches.append(Batch(first, rows, time < sizes[chosen], chosen))
            first += rows.size
        event = np.concatenate([batch.rows.ravel() for batch in batches])
        valid = np.concatenate([batch.valid.ravel() for batch in batches])
        slot = np.empty(int(edges[-1]), dtype=np.int64)
        slot[event[valid]] = np.flatnonzero(valid)
        return Layout(tuple(batches), event, slot, _previous(batches))


def _alike(sizes: Ints) -> list[Ints]:
    """Phrases gathered by length, longest first."""
    order = np.argsort(-sizes, kind="stable")
    found, first = [], 0
    while first < len(order):
        width = int(sizes[order[first]])
        least = width / WASTE**2
        last = first + int(np.searchsorted(-sizes[order[first:]], -least, side="right"))
        if width < SHORT_EVENTS or len(order) - last < FEW_PHRASES:
            last = len(order)
        found.append(order[first:last])
        first = last
    return found


def _previous(batches: list[Batch]) -> Ints:
    parts = []
    for batch in batches:
        phrases = batch.rows.shape[1]
        own = batch.first + np.arange(batch.rows.size)
        parts.append(np.where(own - phrases < batch.first, own, own - phrases))
    return np.concatenate(parts)
