"""Whether notes heed the grids they are put on, or lie about them as chance would have it.

Conventions
-----------
Any rhythm lies near some grid: notes strewn at random stray from a grid of step d by d / sqrt(12)
on average, and one who may change grids at will finds nearer ones still. So the density of the
deviations, under a hand as wide as they are, is held against an even one over each step, in nats;
every change of subdivision costs. What is summed over a take and comes out well below nothing
was no playing on a grid. (A dense run that keeps count over a long way may be on its grid though
every note strays too far to show it: such takes are doubted too, as nobody could write them down.)
"""

from __future__ import annotations

import numpy as np

from improv.frame import MEMORY_CLIP, heavy_tailed
from improv.hand import Hand
from improv.model import Bools, Floats, Ints

CHANGE_CHARGE = 1.5
"""Nats for naming a subdivision, at a phrase's start and wherever it changes (tuned: simulated
solos are to be believed, random ones not)."""
PRIOR_ODDS = 6.0
"""Log odds, before a note is heard, that a take is played to the beat (our choice)."""
HAND_NOTES = 2.0
NARROWEST_MS = 4.0


def heeds(evidence_nats: Floats) -> float:
    """Chance that a take's notes heed their grids, by the evidence of its phrases."""
    odds = np.clip(PRIOR_ODDS + evidence_nats.sum(), -50.0, 50.0)
    return float(1.0 / (1.0 + np.exp(-odds)))


def evidence(stray_ms: Floats, step_ms: Floats, row: Ints, phrase: Ints, hand: Hand) -> Floats:
    """Each phrase's evidence for heeding its grids, in nats: (phrases,).

    `stray_ms` (events,) is the deviation from where the player leant, `step_ms` the mean step of
    the event's subdivision, `row` -1 off any grid, where the first two mean nothing.
    """
    count = int(phrase[-1]) + 1 if len(phrase) else 0
    held = (row >= 0) & np.isfinite(step_ms)
    stray = np.where(held, stray_ms, 0.0)
    step = np.where(held, step_ms, 1.0)
    squares = np.bincount(phrase, stray**2, count) + HAND_NOTES * hand.spread_ms**2
    width = np.sqrt(squares / (np.bincount(phrase, held, count) + HAND_NOTES))
    width = np.maximum(width, NARROWEST_MS)[phrase]
    linked = held & np.concatenate([[False], held[:-1] & (np.diff(phrase) == 0)])
    before = np.concatenate([[0.0], stray[:-1]])
    memory = np.where(linked, hand.memory, 0.0)
    remembered = memory * np.clip(before, -MEMORY_CLIP * width, MEMORY_CLIP * width)
    plain = _gain(stray, width, step, held)
    chained = _gain(stray - remembered, width * np.sqrt(1.0 - memory**2), step, held)
    gain = np.maximum(np.bincount(phrase, plain, count), np.bincount(phrase, chained, count))
    named = np.bincount(phrase, _changes(row, phrase, held), count)
    return np.asarray(gain - CHANGE_CHARGE * named)


def _gain(stray_ms: Floats, width_ms: Floats, step_ms: Floats, held: Bools) -> Floats:
    """Log density of each deviation under a hand with fumbles, times the step: (events,)."""
    density = np.log(heavy_tailed(stray_ms.astype(np.float32), width_ms.astype(np.float32)))
    return np.where(held, density + np.log(step_ms), 0.0)


def _changes(row: Ints, phrase: Ints, held: Bools) -> Bools:
    """Events on a grid that begin a phrase or come after one of another subdivision."""
    same = (row[1:] == row[:-1]) & (phrase[1:] == phrase[:-1])
    return np.asarray(held & ~np.concatenate([[False], same]))
