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

from improv.grid import SUBDIVISIONS, pair_quarter, twice_as_dense
from improv.hand import nearness
from improv.model import Bars, Bools, Floats, Ints
from improv.tempo import bar_index

FEWEST_SECONDS = 3
SAME_QUARTER = 1e-7
SECOND_FROM = 0.25
"""Second notes lie later in their pair than this, at whatever ratio."""


def pair_quarters(bars: Bars) -> Floats:
    """The `pair_quarter` of every row in every meter of the bars, shape (rows, meters)."""
    rows = range(len(SUBDIVISIONS))
    return np.array([[pair_quarter(row, meter) for meter in bars.meters] for row in rows])


def pairs(bars: Bars, quarter: Floats, row: Ints) -> tuple[Floats, Floats, Floats]:
    """Where the pair of each position starts, how long it is (quarters), and the place in it (0-1).

    `row` is whose pairs, -1 for none; NaN where there are none.
    """
    bar = bar_index(bars, quarter + SAME_QUARTER)
    length = np.where(row >= 0, pair_quarters(bars)[row, bars.meter[bar]], np.nan)
    with np.errstate(invalid="ignore"):
        into = (quarter - bars.start_quarter[bar] + SAME_QUARTER) / length
        start = bars.start_quarter[bar] + np.floor(into) * length
        return start, length, into - np.floor(into)


def at_one_ratio(
    bars: Bars, row: Ints, quarter: Floats, stray_ms: Floats, quarter_ms: Floats, spread_ms: float
) -> Floats:
    """The positions of one swung row's notes, all at the ratio that they have together.

    Where a take leaves its ratio in doubt, each note was read at the nearest of several;
    held against those, it would seem to stray less than it does. `stray_ms` is the distance from
    the position, leaning left out. Positions come back as they are where the notes tell no ratio.
    """
    start, length, place = pairs(bars, quarter, row)
    second = place > SECOND_FROM
    share = place + stray_ms / (length * quarter_ms)
    usual = nearness(stray_ms, np.full(len(row), spread_ms))
    ratio = float(ratios(share, second, usual, np.zeros(len(row), dtype=np.int64), 1)[0])
    return np.where(second & ~np.isnan(ratio), start + length * ratio / (1.0 + ratio), quarter)


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
    twin = np.array([twice_as_dense(r) if s.swung else -1 for r, s in enumerate(SUBDIVISIONS)])
    denser = (row == twin[main]) & (row >= 0) & (main >= 0)
    with np.errstate(invalid="ignore"):
        of_pair = (place < 0.01) | (np.abs(place - 0.75) < 0.01)
    filled = np.isin(pair_start, pair_start[denser & ~of_pair])
    return np.asarray(denser & of_pair & ~filled)
