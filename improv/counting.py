"""Counts as musicians say them: "2 notes", and of where a note is: "& of 2", "let of 1".

The syllables are the trade's own (common practice, no source): 1 e & a for four to the
beat, 1 trip let for triplets, 1 la li for the eighths of compound meters. Divisions
without syllables are counted out ("3rd of 5 in 2"). A note off the grid is placed by
the nearest such count ("near & of 2").
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from improv.grid import SUBDIVISIONS
from improv.meter import Meter
from improv.model import Bars, Floats, Ints
from improv.tempo import bar_index, beats_at

SYLLABLES: dict[int, tuple[str, ...]] = {
    1: ("",),
    2: ("", "&"),
    3: ("", "trip", "let"),
    4: ("", "e", "&", "a"),
}
COMPOUND_SYLLABLES: dict[int, tuple[str, ...]] = {
    1: ("",),
    2: ("", "2nd half"),
    3: ("", "la", "li"),
}
_ORDINAL = ("1st", "2nd", "3rd", "4th", "5th", "6th", "7th", "8th", "9th", "10th", "11th", "12th")
_FINE = 5040
"""A multiple of every per-beat count, so that places in the beat become whole codes."""


def counted(count: int, noun: str) -> str:
    """`1 note`, `2 notes`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def count_places(bars: Bars, quarter: Floats, row: Ints) -> tuple[Ints, Ints, tuple[str, ...]]:
    """Bar number, beat number from 1 and count of positions, each (N,).

    `quarter` is a grid position, or an onset where `row` is -1.
    """
    nudged = quarter + 1e-7
    bar = bar_index(bars, nudged)
    in_bar = beats_at(bars, nudged) - bars.first_beat[bar]
    meter = bars.meter[bar]
    parts = np.array([m.beats for m in bars.meters])[meter]
    free_parts = np.array([3 if m.kind == "compound" else 4 for m in bars.meters])[meter]
    is_free = row < 0
    snapped = np.where(is_free, np.round(in_bar * free_parts) / free_parts, in_bar)
    over = snapped >= parts
    snapped = np.where(over, 0.0, snapped)
    beat = np.clip(np.floor(snapped + 1e-6), 0, None).astype(np.int64)
    part = np.round((snapped - beat) * _FINE).astype(np.int64)
    code = ((row + 1) * 64 + np.minimum(beat, 63)) * (2 * _FINE) + part
    code = code * len(bars.meters) + meter
    kinds, first, where = np.unique(code, return_index=True, return_inverse=True)
    texts = [
        _text(int(row[i]), int(beat[i]), int(part[i]), bars.meters[int(meter[i])]) for i in first
    ]
    del kinds
    names = np.array(texts, dtype=object)[where] if texts else np.zeros(0, dtype=object)
    number = bars.number[bar] + over
    return number, beat + 1, tuple(names.tolist())


def _text(row: int, beat: int, part: int, meter: Meter) -> str:
    if row < 0:
        per_beat = Fraction(3 if meter.kind == "compound" else 4)
        return f"near {_syllable(beat, part, per_beat, meter)}"
    subdivision = SUBDIVISIONS[row]
    per_beat = subdivision.per_beat(meter.kind) or Fraction(1)
    if part == 0:
        return str(beat + 1)
    if subdivision.swung:
        per_beat = _in_this_beat(per_beat, beat, meter)
        half = int(per_beat) // 2
        pair, into = divmod(part * half, _FINE)
        # The second of a pair lies at its half or later; what is earlier is the first.
        place = 2 * pair + (4 * into > _FINE)
        return _syllable(beat, place * _FINE // int(per_beat), per_beat, meter)
    if per_beat.denominator == 2:
        block_part = ((beat % 2) * _FINE + part) * int(2 * per_beat) // (2 * _FINE)
        first = beat // 2 * 2 + 1
        return f"{_ORDINAL[block_part]} of {int(2 * per_beat)} over {first} and {first + 1}"
    return _syllable(beat, part, _in_this_beat(per_beat, beat, meter), meter)


def _in_this_beat(per_beat: Fraction, beat: int, meter: Meter) -> Fraction:
    """In additive bars a long group holds more of the same notes."""
    if meter.kind != "additive":
        return per_beat
    return per_beat * meter.groups[beat] / 2 if per_beat in (2, 4, 8) else per_beat


def _syllable(beat: int, part: int, per_beat: Fraction, meter: Meter) -> str:
    count = int(per_beat) if per_beat.denominator == 1 else 4
    place = round(part * count / _FINE)
    if place == 0:
        return str(beat + 1)
    table = (
        COMPOUND_SYLLABLES
        if meter.kind == "compound" or count == 3 and meter.kind == "additive"
        else SYLLABLES
    )
    if count in table:
        return f"{table[count][place]} of {beat + 1}"
    return f"{_ORDINAL[min(place, 11)]} of {count} in {beat + 1}"
