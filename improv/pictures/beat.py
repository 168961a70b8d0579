"""Where in the beat the notes fall: one dial per subdivision.

A dial is one beat bent into a circle, beginning at the top and running clockwise, so
that late is clockwise. Its histogram counts notes by their place in the beat; beside it
stand the fitted positions of the subdivision (swung ones where the swing puts them) and
where the notes near each of them centre. Beats of unequal length (additive meters) get
dials of their own.

Conventions: phases in beats, [0, 1); the mean of phases is the circular mean (`stats`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from improv.counting import counted
from improv.grid import SUBDIVISIONS, name
from improv.meter import Meter
from improv.model import Analysis, Floats, Ints, _Frozen
from improv.pictures.music import Events, beat_starts, events_of, facts_of, title_of
from improv.scatter import scatter_on_grid
from improv.stats import circular_mean
from improv.wording import late_text

SECTORS = 72
"""Sectors of the histogram: 5 degrees each, about 9 ms at 96 BPM."""


@dataclass(frozen=True, eq=False)
class Position(_Frozen):
    """One fitted position: its place in the beat, its count, and the notes that belong to it.

    `mean_beat` is their circular mean place, `lean_ms` its distance from the position.
    """

    phase_beat: float
    count: str
    notes: int
    mean_beat: float
    lean_ms: float


@dataclass(frozen=True, eq=False)
class Dial(_Frozen):
    """The notes of one subdivision around the beat.

    `sectors` (SECTORS,) counts notes; sector i begins at i / SECTORS beats. `beat_sec` is
    the beat's mean length; `spread_ms` the text's spread (`scatter.scatter_on_grid`), the phrases'
    own offsets and drifts taken out; `positions` are empty off the grid.
    """

    title: str
    notes: int
    beat_sec: float
    sectors: Ints
    positions: tuple[Position, ...]
    lean_ms: float | None
    spread_ms: float | None

    @property
    def note(self) -> str:
        """The dial's own figures in one line."""
        parts = [counted(self.notes, "note")]
        if self.lean_ms is not None:
            parts.append(late_text(self.lean_ms))
        if self.spread_ms is not None:
            parts.append(f"spread {self.spread_ms:.0f} ms")
        return ", ".join(parts)


@dataclass(frozen=True)
class Dials:
    """All dials of a take, the fullest first."""

    title: str
    facts: str
    dials: tuple[Dial, ...]


def beat_dials(analysis: Analysis) -> Dials:
    """The dials of an analysis: one per subdivision and length of beat, one off the grid."""
    events, scatter = events_of(analysis), scatter_on_grid(analysis)
    bars = analysis.take.bars
    at = np.where(np.isnan(events.grid_quarter), events.quarter, events.grid_quarter)
    start, owner = beat_starts(bars)
    edges = np.append(start, bars.start_quarter[-1])
    # The beat is that of the grid position: an early downbeat belongs to the beat it opens.
    beat = np.clip(np.searchsorted(edges, at + 1e-6, side="right") - 1, 0, len(start) - 1)
    length = np.diff(edges)[beat]
    phase = (events.quarter - start[beat]) / length
    fitted = (at - start[beat]) / length
    meter = bars.meter[owner[beat]]
    keys = np.stack([events.kind, meter, np.round(length * 5040).astype(np.int64)], axis=1)
    found = []
    for key in np.unique(keys, axis=0):
        here = (keys == key).all(axis=1)
        one = bars.meters[int(key[1])]
        spread = scatter.spread_ms(np.isin(scatter.row, events.row[here]))
        found.append(_dial(events, here, phase, fitted, length, int(key[0]), one, spread))
    found.sort(key=lambda dial: (not dial.positions, -dial.notes, dial.title))
    return Dials(title_of(analysis), facts_of(analysis), tuple(found))


def _dial(
    events: Events,
    here: np.ndarray[tuple[int], np.dtype[np.bool_]],
    phase: Floats,
    fitted: Floats,
    length: Floats,
    kind: int,
    meter: Meter,
    spread_ms: float,
) -> Dial:
    own, deviation = phase[here], events.deviation_ms[here]
    beat_sec = float(np.mean(length[here] * events.quarter_sec[here]))
    sectors = np.floor((own % 1.0) * SECTORS).astype(np.int64) % SECTORS
    timed = deviation[~np.isnan(deviation)]
    positions = _positions(own, fitted[here], beat_sec, kind, meter) if kind >= 0 else ()
    return Dial(
        title=_title(kind, meter, float(length[here][0])),
        notes=int(here.sum()),
        beat_sec=beat_sec,
        sectors=np.bincount(sectors, minlength=SECTORS).astype(np.int64),
        positions=positions,
        lean_ms=float(timed.mean()) if len(timed) else None,
        spread_ms=spread_ms if len(timed) > 2 and math.isfinite(spread_ms) else None,
    )


def _title(kind: int, meter: Meter, length_quarter: float) -> str:
    called = "off the grid" if kind < 0 else name(SUBDIVISIONS[kind], meter) or "beats"
    if meter.kind != "additive":
        return called
    units = round(length_quarter / float(meter.unit_quarter))
    return f"{called}, beats of {units}/{meter.unit}"


def _positions(
    phase: Floats, fitted: Floats, beat_sec: float, kind: int, meter: Meter
) -> tuple[Position, ...]:
    """The positions in use, swung ones at the median of where the phrases have them."""
    straight = _straight(fitted, kind, meter)
    found = []
    for step in np.unique(np.round(straight * 5040)):
        at = np.round(straight * 5040) == step
        place = float(np.median(fitted[at]))
        away = (phase[at] - place + 0.5) % 1.0 - 0.5
        angle = circular_mean(2.0 * np.pi * away) / (2.0 * np.pi)
        found.append(
            Position(
                phase_beat=place,
                count=_count(Fraction(step / 5040).limit_denominator(12), meter),
                notes=int(at.sum()),
                mean_beat=float((place + angle) % 1.0),
                lean_ms=float(angle * beat_sec * 1000.0),
            )
        )
    return tuple(found)


def _straight(fitted: Floats, kind: int, meter: Meter) -> Floats:
    """The straight place in the beat that each fitted one stands for."""
    if not SUBDIVISIONS[kind].swung:
        return fitted
    per_beat = float(SUBDIVISIONS[kind].per_beat(meter.kind) or 1)
    pair = np.floor(fitted * per_beat / 2 + 1e-6)
    second = fitted * per_beat / 2 - pair > 0.25
    return (2 * pair + second) / per_beat


_SYLLABLES = {Fraction(1, 4): "e", Fraction(1, 2): "&", Fraction(3, 4): "a"}
_THIRDS = {"simple": ("trip", "let"), "compound": ("la", "li"), "additive": ("1/3", "2/3")}


def _count(place: Fraction, meter: Meter) -> str:
    """How a place in the beat is counted: a syllable, or its share of the beat."""
    if place in (0, 1):
        return "beat"
    if place.denominator == 3:
        return _THIRDS[meter.kind][place.numerator - 1]
    if meter.kind == "simple" and place in _SYLLABLES:
        return _SYLLABLES[place]
    return str(place)
