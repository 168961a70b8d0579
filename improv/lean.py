"""Leans: where a player's center moves inside a phrase, by drifting or for a while.

Conventions
-----------
A lean is the expected deviation in ms at an event against the hand's center, positive =
late. Lines are tried where the level hand explains a phrase badly: a player who drags
starts near the beat and falls behind in proportion to time. Drift is followed up to
about half a step of the grid played; beyond it the notes are nearer to other positions, and
nobody can tell drift from leaving the beat.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv.frame import Singles
from improv.hand import Hand, nearness
from improv.model import Floats, Ints
from improv.scene import Scene, span_of

SLOPES = tuple(sign * step for sign in (-1, 1) for step in (0.008, 0.018, 0.03, 0.045))
"""Drifts tried per phrase: ms gained or lost per ms, from the hand's center or from none."""
SHIFTS = tuple((start, slope) for start in (-14.0, 14.0) for slope in (-0.01, 0.01))
"""Shifts tried per phrase: where it begins in ms against the center, and its slope."""
LEAN_PRIOR_MS = 10.0
SLOPE_PRIOR = 0.012
LEAN_CHARGE = 2.5
LARGEST_CHARGE = 5.0
SLOPE_WIDEST = 0.05
TIGHT_SPREAD_MS = 12.0
"""A drifting take looks scattered until its drift is known: leans are tried with this too."""
PLAIN_MEMORY = 0.5
"""Memory where drift may have passed for it."""
FEWEST_FOR_DRIFT = 6
DOUBTFUL_SPREADS = 1.7
DOUBTFUL_SHARE = 0.5
TREND = 0.4
"""Deviations that run this straight may be drift that the hand has taken for scatter."""
WIDE_SPREAD_MS = 26.0
"""So may a scatter this wide, which few players have."""


def _believe(scene: Scene, hand: Hand, lean: Floats | float = 0.0) -> Singles:
    """Posterior under a hand that moves by `lean` (events,) only, in ms."""
    flat = np.zeros(len(scene))
    return scene.believe(flat + hand.center_ms + lean, flat + hand.spread_ms, hand.memory)


def leaning(scene: Scene, hand: Hand) -> tuple[Floats, Singles]:
    """Lean in ms per event against the hand's center, and the posterior under it.

    Phrases that the plain hand explains well are left alone; lines are tried on the others.
    """
    belief = _believe(scene, hand)
    return _with_lines(scene, belief, hand, _doubtful(scene, belief, hand), False)


def learning_lean(scene: Scene, hand: Hand) -> tuple[Floats, Singles]:
    """The same while the hand is being learned: level, unless its scatter may well be drift.

    Drift may then have passed for a constant lean, and for memory.
    """
    belief = _believe(scene, hand)
    if _trend(scene, belief) < TREND and hand.spread_ms < WIDE_SPREAD_MS:
        return np.zeros(len(scene)), belief
    hand = replace(hand, memory=min(hand.memory, PLAIN_MEMORY))
    long_enough = np.flatnonzero(np.diff(scene.edges) >= FEWEST_FOR_DRIFT)
    return _with_lines(scene, belief, hand, long_enough, True)


def _with_lines(
    scene: Scene, belief: Singles, hand: Hand, chosen: Ints, afresh: bool
) -> tuple[Floats, Singles]:
    """Lean and posterior where lines are tried on some of the phrases."""
    lean = np.zeros(len(scene))
    if len(chosen):
        span, _ = span_of(scene.edges, chosen)
        part = scene.part(chosen)
        lean[span] = _first_lean(part, hand, afresh)
        again = _believe(part, hand, lean[span])
        belief[..., scene.layout.slot[span]] = again[..., part.layout.slot]
    return lean, belief


def _doubtful(scene: Scene, belief: Singles, hand: Hand) -> Ints:
    """Phrases that stray more than the hand does, or leave the grid."""
    error, on_grid = scene.expected(belief)
    count = len(scene.edges) - 1
    total = np.bincount(scene.phrase, on_grid, count)
    squares = np.bincount(scene.phrase, on_grid * (error - hand.center_ms) ** 2, count)
    wide = squares > (DOUBTFUL_SPREADS * hand.spread_ms) ** 2 * total
    off = total < DOUBTFUL_SHARE * np.diff(scene.edges)
    return np.flatnonzero((wide | off) & (np.diff(scene.edges) >= FEWEST_FOR_DRIFT))


def _trend(scene: Scene, belief: Singles) -> float:
    """Share of the scatter inside phrases that straight lines over time explain (r squared)."""
    at, phrase, count = scene.events.onset_sec, scene.phrase, len(scene.edges) - 1
    error, weight = scene.expected(belief)
    total = np.maximum(np.bincount(phrase, weight, count), 1e-9)
    across = at - (np.bincount(phrase, weight * at, count) / total)[phrase]
    along = error - (np.bincount(phrase, weight * error, count) / total)[phrase]
    both = np.bincount(phrase, weight * across * along, count)
    lever = np.bincount(phrase, weight * across**2, count)
    explained = both**2 / np.maximum(lever, 1e-9)
    return float(explained.sum() / max((weight * along**2).sum(), 1e-9))


def _first_lean(scene: Scene, hand: Hand, afresh: bool) -> Floats:
    """Expected lean in ms at every event against the hand's center: level, or a line.

    The best of a few lines, judged by the grids alone, is drawn closer to the notes; it
    is taken where it explains the phrase better than the level hand does, free runs and all.
    """
    events, edges, phrase = scene.events, scene.edges, scene.phrase
    since_ms = (events.onset_sec - events.onset_sec[edges[:-1]][phrase]) * 1000.0
    lines, charge = _lines(hand, afresh)
    lean = lines[:, :1] + lines[:, 1:] * since_ms
    tight = min(hand.spread_ms, TIGHT_SPREAD_MS)
    spread = np.full(lean.shape, tight)
    found = scene.evidence(hand.center_ms + lean, spread, hand.memory, False) - charge[:, None]
    chosen = found[1:].argmax(axis=0) + 1
    line, cost = lines[chosen], charge[chosen]
    leaning = hand.center_ms + line[phrase, 0] + line[phrase, 1] * since_ms
    belief = scene.believe(leaning, spread[0], hand.memory, with_free=False)
    line = _closer(scene, belief, hand, leaning, since_ms, tight)
    drawn = line[phrase, 0] + line[phrase, 1] * since_ms
    both = hand.center_ms + np.stack([np.zeros(len(scene)), drawn])
    widths = np.repeat([[hand.spread_ms], [tight]], 2, axis=0) * np.ones(len(scene))
    found = scene.evidence(np.tile(both, (2, 1)), widths, hand.memory, True)
    found = found.reshape(2, 2, -1).max(axis=0)
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


def _lines(hand: Hand, afresh: bool) -> tuple[Floats, Floats]:
    """Lines to try, (lines, 2) of start in ms and slope, the level one first; and their charges."""
    level, drifts = [(0.0, 0.0)], [(0.0, slope) for slope in SLOPES]
    # Drift may have been taken for a constant lean: then the phrase began at none.
    anew = [(-hand.center_ms, slope) for slope in SLOPES] if afresh else []
    lines = np.array([*level, *drifts, *SHIFTS, *anew])
    starts = np.where(np.arange(len(lines)) < len(lines) - len(anew), lines[:, 0], 0.0)
    charge = 0.5 * (starts / LEAN_PRIOR_MS) ** 2 + 0.5 * (lines[:, 1] / SLOPE_PRIOR) ** 2
    charge = np.minimum(charge, LARGEST_CHARGE) + LEAN_CHARGE
    charge[0] = 0.0
    return lines, charge
