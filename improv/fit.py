"""Which subdivision, note by note: estimate the hand, then read the posterior.

Conventions
-----------
Everything is per event (a chord is one). `row` indexes `grid.SUBDIVISIONS`, -1 is off
any grid. The order of work: (1) a few phrases judge where the player's center and
spread lie, over a lattice of starting values; (2) expectation-maximisation refines them
with the swing ratios; (3) every phrase is read once more with its own leaning.
Work is batched over phrases, so time and memory are linear in events.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.chain import EARLY_BEAT, Singles
from improv.events import Events
from improv.grid import SUBDIVISIONS, offered, positions
from improv.hand import (
    CENTER_PRIOR_MS,
    FEWEST_SWUNG_NOTES,
    RATIO_RANGE,
    Hand,
    estimate,
    first_lanes,
    local_lean,
    nearness,
    phrase_leanings,
    refined_lanes,
)
from improv.lattice import Lane
from improv.model import Bars, Bools, Floats, Ints, _Frozen
from improv.scene import Scene, span_of
from improv.tempo import bar_index

SLOPES = tuple(
    sign * step for sign in (-1, 1) for step in (0.006, 0.012, 0.018, 0.025, 0.033, 0.042, 0.052)
)
"""Drifts tried per phrase: ms gained or lost per ms, from the hand's center or from none."""
SHIFTS = tuple((start, slope) for start in (-14.0, 14.0) for slope in (-0.01, 0.0, 0.01))
"""Shifts tried per phrase: where it begins in ms against the center, and its slope."""
LEAN_PRIOR_MS = 10.0
SLOPE_PRIOR = 0.012
LEAN_CHARGE = 4.0
LARGEST_CHARGE = 5.0
SLOPE_WIDEST = 0.05
TIGHT_SPREAD_MS = 12.0
"""A drifting take looks scattered until its drift is known: leans are tried with this too."""
FEWEST_FOR_DRIFT = 6
DOUBTFUL_SPREADS = 1.25
DOUBTFUL_SHARE = 0.93
LOOSE_SHARE = 0.97
ROW_ALLOWED = 0.15
CALIBRATION = (1.95, 0.434, 8.9)
"""A call the model gives log odds x is right with log odds a + b x - c (spread / step): fitted
on simulated solos, tuning seeds. Where scatter nears the step, no answer is safe."""
FREE_CALIBRATION = (-0.17, 0.434)
"""The same for a call off the grid."""
DOTTED_SHARE = 0.75
DOTTED_MASS = 0.3
DOTTED_DOUBTS = 1.8
START_CENTERS_MS = (-36.0, -24.0, -12.0, 0.0, 12.0, 24.0, 36.0)
START_SPREADS_MS = (8.0, 14.0, 21.0, 30.0)
START_MEMORIES = (0.5,)
LEARNING_EVENTS = 360
"""Events enough to learn a hand from; longer takes are sampled phrase by phrase."""
BLOCK_EVENTS = 20000
WEIGHT_PRIOR_EVENTS = 25.0
PHRASE_WEIGHT_NOTES = 30.0
"""A phrase keeps to few subdivisions: its own count, against the take's worth so many notes."""


@dataclass(frozen=True, eq=False)
class Fit(_Frozen):
    """The reading of a take's events; see the module's conventions.

    `row_probability` has a column per row of `SUBDIVISIONS` and a last one for free.
    `quarter` is the grid position from bar 1 (NaN off grid), `deviation_ms` the raw distance to it.
    `leaning_ms` is the phrase's expected deviation at the event (center and drift).
    """

    row: Ints
    quarter: Floats
    deviation_ms: Floats
    confidence: Floats
    row_probability: Floats
    leaning_ms: Floats
    hand: Hand
    swing_ratios: dict[int, float]


def fit(events: Events, edges: Ints, bars: Bars, rows: tuple[int, ...]) -> Fit:
    """Read every event. `rows` are the candidate subdivisions, `edges` the phrase boundaries."""
    sample = _sample(edges)
    hand, ratios, weights = _learn(events, edges, bars, rows, sample)
    lanes = refined_lanes(rows, ratios)
    weight = _lane_weights(lanes, bars, weights)
    out = _blank(len(events))
    for first, last in _blocks(edges):
        span = np.arange(edges[first], edges[last])
        part = events.at(span)
        local_edges = edges[first : last + 1] - edges[first]
        answer = _read(part, local_edges, bars, lanes, weight, hand)
        for key, value in answer.items():
            out[key][span] = value
    return Fit(hand=hand, swing_ratios=ratios, **out)


def _blank(count: int) -> dict[str, np.ndarray]:
    return {
        "row": np.full(count, -1, dtype=np.int64),
        "quarter": np.full(count, np.nan),
        "deviation_ms": np.full(count, np.nan),
        "confidence": np.zeros(count),
        "row_probability": np.zeros((count, len(SUBDIVISIONS) + 1)),
        "leaning_ms": np.zeros(count),
    }


# --- learning the hand ------------------------------------------------------


def _sample(edges: Ints) -> Ints:
    """Phrases to learn from, spread evenly over the take."""
    sizes = np.diff(edges)
    if sizes.sum() <= LEARNING_EVENTS * 1.3:
        return np.arange(len(sizes))
    keep = max(1, int(len(sizes) * LEARNING_EVENTS / sizes.sum()))
    return np.unique(np.linspace(0, len(sizes) - 1, keep).round().astype(np.int64))


def _learn(
    events: Events, edges: Ints, bars: Bars, rows: tuple[int, ...], sample: Ints
) -> tuple[Hand, dict[int, float], Floats]:
    """Center, spread, memory and swing ratios, and how often each row was met."""
    span, local = span_of(edges, sample)
    part = events.at(span)
    lanes = first_lanes(rows)
    even = np.ones(len(SUBDIVISIONS))
    scene = Scene.of(part, local, bars, lanes, _lane_weights(lanes, bars, even))
    hand = _best_start(scene)
    ratios: dict[int, float] = {}
    met = even
    for last in (False, True):
        lean, belief = _leaning(scene, hand, with_free=True)
        ratios = _ratios(scene, belief, hand.center_ms + lean, hand)
        linked = np.ones(len(part))
        linked[local[:-1]] = 0.0
        flat = (len(part), -1)
        deviation = scene.lattice.deviation_ms - lean[:, None, None]
        hand = estimate(deviation.reshape(flat), belief.reshape(flat), linked, hand)
        met = _rows_met(scene, belief)
        if not last:
            lanes = refined_lanes(rows, ratios)
            scene = Scene.of(part, local, bars, lanes, _lane_weights(lanes, bars, met))
    return hand, ratios, met


def _best_start(scene: Scene) -> Hand:
    """The likeliest of a lattice of centers and spreads, free runs left out."""
    prior_mean, prior_sd = CENTER_PRIOR_MS
    grid = np.array(np.meshgrid(START_SPREADS_MS, START_CENTERS_MS)).reshape(2, -1, 1)
    spread, center = np.repeat(grid, len(scene), axis=2)
    best, found = -np.inf, Hand(0.0, 14.0, 0.5)
    for memory in START_MEMORIES:
        total = scene.evidence(center, spread, memory, with_free=False).sum(axis=1)
        total -= 0.5 * ((center[:, 0] - prior_mean) / prior_sd) ** 2
        at = int(total.argmax())
        if total[at] > best:
            best, found = total[at], Hand(float(center[at, 0]), float(spread[at, 0]), memory)
    return found


def _flat_hand(hand: Hand, count: int) -> tuple[Floats, Floats, float]:
    return np.full(count, hand.center_ms), np.full(count, hand.spread_ms), hand.memory


def _rows_met(scene: Scene, belief: Singles) -> Floats:
    """Relative frequency of each row, shrunk to even shares."""
    rows = [lane.row for lane in scene.lattice.lanes]
    by_lane = belief.sum(axis=(0, 2), dtype=np.float64)
    mass = np.bincount(rows, by_lane, minlength=len(SUBDIVISIONS))
    offered_rows = {lane.row for lane in scene.lattice.lanes}
    share = (mass + WEIGHT_PRIOR_EVENTS / len(offered_rows)) / (mass.sum() + WEIGHT_PRIOR_EVENTS)
    return np.asarray(share * len(offered_rows))


def _ratios(scene: Scene, belief: Singles, center_ms: Floats, hand: Hand) -> dict[int, float]:
    """Swing ratio of each swung row that is really played, from its second notes.

    Dotted pairs sound like a swing of 3 : 1. A ratio that may well be 3 is dotted, and not
    listed; one that is surely less is swing, and takes the pairs called dotted along.
    """
    found: dict[int, float] = {}
    lattice = scene.lattice
    for row in {lane.row for lane in lattice.lanes if SUBDIVISIONS[lane.row].swung}:
        swung = [i for i, lane in enumerate(lattice.lanes) if lane.row == row]
        dotted = [i for i, lane in enumerate(lattice.lanes) if lane.shape == row]
        pair = _pair_ms(scene, row)
        share, total, _ = _second_share(scene, belief, center_ms, pair, swung)
        both, family, step = _second_share(scene, belief, center_ms, pair, swung + dotted)
        doubt = hand.spread_ms / step / np.sqrt(max(family, 1.0)) * DOTTED_DOUBTS
        if family - total > DOTTED_MASS * family and both < DOTTED_SHARE - doubt:
            share, total = both, family
        if total >= FEWEST_SWUNG_NOTES:
            share = min(max(share, 0.4), 0.8)
            found[row] = float(np.clip(share / (1 - share), *RATIO_RANGE))
    return found


def _second_share(
    scene: Scene, belief: Singles, center_ms: Floats, pair_ms: Floats, lanes: list[int]
) -> tuple[float, float, float]:
    """Mean place of second notes in their pair, their number, and the mean pair in ms."""
    lattice = scene.lattice
    weight = belief[:, lanes] * (lattice.index[:, lanes] % 2 == 1)
    total = float(weight.sum(dtype=np.float64))
    if total < 1e-6:
        return 0.5, 0.0, 500.0
    ratio = np.array([lattice.lanes[i].swing_ratio for i in lanes])
    late = (lattice.deviation_ms[:, lanes] - center_ms[:, None, None]) / pair_ms[:, None, None]
    share = (ratio / (1 + ratio))[None, :, None] + late
    pair = float((weight.sum(axis=(1, 2)) @ pair_ms) / total)
    return float((weight * share).sum(dtype=np.float64) / total), total, pair


def _pair_ms(scene: Scene, row: int) -> Floats:
    """Length in ms of the two notes that swing together, per event."""
    bar = bar_index(scene.bars, scene.events.quarter)
    quarters = np.array(
        [
            float(m.tempo_beat_quarter * 2 / (SUBDIVISIONS[row].per_beat(m.kind) or 1))
            for m in scene.bars.meters
        ]
    )
    return np.asarray(quarters[scene.bars.meter[bar]] * scene.events.quarter_ms)


def _lane_weights(lanes: tuple[Lane, ...], bars: Bars, met: Floats) -> Floats:
    """Prior share of each lane per meter: shape (meters, lanes), rows sum to 1."""
    lanes_of_row = np.bincount([lane.row for lane in lanes], minlength=len(SUBDIVISIONS))
    table = np.array(
        [
            [
                SUBDIVISIONS[lane.row].prior_weight(meter.kind)
                * met[lane.row]
                / lanes_of_row[lane.row]
                for lane in lanes
            ]
            for meter in bars.meters
        ]
    )
    return np.asarray(table / np.maximum(table.sum(axis=1, keepdims=True), 1e-12))


# --- the final reading ------------------------------------------------------


def _blocks(edges: Ints) -> list[tuple[int, int]]:
    """Ranges of phrases holding about `BLOCK_EVENTS` events each, to bound memory."""
    blocks, first = [], 0
    for p in range(1, len(edges)):
        if edges[p] - edges[first] >= BLOCK_EVENTS or p == len(edges) - 1:
            blocks.append((first, p))
            first = p
    return blocks


def _read(
    part: Events, edges: Ints, bars: Bars, lanes: tuple[Lane, ...], weight: Floats, hand: Hand
) -> dict[str, np.ndarray]:
    scene = Scene.of(part, edges, bars, lanes, weight)
    phrase = scene.phrase
    flat = np.full(len(part), hand.spread_ms)
    lean, belief = _leaning(scene, hand, with_free=True)
    error, on_grid = scene.expected(belief)
    loose = _loose(scene, on_grid)
    if len(loose):
        # Where runs seem free, what the grids would make of them must be known as well.
        span, _ = span_of(edges, loose)
        center = hand.center_ms + lean[span]
        again = scene.part(loose)
        plain = again.believe(center, flat[span], hand.memory, with_free=False)
        error[span], on_grid[span] = again.expected(plain)
    at_ms = part.onset_sec * 1000.0
    count = len(edges) - 1
    base, drift, spread = phrase_leanings(error - lean, on_grid, at_ms, phrase, count, hand)
    leaning = lean + base[phrase] + drift[phrase] * at_ms
    ordinary = on_grid * nearness(error - leaning, 1.5 * flat)
    local = leaning + local_lean(error - leaning, ordinary, edges)
    scene = scene.favouring(belief, weight, PHRASE_WEIGHT_NOTES)
    belief = scene.believe(local, spread[phrase], hand.memory)
    return {**_choose(scene, belief, hand), "leaning_ms": leaning}


def _leaning(scene: Scene, hand: Hand, with_free: bool) -> tuple[Floats, Singles]:
    """Lean in ms per event against the hand's center, and the posterior under it.

    Phrases that the plain hand explains well are left alone; lines are tried on the others.
    """
    center, spread, memory = _flat_hand(hand, len(scene))
    belief = scene.believe(center, spread, memory, with_free)
    lean = np.zeros(len(scene))
    doubtful = _doubtful(scene, belief, hand)
    if len(doubtful):
        span, _ = span_of(scene.edges, doubtful)
        part = scene.part(doubtful)
        lean[span] = _first_lean(part, hand)
        belief[span] = part.believe(center[span] + lean[span], spread[span], memory, with_free)
    return lean, belief


def _loose(scene: Scene, on_grid: Floats) -> Ints:
    """Phrases that are not wholly on a grid."""
    total = np.bincount(scene.phrase, on_grid, len(scene.edges) - 1)
    return np.flatnonzero(total < LOOSE_SHARE * np.diff(scene.edges))


def _doubtful(scene: Scene, belief: Singles, hand: Hand) -> Ints:
    """Phrases that stray more than the hand does, or leave the grid."""
    error, on_grid = scene.expected(belief)
    count = len(scene.edges) - 1
    total = np.bincount(scene.phrase, on_grid, count)
    squares = np.bincount(scene.phrase, on_grid * (error - hand.center_ms) ** 2, count)
    wide = squares > (DOUBTFUL_SPREADS * hand.spread_ms) ** 2 * total
    off = total < DOUBTFUL_SHARE * np.diff(scene.edges)
    return np.flatnonzero((wide | off) & (np.diff(scene.edges) >= FEWEST_FOR_DRIFT))


def _first_lean(scene: Scene, hand: Hand) -> Floats:
    """Expected lean in ms at every event against the hand's center: level, or a line.

    The best of a few lines, judged by the grids alone, is drawn closer to the notes; it
    is taken where it explains the phrase better than the level hand does, free runs and all.
    """
    events, edges, phrase = scene.events, scene.edges, scene.phrase
    since_ms = (events.onset_sec - events.onset_sec[edges[:-1]][phrase]) * 1000.0
    lines, charge = _lines(hand)
    lean = lines[:, :1] + lines[:, 1:] * since_ms
    tight = min(hand.spread_ms, TIGHT_SPREAD_MS)
    spread = np.full(lean.shape, tight)
    found = scene.evidence(hand.center_ms + lean, spread, hand.memory, False) - charge[:, None]
    chosen = found[1:].argmax(axis=0) + 1
    line, cost = lines[chosen], charge[chosen]
    for _ in range(2):
        leaning = hand.center_ms + line[phrase, 0] + line[phrase, 1] * since_ms
        belief = scene.believe(leaning, spread[0], hand.memory, with_free=False)
        line = _closer(scene, belief, hand, leaning, since_ms, tight)
    drawn = line[phrase, 0] + line[phrase, 1] * since_ms
    both = hand.center_ms + np.stack([np.zeros(len(scene)), drawn])
    found = np.max(
        [
            scene.evidence(both, np.full(both.shape, spread_ms), hand.memory, True)
            for spread_ms in {hand.spread_ms, tight}
        ],
        axis=0,
    )
    better = (found[1] - cost > found[0]) & (np.diff(edges) >= FEWEST_FOR_DRIFT)
    return np.asarray(np.where(better[phrase], drawn, 0.0))


def _closer(
    scene: Scene, belief: Singles, hand: Hand, leaning: Floats, since_ms: Floats, spread_ms: float
) -> Floats:
    """Lines through the notes near the present ones, (phrases, 2): start in ms, slope."""
    phrase, count = scene.phrase, len(scene.edges) - 1
    error, on_grid = scene.expected(belief)
    weight = on_grid * nearness(error - leaning, np.full(len(error), 2.0 * spread_ms)) + 1e-9
    total = np.bincount(phrase, weight, count)
    middle = np.bincount(phrase, weight * since_ms, count) / total
    center = np.bincount(phrase, weight * (error - hand.center_ms), count) / total
    away = since_ms - middle[phrase]
    lever = np.bincount(phrase, weight * away**2, count)
    slope = np.bincount(phrase, weight * away * (error - hand.center_ms), count)
    slope = slope / (lever + (spread_ms / SLOPE_WIDEST) ** 2)
    return np.stack([center - slope * middle, slope], axis=1)


def _lines(hand: Hand) -> tuple[Floats, Floats]:
    """Lines to try, (lines, 2) of start in ms and slope, the level one first; and their charges."""
    level, drifts = [(0.0, 0.0)], [(0.0, slope) for slope in SLOPES]
    # Drift may have been taken for a constant lean: then the phrase began at none.
    afresh = [(-hand.center_ms, slope) for slope in SLOPES]
    lines = np.array([*level, *drifts, *SHIFTS, *afresh])
    starts = np.where(np.arange(len(lines)) < len(lines) - len(afresh), lines[:, 0], 0.0)
    charge = 0.5 * (starts / LEAN_PRIOR_MS) ** 2 + 0.5 * (lines[:, 1] / SLOPE_PRIOR) ** 2
    charge = np.minimum(charge, LARGEST_CHARGE) + LEAN_CHARGE
    charge[0] = 0.0
    return lines, charge


def _choose(scene: Scene, belief: Singles, hand: Hand) -> dict[str, np.ndarray]:
    count = len(belief)
    lane_rows = np.array([lane.row for lane in scene.lattice.lanes])
    by_row = np.zeros((count, len(SUBDIVISIONS) + 1))
    for i, row in enumerate(lane_rows):
        by_row[:, row] += belief[:, i].sum(axis=1)
    by_row[:, -1] = np.clip(1.0 - by_row.sum(axis=1), 0.0, 1.0)
    row = _one_row_per_beat(scene, by_row)
    is_free = row == len(SUBDIVISIONS)
    mine = belief * (lane_rows[None, :, None] == row[:, None, None])
    best = mine.reshape(count, -1).argmax(axis=1)
    each = np.arange(count)
    flat = (count, -1)
    quarter = scene.lattice.quarter.reshape(flat)[each, best]
    deviation = scene.lattice.deviation_ms.reshape(flat)[each, best]
    confidence = np.where(is_free, by_row[:, -1], mine.reshape(flat)[each, best])
    return {
        "row": np.where(is_free, -1, row),
        "quarter": np.where(is_free, np.nan, quarter),
        "deviation_ms": np.where(is_free, np.nan, deviation),
        "confidence": calibrated(confidence, is_free, hand.spread_ms / _steps_ms(scene, row)),
        "row_probability": _tempered(by_row),
    }


def calibrated(probability: Floats, is_free: Bools, spread_per_step: Floats) -> Floats:
    """The share of calls that turn out right when the model says `probability`."""
    inside = np.clip(probability, 1e-6, 1.0 - 1e-6)
    odds = np.log(inside / (1.0 - inside))
    base, scale, scatter = CALIBRATION
    free_base, free_scale = FREE_CALIBRATION
    on_grid = base + scale * odds - scatter * spread_per_step
    return np.asarray(
        1.0 / (1.0 + np.exp(-np.where(is_free, free_base + free_scale * odds, on_grid)))
    )


def _steps_ms(scene: Scene, row: Ints) -> Floats:
    """Mean step in ms of each event's row in its bar; infinite where it has none."""
    table = np.full((len(scene.bars.meters), len(SUBDIVISIONS) + 1), np.inf)
    for m, meter in enumerate(scene.bars.meters):
        for r, subdivision in enumerate(SUBDIVISIONS):
            if places := positions(subdivision, meter):
                table[m, r] = float(meter.bar_quarters) / len(places)
    meter = scene.bars.meter[bar_index(scene.bars, scene.events.quarter)]
    return np.asarray(table[meter, row] * scene.events.quarter_ms)


def _tempered(by_row: Floats) -> Floats:
    """Row probabilities flattened as far as the calibration of single calls demands."""
    flat = np.where(by_row > 1e-4, by_row, 0.0) ** CALIBRATION[1]
    return np.asarray(flat / np.maximum(flat.sum(axis=1, keepdims=True), 1e-12))


def _one_row_per_beat(scene: Scene, by_row: Floats) -> Ints:
    """The likeliest row of each event; events of one beat agree where they can.

    Changes inside a beat are rare, so a beat's notes choose together; one that hardly
    allows the common choice keeps its own.
    """
    own = by_row.argmax(axis=1)
    on_grid = own < len(SUBDIVISIONS)
    phrase = scene.phrase
    beat = np.floor(scene.events.beat + EARLY_BEAT)
    fresh = np.ones(len(own), dtype=np.bool_)
    fresh[1:] = (np.diff(beat) != 0) | (np.diff(phrase) != 0)
    group = np.cumsum(fresh) - 1
    total = np.zeros((int(group[-1]) + 1, by_row.shape[1] - 1))
    np.add.at(total, group[on_grid], by_row[on_grid, :-1])
    common = total.argmax(axis=1)[group]
    each = np.arange(len(own))
    allowed = on_grid & (by_row[each, common] > ROW_ALLOWED * by_row[each, own])
    return np.asarray(np.where(allowed, common, own))


def candidate_rows(bars: Bars) -> tuple[int, ...]:
    """All rows that any meter of the take offers."""
    return tuple(sorted({row for meter in bars.meters for row in offered(meter)}))
