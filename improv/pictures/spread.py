"""How far the notes scatter, by subdivision and tempo.

One row per subdivision and tempo of the backing: every note's deviation about the center
of its phrase and its sure drift (these are no spread), their density and quartiles, and the
spread that the text tells (`scatter.scatter_on_grid`). Behind them stand published thresholds of
what is heard; see `THRESHOLDS` and `tone_threshold_ms`. Conventions: ms, positive = late.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from improv.counting import counted
from improv.grid import SUBDIVISIONS, name
from improv.model import Analysis, Floats, Ints, _Frozen
from improv.pictures.music import events_of, facts_of, title_of
from improv.practice_words import whole as whole_bpm
from improv.scatter import Scatter, scatter_on_grid
from improv.tempo import bar_index
from improv.wording import bpm_text

FEWEST_FOR_DENSITY = 8
FEWEST_FOR_SPREAD = 3
DENSITY_POINTS = 121
MOST_ROWS = 12
MOST_TEMPI = 6
"""Tempi of a subdivision that get rows of their own; more are gathered by tens of BPM."""
FRAMES_MS = (40.0, 60.0, 80.0, 120.0, 160.0)


@dataclass(frozen=True)
class Threshold:
    """A published limit of hearing or liking: where it stands, what it is, who found it."""

    early_ms: float
    late_ms: float
    mark: str
    what: str
    source: str


THRESHOLDS = (
    Threshold(
        -19.0, 19.0, "A",
        "±19 ms: asynchronies reduced to below it were preferred, to larger ones and to none",
        "jazz trio; Hofmann, Wesolowski & Goebl 2017",
    ),
    Threshold(
        -23.0, 28.0, "B",
        "23 ms early, 28 ms late: smallest asynchronies heard in a groove",
        "funk pattern; preprint, OSF jsg94",
    ),
)  # fmt: skip
TONE_SOURCE = "Friberg & Sundberg 1995"


def tone_threshold_ms(interval_ms: float) -> float:
    """The smallest displacement heard of one tone in an even row of tones, in ms.

    6 ms below an interval of 240 ms, 2.5 % of it above (Friberg & Sundberg 1995, JASA 98, 2524).
    """
    return max(6.0, 0.025 * interval_ms)


@dataclass(frozen=True, eq=False)
class SpreadRow(_Frozen):
    """One subdivision at one tempo.

    `away_ms` (N,) are the deviations about their phrases' centers; `density_ms`, `density`
    (M,) a kernel estimate of their distribution scaled to a peak of 1, empty for few notes;
    `quartiles_ms` the 25th, 50th and 75th percentile; `spread_ms` the text's spread with
    its standard error; `tone_ms` the threshold for a single tone at this spacing.
    """

    subdivision: str
    tempo_bpm: float
    tempo_text: str
    interval_ms: float
    away_ms: Floats
    density_ms: Floats
    density: Floats
    quartiles_ms: tuple[float, float, float]
    spread_ms: float | None
    spread_se_ms: float | None
    tone_ms: float

    @property
    def note(self) -> str:
        """The row's own figures, in two lines."""
        counted_notes = counted(len(self.away_ms), "note")
        if self.spread_ms is None or self.spread_se_ms is None:
            return f"{counted_notes}\ntoo few for a spread"
        return f"{counted_notes}\nspread {self.spread_ms:.0f} ± {2 * self.spread_se_ms:.0f} ms"


@dataclass(frozen=True)
class Spreads:
    """All rows, coarse subdivisions first, then by tempo; `frame_ms` is where the axis ends.

    `names` are the takes', where it is of several.
    """

    title: str
    facts: str
    frame_ms: float
    rows: tuple[SpreadRow, ...]
    names: tuple[str, ...] = ()


def spreads_of(analyses: Sequence[Analysis]) -> Spreads:
    """The spread of one take, or of several together."""
    gathered = [_deviations(a) for a in analyses]
    kinds = np.concatenate([g.kind for g in gathered])
    kind_names = [text for g in gathered for text in g.names]
    bpm = np.concatenate([g.bpm for g in gathered])
    scatter = _joined([g.scatter for g in gathered])
    interval = np.concatenate([g.interval_ms for g in gathered])
    order = np.array([_rank(k) for k in kinds.tolist()])
    rows = []
    for rank, text in sorted(set(zip(order.tolist(), kind_names, strict=True))):
        here = np.flatnonzero((order == rank) & np.array([n == text for n in kind_names]))
        for tempo, label, own in _by_tempo(bpm[here]):
            at = here[own]
            rows.append(_row(text, tempo, label, scatter, at, float(np.median(interval[at]))))
    several = len(analyses) > 1
    names = tuple(title_of(a) for a in analyses) if several else ()
    return Spreads(
        title=f"{len(analyses)} takes" if several else title_of(analyses[0]),
        facts=", ".join(names) if several else facts_of(analyses[0]),
        frame_ms=_frame(scatter.rest_ms),
        rows=tuple(rows),
        names=names,
    )


@dataclass(frozen=True, eq=False)
class _Gathered(_Frozen):
    kind: Ints
    names: tuple[str, ...]
    bpm: Floats
    scatter: Scatter
    interval_ms: Floats


def _joined(parts: Sequence[Scatter]) -> Scatter:
    """The scatter of several takes one after the other."""
    return Scatter(
        np.concatenate([part.row for part in parts]),
        np.concatenate([part.rest_ms for part in parts]),
        np.concatenate([part.square_ms2 for part in parts]),
        np.concatenate([part.freedom for part in parts]),
    )


def _deviations(analysis: Analysis) -> _Gathered:
    """Every timed note of one take, as far from its phrase's center and drift as in the text."""
    events = events_of(analysis)
    bars = analysis.take.bars
    scatter = scatter_on_grid(analysis)
    timed = np.flatnonzero(np.isin(events.row, scatter.row))
    meter = bars.meter[bar_index(bars, events.grid_quarter[timed] + 1e-6)]
    beat_quarter = bars.tempo_beat_quarter[meter]
    beat_ms = 1000.0 * beat_quarter * events.quarter_sec[timed]
    per_beat = np.array(analysis.notes.per_beat[events.row[timed]])
    names = tuple(
        name(SUBDIVISIONS[k], bars.meters[m]) or "beats"
        for k, m in zip(events.kind[timed].tolist(), meter.tolist(), strict=True)
    )
    return _Gathered(events.kind[timed], names, 60000.0 / beat_ms, scatter, beat_ms / per_beat)


def _rank(kind: int) -> int:
    """Subdivisions from coarse to fine, swung ones after their straight twins."""
    order = sorted(
        range(len(SUBDIVISIONS)),
        key=lambda k: (float(SUBDIVISIONS[k].simple or 0), SUBDIVISIONS[k].swung, k),
    )
    return order.index(kind)


def _by_tempo(bpm: Floats) -> list[tuple[float, str, Ints]]:
    """Groups of one tempo each; by tens where there are more than `MOST_TEMPI`."""
    whole = np.round(bpm, 1)
    step = 0.1
    if len(np.unique(whole)) > MOST_TEMPI:
        step = 10.0
        own_bpm, index = np.unique(bpm, return_inverse=True)
        whole = np.array([step * (whole_bpm(b) // step) for b in own_bpm.tolist()])[index]
    groups = []
    for tempo in np.unique(whole):
        own = np.flatnonzero(whole == tempo)
        text = bpm_text(float(tempo)) if step < 1 else f"{tempo:.0f} to {tempo + step:.0f}"
        groups.append((float(np.mean(bpm[own])), f"{text} BPM", own))
    return groups


def _row(
    text: str, tempo: float, label: str, scatter: Scatter, at: Ints, interval_ms: float
) -> SpreadRow:
    away = scatter.rest_ms[at]
    place, density = _density(away)
    spread = scatter.spread_ms(at)
    told = len(away) >= FEWEST_FOR_SPREAD and math.isfinite(spread)
    # Of a standard deviation of independent normal values: s / sqrt(2 freedom).
    error = spread / math.sqrt(2.0 * float(scatter.freedom[at].sum())) if told else None
    quartiles = np.quantile(away, (0.25, 0.5, 0.75))
    return SpreadRow(
        subdivision=text,
        tempo_bpm=tempo,
        tempo_text=label,
        interval_ms=interval_ms,
        away_ms=away,
        density_ms=place,
        density=density,
        quartiles_ms=(float(quartiles[0]), float(quartiles[1]), float(quartiles[2])),
        spread_ms=spread if told else None,
        spread_se_ms=error,
        tone_ms=tone_threshold_ms(interval_ms),
    )


def _density(away: Floats) -> tuple[Floats, Floats]:
    """Gaussian kernel estimate with Silverman's width, its peak scaled to 1."""
    if len(away) < FEWEST_FOR_DENSITY:
        return np.zeros(0), np.zeros(0)
    low, high = np.quantile(away, (0.25, 0.75))
    scale = min(float(away.std(ddof=1)), float(high - low) / 1.349) or float(away.std(ddof=1))
    width = max(0.9 * scale * len(away) ** -0.2, 0.5)
    at = np.linspace(float(away.min()) - 3 * width, float(away.max()) + 3 * width, DENSITY_POINTS)
    bins = np.histogram(away, bins=400, range=(float(at[0]), float(at[-1])))[0]
    middle = np.linspace(float(at[0]), float(at[-1]), 401)
    middle = (middle[1:] + middle[:-1]) / 2
    height = np.exp(-0.5 * ((at[:, None] - middle[None, :]) / width) ** 2) @ bins
    return at, height / height.max()


def _frame(away: Floats) -> float:
    held = float(np.quantile(np.abs(away), 0.985)) if len(away) else 0.0
    return next((frame for frame in FRAMES_MS if frame >= held), FRAMES_MS[-1])
