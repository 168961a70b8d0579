"""Which subdivision, note by note: learn the hand, then read the posterior.

Conventions
-----------
Everything is per event (a chord is one). `row` indexes `grid.SUBDIVISIONS`, -1 is off
any grid. The order of work: (1) `learn` has judged the player's hand from a few phrases;
(2) every phrase is read under it, drift and local lean are drawn (`lean`); (3) it is
read once more, leaning; where that leaves much open, under the likeliest hand nearby
(`nearby`); and calls are made (`choose`). Last, the whole take is asked whether its notes heed
their grids at all (`heed`). Work is batched over phrases, so time and memory are linear in events.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.choose import choose, steps_ms
from improv.events import Events
from improv.frame import Singles
from improv.grid import SUBDIVISIONS, offered
from improv.hand import Hand, local_lean, nearness, phrase_leanings
from improv.heed import evidence, heeds
from improv.lattice import Lane
from improv.lean import leaning
from improv.learn import Learned
from improv.model import Bars, Floats, Ints, _Frozen
from improv.nearby import closer
from improv.phrases import numbers
from improv.scene import Scene, span_of
from improv.settle import settle
from improv.swing import at_one_ratio

BLOCK_EVENTS = 20000
PHRASE_WEIGHT_NOTES = 7.0
"""A phrase keeps to few subdivisions: its own count, against the take's worth so many notes."""
WHOLLY_SHARE = 0.97
LEFT_SHARE = 0.35
"""What is left of a call's chance in a take that heeds no grid: very loose and dense ones look like
that as well, and are mostly heard right (benchmarks, `calibration`)."""


@dataclass(frozen=True, eq=False)
class Fit(_Frozen):
    """The reading of a take's events; see the module's conventions.

    `row_probability` has a column per row of `SUBDIVISIONS` and a last one for free.
    `quarter` is the grid position from bar 1 (NaN off grid), `deviation_ms` the raw distance to it.
    `leaning_ms` is the phrase's expected deviation at the event (center and drift). `heeded` is
    the chance that the take's notes heed their grids; confidence and probabilities hold it.
    """

    row: Ints
    quarter: Floats
    deviation_ms: Floats
    confidence: Floats
    row_probability: Floats
    leaning_ms: Floats
    hand: Hand
    heeded: float


def fit(events: Events, edges: Ints, bars: Bars, learned: Learned) -> Fit:
    """Read every event; `edges` are the phrase boundaries, `learned` is about the player."""
    out = _blank(len(events))
    for first, last in _blocks(edges):
        span = np.arange(edges[first], edges[last])
        part = events.at(span)
        local_edges = edges[first : last + 1] - edges[first]
        answer = _read(part, local_edges, bars, learned)
        for key, value in answer.items():
            out[key][span] = value
    reading = Fit(hand=learned.hand, heeded=1.0, **out)
    for row in _in_doubt(learned.lanes):
        reading = _swung_alike(reading, row, events, bars)
    return _heeded(reading, events, edges, bars)


def _in_doubt(lanes: tuple[Lane, ...]) -> list[int]:
    """The swung rows that were read at more than one ratio."""
    read = Counter(lane.row for lane in lanes if SUBDIVISIONS[lane.row].swung)
    return [row for row, ratios in read.items() if ratios > 1]


def _swung_alike(reading: Fit, row: int, events: Events, bars: Bars) -> Fit:
    """The reading with one row's notes held against the one ratio that they have together."""
    mine = np.flatnonzero(reading.row == row)
    quarter, deviation_ms = reading.quarter.copy(), reading.deviation_ms.copy()
    stray_ms = deviation_ms[mine] - reading.leaning_ms[mine]
    quarter_ms = events.quarter_ms[mine]
    quarter[mine] = at_one_ratio(
        bars, reading.row[mine], quarter[mine], stray_ms, quarter_ms, reading.hand.spread_ms
    )
    deviation_ms[mine] = (events.quarter[mine] - quarter[mine]) * quarter_ms
    return replace(reading, quarter=quarter, deviation_ms=deviation_ms)


def _heeded(reading: Fit, events: Events, edges: Ints, bars: Bars) -> Fit:
    """The reading with the chance that the take was played to the beat at all."""
    row, on_grid = reading.row, reading.row >= 0
    stray_ms = reading.deviation_ms - reading.leaning_ms
    step_ms = steps_ms(events, bars, row)
    chance = heeds(evidence(stray_ms, step_ms, row, numbers(edges), reading.hand))
    left = LEFT_SHARE + (1.0 - LEFT_SHARE) * chance
    probability = reading.row_probability.copy()
    probability[:, :-1] *= left
    probability[:, -1] = 1.0 - probability[:, :-1].sum(axis=1)
    return replace(
        reading,
        confidence=np.where(on_grid, left * reading.confidence, reading.confidence),
        row_probability=probability,
        heeded=chance,
    )


def _blank(count: int) -> dict[str, NDArray[Any]]:
    return {
        "row": np.full(count, -1, dtype=np.int64),
        "quarter": np.full(count, np.nan),
        "deviation_ms": np.full(count, np.nan),
        "confidence": np.zeros(count),
        "row_probability": np.zeros((count, len(SUBDIVISIONS) + 1)),
        "leaning_ms": np.zeros(count),
    }


def _blocks(edges: Ints) -> list[tuple[int, int]]:
    """Ranges of phrases holding about `BLOCK_EVENTS` events each, to bound memory."""
    blocks, first = [], 0
    for p in range(1, len(edges)):
        if edges[p] - edges[first] >= BLOCK_EVENTS or p == len(edges) - 1:
            blocks.append((first, p))
            first = p
    return blocks


def _read(part: Events, edges: Ints, bars: Bars, learned: Learned) -> dict[str, NDArray[Any]]:
    """Read some phrases: the columns of `Fit`."""
    hand, weight = learned.hand, learned.weight
    scene = Scene.of(part, edges, bars, learned.lanes, weight, hand.center_ms, learned.accent)
    phrase = scene.phrase
    flat = np.full(len(part), hand.spread_ms)
    lean, belief = leaning(scene, hand)
    error, on_grid = _expected(scene, hand, lean, belief)
    at_ms = part.onset_sec * 1000.0
    count = len(edges) - 1
    base, drift, spread = phrase_leanings(error - lean, on_grid, at_ms, phrase, count, hand)
    line = lean + base[phrase] + drift[phrase] * at_ms
    ordinary = on_grid * nearness(error - line, 1.5 * flat)
    local = line + local_lean(error - line, ordinary, edges)
    scene = scene.favouring(belief, weight, PHRASE_WEIGHT_NOTES)
    belief = scene.believe(local, spread[phrase], hand.memory)
    belief, local, width = closer(scene, belief, local, spread[phrase], hand.memory)
    called = settle(scene, choose(scene, belief, hand), local, width, hand)
    return {**called, "leaning_ms": line}


def _expected(scene: Scene, hand: Hand, lean: Floats, belief: Singles) -> tuple[Floats, Floats]:
    """Each event's expected deviation, and how much it counts for the player's leanings.

    Where runs seem free, what the grids would make of them must be known as well; but a
    lean drawn from it may bend any run to a grid, so it counts for less.
    """
    error, on_grid = scene.expected(belief)
    total = np.bincount(scene.phrase, on_grid, len(scene.edges) - 1)
    partly_free = np.flatnonzero(total < WHOLLY_SHARE * np.diff(scene.edges))
    if len(partly_free):
        span, _ = span_of(scene.edges, partly_free)
        part = scene.part(partly_free)
        spread = np.full(len(span), hand.spread_ms)
        plain = part.believe(hand.center_ms + lean[span], spread, hand.memory, with_free=False)
        heard = on_grid[span]
        error[span], on_grid[span] = part.expected(plain)
        on_grid[span] *= 0.5 + 0.5 * heard
    return error, on_grid


def candidate_rows(bars: Bars) -> tuple[int, ...]:
    """All rows that any meter of the take offers."""
    return tuple(sorted({row for meter in bars.meters for row in offered(meter)}))
