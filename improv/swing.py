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

from improv.grid import SUBDIVISIONS
from improv.hand import dotted_twin
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


def dotted_pairs(row: Ints, main: Ints, place: Floats, pair_start: Floats) -> Bools:
    """Notes called dotted pairs where the phrase swings: they are the latest of its second notes.

    Without them a wide swing would seem narrower than it is. All are per note: the row called
    and the phrase's main one, the place in the pair and where the pair starts. A pair with notes
    at other places is none.
    """
    twin = np.array([dotted_twin(r) if s.swung else -1 for r, s in enumerate(SUBDIVISIONS)])
    denser = (row == twin[main]) & (row >= 0) & (main >= 0)
    with np.errstate(invalid="ignore"):
        of_pair = (place < 0.01) | (np.abs(place - 0.75) < 0.01)
    filled = np.isin(pair_start, pair_start[denser & ~of_pair])
    return np.asarray(denser & of_pair & ~filled)
