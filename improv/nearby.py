"""Hands near the one thought of: phrases in doubt are read under the likeliest of them.

Conventions: center and spread in ms, per event; positive centers are late. What a phrase's hand
is thought to be rests on one reading of it, which was wrong where the phrase was misread. So
where a reading leaves much open, other hands are held against the notes: lines turned about the
middle of the phrase and moved to either side, then wider and tighter spreads. What a hand gains
in likelihood is charged with how far it lies from the one thought of.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from improv.choose import by_rows
from improv.frame import Singles
from improv.hand import SPREAD_RANGE_MS
from improv.model import Floats, Ints
from improv.scene import Scene, span_of

OPEN_SHARE = 0.08
"""A phrase is in doubt when so much of its notes' chances lies outside their likeliest rows."""
LEAST_NOTES = 0.03
SHIFTS_MS = (0.0, -8.0, 8.0)
SLOPES = (0.0, -0.01, 0.01, -0.02, 0.02)
"""Drift in ms per ms: 0.02 drags by 2 %; `lean` looks for more."""
WIDTHS = (1.0, 0.75, 1.3)
SHIFT_SD_MS, SLOPE_SD, LOG_WIDTH_SD = 8.0, 0.018, 0.2
"""How far the hand thought of may be wrong (tuned; benchmarks)."""


def closer(
    scene: Scene, belief: Singles, center_ms: Floats, spread_ms: Floats, memory: float
) -> tuple[Singles, Floats, Floats]:
    """Posterior, center and spread, those of doubtful phrases under the likeliest hand nearby.

    `belief` is the posterior under the hand given; phrases it leaves in no doubt keep it.
    """
    chosen = _in_doubt(scene, belief)
    if not len(chosen):
        return belief, center_ms, spread_ms
    span, _ = span_of(scene.edges, chosen)
    slots = scene.layout.slot[span]
    # A lane that hardly a note was given to is left out: half of them, as a rule.
    notes = belief[..., slots].sum(axis=(0, 2))
    kept = np.flatnonzero(notes >= min(LEAST_NOTES, notes.max()))
    part = scene.part(chosen).only(kept)
    center, spread = _likeliest(part, center_ms[span], spread_ms[span], memory)
    again = part.believe(center, spread, memory)
    belief, center_ms, spread_ms = belief.copy(), center_ms.copy(), spread_ms.copy()
    whole = np.zeros((2, belief.shape[1], len(span)), dtype=belief.dtype)
    whole[:, kept] = again[..., part.layout.slot]
    belief[..., slots] = whole
    center_ms[span], spread_ms[span] = center, spread
    return belief, center_ms, spread_ms


def _in_doubt(scene: Scene, belief: Singles) -> Ints:
    """Phrases whose posterior leaves much open."""
    lane_rows = np.array([lane.row for lane in scene.lattice.lanes])
    by_row = by_rows(belief.sum(axis=0, dtype=np.float64), lane_rows)
    left_open = 1.0 - by_row.max(axis=0)[scene.layout.slot]
    sizes = np.diff(scene.edges)
    total = np.bincount(scene.phrase, left_open, len(sizes))
    return np.flatnonzero(total >= OPEN_SHARE * sizes)


def _likeliest(
    scene: Scene, center_ms: Floats, spread_ms: Floats, memory: float
) -> tuple[Floats, Floats]:
    """Center and spread per event: of each phrase's likeliest line, then its likeliest width."""
    lines, charges = map(np.array, zip(*_lines(), strict=True))
    centers = center_ms + lines[:, :1] + lines[:, 1:] * _since_middle_ms(scene)
    spreads = np.tile(spread_ms, (len(lines), 1))
    center_ms = _best(scene, centers, spreads, memory, charges, centers)
    spreads = np.clip(np.array(WIDTHS)[:, None] * spread_ms, *SPREAD_RANGE_MS)
    centers = np.tile(center_ms, (len(WIDTHS), 1))
    charges = 0.5 * (np.log(WIDTHS) / LOG_WIDTH_SD) ** 2
    return center_ms, _best(scene, centers, spreads, memory, charges, spreads)


def _best(
    scene: Scene, centers: Floats, spreads: Floats, memory: float, charges: Floats, wanted: Floats
) -> Floats:
    """Of `wanted` (hands, events) each phrase's row under its likeliest hand."""
    found = scene.evidence(centers, spreads, memory, with_free=True) - charges[:, None]
    best = found.argmax(axis=0)[scene.phrase]
    return np.asarray(wanted[best, np.arange(len(scene))])


def _lines() -> Iterator[tuple[tuple[float, float], float]]:
    """Shift in ms and slope of every line tried, and its charge."""
    for shift in SHIFTS_MS:
        for slope in SLOPES:
            yield (shift, slope), 0.5 * (shift / SHIFT_SD_MS) ** 2 + 0.5 * (slope / SLOPE_SD) ** 2


def _since_middle_ms(scene: Scene) -> Floats:
    """Time of each event from the middle of its phrase."""
    at_ms, edges = scene.events.onset_sec * 1000.0, scene.edges
    middle = 0.5 * (at_ms[edges[:-1]] + at_ms[edges[1:] - 1])
    return np.asarray(at_ms - middle[scene.phrase])
