"""How time moves: the player's local tempo against the backing, phrase by phrase.

Where a deviation grows at slope s (seconds late per second), the player's tempo is the
backing's divided by 1 + s. The slope at a time is that of a straight line through the
deviations around it, weighted by a Gaussian whose standard deviation is `HALF_WINDOW`
beats, so that about eight beats bear on it: below eight beats lies microtiming, above
it drift (Sogorski, Geisel & Priesemann 2018). Its standard error allows for the memory
from note to note (see `local_lines`); the band, `BAND_ERRORS` of them each way, holds about 95 %.

Conventions: BPM positive = faster than the backing; deviations in ms, positive = late;
places in bars (bar 1 begins at 1.0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.model import Analysis, Bars, Floats, Phrase, _Frozen
from improv.pictures.local_lines import local_lines
from improv.pictures.music import Events, backing_bpm, events_of, facts_of, title_of
from improv.wording import drift_text

HALF_WINDOW = 3.0
FEWEST_NOTES = 6
STEPS_PER_BEAT = 2.0
MOST_STEPS = 4000
BAND_ERRORS = 2.2
"""A little over 1.96, since the noise itself is estimated: covers 90 to 97 % in simulation."""
HEARD_SHARES = (0.015, 0.03)
"""Smallest heard change of tempo: 1.5 to 3 % (Drake & Botte 1993), of steady tempi."""


@dataclass(frozen=True, eq=False)
class PhrasePace(_Frozen):
    """One phrase: its notes, and its local tempo where enough notes bear on it.

    `at_bar`, `late_ms` (N,) are the notes; `curve_bar`, `bpm`, `low_bpm`, `high_bpm`
    (M,) the tempo minus the backing's with its band, `curve_ms` the smoothed deviation;
    NaN parts the curve where notes are too few. `begin_bar`, `end_bar` bound the phrase.
    """

    number: int
    begin_bar: float
    end_bar: float
    at_bar: Floats
    late_ms: Floats
    curve_bar: Floats
    curve_ms: Floats
    bpm: Floats
    low_bpm: Floats
    high_bpm: Floats
    moves: str | None


@dataclass(frozen=True)
class TempoCurve:
    """The whole take: its phrases, runs off the grid as (begin, end) in bars, the backing."""

    title: str
    facts: str
    backing_bpm: float
    first_bar: float
    last_bar: float
    phrases: tuple[PhrasePace, ...]
    runs: tuple[tuple[float, float], ...]

    @property
    def heard_bpm(self) -> tuple[float, float]:
        """The smallest differences of tempo that are heard, in BPM."""
        faint, plain = HEARD_SHARES
        return faint * self.backing_bpm, plain * self.backing_bpm


def tempo_curve(analysis: Analysis) -> TempoCurve:
    """The tempo curve of an analysis."""
    events = events_of(analysis)
    bars = analysis.take.bars
    at = np.where(np.isnan(events.grid_quarter), events.quarter, events.grid_quarter)
    place = bar_places(bars, at)
    row_of = np.searchsorted(events.row, [r for run in analysis.runs if run.off_grid
                                          for r in (run.start, run.stop)])  # fmt: skip
    ends = [(float(place[a]), float(place[b - 1]))
            for a, b in row_of.reshape(-1, 2).tolist() if b > a]  # fmt: skip
    tempi = [backing_bpm(analysis, p) for p in analysis.phrases]
    return TempoCurve(
        title=title_of(analysis),
        facts=facts_of(analysis),
        backing_bpm=float(np.median(tempi)) if tempi else analysis.take.tempo_bpm,
        first_bar=float(np.floor(place.min())),
        last_bar=float(np.floor(place.max()) + 1.0),
        phrases=tuple(_pace(p, events, place, analysis) for p in analysis.phrases),
        runs=tuple(ends),
    )


def bar_places(bars: Bars, quarter: Floats) -> Floats:
    """Positions in bars by the musician's numbers: the middle of bar 3 is 3.5."""
    lines = np.append(bars.number, bars.number[-1] + 1).astype(np.float64)
    inside = np.interp(quarter, bars.start_quarter, lines)
    first, last = np.diff(bars.start_quarter)[[0, -1]]
    before = np.minimum(quarter - bars.start_quarter[0], 0.0) / first
    after = np.maximum(quarter - bars.start_quarter[-1], 0.0) / last
    return np.asarray(inside + before + after)


def _pace(phrase: Phrase, events: Events, place: Floats, analysis: Analysis) -> PhrasePace:
    own = np.flatnonzero(events.phrase == phrase.number)
    timed = own[~np.isnan(events.deviation_ms[own])]
    tempo_bpm = backing_bpm(analysis, phrase)
    beat_sec = 60.0 / tempo_bpm
    curve = _curve(events, place, timed, beat_sec)
    return PhrasePace(
        number=phrase.number,
        begin_bar=float(place[own].min()),
        end_bar=float(place[own].max()),
        at_bar=place[timed],
        late_ms=events.deviation_ms[timed],
        curve_bar=curve[0],
        curve_ms=curve[1],
        bpm=curve[2] * tempo_bpm,
        low_bpm=(curve[2] - BAND_ERRORS * curve[3]) * tempo_bpm,
        high_bpm=(curve[2] + BAND_ERRORS * curve[3]) * tempo_bpm,
        moves=drift_text(phrase),
    )


def _curve(
    events: Events,
    place: Floats,
    timed: np.ndarray[tuple[int], np.dtype[np.int64]],
    beat_sec: float,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Places in bars, smoothed ms, tempo as a share of the backing's, its standard error."""
    if len(timed) < FEWEST_NOTES:
        nothing = np.zeros(0)
        return nothing, nothing, nothing, nothing
    late_sec = events.deviation_ms[timed] / 1000.0
    due_sec = np.maximum.accumulate(events.onset_sec[timed] - late_sec)
    length = float(due_sec[-1] - due_sec[0])
    steps = int(np.clip(length / beat_sec * STEPS_PER_BEAT, 8, MOST_STEPS)) + 1
    at_sec = np.linspace(due_sec[0], due_sec[-1], steps)
    middle, slope, error = local_lines(due_sec, late_sec, at_sec, HALF_WINDOW * beat_sec)
    where = np.interp(at_sec, due_sec, place[timed])
    return where, 1000.0 * middle, 1.0 / (1.0 + slope) - 1.0, error
