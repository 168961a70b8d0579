"""The take as a chart: what stands on it, in musical positions.

`chart_of(analysis)` reads an Analysis once into plain arrays; `chart_page` lays them out
on paper. Conventions: positions in quarter notes from bar 1 beat 1; deviations in ms,
positive = late; spans are half-open.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from improv.counting import counted
from improv.grid import find
from improv.gridlines import grid_between, swing_of
from improv.model import Analysis, Bars, Bools, Floats, Ints, Passage, Phrase, Run, _Frozen
from improv.pictures.music import (
    SURE_AT,
    Events,
    events_of,
    facts_of,
    main_subdivision,
    scribbled_name,
    title_of,
)
from improv.tempo import quarters_at
from improv.wording import drift_text, late_text, others_told, rate_beat, rate_text

IN_POCKET, EARLY, LATE, OFF_GRID, UNTIMED, GRACE = range(6)
"""What a mark says of its note."""


@dataclass(frozen=True, eq=False)
class Marks(_Frozen):
    """One mark per event and per ornament, ascending in `at_quarter`.

    `at_quarter` is the grid position, or the onset where there is none; `onset_quarter`
    the onset; `deviation_ms` NaN where there is no grid or no timing; `says` one of
    `IN_POCKET`, `EARLY`, `LATE` (of the pocket), `OFF_GRID`, `UNTIMED`, `GRACE`; `sure` is
    False where the reading of the note is too close to call.
    """

    at_quarter: Floats
    onset_quarter: Floats
    deviation_ms: Floats
    says: Ints
    sure: Bools

    def __len__(self) -> int:
        return len(self.says)


@dataclass(frozen=True)
class Span:
    """A stretch of the chart and what may be written over it, the longest text first."""

    begin_quarter: float
    end_quarter: float
    texts: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Chart(_Frozen):
    """Everything on the chart of one take.

    `positions_quarter` are the grid positions of the subdivision in force;
    `pocket_ms` the pocket's edges (early, late) about the constant offset.
    """

    title: str
    facts: str
    summary: str
    bars: Bars
    first_bar: int | None
    marks: Marks
    positions_quarter: Floats
    phrases: tuple[Span, ...]
    passages: tuple[Span, ...]
    runs: tuple[Span, ...]
    pocket_ms: tuple[float, float]
    constant_offset_ms: float | None

    @property
    def begin_quarter(self) -> float:
        """Where the first mark stands."""
        return float(self.marks.at_quarter.min())

    @property
    def end_quarter(self) -> float:
        """Where the last mark stands."""
        return float(self.marks.at_quarter.max())


def chart_of(analysis: Analysis) -> Chart:
    """The chart of an analysis."""
    events = events_of(analysis)
    offset = analysis.constant_offset_ms or 0.0
    tolerance = analysis.settings.tolerance_ms
    marks = _marks(analysis, events, offset, tolerance)
    places = _Places(analysis, events)
    passages, grids = _passages(analysis, places)
    beat = rate_beat(analysis.take)
    runs = tuple(_run_span(r, places, beat) for r in analysis.runs if r.off_grid)
    return Chart(
        title=title_of(analysis),
        facts=facts_of(analysis),
        summary=_summary(analysis),
        bars=analysis.take.bars,
        first_bar=analysis.settings.first_bar,
        marks=marks,
        positions_quarter=_outside(runs, np.unique(np.concatenate([np.zeros(0), *grids]).round(9))),
        phrases=tuple(_phrase_span(analysis, p, places) for p in analysis.phrases),
        passages=tuple(passages),
        runs=runs,
        pocket_ms=(offset - tolerance, offset + tolerance),
        constant_offset_ms=analysis.constant_offset_ms,
    )


def _marks(analysis: Analysis, events: Events, offset: float, tolerance: float) -> Marks:
    away = events.deviation_ms - offset
    says = np.full(len(events), IN_POCKET, dtype=np.int64)
    says[away < -tolerance] = EARLY
    says[away > tolerance] = LATE
    no_grid = np.isnan(events.grid_quarter)
    says[no_grid] = OFF_GRID
    says[~no_grid & np.isnan(events.deviation_ms)] = UNTIMED
    at = np.where(no_grid, events.quarter, events.grid_quarter)
    notes = analysis.notes
    ornament = notes.onset_sec[notes.grace]
    grace = quarters_at(analysis.take.tempo_map, ornament)
    blank = np.full(len(grace), np.nan)
    joined = np.concatenate([at, grace])
    order = np.argsort(joined, kind="stable")
    return Marks(
        at_quarter=joined[order],
        onset_quarter=np.concatenate([events.quarter, grace])[order],
        deviation_ms=np.concatenate([events.deviation_ms, blank])[order],
        says=np.concatenate([says, np.full(len(grace), GRACE)])[order].astype(np.int64),
        sure=np.concatenate([events.confidence >= SURE_AT, np.ones(len(grace), bool)])[order],
    )


class _Places:
    """Where the events of a range of note rows begin and end."""

    def __init__(self, analysis: Analysis, events: Events) -> None:
        self.events = events
        grid = events.grid_quarter
        self.at = np.where(np.isnan(grid), events.quarter, grid)
        self.bars = analysis.take.bars
        self.names = analysis.notes.subdivision_name
        self._event_of = np.searchsorted(events.row, np.arange(len(analysis.notes) + 1))

    def within(self, start: int, stop: int) -> slice:
        """The events whose main notes lie in rows [start, stop)."""
        return slice(int(self._event_of[start]), int(self._event_of[stop]))

    def span(self, start: int, stop: int) -> tuple[float, float]:
        """First and last place of the events in rows [start, stop)."""
        at = self.at[self.within(start, stop)]
        return (float(at.min()), float(at.max())) if len(at) else (0.0, 0.0)


def _passages(analysis: Analysis, places: _Places) -> tuple[list[Span], list[Floats]]:
    """The passages on a grid with their names, and the positions each offers."""
    spans: list[Span] = []
    grids: list[Floats] = []
    for phrase in analysis.phrases:
        for i, passage in enumerate(phrase.passages):
            begin, last = places.span(passage.start, passage.stop)
            follows = phrase.passages[i + 1] if i + 1 < len(phrase.passages) else None
            if follows is not None:
                last = max(places.span(follows.start, follows.stop)[0], last)
            if passage.subdivision is None or passage.per_beat is None:
                continue
            closing = follows is None
            grid = _grid_of(passage, places, begin, last + (1e-4 if closing else 0.0))
            spans.append(Span(begin, last, _passage_texts(passage, phrase)))
            grids.append(grid)
    return spans, grids


def _outside(runs: tuple[Span, ...], at_quarter: Floats) -> Floats:
    """The positions that lie in no run: there, no subdivision is in force."""
    held = np.ones(len(at_quarter), dtype=np.bool_)
    for run in runs:
        held &= (at_quarter <= run.begin_quarter) | (at_quarter >= run.end_quarter)
    return at_quarter[held]


def _grid_of(passage: Passage, places: _Places, begin: float, end: float) -> Floats:
    inside = places.within(passage.start, passage.stop)
    kinds = places.events.kind[inside]
    called = [places.names[row] for row in places.events.row[inside].tolist()]
    meant = kinds[[name == passage.subdivision for name in called]]
    kind = int(meant[0]) if len(meant) else find(passage.subdivision or "", places.bars.meters)
    own = places.events.grid_quarter[inside][kinds == kind]
    return grid_between(places.bars, kind, begin, end, swing_of(places.bars, kind, own))


def _passage_texts(passage: Passage, phrase: Phrase) -> tuple[str, ...]:
    name = passage.subdivision or ""
    texts = [name, scribbled_name(name)]
    own = passage.swung and passage.subdivision == phrase.subdivision
    if own and phrase.swing_ratio is not None:
        texts.insert(0, f"{name}, {phrase.swing_ratio:.1f} : 1")
    return tuple(dict.fromkeys(texts))


def _phrase_span(analysis: Analysis, phrase: Phrase, places: _Places) -> Span:
    begin, end = places.span(phrase.start, phrase.stop)
    named = f"Phrase {phrase.number}"
    if phrase.subdivision is None:
        return Span(begin, end, (f"{named}: {phrase.verdict}", named, str(phrase.number)))
    main = f"{named}: {'mainly ' if others_told(analysis, phrase) else ''}{phrase.subdivision}"
    told = [main]
    if phrase.spread_ms is not None:
        told.append(f"{told[-1]}, spread {phrase.spread_ms:.0f} ms")
    if phrase.offset_ms is not None:
        told.append(f"{told[-1]}, {late_text(phrase.offset_ms)}")
    moves = drift_text(phrase)
    if moves is not None:
        told.append(f"{told[-1]}, {moves}")
    return Span(begin, end, (*reversed(told), named, str(phrase.number)))


def _run_span(run: Run, places: _Places, beat: str) -> Span:
    begin, end = places.span(run.start, run.stop)
    rate = rate_text(run.notes_per_beat, beat)
    texts = [f"off the grid, {rate}", rate, rate.replace(" to the ", "/")]
    if run.kind != "steady":
        texts.insert(0, f"{texts[0]}, {run.kind}")
    return Span(begin, end, tuple(texts))


def _summary(analysis: Analysis) -> str:
    """What the chart shows of the whole take, as the end of a sentence."""
    main = main_subdivision(analysis)
    off = Counter(run.off_grid for run in analysis.runs)[True]
    parts = [f"mostly {main[0]}" if main else "no subdivision certain"]
    parts.append(counted(len(analysis.phrases), "phrase"))
    parts.append(f"{counted(off, 'run') if off else 'no run'} off the grid")
    return ", ".join(parts)
