"""The scales of a chart: how large a deviation is drawn, sideways and up and down.

Up and down, the frame reaches to a round number of ms that holds nearly all deviations.
Sideways, deviations are drawn a whole number of times their true size, as large as leaves
neighbouring notes apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.pictures.chart import GRACE, Chart
from improv.pictures.chart_lines import Line

FRAMES_MS = (30.0, 40.0, 60.0, 80.0, 120.0, 160.0, 240.0)
SIDEWAYS = (5.0, 4.0, 3.0, 2.0, 1.5)
HELD_SHARE = 0.94
APART_SHARE = 0.9
WIDEST_LEAN_MM = 3.0
HALF_FRAME_MM = 6.1
LARGEST_MARK_MM = 1.7
SMALLEST_MARK_MM = 1.0


@dataclass(frozen=True)
class Scale:
    """Millimetres per quarter, times true size sideways, the frame's half-height in ms."""

    mm_per_quarter: float
    sideways: float
    frame_ms: float
    mark_mm: float

    @property
    def mm_per_ms(self) -> float:
        """How far down one ms of lateness is drawn."""
        return HALF_FRAME_MM / self.frame_ms


def scale_of(chart: Chart, lines: tuple[Line, ...], per_line: int, room_mm: float) -> Scale:
    """The scales for a chart whose lines may be `room_mm` wide."""
    lengths = [line.end_quarter - line.begin_quarter + line.hang_quarter for line in lines]
    longest = max(lengths)
    if len(lines) > 1:  # a full line, even where every line there is falls short of one
        shortest_bar = float(np.median(np.diff(chart.bars.start_quarter)))
        longest = max(longest, per_line * shortest_bar)
    mm_per_quarter = room_mm / longest
    marks = chart.marks
    real = marks.says != GRACE
    at = np.unique(marks.at_quarter[real].round(6))
    step_mm = np.diff(at) * mm_per_quarter
    usual = float(np.quantile(step_mm, 0.1)) if len(step_mm) else 10.0
    mark_mm = float(np.clip(0.6 * usual, SMALLEST_MARK_MM, LARGEST_MARK_MM))
    return Scale(mm_per_quarter, _sideways(chart, mm_per_quarter), _frame(chart), mark_mm)


def _frame(chart: Chart) -> float:
    timed = np.abs(chart.marks.deviation_ms)
    timed = timed[~np.isnan(timed)]
    held = float(np.quantile(timed, HELD_SHARE)) if len(timed) else 0.0
    needed = max(held, abs(chart.pocket_ms[0]), abs(chart.pocket_ms[1]))
    return next((frame for frame in FRAMES_MS if frame >= needed), FRAMES_MS[-1])


def _sideways(chart: Chart, mm_per_quarter: float) -> float:
    marks = chart.marks
    timed = ~np.isnan(marks.deviation_ms)
    at = marks.at_quarter[timed] * mm_per_quarter
    lean = np.abs(marks.onset_quarter[timed] - marks.at_quarter[timed]) * mm_per_quarter
    if len(at) < 2:
        return 1.0
    step = np.diff(at)
    nearest = np.minimum(np.append(step, np.inf), np.insert(step, 0, np.inf))
    allowed = np.minimum(0.36 * nearest, WIDEST_LEAN_MM)
    for factor in SIDEWAYS:
        if np.mean(factor * lean <= allowed) >= APART_SHARE:
            return factor
    return 1.0
