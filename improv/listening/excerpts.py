"""Parts of a take to listen to: all of it, bars, a phrase, each run off the grid.

Conventions: an excerpt runs over quarter notes [start, stop) from bar 1 beat 1, on beats at
both ends; `rows` are the notes that sound in it. A note belongs to where it sits on the
grid, so a downbeat played early still opens its bar.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.counting import counted
from improv.errors import TakeError, UsageError
from improv.files import printable
from improv.listening.click_track import beat_clicks
from improv.listening.on_grid import Placed
from improv.model import Analysis, Floats, Ints, Place, _Frozen
from improv.tempo import quarters_at
from improv.wording import bars_text, phrase_bars, place_text

BEATS_AROUND = 2


@dataclass(frozen=True, eq=False)
class Excerpt(_Frozen):
    """A stretch of a take. `slug` is a short name for files, `title` for people."""

    slug: str
    title: str
    start_quarter: float
    stop_quarter: float
    rows: Ints


def whole(analysis: Analysis, placed: Placed) -> Excerpt:
    """The whole take, from the bar line before its first note to the one after its last."""
    bars = analysis.take.bars
    first, last = _extent(analysis, placed, 0, len(analysis.notes))
    lines = bars.start_quarter
    low = lines[max(int(np.searchsorted(lines, first + 1e-6, side="right")) - 1, 0)]
    high = lines[min(int(np.searchsorted(lines, last - 1e-6)), len(lines) - 1)]
    rows = np.arange(len(analysis.notes))
    return Excerpt("take", "the whole take", float(low), float(max(high, last)), rows)


def some_bars(analysis: Analysis, placed: Placed, first: int, last: int) -> Excerpt:
    """Bars `first` to `last`, both included. Raises `TakeError` where no note sounds in them."""
    bars = analysis.take.bars
    inside = np.flatnonzero((bars.number >= first) & (bars.number <= last))
    title = bars_text(first, last)
    slug = f"bar-{first}" if first == last else f"bars-{first}-{last}"
    if len(inside):
        low, high = bars.start_quarter[inside[0]], bars.start_quarter[inside[-1] + 1]
        rows = np.flatnonzero((placed.quarter >= low - 1e-6) & (placed.quarter < high - 1e-6))
        if len(rows):
            return Excerpt(slug, title, float(low), float(high), rows)
    name = printable(analysis.take.name)
    numbers = analysis.notes.bar
    raise TakeError(
        f"{name}: nothing to hear in {title}; "
        f"the take has notes in {bars_text(int(numbers.min()), int(numbers.max()))}"
    )


def one_phrase(analysis: Analysis, placed: Placed, number: int) -> Excerpt:
    """Phrase `number` as the analysis counts them, with two beats before and after."""
    if not 1 <= number <= len(analysis.phrases):
        raise UsageError(
            f"there is no phrase {number}; {printable(analysis.take.name)} has "
            f"{counted(len(analysis.phrases), 'phrase')}, counted from 1"
        )
    phrase = analysis.phrases[number - 1]
    title = f"phrase {number}, {phrase_bars([phrase])}"
    beats = _beats(analysis)
    return _around(analysis, placed, beats, phrase.start, phrase.stop, f"phrase-{number}", title)


def run_excerpts(analysis: Analysis, placed: Placed) -> tuple[Excerpt, ...]:
    """Each run off the grid with two beats before and after; raises `TakeError` without any."""
    off = [run for run in analysis.runs if run.off_grid]
    if not off:
        raise TakeError(
            f"{printable(analysis.take.name)}: no run leaves the grid, so there is none to hear; "
            "leave --runs away to hear the take"
        )
    beats = _beats(analysis)
    return tuple(
        _around(analysis, placed, beats, run.start, run.stop, f"run-{n}", _run_title(n, run.begins))
        for n, run in enumerate(off, 1)
    )


def _run_title(number: int, begins: Place) -> str:
    return f"run {number}, from {place_text(begins)}"


def _around(
    analysis: Analysis,
    placed: Placed,
    beats: Floats,
    start: int,
    stop: int,
    slug: str,
    title: str,
) -> Excerpt:
    """Rows [start, stop) with two beats before the first note's beat and after the last's."""
    first, last = _extent(analysis, placed, start, stop)
    low = int(np.searchsorted(beats, first + 1e-6, side="right")) - 1 - BEATS_AROUND
    high = int(np.searchsorted(beats, last - 1e-6)) + BEATS_AROUND
    a, b = float(beats[max(low, 0)]), float(beats[min(high, len(beats) - 1)])
    inside = (placed.quarter >= a - 1e-6) & (placed.quarter < b - 1e-6)
    inside[start:stop] = True
    return Excerpt(slug, title, a, b, np.flatnonzero(inside))


def _beats(analysis: Analysis) -> Floats:
    clicks = beat_clicks(analysis.take.bars)
    return clicks.quarter[[kind != "subdivision" for kind in clicks.kind]]


def _extent(analysis: Analysis, placed: Placed, start: int, stop: int) -> tuple[float, float]:
    """First and last place of rows [start, stop), as played or on the grid, whichever is wider.

    The end is that of the last beat a note sounds in, not where a held note ends.
    """
    played = quarters_at(analysis.take.tempo_map, analysis.notes.onset_sec[start:stop])
    both: Floats = np.concatenate([placed.quarter[start:stop], played])
    return float(placed.quarter[start:stop].min()), float(both.max())
