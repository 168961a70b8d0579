"""A line laid out over its bars: which event falls where, and on which subdivision.

Conventions: positions in quarter notes from bar 1 beat 1. A position is where the note
stands on the straight grid; its due place differs from it by the swing, and a note of a
free run has a due place but no position (NaN).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np

from improv import grid
from improv.errors import UsageError
from improv.gridlines import over_bars
from improv.meter import Meter, parse_meter
from improv.model import Bars, Bools, Floats, Ints
from improv.synth_line import FreeRun, Line, Notated, Piece, Rest, Stretch
from improv.tempo import bar_index, beats_at, lay_bars

SNAP_QUARTER = 1e-6
"""Positions closer than this are the same; far below any spacing, above rounding."""


@dataclass(frozen=True, eq=False)
class Plan:
    """The events of a line in order, one row each; arrays as in `Truth`."""

    position_quarter: Floats
    due_quarter: Floats
    subdivision: Ints
    segment: Ints
    phrase: Ints
    notated: Bools
    kinds: tuple[str, ...]
    bars: Bars


@dataclass
class _Draft:
    """A plan under construction: the cursor and the events so far."""

    bars: Bars
    beat_edges: Floats
    beat_quarters: Floats
    cursor: float
    phrase: int = 0
    after_run: bool = False
    position: list[float] = field(default_factory=list)
    due: list[float] = field(default_factory=list)
    subdivision: list[int] = field(default_factory=list)
    segment: list[int] = field(default_factory=list)
    phrases: list[int] = field(default_factory=list)
    notated: list[bool] = field(default_factory=list)
    kinds: list[str] = field(default_factory=list)

    def quarter_of_beat(self, beat: float) -> float:
        return float(np.interp(beat, self.beat_edges, self.beat_quarters))

    def beat_of_quarter(self, quarter: float) -> float:
        return float(np.interp(quarter, self.beat_quarters, self.beat_edges))

    def add(
        self, position: Floats, due: Floats, row: int, notated: bool = False, kind: str = ""
    ) -> None:
        """One more segment's events."""
        count = len(due)
        self.position += map(float, position)
        self.due += map(float, due)
        self.subdivision += [row] * count
        self.segment += [len(self.kinds)] * count
        self.phrases += [self.phrase] * count
        self.notated += [notated] * count
        self.kinds.append(kind)


def plan_line(line: Line, ratios: list[tuple[float, float]], rng: np.random.Generator) -> Plan:
    """Lay the line's pieces out over its bars; `ratios` are each phrase's swing ratios.

    The pair holds the ratio of swung units (eighths in 4/4) and of swung half-units.
    """
    draft = _open_draft(line)
    for piece in line.pieces:
        if isinstance(piece, Rest):
            _lay_rest(draft, piece)
            draft.phrase += 1
        elif isinstance(piece, FreeRun):
            _lay_run(draft, piece)
        elif isinstance(piece, Notated):
            _lay_notated(draft, piece, ratios[draft.phrase])
        else:
            _lay_stretch(draft, piece, ratios[draft.phrase], rng)
        draft.after_run = isinstance(piece, FreeRun)
    return Plan(
        np.array(draft.position, dtype=np.float64),
        np.array(draft.due, dtype=np.float64),
        np.array(draft.subdivision, dtype=np.int64),
        np.array(draft.segment, dtype=np.int64),
        np.array(draft.phrases, dtype=np.int64),
        np.array(draft.notated, dtype=np.bool_),
        tuple(draft.kinds),
        draft.bars,
    )


def _open_draft(line: Line) -> _Draft:
    cycle = parse_meter(line.meter)
    longest = max(float(max(m.beat_quarters)) for m in cycle)
    longest_bar = max(float(m.bar_quarters) for m in cycle)
    quarters = sum(_length_quarter(p, longest, longest_bar) for p in line.pieces) + longest_bar
    start = min(line.start_beat, 0.0) * longest
    end = max(line.start_beat, 0.0) * longest + quarters
    bars = lay_bars(((0.0, cycle),), start - 1e-6, end + float(cycle[0].bar_quarters))
    edges = [
        (first + i, at + float(offset))
        for first, at, m in zip(bars.first_beat, bars.start_quarter[:-1], bars.meter, strict=True)
        for i, offset in enumerate(bars.meters[m].beat_starts_quarter)
    ]
    beats, at_quarter = np.array(edges, dtype=np.float64).T
    draft = _Draft(bars, beats, at_quarter, 0.0)
    draft.cursor = draft.quarter_of_beat(line.start_beat)
    return draft


def _length_quarter(piece: Piece, longest_beat_quarter: float, bar_quarter: float) -> float:
    """An upper bound of the room a piece takes."""
    if isinstance(piece, Notated):
        return piece.quarters
    if isinstance(piece, Rest):
        return (piece.beats + 1) * longest_beat_quarter + bar_quarter
    if isinstance(piece, FreeRun):
        return sum(piece.steps_beat) * 2 * longest_beat_quarter
    return (piece.beats + 1) * longest_beat_quarter


def _lay_rest(draft: _Draft, piece: Rest) -> None:
    beat = draft.beat_of_quarter(draft.cursor) + piece.beats
    if piece.to == "beat":
        beat = float(np.ceil(beat - 1e-6))
    draft.cursor = draft.quarter_of_beat(beat)
    if piece.to == "bar":
        lines = draft.bars.start_quarter
        draft.cursor = float(lines[np.searchsorted(lines, draft.cursor - SNAP_QUARTER)])


def _lay_stretch(
    draft: _Draft, piece: Stretch, ratios: tuple[float, float], rng: np.random.Generator
) -> None:
    row = grid.find(piece.subdivision, draft.bars.meters)
    beat = draft.beat_of_quarter(draft.cursor)
    start = np.ceil(beat - SNAP_QUARTER) if draft.after_run else beat
    end = draft.quarter_of_beat(start + piece.beats)
    straight, swung = row_positions(draft.bars, row, ratios, draft.cursor, end)
    played = rng.random(len(straight)) < piece.filled
    draft.add(straight[played], swung[played], row)
    draft.cursor = end


def row_positions(
    bars: Bars, row: int, ratios: tuple[float, float], start: float, stop: float
) -> tuple[Floats, Floats]:
    """Grid positions of a subdivision in [start, stop), in quarters: straight and as swung."""
    lines = bars.start_quarter
    low = int(np.searchsorted(lines[1:], start, side="right"))
    high = max(int(np.searchsorted(lines[:-1], stop, side="left")), low)
    straight, swung = (
        over_bars(lines[low : high + 1], bars.meter[low:high], within)
        for within in (
            [_straight_bar(row, meter) for meter in bars.meters],
            [np.array(_swung(row, meter, ratios)) for meter in bars.meters],
        )
    )
    inside = (straight >= start - SNAP_QUARTER) & (straight < stop - SNAP_QUARTER)
    return straight[inside], swung[inside]


@cache
def _straight_bar(row: int, meter: Meter) -> Floats:
    """A row's straight positions in one bar, in quarters."""
    return np.array([float(p) for p in grid.positions(grid.SUBDIVISIONS[row], meter)])


def _swung(row: int, meter: Meter, ratios: tuple[float, float]) -> tuple[float, ...]:
    subdivision = grid.SUBDIVISIONS[row]
    return grid.swung_positions(subdivision, meter, ratios[subdivision.key != "swung-unit"])


def _lay_run(draft: _Draft, piece: FreeRun) -> None:
    beat_quarter = float(draft.bars.meters[0].tempo_beat_quarter)
    due = draft.cursor + np.cumsum(piece.steps_beat) * beat_quarter
    draft.add(np.full(len(due), np.nan), due, -1, kind=piece.kind)
    draft.cursor = float(due[-1]) + 0.75 * piece.steps_beat[-1] * beat_quarter


def _lay_notated(draft: _Draft, piece: Notated, ratios: tuple[float, float]) -> None:
    start = draft.cursor
    if draft.after_run:
        start = float(draft.bars.start_quarter[bar_index(draft.bars, np.array([start]))[0]])
    at = start + np.array(piece.onsets_quarter, dtype=np.float64)
    at = at[at >= draft.cursor - SNAP_QUARTER]
    for first, stop, row in written_segments(draft.bars, at, piece.swung):
        straight, swung = row_positions(
            draft.bars, row, ratios, at[first] - SNAP_QUARTER, at[stop - 1] + 1e-3
        )
        here = np.searchsorted(straight, at[first:stop] - 10 * SNAP_QUARTER)
        draft.add(straight[here], swung[here], row, notated=True)
    draft.cursor = max(draft.cursor, start + piece.quarters)


def written_segments(bars: Bars, at_quarter: Floats, swung: bool) -> list[tuple[int, int, int]]:
    """Part written onsets at beats into stretches one subdivision can hold: (start, stop, row).

    Each stretch is as long as can be, and gets the coarsest subdivision (fewest positions
    to the bar) that holds all of it. Raises `UsageError` where no subdivision holds a beat.
    """
    if not len(at_quarter):
        return []
    beat = np.floor(beats_at(bars, at_quarter) + 1e-4).astype(np.int64)
    heads = np.flatnonzero(np.diff(beat, prepend=beat[0] - 1))
    bounds = [*heads.tolist(), len(at_quarter)]
    held = holders(bars, at_quarter)
    order = _coarse_first(bars.meters[0], swung)
    found: list[tuple[int, int, int]] = []
    start, best = 0, -1
    for head, stop in zip(bounds[:-1], bounds[1:], strict=True):
        fitting = [row for row in order if held[start:stop, row].all()]
        if not fitting:
            if head == start:
                raise UsageError("a written rhythm has onsets that no subdivision holds")
            found.append((start, head, best))
            start = head
            fitting = [row for row in order if held[start:stop, row].all()]
            if not fitting:
                raise UsageError("a written rhythm has onsets that no subdivision holds")
        best = fitting[0]
    found.append((start, len(at_quarter), best))
    return found


def holders(bars: Bars, at_quarter: Floats, rows: tuple[int, ...] | None = None) -> Bools:
    """Which subdivisions hold each position on their straight grid: (positions, all rows).

    `rows`: ask about these only.
    """
    bar = bar_index(bars, at_quarter + 10 * SNAP_QUARTER)
    into = at_quarter - bars.start_quarter[bar]
    held = np.zeros((len(at_quarter), len(grid.SUBDIVISIONS)), dtype=np.bool_)
    for m, meter in enumerate(bars.meters):
        here = bars.meter[bar] == m
        for row in grid.offered(meter) if rows is None else rows:
            away = np.abs(into[here][:, None] - _straight_bar(row, meter)).min(axis=1)
            held[here, row] = away < 100 * SNAP_QUARTER
    return held


def _coarse_first(meter: Meter, swung: bool) -> list[int]:
    """Rows by positions to the bar; straight ones, and the swung unit first where it swings."""
    rows = [r for r in grid.offered(meter) if not grid.SUBDIVISIONS[r].swung]
    rows.sort(key=lambda r: len(grid.positions(grid.SUBDIVISIONS[r], meter)))
    if swung:
        keys = [s.key for s in grid.SUBDIVISIONS]
        rows = [keys.index("swung-unit") if r == keys.index("unit") else r for r in rows]
    return rows
