"""Where a subdivision's positions lie over the bars, and the swing that positions show.

Conventions: positions in quarter notes from bar 1 beat 1; rows index `grid.SUBDIVISIONS`; a
swing ratio is long : short. A bar cut short by a change of meter has only the positions before
its end.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from improv.grid import SUBDIVISIONS, USUAL_SWING, pair_quarter, swung_positions
from improv.model import Bars, Floats, Ints
from improv.tempo import bar_index

_SAME_QUARTER = 1e-6
_DELAYED = (0.2, 0.95)
"""Shares of a pair between which its second note lies; what is outside is a first note."""


def over_bars(lines: Floats, meter: Ints, within: Sequence[Floats]) -> Floats:
    """The positions of neighbouring bars, ascending.

    `lines` has one more entry than `meter` (the closing bar line); `within[m]` are the positions
    of a bar of meter m, from its bar line.
    """
    found = [np.zeros(0)]
    for start, stop, m in zip(lines[:-1], lines[1:], meter.tolist(), strict=True):
        at = start + within[m]
        found.append(at[at < stop - _SAME_QUARTER])
    return np.concatenate(found)


def grid_between(
    bars: Bars,
    row: int,
    begin_quarter: float,
    end_quarter: float,
    swing_ratio: float | None = None,
) -> Floats:
    """Positions of a row in [begin, end), over the bars there are, ascending.

    Swung rows have them at the ratio, or at the usual one where there is none.
    """
    edges = np.array([begin_quarter + _SAME_QUARTER, end_quarter - _SAME_QUARTER])
    low, high = bar_index(bars, edges).tolist()
    ratio = USUAL_SWING if swing_ratio is None else swing_ratio
    within = [np.array(swung_positions(SUBDIVISIONS[row], m, ratio)) for m in bars.meters]
    at = over_bars(bars.start_quarter[low : high + 2], bars.meter[low : high + 1], within)
    return at[(at >= begin_quarter - _SAME_QUARTER) & (at < end_quarter - _SAME_QUARTER)]


def swing_of(bars: Bars, row: int, grid_quarter: Floats) -> float | None:
    """The swing ratio that fitted grid positions show, or `None` where none is delayed.

    It is that of the median place in the pair; NaN positions are left out.
    """
    if row < 0 or not SUBDIVISIONS[row].swung:
        return None
    at = grid_quarter[~np.isnan(grid_quarter)]
    bar = bar_index(bars, at + _SAME_QUARTER)
    pair = np.array([pair_quarter(row, meter) for meter in bars.meters])[bars.meter[bar]]
    share = (at - bars.start_quarter[bar]) / pair % 1.0
    delayed = share[(share > _DELAYED[0]) & (share < _DELAYED[1])]
    if not len(delayed):
        return None
    middle = float(np.median(delayed))
    return middle / (1.0 - middle)
