"""Which strokes may be ornaments, judged by length and loudness alone: a first guess.

Conventions: a stroke is an ornament of the next one; `guess` is Boolean, one per stroke. What a
stroke means for the rhythm is weighed later (`graces`).
"""

from __future__ import annotations

import numpy as np

from improv.model import Bools
from improv.strokes import Strokes

GRACE_LONGEST_SEC = 0.075
"""A short grace note keeps its length at any tempo (Timmers et al. 2002); the bound is ours."""
GRACE_SHARE = 0.68
"""At fast tempi a grace is shorter still: nearer to half a unit, an upbeat is a written one."""
GRACE_FLAT_SEC = 0.045
"""The longest where all notes around are equally loud, or two limbs strike."""
GRACE_ISOLATION = 0.4
"""A grace note's step is under this share of the steps around it; a run's notes are not."""
QUIET_SHARE = 0.9
"""A grace is this much softer than its note, unless the take knows no loud and soft."""
ORDER_SEC = 0.025
"""Closer than this the ear hardly tells which came first (Hirsh 1959 has 20 ms; from memory)."""
SOFT_SHARE, SOFT_GRACE_SHARE, SOFT_ISOLATION = 0.86, 0.75, 0.65
"""A note clearly softer than both its neighbours may be a grace at more, and nearer to others."""


def guess(strokes: Strokes) -> Bools:
    """Whether each stroke is an ornament of the next one: short, isolated, not louder.

    Where half a unit is hardly longer than that, an upbeat of its length is a rhythm. Two
    limbs of a drummer never strike quite together, whichever is louder.
    """
    onset_sec, loudness = strokes.onset_sec, strokes.loudness
    count = len(onset_sec)
    grace = np.zeros(count, dtype=np.bool_)
    if count < 2:
        return grace
    step = np.diff(onset_sec)
    before = np.concatenate([[np.inf], step[:-1]])
    after = np.concatenate([step[1:], [np.inf]])
    neighbours = np.minimum(loudness[1:], np.concatenate([loudness[1:2], loudness[:-2]]))
    soft = loudness[:-1] < SOFT_SHARE * neighbours
    share = np.where(soft, SOFT_GRACE_SHARE, GRACE_SHARE)
    isolation = np.where(soft, SOFT_ISOLATION, GRACE_ISOLATION)
    short = step <= np.minimum(share * strokes.half_unit_sec[1:], GRACE_LONGEST_SEC)
    short &= step < isolation * np.minimum(before, after)
    flat = (loudness[:-1] == loudness[1:]) & (loudness[:-1] == neighbours)
    quieter = loudness[:-1] < QUIET_SHARE * loudness[1:]
    quieter |= (step <= ORDER_SEC) | ((flat | strokes.percussion) & (step <= GRACE_FLAT_SEC))
    grace[:-1] = short & quieter
    return grace
