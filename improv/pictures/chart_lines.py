"""How the bars of a chart are cut into lines, as on a lead sheet.

Lines hold the same number of bars, counted from bar 1 (or from the first bar asked for).
A pickup of at most half a bar hangs out to the left of bar 1; anything longer before
bar 1 gets a line of its own. Conventions: quarters from bar 1 beat 1, half-open ranges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.errors import UsageError
from improv.pictures.chart import Chart
from improv.pictures.music import beat_starts

MOST_LINES = 320
"""A chart of more lines than this (40 pages of A4) is no picture any more."""
_TINY = 1e-6


@dataclass(frozen=True)
class Line:
    """One line: bars [first, stop) as indices into `Bars`, and the quarters it covers.

    `hang_quarter` is how far a pickup reaches out before the first bar.
    """

    first: int
    stop: int
    begin_quarter: float
    end_quarter: float
    hang_quarter: float


def lines_of(chart: Chart, per_line: int) -> tuple[Line, ...]:
    """The lines of a chart; raises `UsageError` when they would be endless."""
    bars = chart.bars
    start = bars.start_quarter
    last_bar = len(bars.number) - 1
    low = _bar_at(chart, chart.begin_quarter)
    high = min(_bar_at(chart, chart.end_quarter), last_bar)
    anchor = int(np.flatnonzero(bars.number == _anchor(chart))[0])
    hang = 0.0
    if low == anchor - 1 and chart.first_bar is None and high >= anchor:
        hang = _hang(chart, anchor)
        low = anchor if hang else low
    begin = anchor + (low - anchor) // per_line * per_line
    count = (high - begin) // per_line + 1
    if count > MOST_LINES:
        raise UsageError(
            f"a chart of bars {bars.number[low]} to {bars.number[high]} would take {count} lines; "
            "ask for some of them with --bars"
        )
    lines = []
    for i in range(count):
        first = max(begin + i * per_line, 0)
        stop = min(begin + (i + 1) * per_line, high + 1)
        if begin + i * per_line < anchor and low > first:
            first = low  # before bar 1 a line begins with the first bar that has notes
        reach = hang if first == anchor else 0.0
        lines.append(Line(first, stop, float(start[first]), float(start[stop]), reach))
    return tuple(lines)


def _anchor(chart: Chart) -> int:
    """The number of the bar that begins a line."""
    numbers = chart.bars.number
    wanted = 1 if chart.first_bar is None else chart.first_bar
    return int(np.clip(wanted, numbers[0], numbers[-1]))


def _bar_at(chart: Chart, quarter: float) -> int:
    at = int(np.searchsorted(chart.bars.start_quarter, quarter + _TINY, side="right")) - 1
    return min(max(at, 0), len(chart.bars.number) - 1)


def _hang(chart: Chart, anchor: int) -> float:
    """The length of a pickup, from the beat it begins in; 0 when it is too long to hang."""
    start = chart.bars.start_quarter
    beats, _ = beat_starts(chart.bars)
    before = beats[beats <= chart.begin_quarter + _TINY]
    begin = float(before[-1]) if len(before) else chart.begin_quarter
    length = float(start[anchor]) - begin
    whole = float(start[anchor] - start[anchor - 1])
    return length if length <= whole / 2 + _TINY else 0.0
