"""Words over a line of a chart, in one row: each as long as its room, none on another.

Conventions: mm from the sheet's left edge. A word stands where its stretch begins; where its
room is too narrow even for its shortest form it takes some of its neighbours', who make way
as long as they still stand over their own stretch. What is in force without a word is worse
than a word that begins a little late, and worst where a run has no rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from improv.pictures.letters import first_fitting, width_mm

GAP_MM = 1.2
BEFORE_MM = 0.7
"""How far before its stretch a word may begin, so as to stand over its first mark."""


@dataclass(frozen=True)
class Wanted:
    """A stretch [low, high) and what may be written over it, longest first.

    `first` is for those that neighbours have to make way for: runs off the grid.
    """

    low_mm: float
    high_mm: float
    texts: tuple[str, ...]
    first: bool = False


@dataclass(frozen=True)
class Written:
    """A word in its place, and the number of the stretch that it belongs to."""

    x_mm: float
    text: str
    of: int


def written(wanted: Sequence[Wanted], right_mm: float, size_pt: float) -> tuple[Written, ...]:
    """The words of one line, from left to right; `right_mm` is where the last may end."""
    least = [min(width_mm(text, size_pt) for text in w.texts) for w in wanted]
    shortest = [min(w.texts, key=lambda text: width_mm(text, size_pt)) for w in wanted]
    done: list[Written] = []
    free_from = -math.inf
    for i, one in enumerate(wanted):
        start = max(one.low_mm - BEFORE_MM, free_from)
        if start > max(one.high_mm - GAP_MM, one.low_mm):
            continue  # pushed off its own stretch
        until = wanted[i + 1].low_mm - BEFORE_MM if i + 1 < len(wanted) else right_mm
        text = first_fitting(one.texts, until - start - GAP_MM, size_pt)
        if text is None:
            until = max(until, _latest(wanted, least, i, right_mm))
            text = shortest[i]
            if until - start - GAP_MM < least[i]:
                start = until - GAP_MM - least[i]
                if start < _made_room(done, shortest, size_pt):
                    continue
                if start < free_from:
                    done[-1] = replace(done[-1], text=shortest[done[-1].of])
        done.append(Written(start, text, i))
        free_from = start + width_mm(text, size_pt) + GAP_MM
    return tuple(done)


def _latest(wanted: Sequence[Wanted], least: Sequence[float], i: int, right_mm: float) -> float:
    """How far to the right word `i` may reach when the next makes way as far as it can."""
    if i + 1 == len(wanted):
        return right_mm
    after = wanted[i + 1]
    if wanted[i].first and not after.first:
        runs = (w.low_mm - BEFORE_MM for w in wanted[i + 2 :] if w.first)
        return next(runs, right_mm)
    beyond = wanted[i + 2].low_mm - BEFORE_MM if i + 2 < len(wanted) else right_mm
    return min(beyond - GAP_MM - least[i + 1], after.high_mm - GAP_MM)


def _made_room(done: Sequence[Written], shortest: Sequence[str], size_pt: float) -> float:
    """Where a word may begin once the one before it is as short as can be."""
    if not done:
        return -math.inf
    return done[-1].x_mm + width_mm(shortest[done[-1].of], size_pt) + GAP_MM
