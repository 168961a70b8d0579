"""The chart on paper: every line, mark and word of every page in millimetres.

One line of music, from above: the phrase's name, its bracket, what is in force (the
subdivision, or a run's rate), the frame with beats, positions and notes, the bar
numbers. Late is to the right and below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from improv.model import Floats
from improv.pictures.chart import GRACE, OFF_GRID, Chart, Span
from improv.pictures.chart_key import key_height, put_key
from improv.pictures.chart_labels import Wanted, written
from improv.pictures.chart_lines import Line, lines_of
from improv.pictures.chart_scale import HALF_FRAME_MM, Scale, scale_of
from improv.pictures.letters import first_fitting, fitted_facts, shortened, width_mm
from improv.pictures.look import BODY_PT, LABEL_PT, SMALL_PT, TITLE_PT
from improv.pictures.music import beat_starts
from improv.pictures.paper import A4, Paper
from improv.pictures.sheet import Draft, Label, Page

PER_LINE = 4
MOST_PER_LINE = 16
MARGIN_MM = 10.0
SCALE_ROOM_MM = 9.5
TITLE_ROOM_MM = 13.0
LINE_MM = 27.6
"""Least height of a line: eight lines and all else fit A4 and US letter."""
ROOMIEST_LINE_MM = 32.0
PHRASE_MM, BRACKET_MM, FORCE_MM, FRAME_MM = 3.0, 4.1, 7.5, 10.3
"""Down a line: baseline of the phrase's name, its bracket, baseline of what is in force, frame."""
NUMBER_MM = FRAME_MM + 2 * HALF_FRAME_MM + 4.7
_TINY = 1e-6


def pages_of(
    chart: Chart, per_line: int = PER_LINE, paper: Paper = A4, trim: bool = False
) -> tuple[Page, ...]:
    """All pages of a chart; `trim` cuts each sheet below its last line.

    Raises `UsageError` for a chart of endless lines.
    """
    lines = lines_of(chart, per_line)
    left = MARGIN_MM + SCALE_ROOM_MM
    scale = scale_of(chart, lines, per_line, paper.width_mm - left - MARGIN_MM)
    key_mm = key_height(chart, scale, paper.width_mm - 2 * MARGIN_MM)
    room = paper.height_mm - 2 * MARGIN_MM - TITLE_ROOM_MM - key_mm
    each = max(int(room // LINE_MM), 1)
    line_mm = min(max(room / each, LINE_MM), ROOMIEST_LINE_MM)
    of = math.ceil(len(lines) / each)
    start = left + max(line.hang_quarter for line in lines) * scale.mm_per_quarter
    made = []
    told: set[Span] = set()
    for number in range(of):
        own = lines[number * each : (number + 1) * each]
        put = _Put(chart, scale, start, lines[0].first, told)
        top = MARGIN_MM + TITLE_ROOM_MM
        for i, line in enumerate(own):
            put.line(line, top + i * line_mm, is_top=i == 0)
        bottom = top + len(own) * line_mm
        height = max(bottom + key_mm + MARGIN_MM, 0.0 if trim else paper.height_mm)
        _put_title(put.draft, chart, number + 1, of, paper.width_mm)
        put_key(put.draft, chart, scale, MARGIN_MM, height - MARGIN_MM - key_mm, paper.width_mm)
        made.append(put.draft.page(number + 1, of, paper.width_mm, height))
    return tuple(made)


def _put_title(draft: Draft, chart: Chart, number: int, of: int, width: float) -> None:
    right = f"page {number} of {of}" if of > 1 else ""
    room = width - 2 * MARGIN_MM
    title_room = room - (width_mm(right, BODY_PT) + 5.0 if right else 0.0)
    title = shortened(chart.title, title_room, TITLE_PT, bold=True)
    draft.labels.append(Label(MARGIN_MM, MARGIN_MM + 3.6, title, TITLE_PT, bold=True))
    facts = fitted_facts(chart.facts, room, BODY_PT)
    draft.labels.append(Label(MARGIN_MM, MARGIN_MM + 8.6, facts, BODY_PT))
    if right:
        at = width - MARGIN_MM
        draft.labels.append(Label(at, MARGIN_MM + 3.6, right, BODY_PT, "right", grey=True))


class _Put:
    """Puts lines of music on one page; `told` are the phrases whose facts stand somewhere."""

    def __init__(
        self, chart: Chart, scale: Scale, left_mm: float, first_bar: int, told: set[Span]
    ) -> None:
        self.draft = Draft()
        self.told = told
        self.chart, self.scale, self.left = chart, scale, left_mm
        self.first_bar = first_bar
        self.beat, self.beat_bar = beat_starts(chart.bars)

    def line(self, line: Line, top: float, is_top: bool) -> None:
        """One line with its upper edge at `top`."""
        middle = top + FRAME_MM + HALF_FRAME_MM
        self._runs(line, middle)
        self._frame(line, middle, is_top)
        self._bars(line, middle, top)
        self._marks(line, middle)
        self._phrases(line, top)
        self._in_force(line, top)

    def _x(self, line: Line, quarter: Floats | float) -> Floats:
        away = np.asarray(quarter, dtype=np.float64) - line.begin_quarter
        return np.asarray(self.left + away * self.scale.mm_per_quarter)

    def _ends(self, line: Line) -> tuple[float, float]:
        """The line's left and right edge in mm."""
        begin = line.begin_quarter - line.hang_quarter
        return float(self._x(line, begin)), float(self._x(line, line.end_quarter))

    def _frame(self, line: Line, middle: float, is_top: bool) -> None:
        left, right = self._ends(line)
        low, high = (middle + ms * self.scale.mm_per_ms for ms in self.chart.pocket_ms)
        self.draft.band("pocket", left, low, right, high)
        self.draft.stroke("middle", left, middle, right, middle)
        for edge in (middle - HALF_FRAME_MM, middle + HALF_FRAME_MM):
            self.draft.stroke("edge", left, edge, right, edge)
            self.draft.stroke("edge", left - 1.0, edge, left, edge)
        if not is_top:
            return
        frame = self.scale.frame_ms
        for text, y in (
            (f"−{frame:.0f} ms", -HALF_FRAME_MM),
            ("0", 0.0),
            (f"+{frame:.0f} ms", HALF_FRAME_MM),
        ):
            at = Label(left - 1.6, middle + y + 0.8, text, SMALL_PT, "right", grey=True)
            self.draft.labels.append(at)

    def _bars(self, line: Line, middle: float, top: float) -> None:
        bars = self.chart.bars
        upper, lower = middle - HALF_FRAME_MM, middle + HALF_FRAME_MM
        x = self._x(line, bars.start_quarter[line.first : line.stop + 1])
        self.draft.stroke("bar", x, upper, x, lower)
        begin = line.begin_quarter - line.hang_quarter - _TINY
        near = (self.beat > begin) & (self.beat < line.end_quarter - _TINY)
        starts = bars.start_quarter[self.beat_bar]
        beats = self._x(line, self.beat[near & (np.abs(self.beat - starts) > _TINY)])
        self.draft.stroke("beat", beats, upper, beats, lower)
        at = self.chart.positions_quarter
        at = at[(at > begin) & (at < line.end_quarter - _TINY)]
        places = self._x(line, at)
        self.draft.stroke("position", places, middle - 1.5, places, middle + 1.5)
        for i in range(line.first, line.stop):
            self._bar_number(line, i, top)

    def _bar_number(self, line: Line, i: int, top: float) -> None:
        bars, is_first = self.chart.bars, i == line.first
        x = float(self._x(line, float(bars.start_quarter[i])))
        number = str(int(bars.number[i]))
        label = Label(x + 0.4, top + NUMBER_MM, number, LABEL_PT, "left", is_first, not is_first)
        self.draft.labels.append(label)
        is_new = i == 0 or bars.meter[i] != bars.meter[i - 1]
        if is_new or i == self.first_bar:
            meter = str(bars.meters[int(bars.meter[i])])
            at = label.box_mm[2] + 1.6
            self.draft.labels.append(Label(at, label.y_mm, meter, SMALL_PT, "left", True))

    def _own(self, line: Line) -> slice:
        """The marks of a line."""
        at = self.chart.marks.at_quarter
        low = np.searchsorted(at, line.begin_quarter - line.hang_quarter - _TINY)
        return slice(int(low), int(np.searchsorted(at, line.end_quarter - _TINY)))

    def _marks(self, line: Line, middle: float) -> None:
        marks, own = self.chart.marks, self._own(line)
        deviation = np.nan_to_num(marks.deviation_ms[own])
        is_timed = ~np.isnan(marks.deviation_ms[own])
        at, onset = marks.at_quarter[own], marks.onset_quarter[own]
        place = self._x(line, at)
        x = self._x(line, at + np.where(is_timed, self.scale.sideways * (onset - at), 0.0))
        over = HALF_FRAME_MM + 0.55 * self.scale.mark_mm + 0.1
        down = deviation * self.scale.mm_per_ms
        beyond = np.abs(down) > HALF_FRAME_MM
        y = middle + np.where(beyond, np.sign(down) * over, down)
        moved = is_timed & (np.hypot(x - place, y - middle) > 0.3)
        self.draft.stroke("stem", place[moved], middle, x[moved], y[moved])
        says, sure = marks.says[own], marks.sure[own]
        for kind in np.unique(says).tolist():
            size = self.scale.mark_mm * (0.5 if kind == GRACE else 1.0)
            for is_sure in (False, True):
                here = (says == kind) & (sure == is_sure)
                if here.any():
                    filled = is_sure or kind == OFF_GRID
                    self.draft.dots(kind, filled, size, x[here], y[here])

    def _clipped(self, line: Line, spans: Sequence[Span]) -> list[tuple[Span, float, float]]:
        """The spans that reach into a line, with their ends in mm there."""
        begin, end = line.begin_quarter - line.hang_quarter, line.end_quarter
        found = []
        for span in spans:
            low, high = max(span.begin_quarter, begin), min(span.end_quarter, end)
            if span.begin_quarter < end - _TINY and span.end_quarter > begin - _TINY:
                found.append((span, float(self._x(line, low)), float(self._x(line, high))))
        return found

    def _runs(self, line: Line, middle: float) -> None:
        left, right = self._ends(line)
        for _, low, high in self._clipped(line, self.chart.runs):
            box = (
                max(low - 0.9, left), middle - HALF_FRAME_MM,
                min(high + 0.9, right), middle + HALF_FRAME_MM,
            )  # fmt: skip
            self.draft.band("run", *box)
            self.draft.hatch("hatch", *box)

    def _phrases(self, line: Line, top: float) -> None:
        left, right = self._ends(line)
        spans = self._clipped(line, self.chart.phrases)
        y = top + BRACKET_MM
        begins = [low for _, low, _ in spans] + [right + 1.5]
        free_from = left
        for i, (span, low, high) in enumerate(spans):
            starts_here = span.begin_quarter >= line.begin_quarter - line.hang_quarter - _TINY
            ends_here = span.end_quarter < line.end_quarter - _TINY
            pad = min(0.9, max(begins[i + 1] - high, 0.0) / 3)
            x0 = low - min(0.9, (low - spans[i - 1][2]) / 3 if i else 0.9) if starts_here else left
            x1 = high + pad if ends_here else right
            self.draft.stroke("bracket", x0, y, x1, y)
            for x in [x0] * starts_here + [x1] * ends_here:
                self.draft.stroke("bracket", x, y, x, y + 1.0)
            # The last on a line may reach back over the rest before it.
            back = x0 - free_from - 1.5 if i + 1 == len(spans) else 0.0
            text = self._phrase_text(span, starts_here, begins[i + 1] - x0 - 1.5, max(back, 0.0))
            if text:
                wide = width_mm(text, LABEL_PT)
                at = min(x0, begins[i + 1] - 1.5 - wide)
                self.draft.labels.append(Label(at, top + PHRASE_MM, text, LABEL_PT, bold=False))
                free_from = at + wide
            free_from = max(free_from, x1)

    def _phrase_text(
        self, span: Span, starts_here: bool, room_mm: float, back_mm: float
    ) -> str | None:
        """What a line says of a phrase: its facts once, on the first line with room for them."""
        named, figure = span.texts[-2:]
        again = f"{named}, continued"
        full = [text.replace(named, again, 1) for text in span.texts[:-2]]
        if starts_here:
            texts = span.texts
        else:
            texts = (*(full if span not in self.told else ()), again, named, figure)
        text = first_fitting(texts, room_mm + back_mm, LABEL_PT)
        if text in (span.texts[0], *full[:1]):
            self.told.add(span)
        return text

    def _in_force(self, line: Line, top: float) -> None:
        """What is in force, from where it begins on: a subdivision, or the rate of a run."""
        right = self._ends(line)[1]
        wanted = [
            Wanted(low, high, span.texts, is_run)
            for spans, is_run in ((self.chart.passages, False), (self.chart.runs, True))
            for span, low, high in self._clipped(line, spans)
        ]
        wanted.sort(key=lambda one: one.low_mm)
        for word in written(wanted, right + 1.0, SMALL_PT):
            grey = not wanted[word.of].first
            label = Label(word.x_mm, top + FORCE_MM, word.text, SMALL_PT, bold=False, grey=grey)
            self.draft.labels.append(label)
