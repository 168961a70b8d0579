"""Playing that starts in the count-in: said, and not judged where it belongs to bar 1 and on.

A take recorded without the count-in that the assignment has is read too early by as many bars;
whatever takes turns is then wrong in nearly every bar. An upbeat of up to half a bar is none.
"""

from __future__ import annotations

import numpy as np

from improv.assignments.verdict import MEASURED, NOT_MET, Verdict
from improv.counting import counted
from improv.model import Doubt, Take
from improv.tempo import bar_index, quarters_at

FEWEST_BARS = 3
"""Bars not met from which another count-in is tried."""
FAR_BETTER = 0.25
"""Share of those bars that may be left under the other count-in (our choice)."""


def bars_too_early(take: Take, count_in: int) -> int:
    """Bars of the count-in that are played in, an upbeat not counted; at most `count_in`."""
    first = quarters_at(take.tempo_map, take.onset_sec[:1])
    if not count_in or not len(first) or first[0] >= 0:
        return 0
    bars = take.bars
    meter = bars.meters[int(bars.meter[bar_index(bars, first)[0]])]
    early = int(np.floor(-float(first[0]) / float(meter.bar_quarters) + 0.5))
    return min(early, count_in)


def wrong_bars(verdict: Verdict) -> int:
    """Bars not met, over all requirements that are judged bar by bar."""
    return sum(o.count(NOT_MET) for o in verdict.outcomes if o.kind not in MEASURED)


def far_better(other: Verdict, verdict: Verdict) -> bool:
    """Whether a verdict under another count-in leaves hardly any of the bars not met."""
    wrong = wrong_bars(verdict)
    return wrong >= FEWEST_BARS and wrong_bars(other) <= FAR_BETTER * wrong


def note(count_in: int, early: int) -> str:
    """What to say of playing that starts in the count-in."""
    left = count_in - early
    there = f"it was {counted(left, 'bar')} long" if left else "there was none"
    return f"The playing starts in the count-in; if {there}, say {_option(left)}."


def doubt(count_in: int, early: int) -> Doubt:
    """Why a take is not judged that fits far better under a shorter count-in."""
    left = count_in - early
    fits = f"a count-in of {counted(left, 'bar')}" if left else "no count-in"
    there = "it was as short as that" if left else "there was none"
    return Doubt(
        "start",
        f"Not judged: the playing starts in the count-in, and with {fits} it fits what is "
        f"asked far better; if {there}, say {_option(left)}, and if not, record it again.",
    )


def _option(bars: int) -> str:
    return f"count-in = {bars} (or --count-in {bars})"
