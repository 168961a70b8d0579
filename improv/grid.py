"""Subdivisions and their grids: one table, and what follows from a row of it.

A **subdivision** is a row of `SUBDIVISIONS`. What it is called and how many notes it
puts to a beat depends on the kind of meter (eighths are 2 to the beat in 4/4, 3 in
6/8). Its **grid** is every position it offers in a bar, in exact fractions of a
quarter note from the bar line; grids always hold the downbeat.

Conventions: `per_beat` counts notes per beat of the meter (per reference beat of two
units in an additive meter); a swing ratio is long : short, 1 straight, 2 triplet.
To add a subdivision, add a row: whatever is done with every subdivision follows from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import TypeVar

from improv.errors import UsageError
from improv.meter import Kind, Meter

KINDS: tuple[Kind, ...] = ("simple", "compound", "additive")
Count = Fraction | None
Ratio = TypeVar("Ratio", float, Fraction)
USUAL_SWING = 1.5
"""What swung notes are drawn and sounded at where no ratio is known (our choice)."""
COMMON_WEIGHT = 0.5
"""Prior weight from which a subdivision counts as commonly met in a kind of meter."""


@dataclass(frozen=True)
class Subdivision:
    """One way of dividing time. A per-beat count of `None`: not offered in that kind of meter.

    `weight` is how often it is met, relative to the others, per kind of meter: a mild
    prior from common practice (no source), strong enough only to break near-ties. A swung row
    has the ratios that are tried at first, and those kept while the player's own is unknown.
    `chains`: every so many positions of a grid, one after another, are a common rhythm: dotted
    quarters and eighths, offbeat sixteenths, shifted quarter triplets (common practice, no source).
    `even_across_bar`: in an additive meter its step is the same in long beats and short ones.
    """

    key: str
    simple: Count
    compound: Count
    additive: Count
    weight: tuple[float, float, float] = (1.0, 1.0, 1.0)
    first_ratios: tuple[float, ...] = ()
    idle_ratios: tuple[float, ...] = ()
    chains: tuple[int, ...] = ()
    even_across_bar: bool = False

    @property
    def swung(self) -> bool:
        """Whether its notes go in pairs of long and short."""
        return bool(self.first_ratios)

    def per_beat(self, kind: Kind) -> Count:
        """Notes per beat in a kind of meter."""
        return {"simple": self.simple, "compound": self.compound, "additive": self.additive}[kind]

    def prior_weight(self, kind: Kind) -> float:
        """Relative prior weight in a kind of meter (0 where not offered)."""
        if self.per_beat(kind) is None:
            return 0.0
        return self.weight[KINDS.index(kind)]


def _row(
    key: str,
    per_beat: tuple[str, str, str],
    weight: tuple[float, float, float],
    chains: tuple[int, ...] = (),
    even: bool = False,
    ratios: tuple[tuple[float, ...], tuple[float, ...]] = ((), ()),
) -> Subdivision:
    simple, compound, additive = (Fraction(p) if p else None for p in per_beat)
    return Subdivision(key, simple, compound, additive, weight, *ratios, chains, even)


#            key             simple compound additive     weight in simple, compound, additive
SUBDIVISIONS: tuple[Subdivision, ...] = (
    _row("two-beat",        ("1/2", "1/2", ""),          (0.5, 0.5, 0.0)),
    _row("beat",            ("1", "1", "1"),             (1.0, 1.0, 1.0)),
    _row("three-in-two",    ("3/2", "3/2", ""),          (0.3, 0.3, 0.0)),
    _row("unit",            ("2", "3", "2"),             (2.0, 3.0, 3.0), (3,), even=True),
    _row("swung-unit",      ("2", "", ""),               (1.0, 0.0, 0.0),
         ratios=((1.3, 1.6, 2.0, 2.6), (1.4, 2.0))),
    _row("triplet",         ("3", "2", "3"),             (1.0, 0.3, 0.3), (2,)),
    _row("half-unit",       ("4", "6", "4"),             (2.0, 2.0, 2.0), (2, 3), even=True),
    _row("swung-half-unit", ("4", "6", "4"),             (0.5, 0.3, 0.3), even=True,
         ratios=((1.3, 1.7, 2.3), (1.4, 2.0))),
    _row("quintuplet",      ("5", "5", "5"),             (0.3, 0.2, 0.2)),
    _row("sextuplet",       ("6", "4", "6"),             (0.6, 0.4, 0.3)),
    _row("septuplet",       ("7", "7", "7"),             (0.2, 0.2, 0.2)),
    _row("unit-triplet",    ("", "9", ""),               (0.0, 0.4, 0.0)),
    _row("quarter-unit",    ("8", "12", "8"),            (0.5, 0.4, 0.5), even=True),
)  # fmt: skip

COARSE = tuple(i for i, row in enumerate(SUBDIVISIONS) if row.simple and row.simple <= 1)
"""Rows of one note to a beat or fewer: long notes come up in any playing, at every cadence."""

_NOTE_VALUES = {
    1: "whole notes", 2: "half notes", 4: "quarters", 8: "eighths", 16: "sixteenths",
    32: "thirty-seconds", 64: "sixty-fourths", 128: "hundred-twenty-eighths",
    256: "two-hundred-fifty-sixths",
}  # fmt: skip
_SINGULAR = {
    1: "whole-note", 2: "half-note", 4: "quarter", 8: "eighth", 16: "sixteenth",
    32: "thirty-second", 64: "sixty-fourth", 128: "hundred-twenty-eighth",
}  # fmt: skip
_DOTTED = {1: "dotted wholes", 2: "dotted halves", 4: "dotted quarters",
           8: "dotted eighths", 16: "dotted sixteenths", 32: "dotted thirty-seconds"}  # fmt: skip
_FIGURES = {
    "hundred-twenty-eighth": "128th", "two-hundred-fifty-sixth": "256th",
    "thirty-second": "32nd", "sixty-fourth": "64th", "sixteenth": "16th", "eighth": "8th",
    "dotted ": "dot. ", "triplet": "trip.",
}  # fmt: skip
_TUPLETS = {5: "quintuplets", 6: "sextuplets", 7: "septuplets"}


@cache
def name(subdivision: Subdivision, meter: Meter) -> str | None:
    """What musicians call this subdivision in this meter, or `None` where it is not offered."""
    per_beat = subdivision.per_beat(meter.kind)
    if per_beat is None:
        return None
    plain = _plain_name(per_beat, meter)
    return f"swung {plain}" if subdivision.swung else plain


def _plain_name(per_beat: Fraction, meter: Meter) -> str:
    if meter.kind == "simple":
        return _simple_name(per_beat, meter.unit)
    if meter.kind == "compound":
        return _compound_name(per_beat, meter.unit)
    return "beats" if per_beat == 1 else _simple_name(per_beat, meter.unit // 2)


def _simple_name(per_beat: Fraction, beat_value: int) -> str:
    value = beat_value * per_beat
    if value < 1:
        return "double whole notes"
    if value.denominator == 1 and value.numerator in _NOTE_VALUES:
        return _NOTE_VALUES[value.numerator]
    if per_beat in _TUPLETS:
        return _TUPLETS[int(per_beat)]
    return f"{_SINGULAR.get(int(value * Fraction(2, 3)), 'double-whole')} triplets"


def _compound_name(per_beat: Fraction, unit: int) -> str:
    named = {2: "duplets", 4: "quadruplets", 5: "quintuplets", 7: "septuplets"}
    if per_beat in named:
        return named[int(per_beat)]
    if per_beat == 9:
        return f"{_SINGULAR.get(2 * unit, 'very short')} triplets"
    if per_beat in (Fraction(1, 2), Fraction(1)):
        value = int(per_beat * unit / 2)
        return _DOTTED.get(value, "dotted double wholes")
    return _NOTE_VALUES.get(int(per_beat * unit / 3), "whole notes")


def offered(meter: Meter) -> tuple[int, ...]:
    """Indices into `SUBDIVISIONS` that the meter offers, in table order."""
    return tuple(i for i, s in enumerate(SUBDIVISIONS) if s.per_beat(meter.kind) is not None)


@cache
def common(meter: Meter) -> tuple[int, ...]:
    """The straight subdivisions commonly met in the meter, in table order."""
    return tuple(
        i
        for i in offered(meter)
        if not SUBDIVISIONS[i].swung and SUBDIVISIONS[i].prior_weight(meter.kind) >= COMMON_WEIGHT
    )


def short_name(full: str) -> str:
    """A subdivision's name with its note values in figures: `16ths`, `swung 8ths`."""
    for word, figure in _FIGURES.items():
        full = full.replace(word, figure)
    return full.replace("trip.s", "trip.")


ALMOST = 0.05
"""A rate this near a subdivision's is told as that one, faster or slower (our choice)."""


def row_of(key: str) -> int:
    """Index into `SUBDIVISIONS` of the row with a key."""
    return next(i for i, s in enumerate(SUBDIVISIONS) if s.key == key)


@cache
def straight_twin(row: int) -> int:
    """The straight row whose grid a swung one is played over; a straight row itself.

    That is the one with as many notes to the beat in every kind of meter that offers the swung.
    """
    swung = SUBDIVISIONS[row]
    return row if not swung.swung else _straight(swung, 1)


@cache
def twice_as_dense(row: int) -> int:
    """The straight row with two notes to each of a row's, or -1: there its dotted pairs are."""
    return _straight(SUBDIVISIONS[row], 2)


def _straight(like: Subdivision, times: int) -> int:
    wanted = [(kind, count * times) for kind in KINDS if (count := like.per_beat(kind))]
    for i, row in enumerate(SUBDIVISIONS):
        if not row.swung and all(row.per_beat(kind) == count for kind, count in wanted):
            return i
    return -1


def find(text: str, meters: tuple[Meter, ...]) -> int:
    """Index of the subdivision that `text` means in one of the meters, as `meant` has it.

    Raises `UsageError` with the names that exist.
    """
    found = meant(text, meters)
    if found is None:
        names = ", ".join(names_in(meters))
        raise UsageError(f"no subdivision '{text}' in {meters[0]}; it can be: {names}")
    return found[0]


def meant(text: str, meters: tuple[Meter, ...]) -> tuple[int, str] | None:
    """Index and full name of the subdivision that `text` means in one of the meters, if any.

    It may be written in full or by its `short_name`; "triplets" without a note value are three
    to the beat of the first meter whose beats are not dotted.
    """
    return _rows_by_name(meters).get(short_name(" ".join(text.lower().split())))


def names_in(meters: tuple[Meter, ...]) -> tuple[str, ...]:
    """Full names of all subdivisions the meters offer, coarsest first."""
    every = (name(SUBDIVISIONS[i], meter) or "" for meter in meters for i in offered(meter))
    return tuple(dict.fromkeys(every))


@cache
def _rows_by_name(meters: tuple[Meter, ...]) -> dict[str, tuple[int, str]]:
    """Index and full name of every subdivision by its short name; the first meter has it."""
    found: dict[str, tuple[int, str]] = {}
    for meter in meters:
        for i in offered(meter):
            full = name(SUBDIVISIONS[i], meter) or ""
            found.setdefault(short_name(full), (i, full))
            if SUBDIVISIONS[i].key == "triplet" and meter.kind != "compound":
                found.setdefault(short_name("triplets"), (i, full))
    return found


@cache
def positions(subdivision: Subdivision, meter: Meter) -> tuple[Fraction, ...]:
    """The straight grid of one bar, in quarter notes from the bar line, ascending.

    Two-beat rows fall on the odd beats; a last odd beat keeps only its own start.
    """
    per_beat = subdivision.per_beat(meter.kind)
    if per_beat is None:
        return ()
    if meter.kind == "additive" and subdivision.even_across_bar:
        per_unit = per_beat / 2
        steps = sum(meter.groups) * per_unit
        return tuple(i * meter.unit_quarter / per_unit for i in range(int(steps)))
    if per_beat.denominator == 2:
        return _two_beat_positions(per_beat, meter)
    return tuple(
        start + length * Fraction(j, int(per_beat))
        for start, length in zip(meter.beat_starts_quarter, meter.beat_quarters, strict=True)
        for j in range(int(per_beat))
    )


def _two_beat_positions(per_beat: Fraction, meter: Meter) -> tuple[Fraction, ...]:
    starts, length = meter.beat_starts_quarter, meter.beat_quarters[0]
    found: list[Fraction] = []
    for first in range(0, meter.beats, 2):
        whole = first + 1 < meter.beats
        count = int(2 * per_beat) if whole else 1
        found.extend(starts[first] + 2 * length * Fraction(j, count) for j in range(count))
    return tuple(found)


def swung_positions(subdivision: Subdivision, meter: Meter, ratio: float) -> tuple[float, ...]:
    """The grid of one bar in quarter notes with every second position delayed to `ratio` : 1.

    The second of each pair lies at ratio / (1 + ratio) of the pair. Straight rows ignore the ratio.
    """
    straight = positions(subdivision, meter)
    return delayed(straight, ratio) if subdivision.swung else tuple(map(float, straight))


def delayed(straight: tuple[Fraction, ...], ratio: Ratio) -> tuple[Ratio, ...]:
    """Even positions with every second one delayed to `ratio` : 1, exact where the ratio is."""
    if len(straight) < 2:
        return tuple(at + 0 * ratio for at in straight)
    shift = 2 * (straight[1] - straight[0]) * (ratio / (1 + ratio) - Fraction(1, 2))
    return tuple(at + (shift if i % 2 else 0 * ratio) for i, at in enumerate(straight))


def on_beat(subdivision: Subdivision, meter: Meter) -> tuple[bool, ...]:
    """For each grid position of the bar, whether it begins a beat."""
    beats = set(meter.beat_starts_quarter)
    return tuple(p in beats for p in positions(subdivision, meter))


@cache
def pulse_quarters(meter: Meter) -> float:
    """Length of the unit that beats are made of: eighths in 4/4, 6/8 and 2+2+3/8."""
    return float(meter.bar_quarters) / len(positions(SUBDIVISIONS[row_of("unit")], meter))


@cache
def pair_quarter(row: int, meter: Meter) -> float:
    """Length in quarters of two neighbouring notes of a row, which swing together where any do.

    NaN where a beat holds no whole number of pairs.
    """
    per_beat = SUBDIVISIONS[row].per_beat(meter.kind)
    if not per_beat or per_beat.denominator != 1 or per_beat % 2:
        return math.nan
    return float(meter.tempo_beat_quarter * 2 / per_beat)


@cache
def straight_rates(meter: Meter, stated: Meter) -> tuple[tuple[float, int], ...]:
    """Rate and row of every straight subdivision a meter offers, slowest first.

    In notes to the beat of the `stated` meter, whose beat rates are told in.
    """
    share = float(stated.tempo_beat_quarter / meter.tempo_beat_quarter)
    return tuple(
        sorted(
            (float(per_beat) * share, row)
            for row, s in enumerate(SUBDIVISIONS)
            if not s.swung and (per_beat := s.per_beat(meter.kind)) is not None
        )
    )


def almost(rate: float, meter: Meter, stated: Meter) -> tuple[float, int]:
    """By what share a rate is faster (+) than the nearest straight subdivision's, and its row.

    Told as that one, played too fast or too slowly, where the share is under `ALMOST`.
    """
    ratios = [(rate / own, row) for own, row in straight_rates(meter, stated)]
    ratio, row = min(ratios, key=lambda r: abs(math.log(r[0])))
    return ratio - 1.0, row
