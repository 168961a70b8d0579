"""Learning the hand: a few phrases tell center, spread, memory, swing and rows met.

Conventions: `hand.Hand`; swing ratios long : short by row of `SUBDIVISIONS`, several where
the take leaves one in doubt; `met` is how often each row was met against an even share.
(1) The likeliest of a lattice of centers and spreads is taken; (2) expectation-maximisation
refines it, twice, with swing ratios and, where it drifts all along, leans. Long takes are
sampled, so the work does not grow with them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.accent import NO_ACCENT, Accent, learned
from improv.events import Events
from improv.frame import Singles
from improv.grid import COARSE, SUBDIVISIONS
from improv.hand import (
    CENTER_PRIOR_MS,
    FEWEST_SWUNG_NOTES,
    RATIO_RANGE,
    Hand,
    estimate,
    first_lanes,
    refined_lanes,
)
from improv.lattice import Lane
from improv.lean import learning_lean
from improv.model import Bars, Floats, Ints, _Frozen
from improv.scene import Scene, span_of
from improv.stats import inflation
from improv.swing import pair_quarters
from improv.tempo import bar_index

START_CENTERS_MS = (-36.0, -24.0, -12.0, 0.0, 12.0, 24.0, 36.0)
START_SPREADS_MS = (8.0, 14.0, 21.0, 30.0)
START_MEMORY = 0.5
LEARNING_EVENTS = 240
"""Events enough to learn a hand from; longer takes are sampled phrase by phrase."""
STARTING_EVENTS = 120
"""Events enough to tell roughly where the hand lies."""
WEIGHT_PRIOR_EVENTS = 25.0
COARSE_MET = 3.0
"""Long notes are few, so they are met less often than turned to: no take makes them rare."""
DOTTED_SHARE = 0.75
DOTTED_MASS = 0.3
DOTTED_DOUBTS = 1.8
SHARE_RANGE = tuple(ratio / (1.0 + ratio) for ratio in RATIO_RANGE)
"""Where second notes of a swung pair may lie, as a share of the pair."""
LEAST_DOUBT, WIDEST_DOUBT = 0.025, 0.08
"""Standard errors of a second note's place: below the one its ratio is known, the other is all
that is allowed for."""


def _sample(edges: Ints, wanted: int) -> Ints:
    """Phrases that hold about so many events, spread evenly over the take."""
    sizes = np.diff(edges)
    if sizes.sum() <= wanted * 1.3:
        return np.arange(len(sizes))
    keep = max(1, round(len(sizes) * wanted / sizes.sum()))
    return np.unique(np.linspace(0, len(sizes) - 1, keep).round().astype(np.int64))


@dataclass(frozen=True, eq=False)
class Learned(_Frozen):
    """A player's hand and accents; lanes at his swing ratios, with their prior shares.

    `weight` has shape (meters, lanes): how often he was met on each row.
    """

    hand: Hand
    accent: Accent
    lanes: tuple[Lane, ...]
    weight: Floats


def learn(events: Events, edges: Ints, bars: Bars, rows: tuple[int, ...]) -> Learned:
    """What a few phrases tell of the player. `rows` are the candidate subdivisions."""
    span, local = span_of(edges, _sample(edges, LEARNING_EVENTS))
    part = events.at(span)
    lanes = first_lanes(rows)
    even = np.ones(len(SUBDIVISIONS))
    scene = Scene.of(part, local, bars, lanes, lane_weights(lanes, bars, even))
    hand = _best_start(scene.part(_sample(local, STARTING_EVENTS)))
    swing: dict[int, tuple[float, float]] = {}
    met, accent = even, NO_ACCENT
    for last in (False, True):
        lean, belief = learning_lean(scene, hand)
        swing = _swing(scene, belief, hand.center_ms + lean, hand)
        linked = np.ones(len(part))
        linked[local[:-1]] = 0.0
        slot, flat = scene.layout.slot, (-1, len(part))
        deviation = scene.lattice.deviation_ms[..., slot] - lean
        hand = estimate(deviation.reshape(flat), belief[..., slot].reshape(flat), linked, hand)
        met = _rows_met(scene, belief)
        accent = _accent(scene, belief)
        if not last:
            lanes = refined_lanes(rows, {row: (_ratio(x),) for row, (x, _) in swing.items()})
            scene = scene.anew(lanes, lane_weights(lanes, bars, met), hand.center_ms, accent)
    lanes = refined_lanes(rows, {row: _about(*place) for row, place in swing.items()})
    return Learned(hand, accent, lanes, lane_weights(lanes, bars, met))


def _best_start(scene: Scene) -> Hand:
    """The likeliest of a lattice of centers and spreads, free runs left out."""
    prior_mean, prior_sd = CENTER_PRIOR_MS
    grid = np.array(np.meshgrid(START_SPREADS_MS, START_CENTERS_MS)).reshape(2, -1, 1)
    spread, center = np.repeat(grid, len(scene), axis=2)
    total = scene.evidence(center, spread, START_MEMORY, with_free=False).sum(axis=1)
    total -= 0.5 * ((center[:, 0] - prior_mean) / prior_sd) ** 2
    at = int(total.argmax())
    return Hand(float(center[at, 0]), float(spread[at, 0]), START_MEMORY)


def _accent(scene: Scene, belief: Singles) -> Accent:
    """How the player stresses beats, from the notes read so far."""
    on_beat = scene.lattice.on_beat > 0
    slot = scene.layout.slot
    on = (belief * on_beat).sum(axis=(0, 1), dtype=np.float64)[slot]
    off = (belief * ~on_beat).sum(axis=(0, 1), dtype=np.float64)[slot]
    return learned(scene.events.loudness, on, off)


def _rows_met(scene: Scene, belief: Singles) -> Floats:
    """Relative frequency of each row, shrunk to even shares."""
    rows = [lane.row for lane in scene.lattice.lanes]
    by_lane = belief.sum(axis=(0, 2), dtype=np.float64)
    mass = np.bincount(rows, by_lane, minlength=len(SUBDIVISIONS))
    offered_rows = {lane.row for lane in scene.lattice.lanes}
    share = (mass + WEIGHT_PRIOR_EVENTS / len(offered_rows)) / (mass.sum() + WEIGHT_PRIOR_EVENTS)
    met = share * len(offered_rows)
    met[list(COARSE)] = np.maximum(met[list(COARSE)], COARSE_MET)
    return np.asarray(met)


def _swing(
    scene: Scene, belief: Singles, center_ms: Floats, hand: Hand
) -> dict[int, tuple[float, float]]:
    """Where second notes lie in their pair, and its standard error, per swung row really played.

    Dotted pairs sound like a swing of 3 : 1. A place that may well be that is dotted, and not
    listed; one that is surely less is swing, and takes the pairs called dotted along.
    """
    found: dict[int, tuple[float, float]] = {}
    lattice = scene.lattice
    least, most = SHARE_RANGE
    wider = np.sqrt(inflation(hand.memory))
    for row in {lane.row for lane in lattice.lanes if SUBDIVISIONS[lane.row].swung}:
        swung = [i for i, lane in enumerate(lattice.lanes) if lane.row == row]
        dotted = [i for i, lane in enumerate(lattice.lanes) if lane.shape == row]
        pair = _pair_ms(scene, row)
        share, total, _ = _second_share(scene, belief, center_ms, pair, swung)
        both, family, step = _second_share(scene, belief, center_ms, pair, swung + dotted)
        doubt = hand.spread_ms / step / np.sqrt(max(family, 1.0))
        if family - total > DOTTED_MASS * family and both < DOTTED_SHARE - doubt * DOTTED_DOUBTS:
            share, total = both, family
        if total >= FEWEST_SWUNG_NOTES and share >= least:
            error = wider * hand.spread_ms / step / np.sqrt(total)
            found[row] = (min(share, most), float(error))
    return found


def _about(share: float, error: float) -> tuple[float, ...]:
    """The ratio at a place in the pair, between those one standard error away if that matters."""
    least, most = SHARE_RANGE
    error = min(error, WIDEST_DOUBT)
    if error < LEAST_DOUBT:
        return (_ratio(share),)
    return tuple(_ratio(x) for x in (max(share - error, least), share, min(share + error, most)))


def _ratio(share: float) -> float:
    """Long : short, from the second note's place in the pair."""
    return share / (1.0 - share)


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
    event = scene.layout.event
    late = (lattice.deviation_ms[:, lanes] - center_ms[event]) / pair_ms[event]
    share = (ratio / (1 + ratio))[:, None] + late
    pair = float((weight.sum(axis=(0, 1)) @ pair_ms[event]) / total)
    return float((weight * share).sum(dtype=np.float64) / total), total, pair


def _pair_ms(scene: Scene, row: int) -> Floats:
    """Length in ms of the two notes that swing together, per event."""
    meter = scene.bars.meter[bar_index(scene.bars, scene.events.quarter)]
    return np.asarray(pair_quarters(scene.bars)[row, meter] * scene.events.quarter_ms)


def lane_weights(lanes: tuple[Lane, ...], bars: Bars, met: Floats) -> Floats:
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
