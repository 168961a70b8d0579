"""Who plays: a hand's constant offset, its scatter with memory, its swing.

The scatter of event n is a_n = rho a_(n-1) + sqrt(1 - rho^2) sigma e_n, begun afresh in
each phrase from its stationary law, so its standard deviation is sigma throughout. A
fumbled note strays by an extra N(0, (`fumble_size` sigma)^2) that the next note does not
remember. Conventions: ms, positive = late.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.model import Bools, Floats
from improv.synth_plan import Plan


@dataclass(frozen=True)
class Hand:
    """A player. The three `…_wander` say how much each phrase differs from the player's own.

    `offset_ms`: constant lateness; `spread_ms`: standard deviation of the scatter;
    `memory`: its correlation from note to note; `swing_ratio` for swung units (eighths in
    4/4) and `half_swing_ratio` for swung half-units, long : short; `fumbles`: share of
    notes fumbled. `free_scatter` caps the scatter inside free runs as a share of the step:
    a fast run is felt as one gesture.
    """

    offset_ms: float = 0.0
    spread_ms: float = 10.0
    memory: float = 0.5
    swing_ratio: float = 1.6
    half_swing_ratio: float = 1.6
    fumbles: float = 0.0
    fumble_size: float = 3.0
    free_scatter: float = 0.1
    offset_wander_ms: float = 0.0
    spread_wander: float = 0.0
    swing_wander: float = 0.0


@dataclass(frozen=True)
class PhraseHand:
    """The hand as it is in one phrase."""

    offset_ms: float
    spread_ms: float
    swing_ratio: float
    half_swing_ratio: float


def phrase_hands(hand: Hand, phrases: int, rng: np.random.Generator) -> list[PhraseHand]:
    """Each phrase's own variation of the hand."""
    offset = hand.offset_ms + hand.offset_wander_ms * rng.standard_normal(phrases)
    spread = hand.spread_ms * np.exp(hand.spread_wander * rng.standard_normal(phrases))
    swing = hand.swing_wander * rng.standard_normal((phrases, 2))
    return [
        PhraseHand(
            float(offset[i]),
            float(spread[i]),
            max(1.05, hand.swing_ratio + float(swing[i, 0])),
            max(1.05, hand.half_swing_ratio + float(swing[i, 1])),
        )
        for i in range(phrases)
    ]


def scatter(
    plan: Plan, due_sec: Floats, hands: list[PhraseHand], hand: Hand, rng: np.random.Generator
) -> tuple[Floats, Bools]:
    """Each event's stray from where it was due, in ms, and whether it was fumbled."""
    count = len(plan.phrase)
    fresh = rng.standard_normal(count)
    stray = np.zeros(count)
    keep, renew = hand.memory, np.sqrt(1.0 - hand.memory**2)
    for i in range(count):
        begins = i == 0 or plan.phrase[i] != plan.phrase[i - 1]
        stray[i] = fresh[i] if begins else keep * stray[i - 1] + renew * fresh[i]
    sigma = np.array([h.spread_ms for h in hands])[plan.phrase] if count else np.zeros(0)
    fumbled = rng.random(count) < hand.fumbles
    stray += fumbled * hand.fumble_size * rng.standard_normal(count)
    step_ms = 1000.0 * np.diff(due_sec, prepend=due_sec[:1] - 1.0)
    capped = np.where(plan.subdivision < 0, np.minimum(sigma, hand.free_scatter * step_ms), sigma)
    return capped * stray, fumbled
