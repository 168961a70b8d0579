"""The chain: phrases as paths through lanes, positions and free runs; all paths summed.

Conventions
-----------
A phrase's state at an event is (lane, candidate) or *free*. Probabilities are summed
over every path (forward-backward), in batches of phrases padded to one length, time
first: arrays are (events, phrases, lanes, 2). On a grid the deviation is an
autoregressive process, a_n ~ N(m + rho (a_{n-1} - m), s^2 (1 - rho^2)), with a share
of fumbled notes three times as wide. Entering a lane at a new beat is cheap, inside a beat
dear. A free run is a stretch scored whole (`free`), so the model is semi-Markov.
Densities are per ms throughout, which makes grids and free runs comparable.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.free import LENGTHS
from improv.lattice import Lattice
from improv.model import Bools, Floats, Ints

FUMBLED = 0.04
FUMBLE_WIDTH = 3.2
SWITCH_AT_BEAT = 0.08
SWITCH_INSIDE = 0.003
FREE_START = 0.0008
FREE_TO_FREE = 0.05
STRAY_DENSITY = 2e-7
"""Chance per ms that a single note belongs to nothing; it also keeps every path alive."""
SKIP_FLOOR = float(np.exp(-4.0))
"""Long notes are common: past this charge a longer wait costs no more."""
MEMORY_CLIP = 2.0
"""A fumble is not remembered beyond this many spreads."""
REST_MEMORY_MS = 1500.0
"""Memory of the last deviation fades over about this time."""


@dataclass(frozen=True, eq=False)
class Steps:
    """Factors of every event, flat over the take's events (see `assemble`).

    `stay` (N, S, 2 from, 2 to); `enter` (N, S, 2) from another lane or after a free run,
    without and with the switch charge; `start` (N, S, 2) at a phrase's first event.
    """

    stay: Floats
    enter_charged: Floats
    enter: Floats
    start: Floats


@dataclass(frozen=True, eq=False)
class Belief:
    """Posterior of one batch: (events, phrases, lanes, 2) on the grid, the rest is free."""

    grid: Floats
    free: Floats
    log_evidence: Floats


def heavy_tailed(error_ms: Floats, spread_ms: Floats) -> Floats:
    """Density per ms of a deviation: a normal with a share of fumbled, wider notes."""
    z = (error_ms / spread_ms) ** 2
    near = np.exp(-0.5 * z)
    far = np.exp(-0.5 / FUMBLE_WIDTH**2 * z)
    scale = 0.3989422804014327 / spread_ms
    return np.asarray(scale * ((1.0 - FUMBLED) * near + (FUMBLED / FUMBLE_WIDTH) * far))


def assemble(
    lattice: Lattice,
    gap_ms: Floats,
    event_beat: Floats,
    center_ms: Floats,
    spread_ms: Floats,
    memory: float,
    lane_weight: Floats,
) -> Steps:
    """Turn a lattice into chain factors.

    `gap_ms` is the time since the event before (any value at a phrase start), `center_ms`
    and `spread_ms` are the hand's per event, `lane_weight` (N, S) sums to 1 over lanes.
    """
    error = lattice.deviation_ms - center_ms[:, None, None]
    spread = spread_ms[:, None, None]
    place = lane_weight[:, :, None] * lattice.allowed
    marginal = heavy_tailed(error, spread)
    start = place * np.exp(lattice.log_start) * marginal
    previous = np.roll(np.arange(len(gap_ms)), 1)

    played = np.exp(lattice.log_played)
    after = lattice.passed + lattice.log_silent
    near = (np.abs(error[:, :, 1]) < np.abs(error[:, :, 0])).astype(np.int64)
    near_after = np.take_along_axis(after, near[:, :, None], axis=2)[previous]
    near_index = np.take_along_axis(lattice.index, near[:, :, None], axis=2)[previous]
    # A lane entered at a beat is not charged for what it offered before that beat.
    since = np.minimum(lattice.passed_at_beat, near_after)
    skipped = np.maximum(np.exp(np.minimum(lattice.passed - since, 0.0)), SKIP_FLOOR)
    enter = place * played * skipped * (lattice.index > near_index) * marginal
    new_beat = lattice.beat_number > np.floor(event_beat[previous] + 0.08)[:, None, None]
    charge = np.where(new_beat | (lattice.on_beat > 0), SWITCH_AT_BEAT, SWITCH_INSIDE)

    fade = memory * np.exp(-gap_ms / REST_MEMORY_MS)
    kept = np.sqrt(1.0 - fade**2)[:, None, None, None]
    remembered = np.clip(error, -MEMORY_CLIP * spread, MEMORY_CLIP * spread)[previous]
    innovation = error[:, :, None, :] - fade[:, None, None, None] * remembered[:, :, :, None]
    stay = heavy_tailed(innovation, spread[..., None] * kept)
    waited = lattice.passed[:, :, None, :] - after[previous][:, :, :, None]
    stay *= np.maximum(np.exp(np.minimum(waited, 0.0)), SKIP_FLOOR)
    stay *= (played * lattice.allowed)[:, :, None, :]
    stay *= lattice.index[:, :, None, :] > lattice.index[previous][:, :, :, None]
    stay *= 1.0 - SWITCH_AT_BEAT
    return Steps(stay, enter * charge, enter, start)


def believe(
    steps: Steps, rows: Ints, valid: Bools, stretches: Floats | None, want_posterior: bool = True
) -> Belief:
    """Sum over all paths of a batch.

    `rows` (phrases, events) indexes `steps`, padded where not `valid`; `stretches` are
    `free.stretch_scores` of the batch, or `None` to leave free runs out.
    """
    stay = steps.stay[rows.T]
    enter_charged = steps.enter_charged[rows.T]
    enter = steps.enter[rows.T]
    forward = _forward(stay, enter_charged, enter, steps.start[rows[:, 0]], valid, stretches)
    if not want_posterior:
        return Belief(forward.grid, forward.free, forward.log_evidence)
    return _backward(stay, enter_charged, enter, valid, stretches, forward)


@dataclass(frozen=True, eq=False)
class _Forward:
    grid: Floats
    free: Floats
    log_scale: Floats
    log_evidence: Floats


def _forward(
    stay: Floats,
    enter_charged: Floats,
    enter: Floats,
    start: Floats,
    valid: Bools,
    stretches: Floats | None,
) -> _Forward:
    width, count, lanes = stay.shape[:3]
    grid = np.zeros((width, count, lanes, 2))
    free = np.zeros((width, count))
    log_scale = np.zeros((width, count))
    reach = max(LENGTHS)
    # Log mass that may open a free run *after* event t, shifted so that t = -1 is the start.
    opening = np.full((width + reach + 1, count), -np.inf)
    opening[reach] = np.log(FREE_START * 4.0)
    lengths = np.array(LENGTHS)
    total = np.zeros(count)
    for t in range(width):
        if t == 0:
            mass = start.copy()
            free_mass = np.full(count, STRAY_DENSITY)
        else:
            on_grid = grid[t - 1].sum(axis=(1, 2))
            mass = (grid[t - 1][..., None] * stay[t]).sum(axis=2)
            mass += on_grid[:, None, None] * enter_charged[t]
            mass += free[t - 1][:, None, None] * enter[t]
            free_mass = STRAY_DENSITY * (on_grid + free[t - 1])
        if stretches is not None and t >= lengths[0] - 1:
            logs = opening[t + reach + 1 - lengths] + stretches[:, :, t] - total
            free_mass = free_mass + np.exp(np.minimum(logs, 600.0)).sum(axis=0)
        scale = mass.sum(axis=(1, 2)) + free_mass
        live = valid[:, t]
        scale = np.where(live, scale, 1.0)
        grid[t] = np.where(live[:, None, None], mass / scale[:, None, None], grid[t - 1])
        free[t] = np.where(live, free_mass / scale, free[t - 1])
        total = total + np.log(scale)
        log_scale[t] = total
        sum_open = grid[t].sum(axis=(1, 2)) + FREE_TO_FREE * free[t]
        with np.errstate(divide="ignore"):
            opening[t + reach + 1] = np.log(FREE_START * sum_open) + total
    return _Forward(grid, free, log_scale, total)


def _backward(
    stay: Floats,
    enter_charged: Floats,
    enter: Floats,
    valid: Bools,
    stretches: Floats | None,
    forward: _Forward,
) -> Belief:
    width, count, lanes = stay.shape[:3]
    # Messages are scaled by the forward evidence up to their event, so both stay near 1.
    lengths = np.array(LENGTHS)
    grid_message = np.ones((count, lanes, 2))
    free_message = np.ones(count)
    reach = max(LENGTHS)
    closing = np.full((width + reach + 1, count), -np.inf)
    posterior = np.zeros_like(forward.grid)
    for t in range(width - 1, -1, -1):
        last = ~valid[:, t + 1] if t + 1 < width else np.ones(count, dtype=np.bool_)
        if t + 1 < width:
            scale = np.exp(forward.log_scale[t + 1] - forward.log_scale[t])[:, None, None]
            ahead = (stay[t + 1] * grid_message[:, :, None, :]).sum(axis=3)
            switched = (enter_charged[t + 1] * grid_message).sum(axis=(1, 2))
            rejoined = (enter[t + 1] * grid_message).sum(axis=(1, 2))
            opened = np.zeros(count)
            if stretches is not None:
                opened = _opened(stretches, closing, forward.log_scale[t], t, lengths, width)
            stray = STRAY_DENSITY * free_message
            next_grid = (ahead + (switched + stray)[:, None, None]) / scale
            next_grid += FREE_START * opened[:, None, None]
            next_free = (rejoined + stray) / scale[:, 0, 0] + FREE_START * FREE_TO_FREE * opened
            grid_message = np.where(last[:, None, None], 1.0, next_grid)
            free_message = np.where(last, 1.0, next_free)
        live = valid[:, t]
        posterior[t] = np.where(live[:, None, None], forward.grid[t] * grid_message, 0.0)
        with np.errstate(divide="ignore"):
            message = np.log(free_message) - forward.log_scale[t]
        closing[t] = np.where(live, message, -np.inf)
    on_grid = posterior.sum(axis=(2, 3))
    free = np.where(valid.T, np.clip(1.0 - on_grid, 0.0, 1.0), 0.0)
    return Belief(posterior, free, forward.log_evidence)


def _opened(
    stretches: Floats, closing: Floats, log_scale: Floats, t: int, lengths: Ints, width: int
) -> Floats:
    """Message from free runs that begin right after event t."""
    ends = t + lengths
    inside = ends < width
    if not inside.any():
        return np.zeros(len(log_scale))
    logs = stretches[inside, :, :][np.arange(inside.sum()), :, ends[inside]]
    logs = logs + closing[ends[inside]] + log_scale
    return np.asarray(np.exp(np.minimum(logs, 600.0)).sum(axis=0))
