"""Marking an answer against the notation: per beat, per note, and what is not counted.

A beat is right when the coarsest straight row of the subdivision table that holds its recovered
positions is the coarsest that holds its notated ones, every note lying inside the beat and on a
grid. A note is right when its position is the notated one. Beats that no row can write (an
eighth beside a sixteenth triplet, say) and notes on no row are played but not counted.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np

from benchmarks.corpus import meter
from benchmarks.hand import Played
from improv.grid import SUBDIVISIONS, positions
from improv.meter import Meter
from improv.model import Bools, Floats, Ints

SAME_BEAT = 1e-5
_FINE = 5040 * 16  # whole steps of a quarter that every row's positions fall on


@dataclass(frozen=True, eq=False)
class Answer:
    """What a method made of a performance: per note its position in beats, and `none` where it
    stands for no notated position; `key` is the row called, for methods that call one."""

    position_beat: Floats
    none: Bools
    key: tuple[str | None, ...] | None = None


@dataclass(frozen=True, eq=False)
class Marks:
    """Right or wrong per counted beat, per counted note; and how many were not counted.

    `labels`: for each note of a counted beat, whether the row called can write the beat and is
    no finer than the finest the tune needs.
    """

    beats: Bools
    notes: Bools
    labels: Bools
    beats_left_out: int
    notes_left_out: int


@dataclass(frozen=True, eq=False)
class Beat:
    """A beat that holds onsets: their rows, its meter and its number in the bar (from 0)."""

    notes: Ints
    meter: Meter
    number: int

    def quarters(self, in_beat: Iterable[Fraction | float]) -> list[Fraction | float]:
        """Places in the beat as quarters from the bar line."""
        start, length = (
            self.meter.beat_starts_quarter[self.number],
            self.meter.beat_quarters[self.number],
        )
        return [start + length * x if isinstance(x, Fraction) else float(start) + x * float(length)
                for x in in_beat]  # fmt: skip


@cache
def straight_rows(m: Meter) -> tuple[tuple[str, frozenset[int]], ...]:
    """(key, positions of a bar) of the straight rows a meter offers, coarsest first."""
    rows = [(s.key, positions(s, m)) for s in SUBDIVISIONS if not s.swung and positions(s, m)]
    rows.sort(key=lambda row: len(row[1]))
    return tuple((key, frozenset(map(_fine, points))) for key, points in rows)


def _fine(quarters: Fraction | float) -> int:
    return round(quarters * _FINE)


def coarsest(m: Meter, quarters: Iterable[Fraction | float]) -> str | None:
    """Key of the coarsest straight row holding these positions of a bar, or `None`."""
    wanted = {_fine(q) for q in quarters}
    return next((key for key, points in straight_rows(m) if wanted <= points), None)


def beats_of(played: Played) -> list[Beat]:
    """The beats that hold an onset, in order."""
    out = []
    for beat in np.unique(played.beat):
        here = np.flatnonzero(played.beat == beat)
        b = played.bar[here[0]]
        number = int(beat - played.take.bars.first_beat[b])
        out.append(Beat(here, meter(played.tune.meters[b]), number))
    return out


def notated_row(played: Played, beat: Beat) -> str | None:
    """The row a beat is notated in."""
    return coarsest(beat.meter, beat.quarters(played.in_beat[i] for i in beat.notes))


def notated_points(played: Played) -> list[Floats]:
    """Per note, every place its beat's notated row offers in that beat (its own where none)."""
    out: list[Floats] = [np.array([float(x)]) for x in played.in_beat]
    for beat in beats_of(played):
        row = notated_row(played, beat)
        if row is None:
            continue
        low, high = (_fine(q) for q in beat.quarters([Fraction(0), Fraction(1)]))
        held = sorted(p for p in dict(straight_rows(beat.meter))[row] if low <= p < high)
        for i in beat.notes:
            out[i] = (np.array(held, dtype=np.float64) - low) / (high - low)
    return out


def note_right(played: Played, answer: Answer) -> Bools:
    """Per note, whether its position is the notated one."""
    found = np.nan_to_num(answer.position_beat, nan=1e9)
    return np.asarray(~answer.none & (np.abs(found - played.position_beat) < SAME_BEAT))


def recovered_row(played: Played, answer: Answer, beat: Beat) -> str | None:
    """The row of the positions an answer gives a beat's notes; `None` where any lies outside."""
    into = answer.position_beat[beat.notes] - played.beat[beat.notes]
    inside = (into > -SAME_BEAT) & (into < 1.0 - SAME_BEAT) & ~answer.none[beat.notes]
    return coarsest(beat.meter, beat.quarters(into.tolist())) if inside.all() else None


def mark(played: Played, answer: Answer) -> Marks:
    """Mark one answer."""
    beats = beats_of(played)
    rows = [notated_row(played, beat) for beat in beats]
    counted = np.ones(len(played.take), dtype=np.bool_)
    for beat in beats:
        for i in beat.notes:
            counted[i] = coarsest(beat.meter, beat.quarters([played.in_beat[i]])) is not None
    right = [
        recovered_row(played, answer, beat) == row
        for beat, row in zip(beats, rows, strict=True)
        if row is not None
    ]
    return Marks(
        np.array(right, dtype=np.bool_),
        note_right(played, answer)[counted],
        _labels(answer, beats, rows),
        rows.count(None),
        int((~counted).sum()),
    )


def _labels(answer: Answer, beats: list[Beat], rows: list[str | None]) -> Bools:
    if answer.key is None:
        return np.zeros(0, dtype=np.bool_)
    size = {(b.meter, key): len(points) for b in beats for key, points in straight_rows(b.meter)}
    finest: dict[Meter, int] = {}
    for beat, row in zip(beats, rows, strict=True):
        if row is not None:
            finest[beat.meter] = max(finest.get(beat.meter, 0), size[beat.meter, row])
    out = []
    for beat, row in zip(beats, rows, strict=True):
        if row is None:
            continue
        held = dict(straight_rows(beat.meter))
        low, high = (_fine(q) for q in beat.quarters([Fraction(0), Fraction(1)]))
        wanted = frozenset(p for p in held[row] if low <= p < high)
        for i in beat.notes:
            called = held.get(answer.key[i] or "", frozenset())
            out.append(wanted <= called and len(called) <= finest[beat.meter])
    return np.array(out, dtype=np.bool_)
