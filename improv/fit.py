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
from functools import cached_property
from itertools import product

import numpy as np

from improv import chain, free
from improv.events import Events
from improv.grid import SUBDIVISIONS, offered, positions
from improv.hand import Hand, estimate, first_lanes, local_lean, nearness, phrase_leanings, refined_lanes
from improv.hand import FEWEST_SWUNG_NOTES, RATIO_RANGE
from improv.lattice import Lane, Lattice, build
from improv.meter import Meter
from improv.model import Bars, Bools, Floats, Ints, _Frozen
from improv.tempo import bar_index

LEANS = (
    *((0.0, slope) for slope in (-0.036, -0.024, -0.014, -0.007, 0.007, 0.014, 0.024, 0.036)),
    *((start, slope) for start in (-14.0, 14.0) for slope in (-0.01, 0.0, 0.01)),
)
"""Leans tried per phrase: where it begins in ms, and ms gained or lost per ms."""
LEAN_PRIOR_MS = 10.0
SLOPE_PRIOR = 0.012
LEAN_CHARGE = 4.0
FEWEST_FOR_DRIFT = 6
EARLY_BEAT = 0.08
"""A note this early in beats still belongs to the beat it heralds."""
ROW_ALLOWED = 0.15
START_CENTERS_MS = (-36.0, -24.0, -12.0, 0.0, 12.0, 24.0, 36.0)
START_SPREADS_MS = (8.0, 14.0, 21.0, 30.0)
START_MEMORIES = (0.5,)
LEARNING_EVENTS = 360
"""Events enough to learn a hand from; longer takes are sampled phrase by phrase."""
BLOCK_EVENTS = 6000
WEIGHT_PRIOR_EVENTS = 25.0


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


@dataclass(frozen=True, eq=False)
class _Score:
    """What the chain needs of a take: events, phrases and meters, sliceable by phrases."""

    events: Events
    edges: Ints
    bars: Bars
    rows: tuple[int, ...]


def fit(events: Events, edges: Ints, bars: Bars, rows: tuple[int, ...]) -> Fit:
    """Read every event. `rows` are the candidate subdivisions, `edges` the phrase boundaries."""
    phrase = np.repeat(np.arange(len(edges) - 1), np.diff(edges))
    sample = _sample(edges)
    hand, ratios, weights = _learn(events, edges, bars, rows, sample)
    lanes = refined_lanes(rows, ratios)
    weight = _lane_weights(lanes, bars, weights)
    out = _blank(len(events))
    for first, last in _blocks(edges):
        span = np.arange(edges[first], edges[last])
        part = _part(events, span)
        local_edges = edges[first : last + 1] - edges[first]
        answer = _read(part, local_edges, bars, lanes, weight, hand)
        for key, value in answer.items():
            out[key][span] = value
    del phrase
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
    span = np.concatenate([np.arange(edges[p], edges[p + 1]) for p in sample])
    part = _part(events, span)
    sizes = np.diff(edges)[sample]
    local = np.concatenate([[0], np.cumsum(sizes)])
    lanes = first_lanes(rows)
    even = np.ones(len(SUBDIVISIONS))
    scene = _Scene.of(part, local, bars, lanes, _lane_weights(lanes, bars, even))
    hand = _best_start(scene)
    ratios: dict[int, float] = {}
    met = even
    for last in (False, True):
        lean = _first_lean(scene, hand)
        center, spread, memory = _flat_hand(hand, len(part))
        belief = scene.believe(center + lean, spread, memory)
        ratios = _ratios(scene, belief, hand.center_ms + lean)
        linked = np.ones(len(part))
        linked[local[:-1]] = 0.0
        flat = (len(part), -1)
        deviation = scene.lattice.deviation_ms - lean[:, None, None]
        hand = estimate(deviation.reshape(flat), belief.reshape(flat), linked, hand)
        met = _rows_met(scene, belief)
        if not last:
            lanes = refined_lanes(rows, ratios)
            scene = _Scene.of(part, local, bars, lanes, _lane_weights(lanes, bars, met))
    return hand, ratios, met


def _best_start(scene: _Scene) -> Hand:
    best, found = -np.inf, Hand(0.0, 14.0, 0.5)
    starts = product(START_SPREADS_MS, START_MEMORIES, START_CENTERS_MS)
    for spread, memory, center in starts:
        hand = Hand(center, spread, memory)
        evidence = scene.evidence(*_flat_hand(hand, len(scene.events)))
        evidence -= 0.5 * ((center - 3.0) / 18.0) ** 2
        if evidence > best:
            best, found = evidence, hand
    return found


def _flat_hand(hand: Hand, count: int) -> tuple[Floats, Floats, float]:
    return np.full(count, hand.center_ms), np.full(count, hand.spread_ms), hand.memory


def _rows_met(scene: _Scene, belief: Floats) -> Floats:
    """Relative frequency of each row, shrunk to even shares."""
    mass = np.zeros(len(SUBDIVISIONS))
    np.add.at(mass, [lane.row for lane in scene.lattice.lanes], belief.sum(axis=(0, 2)))
    offered_rows = {lane.row for lane in scene.lattice.lanes}
    share = (mass + WEIGHT_PRIOR_EVENTS / len(offered_rows)) / (mass.sum() + WEIGHT_PRIOR_EVENTS)
    return np.asarray(share * len(offered_rows))


def _ratios(scene: _Scene, belief: Floats, center_ms: Floats) -> dict[int, float]:
    """Swing ratio of each swung row that is really played, from its second notes."""
    found: dict[int, float] = {}
    lattice = scene.lattice
    for row in {lane.row for lane in lattice.lanes if SUBDIVISIONS[lane.row].swung}:
        at = [i for i, lane in enumerate(lattice.lanes) if lane.row == row]
        weight = belief[:, at] * (lattice.index[:, at] % 2 == 1)
        total = weight.sum()
        if total < FEWEST_SWUNG_NOTES:
            continue
        ratio = np.array([lattice.lanes[i].swing_ratio for i in at])
        pair = _pair_ms(scene, row)
        share = (ratio / (1 + ratio))[None, :, None] + (
            lattice.deviation_ms[:, at] - center_ms[:, None, None]
        ) / pair[:, None, None]
        mean = float((weight * share).sum() / total)
        mean = min(max(mean, 0.4), 0.8)
        found[row] = float(np.clip(mean / (1 - mean), *RATIO_RANGE))
    return found


def _pair_ms(scene: _Scene, row: int) -> Floats:
    """Length in ms of the two notes that swing together, per event."""
    bar = bar_index(scene.bars, scene.events.quarter)
    quarters = np.array(
        [
            float(m.tempo_beat_quarter * 2 / (SUBDIVISIONS[row].per_beat(m.kind) or 1))
            for m in scene.bars.meters
        ]
    )
    return np.asarray(quarters[scene.bars.meter[bar]] * scene.events.quarter_ms)


# --- one scene: events, phrases, lanes --------------------------------------


@dataclass(frozen=True, eq=False)
class _Scene:
    """A lattice over some phrases, ready to be believed under any hand."""

    events: Events
    edges: Ints
    bars: Bars
    lattice: Lattice
    weight: Floats
    gap_ms: Floats
    batches: tuple[tuple[Ints, Bools], ...]

    @staticmethod
    def of(
        events: Events, edges: Ints, bars: Bars, lanes: tuple[Lane, ...], weight: Floats
    ) -> _Scene:
        gap = np.diff(events.onset_sec, prepend=events.onset_sec[:1] - 1.0) * 1000.0
        meter = bars.meter[bar_index(bars, events.quarter)]
        lattice = build(events, bars, lanes)
        return _Scene(
            events, edges, bars, lattice, weight[meter], np.maximum(gap, 0.0), _batches(edges)
        )

    def steps(self, center: Floats, spread: Floats, memory: float) -> chain.Steps:
        return chain.assemble(
            self.lattice, self.gap_ms, self.events.beat, center, spread, memory, self.weight
        )

    def evidence(self, center: Floats, spread: Floats, memory: float) -> float:
        steps = self.steps(center, spread, memory)
        return float(
            sum(
                chain.believe(steps, rows, valid, None, want_posterior=False).log_evidence.sum()
                for rows, valid in self.batches
            )
        )

    def phrase_evidence(self, center: Floats, spread: Floats, memory: float) -> Floats:
        """Log evidence of every phrase, free runs included."""
        steps = self.steps(center, spread, memory)
        found = np.zeros(len(self.edges) - 1)
        for rows, valid in self.batches:
            stretches = self.stretches(rows, valid, center, spread)
            belief = chain.believe(steps, rows, valid, stretches, want_posterior=False)
            found[np.searchsorted(self.edges, rows[:, 0])] = belief.log_evidence
        return found

    def stretches(self, rows: Ints, valid: Bools, center: Floats, spread: Floats) -> Floats:
        """Free-run densities of a batch, the hand's lean and spread given per event."""
        first = rows[:, :1]
        ground = free.Ground(
            self.beat_ms[first],
            spread[first],
            self.even_steps_ms[rows[:, 0]],
            self.in_bar_ms[rows] - center[rows],
        )
        return free.stretch_scores(self.events.onset_sec[rows] * 1000.0, valid, ground)

    @cached_property
    def in_bar_ms(self) -> Floats:
        bar = bar_index(self.bars, self.events.quarter)
        into = self.events.quarter - self.bars.start_quarter[bar]
        return np.asarray(into * self.events.quarter_ms)

    @cached_property
    def even_steps_ms(self) -> Floats:
        """Steps of the even grids on offer, per event; a far value where there is none."""
        meter = self.bars.meter[bar_index(self.bars, self.events.quarter)]
        lanes = {lane.row for lane in self.lattice.lanes if not SUBDIVISIONS[lane.row].swung}
        table = np.array([[even_step(row, m) for row in sorted(lanes)] for m in self.bars.meters])
        return np.asarray(table[meter] * self.events.quarter_ms[:, None])

    def believe(
        self, center: Floats, spread: Floats, memory: float, with_free: bool = True
    ) -> Floats:
        """Posterior (N, lanes, 2); what is missing to 1 is free."""
        steps = self.steps(center, spread, memory)
        posterior = np.zeros(self.lattice.deviation_ms.shape)
        for rows, valid in self.batches:
            stretches = self.stretches(rows, valid, center, spread) if with_free else None
            belief = chain.believe(steps, rows, valid, stretches)
            posterior[rows[valid]] = belief.grid.transpose(1, 0, 2, 3)[valid]
        return posterior

    @cached_property
    def beat_ms(self) -> Floats:
        bar = bar_index(self.bars, self.events.quarter)
        beat_quarter = np.array([float(m.tempo_beat_quarter) for m in self.bars.meters])
        return np.asarray(beat_quarter[self.bars.meter[bar]] * self.events.quarter_ms)

    def expected(self, posterior: Floats) -> tuple[Floats, Floats]:
        """Expected deviation of each event given it is on a grid, and the chance that it is."""
        on_grid = posterior.sum(axis=(1, 2))
        error = (posterior * self.lattice.deviation_ms).sum(axis=(1, 2))
        return error / np.maximum(on_grid, 1e-9), on_grid


def _batches(edges: Ints, waste: float = 1.4) -> tuple[tuple[Ints, Bools], ...]:
    """Phrases padded into a few batches of like length: (rows, valid), (phrases, events)."""
    sizes = np.diff(edges)
    order = np.argsort(-sizes, kind="stable")
    batches: list[tuple[Ints, Bools]] = []
    first = 0
    while first < len(order):
        width = int(sizes[order[first]])
        last = first + int(np.searchsorted(-sizes[order[first:]], -width / waste**2, side="right"))
        if last == first or len(order) - last < 4 or width < 24:
            last = len(order) if width < 24 or len(order) - last < 4 else last
        chosen = order[first:last]
        steps = np.arange(width)[None, :]
        valid = steps < sizes[chosen][:, None]
        rows = np.minimum(edges[chosen][:, None] + steps, edges[chosen + 1][:, None] - 1)
        batches.append((rows, valid))
        first = last
    return tuple(batches)


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


def _part(events: Events, span: Ints) -> Events:
    """The events of a span, without the note tables."""
    keep = (
        "onset_sec", "end_sec", "quarter", "beat", "quarter_ms", "untimed"
    )  # fmt: skip
    none = np.zeros(0, dtype=np.int64)
    return Events(
        **{k: getattr(events, k)[span] for k in keep}, of_note=none, grace_note=none.astype(bool)
    )


def _read(
    part: Events, edges: Ints, bars: Bars, lanes: tuple[Lane, ...], weight: Floats, hand: Hand
) -> dict[str, np.ndarray]:
    scene = _Scene.of(part, edges, bars, lanes, weight)
    phrase = np.repeat(np.arange(len(edges) - 1), np.diff(edges))
    lean = hand.center_ms + _first_lean(scene, hand)
    flat = np.full(len(part), hand.spread_ms)
    belief = scene.believe(lean, flat, hand.memory, with_free=False)
    error, on_grid = scene.expected(belief)
    at_ms = part.onset_sec * 1000.0
    base, drift, spread = phrase_leanings(error, on_grid, at_ms, phrase, len(edges) - 1, hand)
    leaning = base[phrase] + drift[phrase] * at_ms
    ordinary = on_grid * nearness(error - leaning, 1.5 * flat)
    local = leaning + local_lean(error - leaning, ordinary, edges)
    belief = scene.believe(local, spread[phrase], hand.memory)
    return {**_choose(scene, belief), "leaning_ms": leaning}


def _first_lean(scene: _Scene, hand: Hand) -> Floats:
    """Expected lean in ms at every event against the hand's center: the best of a few lines.

    A line starts near the hand's center with the phrase and moves away from there.
    """
    events, edges = scene.events, scene.edges
    phrase = np.repeat(np.arange(len(edges) - 1), np.diff(edges))
    since_ms = (events.onset_sec - events.onset_sec[edges[:-1]][phrase]) * 1000.0
    center, spread, memory = _flat_hand(hand, len(events))
    long_enough = np.diff(edges) >= FEWEST_FOR_DRIFT
    best = scene.phrase_evidence(center, spread, memory)
    chosen = np.zeros((2, len(best)))
    for start_ms, slope in LEANS:
        lean = start_ms + slope * since_ms
        evidence = scene.phrase_evidence(center + lean, spread, memory)
        evidence -= 0.5 * (start_ms / LEAN_PRIOR_MS) ** 2 + LEAN_CHARGE
        evidence -= 0.5 * (slope / SLOPE_PRIOR) ** 2
        better = long_enough & (evidence > best)
        best = np.where(better, evidence, best)
        chosen = np.where(better, np.array([[start_ms], [slope]]), chosen)
    return np.asarray(chosen[0][phrase] + chosen[1][phrase] * since_ms)


def _choose(scene: _Scene, belief: Floats) -> dict[str, np.ndarray]:
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
        "confidence": confidence,
        "row_probability": by_row,
    }


def _one_row_per_beat(scene: _Scene, by_row: Floats) -> Ints:
    """The likeliest row of each event; events of one beat agree where they can.

    Changes inside a beat are rare, so a beat's notes choose together; one that hardly
    allows the common choice keeps its own.
    """
    own = by_row.argmax(axis=1)
    on_grid = own < len(SUBDIVISIONS)
    phrase = np.repeat(np.arange(len(scene.edges) - 1), np.diff(scene.edges))
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


def even_step(row: int, meter: Meter) -> float:
    """Step of a straight row in quarter notes where it is even all through the bar, else 1000."""
    places = positions(SUBDIVISIONS[row], meter)
    if not places:
        return 1000.0
    steps = {b - a for a, b in zip(places, [*places[1:], meter.bar_quarters], strict=True)}
    return float(steps.pop()) if len(steps) == 1 else 1000.0


def candidate_rows(bars: Bars) -> tuple[int, ...]:
    """All rows that any meter of the take offers."""
    return tuple(sorted({row for meter in bars.meters for row in offered(meter)}))
