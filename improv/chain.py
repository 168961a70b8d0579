"""The chain: phrases as paths through lanes, positions and free runs; all paths summed.

Conventions
-----------
A phrase's state at an event is (lane, candidate) or *free*. Probabilities are summed
over every path (forward-backward), in batches of phrases padded to one length, time
first: arrays are (events, phrases, lanes, 2). A free run is a stretch scored whole
(`free`), so the model is semi-Markov. Messages are scaled to sum to 1 as they go.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from improv.frame import Singles, Steps
from improv.free import LENGTHS
from improv.model import Bools, Floats, Ints

FREE_START = 0.0025
"""Chance per note that a free run of one given length begins."""
FREE_TO_FREE = 0.3
STRAY_DENSITY = 2e-7
"""Chance per ms that a single note belongs to nothing; it also keeps every path alive."""
_LARGEST_EXPONENT = 80.0


@dataclass(frozen=True, eq=False)
class Batch:
    """Phrases side by side: `rows` (phrases, events) index flat events, padded where not `valid`.

    `ends` and `begins` (events, lengths, phrases) are log densities of free stretches by their
    last event, and by the event before their first; `None` leaves free runs out.
    """

    rows: Ints
    valid: Bools
    ends: Floats | None
    begins: Floats | None

    @staticmethod
    def of(rows: Ints, valid: Bools, stretches: Floats | None) -> Batch:
        """From `free.stretch_scores` (lengths, phrases, events)."""
        if stretches is None or not np.isfinite(stretches).any():
            return Batch(rows, valid, None, None)
        ends = np.ascontiguousarray(stretches.transpose(2, 0, 1))
        begins = np.full_like(ends, -np.inf)
        for k, length in enumerate(LENGTHS):
            if length < len(ends):
                begins[: len(ends) - length, k] = ends[length:, k]
        return Batch(rows, valid, ends, begins)

    def repeated(self, times: int) -> Batch:
        """The same phrases so many times over."""
        if times == 1:
            return self

        def tiled(scores: Floats | None) -> Floats | None:
            return None if scores is None else np.tile(scores, (1, 1, times))

        rows, valid = np.tile(self.rows, (times, 1)), np.tile(self.valid, (times, 1))
        return Batch(rows, valid, tiled(self.ends), tiled(self.begins))


def evidence(steps: Steps, batch: Batch) -> Floats:
    """Log evidence of each phrase of a batch under each hand: (hands, phrases)."""
    hands = len(steps.stay)
    total = _Forward.of(_time_first(steps, batch.rows), batch.repeated(hands)).total
    return total.reshape(hands, -1)


def believe(steps: Steps, batch: Batch) -> Singles:
    """Posterior of a batch under one hand, summed over all paths: what is missing to 1 is free.

    Shape (events, phrases, lanes, 2).
    """
    return _posterior(_Forward.of(_time_first(steps, batch.rows), batch), batch)


def _time_first(steps: Steps, rows: Ints) -> Steps:
    """Steps of a batch, (events, hands x phrases, ...): hands side by side."""

    def laid(flat: Singles, at: Ints) -> Singles:
        found = flat[:, at]
        if len(flat) == 1:
            return np.asarray(found[0], dtype=np.float32)
        swapped = np.moveaxis(found, 0, at.ndim - 1)
        shape = (*at.shape[:-1], -1, *flat.shape[2:])
        return np.asarray(np.ascontiguousarray(swapped).reshape(shape), dtype=np.float32)

    return Steps(
        laid(steps.stay, rows.T),
        laid(steps.enter, rows.T),
        laid(steps.switch, rows.T),
        laid(steps.start, rows[:, 0]),
    )


@dataclass(frozen=True, eq=False)
class _Forward:
    """Messages forward in time, each scaled to sum to 1; `log_scale` is the evidence so far."""

    steps: Steps
    grid: Singles
    free: Singles
    log_scale: Floats
    total: Floats

    @staticmethod
    def of(steps: Steps, batch: Batch) -> _Forward:
        """Run through time-first steps."""
        count, width = batch.rows.shape
        grid = np.empty((width, *steps.start.shape), dtype=np.float32)
        free = np.zeros((width, count), dtype=np.float32)
        log_scale = np.zeros((width, count))
        opening = _Openings(width, count)
        total = np.zeros(count)
        full = np.asarray(batch.valid.all(axis=0))
        for t in range(width):
            mass = _advance(steps, grid, free, t)
            loose = np.full(count, STRAY_DENSITY)
            if batch.ends is not None and (begun := opening.into(batch.ends, t, total)) is not None:
                loose = loose + begun
            scale = _summed(mass) + loose
            if not full[t]:
                live = batch.valid[:, t]
                scale = np.where(live, scale, 1.0)
                loose = np.where(live, loose, free[t - 1])
                mass = np.where(live[:, None, None], mass, grid[t - 1])
            np.divide(mass, scale.astype(np.float32)[:, None, None], out=grid[t])
            free[t] = loose / scale
            total = total + np.log(scale)
            log_scale[t] = total
            if batch.ends is not None:
                opening.after(t, _summed(grid[t]) + FREE_TO_FREE * free[t], total)
        return _Forward(steps, grid, free, log_scale, total)


def _summed(mass: Singles) -> Singles:
    """Sum over lanes and candidates, per phrase."""
    flat = mass.reshape(len(mass), -1)
    return np.asarray(flat @ _ones(flat.shape[1]), dtype=np.float32)


@cache
def _ones(size: int) -> Singles:
    return np.ones(size, dtype=np.float32)


def _advance(steps: Steps, grid: Singles, free: Singles, t: int) -> Singles:
    """Mass that reaches event t on the grid: by staying, by switching, after a free run."""
    if t == 0:
        return steps.start.copy()
    before, stay = grid[t - 1], steps.stay[t]
    mass = before[:, :, 0, None] * stay[:, :, 0]
    mass += before[:, :, 1, None] * stay[:, :, 1]
    mass += _summed(before)[:, None, None] * steps.switch[t]
    mass += free[t - 1][:, None, None] * steps.enter[t]
    return np.asarray(mass, dtype=np.float32)


class _Openings:
    """Log mass that may open a free run after each event, shifted so that -1 is the start."""

    def __init__(self, width: int, count: int) -> None:
        self.reach = max(LENGTHS)
        self.back = self.reach + 1 - np.array(LENGTHS)
        self.mass = np.full((width + self.reach + 1, count), -np.inf)
        self.mass[self.reach] = np.log(FREE_START)

    def after(self, t: int, mass: Floats | Singles, total: Floats) -> None:
        self.mass[t + self.reach + 1] = np.log(FREE_START * mass) + total

    def into(self, ends: Floats, t: int, total: Floats) -> Floats | None:
        """Mass of the free runs that end at event t, or `None`."""
        scores = ends[t]
        if scores.max() == -np.inf:
            return None
        logs = self.mass[t + self.back] + scores - total
        return np.asarray(np.exp(np.minimum(logs, _LARGEST_EXPONENT)).sum(axis=0))


def _posterior(forward: _Forward, batch: Batch) -> Singles:
    """Messages backward in time, scaled by the forward evidence, times the forward ones."""
    steps, posterior = forward.steps, forward.grid
    width, count = batch.rows.shape[1], len(batch.rows)
    valid, log_scale = batch.valid, forward.log_scale
    full = np.asarray(valid.all(axis=0))
    grid_message = np.ones(posterior.shape[1:], dtype=np.float32)
    free_message = np.ones(count)
    closing = np.full((width + max(LENGTHS) + 1, count), -np.inf)
    lengths = np.array(LENGTHS)
    for t in range(width - 1, -1, -1):
        if t + 1 < width:
            shrink = np.exp(log_scale[t] - log_scale[t + 1])
            ahead = _retreat(steps, grid_message, t + 1)
            stray = STRAY_DENSITY * free_message
            switched = _summed(steps.switch[t + 1] * grid_message) + stray
            rejoined = _summed(steps.enter[t + 1] * grid_message) + stray
            ahead += switched.astype(np.float32)[:, None, None]
            ahead *= shrink.astype(np.float32)[:, None, None]
            next_free = rejoined * shrink
            if batch.begins is not None and (begins := batch.begins[t]).max() > -np.inf:
                logs = begins + closing[t + lengths] + log_scale[t]
                opened = FREE_START * np.exp(np.minimum(logs, _LARGEST_EXPONENT)).sum(axis=0)
                ahead += opened.astype(np.float32)[:, None, None]
                next_free = next_free + FREE_TO_FREE * opened
            if not full[t + 1]:
                last = ~valid[:, t + 1]
                ahead = np.where(last[:, None, None], np.float32(1.0), ahead)
                next_free = np.where(last, 1.0, next_free)
            grid_message, free_message = ahead, next_free
        posterior[t] *= grid_message
        if batch.begins is not None:
            message = np.log(free_message) - log_scale[t]
            closing[t] = message if full[t] else np.where(valid[:, t], message, -np.inf)
    return posterior


def _retreat(steps: Steps, message: Singles, t: int) -> Singles:
    """Message back over staying in a lane from event t - 1 to t: shape (phrases, lanes, 2)."""
    stay = steps.stay[t]
    ahead = stay[:, :, :, 0] * message[:, :, 0, None]
    ahead += stay[:, :, :, 1] * message[:, :, 1, None]
    return np.asarray(ahead, dtype=np.float32)
