"""Swing: the ratio long : short of paired notes, per phrase, apart from lateness.

Conventions
-----------
Notes come with their place in the pair (first or second) and their distance from
the pair's start as a share of the pair. The first notes fix where the pair
really begins, so a player who lays back does not seem to swing less. The ratio is
r = s / (1 - s) with s the mean share of the second notes minus that of the first
(Friberg & Sundström 2002 measure long over short likewise); 1 is straight, 2 triplet. Undefined
(NaN) below `FEWEST_SECONDS` second notes or without a first note.
"""

from __future__ import annotations

import numpy as np

from improv.model import Bools, Floats, Ints

FEWEST_SECONDS = 3


def ratios(share: Floats, second: Bools, weight: Floats, phrase: Ints, count: int) -> Floats:
    """Swing ratio per phrase, shape (count,), NaN where undefined.

    `share` (N,) is where the note lies in its pair (about 0 for firsts, 0.5 to 0.8 for
    seconds), `weight` 0 leaves a note out.
    """
    first_weight = np.bincount(phrase, weight * ~second, count)
    second_weight = np.bincount(phrase, weight * second, count)
    seconds = np.bincount(phrase, (weight > 0) & second, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        first = np.bincount(phrase, weight * ~second * share, count) / first_weight
        late = np.bincount(phrase, weight * second * share, count) / second_weight
        between = late - first
        ratio = between / (1.0 - between)
    known = (seconds >= FEWEST_SECONDS) & (first_weight > 0) & (between > 0.2) & (between < 0.95)
    return np.asarray(np.where(known, ratio, np.nan))
