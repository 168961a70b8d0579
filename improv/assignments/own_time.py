"""Notes that keep the asked steps in a time of their own: a drift, not another subdivision.

Eighths that drag lie on sixteenths sooner or later, yet one eighth apart: nobody would call
them finer. The asked steps are followed from note to note: from notes on the backing's grid, a
note keeps its step when it lands where the deviation so far, and the drift so far, let it be
expected. A jump to another place of the beat is not kept, nor is what follows it, until the
player is on the grid again.

Conventions: deviations in steps of the asked subdivision, positive = late; a slope is what the
deviation gains per step.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from improv.assignments.evidence import Evidence
from improv.assignments.following import RATIOS, Lane, lanes
from improv.assignments.leaving import DOUBTED_FROM, Leaving, leaving, pairs_may_swing
from improv.grid import SUBDIVISIONS, find, row_of
from improv.meter import Meter
from improv.model import Bools, Floats

FOLLOW_CLOSELY, FOLLOW_SLOPE = 0.6, 0.05
"""How far the expected deviation follows each note's, closer than along a whole phrase so that a
drift may turn, and how far the expected drift does (our choice)."""
MOST_OWN_SLOPE = 0.08
"""A tempo further than this from the backing's is another subdivision here: nine to the beat are
no eight, and few players drift as fast."""
LAG, KEPT_SPREADS, MOST_STRAY = 0.12, 3.0, 0.28
"""How far from the expected place a note keeps its step: what the expectation lags behind a drift
at first, and the player's spread; never as far as to a triplet, a third of a step away."""
FEWEST_IN_TIME = 4
"""Notes in a row that must keep their steps: of notes twice as dense every other does."""
UNEVEN, LEAST_UNEVEN, MOST_UNEVEN, MOST_UNEVEN_SWUNG = 4.0, 0.03, 0.3, 0.15
"""How uneven the steps may be around a note, in spreads and in steps: the middle size of five
second differences is about 1.65 spreads for notes that stray by themselves (derived), and half a
step for pairs of long and short at 1.4 or 3 : 1 along triplets. Swung lanes are kept more closely:
pairs at 3 : 1 are not far from one at 2.4 : 1."""
LEAST_SWUNG = 0.1
"""How far off its lane a swung line must be to be in a time of its own: a ratio is not a time."""
WIDEST_SWING = 2.5
"""Long and short beyond this, long : short, are dotted notes, which are finer."""
KEPT_CHANCE = 0.1


def leaving_in_time(seen: Evidence, asked: tuple[str, ...], meters: tuple[Meter, ...]) -> Leaving:
    """`leaving`, where notes that keep the asked steps in their own time do not leave."""
    left = leaving(seen, asked, meters)
    suspect = left.chance >= DOUBTED_FROM
    if not suspect.any():
        return left
    own = suspect & keeps_asked(seen, asked)
    return replace(left, chance=np.where(own, KEPT_CHANCE, left.chance), own_time=own)


@lru_cache(maxsize=16)
def keeps_asked(seen: Evidence, asked: tuple[str, ...]) -> Bools:
    """Which events keep the steps of one of the `asked` subdivisions, swung or straight.

    Several requirements of a section ask it of the same events: the last answers are kept.
    """
    meters = seen.bars.meters
    rows = [SUBDIVISIONS[find(text, meters)] for text in asked]
    if pairs_may_swing(asked, meters):
        rows.append(SUBDIVISIONS[row_of("swung-unit")])
    kept = np.zeros(len(seen), dtype=np.bool_)
    for row in dict.fromkeys(rows):
        ratios = RATIOS if row.swung else (1.0,)
        for ratio, lane in zip(ratios, lanes([row], seen.bars), strict=True):
            if ratio <= WIDEST_SWING:
                kept |= _keeps_steps(seen, lane, row.swung)
    kept.setflags(write=False)
    return kept


def _keeps_steps(seen: Evidence, lane: Lane, swung: bool) -> Bools:
    """Which events keep the steps of a lane, in a row of at least `FEWEST_IN_TIME`.

    On a swung lane those that hardly deviate from it are left to their places.
    """
    spread = seen.spread_ms / seen.quarter_ms / lane.step_quarter
    deviation, kept = _follow(seen.onset_quarter, spread, lane)
    edges = np.flatnonzero(np.diff(kept, prepend=False, append=False))
    found = np.zeros(len(seen), dtype=np.bool_)
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if stop - start >= FEWEST_IN_TIME:
            uneven = _unevenness(deviation[start:stop])
            most = UNEVEN * spread[start:stop] + LEAST_UNEVEN
            ceiling = MOST_UNEVEN_SWUNG if swung else MOST_UNEVEN
            found[start:stop] = uneven <= np.minimum(most, ceiling)
    return found & (np.abs(deviation) >= LEAST_SWUNG) if swung else found


def _follow(at_quarter: Floats, spread: Floats, lane: Lane) -> tuple[Floats, Bools]:
    """Every event's deviation in steps where it was expected to be, and whether it keeps its step.

    One stray note is passed over; after more, the next one on the backing's grid begins anew.
    """
    step, places = lane.step_quarter, at_quarter.tolist()
    tolerance = np.minimum(LAG + KEPT_SPREADS * spread, MOST_STRAY).tolist()
    deviation, kept = np.zeros(len(places)), np.zeros(len(places), dtype=np.bool_)
    expected, slope, strays, before = 0.0, 0.0, 0, places[0]
    for i, at in enumerate(places):
        expected += slope * (at - before) / step
        before = at
        deviation[i] = (at - lane.nearest(at - expected * step)) / step
        away = deviation[i] - expected
        kept[i] = abs(away) <= tolerance[i]
        strays = 0 if kept[i] else strays + 1
        if kept[i]:
            expected += FOLLOW_CLOSELY * away
            slope = min(max(slope + FOLLOW_SLOPE * away, -MOST_OWN_SLOPE), MOST_OWN_SLOPE)
        elif strays > 1 and abs(anew := (at - lane.nearest(at)) / step) <= tolerance[i]:
            expected, slope, strays = anew, 0.0, 0
    return deviation, kept


def _unevenness(deviation: Floats) -> Floats:
    """Around each note, the middle size of the second differences of the deviations."""
    size = np.abs(np.diff(deviation, 2))
    padded = np.pad(size, 2, constant_values=np.nan)
    middle = np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return np.asarray(middle[np.clip(np.arange(len(deviation)) - 1, 0, len(size) - 1)])
