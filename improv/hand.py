"""The hand: a player's constant lean, scatter, memory and swing, estimated from beliefs.

Conventions
-----------
`center_ms` is the mean deviation (laying back positive), `spread_ms` the standard
deviation about it, `memory` the correlation of successive deviations, the swing ratios
long : short for each swung row. Estimates are posterior-weighted moments (the M step of
expectation-maximisation) under priors of human scale, listed below with their reason;
fumbled notes weigh little. Phrases may lean and drift on their own, shrunk towards the take.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from improv.frame import FUMBLE_WIDTH, FUMBLED, Singles
from improv.grid import SUBDIVISIONS, twice_as_dense
from improv.lattice import Lane
from improv.model import Floats, Ints
from improv.phrases import numbers
from improv.stats import inflation

CENTER_PRIOR_MS = (3.0, 18.0)
"""Mean and deviation over players: some lie 35 ms behind, others 25 ms ahead (our choice; see
Fujii et al. 2011 and Nelias et al. 2022 for two groups)."""
SPREAD_PRIOR_MS = 14.0
SPREAD_PRIOR_NOTES = 8.0
SPREAD_RANGE_MS = (4.0, 42.0)
MEMORY_PRIOR = 0.65
MEMORY_PRIOR_NOTES = 150.0
"""Moments underrate memory: a note read amiss breaks the chain of deviations."""
PHRASE_CENTER_SD_MS = 8.0
LOCAL_EVENTS = 6
LOCAL_SHRINK = 4.0
PHRASE_SPREAD_NOTES = 14.0
DRIFT_SD = 0.015
"""Prior deviation of a phrase's tempo against the backing, as a share of it."""
RATIO_RANGE = (1.15, 2.95)
"""A smaller ratio is straight playing with a lilt, not swing (our choice); 3 is dotted."""
DOTTED_RATIO = 3.0
FEWEST_SWUNG_NOTES = 2.5


@dataclass(frozen=True)
class Hand:
    """One player's timing in one take."""

    center_ms: float
    spread_ms: float
    memory: float


def first_lanes(rows: tuple[int, ...]) -> tuple[Lane, ...]:
    """Lanes to begin with: each straight row, and each swung row at several ratios."""
    return _lanes(rows, {row: SUBDIVISIONS[row].first_ratios for row in rows})


def refined_lanes(
    rows: tuple[int, ...], ratios: Mapping[int, tuple[float, ...]]
) -> tuple[Lane, ...]:
    """Lanes once the player's own swing ratio is known, or nearly, for some of the swung rows."""
    return _lanes(rows, {row: SUBDIVISIONS[row].idle_ratios for row in rows} | dict(ratios))


def _lanes(rows: tuple[int, ...], ratios: Mapping[int, tuple[float, ...]]) -> tuple[Lane, ...]:
    lanes: list[Lane] = []
    for row in rows:
        swung = SUBDIVISIONS[row].swung
        lanes += [Lane(row, ratio) for ratio in (ratios[row] if swung else (1.0,))]
        if swung and (dotted := twice_as_dense(row)) in rows:
            lanes.append(Lane(dotted, DOTTED_RATIO, shape=row))
    return tuple(lanes)


def nearness(error_ms: Floats, spread_ms: Floats) -> Floats:
    """Chance that a deviation is ordinary, not fumbled (1 near 0, falling past 3 spreads)."""
    z = np.minimum((error_ms / spread_ms) ** 2, 400.0)
    odds = FUMBLED / FUMBLE_WIDTH / (1.0 - FUMBLED) * np.exp(0.5 * (1.0 - FUMBLE_WIDTH**-2) * z)
    return np.asarray(1.0 / (1.0 + odds))


def estimate(
    deviation_ms: Floats, weight: Floats | Singles, linked: Floats, previous: Hand
) -> Hand:
    """Re-estimate the take's hand.

    `deviation_ms` (K, N) under every candidate, `weight` (K, N) its posterior, `linked`
    (N,) whether the event before belongs to the same phrase.
    """
    spread = np.full(deviation_ms.shape, previous.spread_ms)
    ordinary = weight * nearness(deviation_ms - previous.center_ms, spread)
    total = float(ordinary.sum())
    independent = total / inflation(previous.memory)
    prior_mean, prior_sd = CENTER_PRIOR_MS
    pull = previous.spread_ms**2 / prior_sd**2
    mean = float((ordinary * deviation_ms).sum()) / max(total, 1e-9)
    center = (independent * mean + pull * prior_mean) / (independent + pull)
    centered = deviation_ms - center
    squares = float((ordinary * centered**2).sum()) + SPREAD_PRIOR_NOTES * SPREAD_PRIOR_MS**2
    spread_ms = float(np.sqrt(squares / (total + SPREAD_PRIOR_NOTES)))
    memory = _memory(centered, ordinary, linked, spread_ms)
    return Hand(center, float(np.clip(spread_ms, *SPREAD_RANGE_MS)), memory)


def _memory(centered_ms: Floats, ordinary: Floats, linked: Floats, spread_ms: float) -> float:
    """Correlation of successive deviations, shrunk to the prior."""
    share = ordinary.sum(axis=0)
    error = (ordinary * centered_ms).sum(axis=0) / np.maximum(share, 1e-9)
    before = np.roll(np.arange(len(error)), 1)
    pair = linked * share * share[before]
    product = float(pair @ (error * error[before])) / spread_ms**2
    memory = (product + MEMORY_PRIOR_NOTES * MEMORY_PRIOR) / (
        float(pair.sum()) + MEMORY_PRIOR_NOTES
    )
    return float(np.clip(memory, 0.1, 0.85))


def phrase_leanings(
    error_ms: Floats, weight: Floats, at_ms: Floats, phrase: Ints, count: int, hand: Hand
) -> tuple[Floats, Floats, Floats]:
    """Per phrase: its center, drift (ms per ms) and spread, shrunk towards the take's hand.

    Arrays are (N,) per event but the results (count,). Drift is the slope of the deviation
    on time: positive when the player falls behind more and more (dragging).
    """
    spread = np.full(len(error_ms), hand.spread_ms)
    centered = error_ms - hand.center_ms
    ordinary = weight * nearness(centered, 1.3 * spread)
    total = np.bincount(phrase, ordinary, count)
    safe = np.maximum(total, 1e-9)
    middle = np.bincount(phrase, ordinary * at_ms, count) / safe
    mean = np.bincount(phrase, ordinary * centered, count) / safe
    away = at_ms - middle[phrase]
    lever = np.bincount(phrase, ordinary * away**2, count)
    moment = np.bincount(phrase, ordinary * away * centered, count)
    thinning = 1.0 / inflation(hand.memory)
    noise = hand.spread_ms**2
    center = mean * (total * thinning) / (total * thinning + noise / PHRASE_CENTER_SD_MS**2)
    drift = moment * thinning / (lever * thinning + noise / DRIFT_SD**2)
    rest = centered - center[phrase] - drift[phrase] * away
    squares = np.bincount(phrase, ordinary * rest**2, count)
    spread_p = np.sqrt((squares + PHRASE_SPREAD_NOTES * noise) / (total + PHRASE_SPREAD_NOTES))
    leaning = hand.center_ms + center
    return leaning - drift * middle, drift, np.clip(spread_p, *SPREAD_RANGE_MS)


def local_lean(error_ms: Floats, weight: Floats, edges: Ints) -> Floats:
    """What deviations have in common nearby: a shrunk running mean inside each phrase, (N,).

    Players lean for a bar or two without leaving the grid; deviations have a slow part
    below and above some eight beats (Sogorski, Geisel & Priesemann 2018).
    """
    count = len(error_ms)
    phrase = numbers(edges)
    each = np.arange(count)
    low = np.maximum(each - LOCAL_EVENTS, edges[:-1][phrase])
    high = np.minimum(each + LOCAL_EVENTS + 1, edges[1:][phrase])
    total = np.concatenate([[0.0], np.cumsum(weight * error_ms)])
    mass = np.concatenate([[0.0], np.cumsum(weight)])
    return np.asarray((total[high] - total[low]) / (mass[high] - mass[low] + LOCAL_SHRINK))
