"""Accents: what a note's loudness says of its place, for players who stress beats, or avoid them.

Conventions
-----------
Loudness is MIDI velocity against its neighbours' mean, so that a crescendo is no accent. From
the notes read so far, the player's mean loudness on beats and off them is learned, the
difference drawn to none (`PRIOR_NOTES`): somebody who does not stress beats tells nothing.
A position then weighs by the density of the loudness there over that of notes on no grid.
That accents help to place the beat is common practice, no source; the model is ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.model import Floats, Ints

NEIGHBOURS = 8
"""Events on each side that make up the loudness around a note."""
PRIOR_NOTES = 6.0
"""Notes against which an accent must show."""
LEAST_SD = 5.0
"""Scatter of loudness that any player has, in steps of velocity (our choice)."""
STRONGEST = 2.0
"""No single note's loudness counts for more than these odds, logged."""
FREE_POWER = 0.3
"""Free runs are stressed as chance has it, or not at all: their loudness is taken to lie so far
between that of any note and that of the likelier kind (tuned; benchmarks)."""


@dataclass(frozen=True)
class Accent:
    """Loudness on beats against off them (`stress`), its scatter, and the share of notes on beats.

    `middle` is halfway between the two means.
    """

    stress: float = 0.0
    middle: float = 0.0
    sd: float = 1.0
    on_share: float = 0.5

    def weights(self, loudness: Floats) -> tuple[Floats, Floats]:
        """How much likelier each loudness is on a beat, and off it, than in a free run."""
        odds = (loudness - self.middle) * self.stress / self.sd**2
        louder = np.exp(np.clip(odds, -STRONGEST, STRONGEST))
        any_note = self.on_share * louder + 1.0 - self.on_share
        free = any_note ** (1.0 - FREE_POWER) * np.maximum(louder, 1.0) ** FREE_POWER
        return louder / free, 1.0 / free


NO_ACCENT = Accent()


def against_neighbours(velocity: Ints | Floats) -> Floats:
    """Loudness of each event against the mean of those around it, itself included."""
    count = len(velocity)
    each = np.arange(count)
    low, high = np.maximum(each - NEIGHBOURS, 0), np.minimum(each + NEIGHBOURS + 1, count)
    total = np.concatenate([[0.0], np.cumsum(velocity, dtype=np.float64)])
    return np.asarray(velocity - (total[high] - total[low]) / (high - low))


def learned(loudness: Floats, on_beat: Floats, off_beat: Floats) -> Accent:
    """The accents of notes whose chances to stand on a beat, and off one, are given."""
    on, off = float(on_beat.sum()), float(off_beat.sum())
    if min(on, off) < 1.0:
        return NO_ACCENT
    loud, soft = float(on_beat @ loudness) / on, float(off_beat @ loudness) / off
    squares = float(on_beat @ (loudness - loud) ** 2 + off_beat @ (loudness - soft) ** 2)
    sd = max(float(np.sqrt(squares / (on + off))), LEAST_SD)
    worth = 1.0 / (1.0 / on + 1.0 / off)
    stress = (loud - soft) * worth / (worth + PRIOR_NOTES)
    return Accent(stress, (loud + soft) / 2.0, sd, on / (on + off))
