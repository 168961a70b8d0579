"""Meters: how a bar is grouped into beats, and how a written meter is read.

Conventions
-----------
A bar is a tuple of beats, each a number of *units* (the lower figure of the
signature). Three kinds:

* **simple**: every beat is one unit (4/4, 3/4, 5/4, 2/2);
* **compound**: every beat is three units (6/8, 9/8, 12/8, 3/8): the dotted note;
* **additive**: groups of unequal length (2+2+2+3/8, 7/8). The reference beat of
  an additive meter, the one a tempo counts, is two units (the quarter in x/8).

Groups of quarters or longer (3+2/4) are a simple meter: its beats stay the quarters that
a musician counts, and `accents` keeps how they are grouped.

Lengths are exact fractions of a quarter note. A signature the trade groups in
more than one way gets the grouping in `COMMON_GROUPS`; any other is written out.
Default groups are common practice, no source; engravers' programs disagree on 5/8.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from improv.errors import UsageError

Kind = Literal["simple", "compound", "additive"]

COMMON_GROUPS: dict[int, tuple[int, ...]] = {
    5: (2, 3),
    7: (2, 2, 3),
    8: (3, 3, 2),
    10: (3, 3, 2, 2),
    11: (3, 3, 3, 2),
    13: (3, 3, 3, 2, 2),
}
SHORTEST_UNIT = 64
LONGEST_BAR_UNITS = 64
LONGEST_TEXT = 200
SHORTEST_GROUPED_UNIT = 8
_BAR = re.compile(r"([0-9]+(?:\+[0-9]+)*)/([0-9]+)")


@dataclass(frozen=True)
class Meter:
    """One bar's meter: `groups` of units, each group one beat; `unit` as in x/unit.

    `accents` groups the beats of a simple meter written as a sum (3, 2 for 3+2/4).
    """

    groups: tuple[int, ...]
    unit: int
    additive: bool = False
    accents: tuple[int, ...] = ()

    @property
    def kind(self) -> Kind:
        """Whether beats are whole units, threes of units, or uneven groups."""
        if self.additive:
            return "additive"
        return "compound" if self.groups[0] == 3 else "simple"

    @property
    def unit_quarter(self) -> Fraction:
        """Length of one unit in quarter notes (1/2 for x/8)."""
        return Fraction(4, self.unit)

    @property
    def beats(self) -> int:
        """Beats in the bar."""
        return len(self.groups)

    @property
    def beat_quarters(self) -> tuple[Fraction, ...]:
        """Length of each beat in quarter notes."""
        return tuple(g * self.unit_quarter for g in self.groups)

    @property
    def beat_starts_quarter(self) -> tuple[Fraction, ...]:
        """Where each beat begins, in quarter notes from the bar line."""
        starts, total = [], Fraction(0)
        for length in self.beat_quarters:
            starts.append(total)
            total += length
        return tuple(starts)

    @property
    def bar_quarters(self) -> Fraction:
        """Length of the bar in quarter notes."""
        return sum(self.groups) * self.unit_quarter

    @property
    def tempo_beat_quarter(self) -> Fraction:
        """Length in quarter notes of the beat that a stated tempo counts."""
        return 2 * self.unit_quarter if self.additive else self.beat_quarters[0]

    def __str__(self) -> str:
        written = self.groups if self.additive else self.accents
        if written:
            return f"{'+'.join(map(str, written))}/{self.unit}"
        return f"{sum(self.groups)}/{self.unit}"


def cycle_quarters(cycle: tuple[Meter, ...]) -> float:
    """Length in quarter notes of a cycle of bars."""
    return float(sum(meter.bar_quarters for meter in cycle))


def meter_of(count: int, unit: int) -> Meter:
    """The meter written `count`/`unit`, grouped as the trade commonly groups it.

    Raises `UsageError` for a signature no bar can have.
    """
    if unit < 1 or unit > SHORTEST_UNIT or unit & (unit - 1):
        raise UsageError(f"meter {count}/{unit}: the lower figure must be 1, 2, 4, 8, 16, 32 or 64")
    if not 1 <= count <= LONGEST_BAR_UNITS:
        raise UsageError(f"meter {count}/{unit}: the upper figure must be 1 to {LONGEST_BAR_UNITS}")
    if count % 3 == 0 and (count > 3 or unit >= 8):
        return Meter((3,) * (count // 3), unit)
    if unit >= 8 and count > 4:
        return Meter(COMMON_GROUPS.get(count) or _twos_and_a_three(count), unit, additive=True)
    return Meter((1,) * count, unit)


def _twos_and_a_three(count: int) -> tuple[int, ...]:
    """Split `count` units into twos, with a closing three when it is odd."""
    twos = (count - 3) // 2 if count % 2 else count // 2
    return (2,) * twos + ((3,) if count % 2 else ())


def parse_meter(text: str) -> tuple[Meter, ...]:
    """Read a written meter: `4/4`, `2+2+2+3/8`, or alternating bars `9/8+10/8`.

    Returns the cycle of bars, one `Meter` each. Raises `UsageError` naming the text.
    """
    # The length is looked at first: the pattern needs quadratic time on endless sums.
    compact = re.sub(r"\s", "", text) if len(text) <= LONGEST_TEXT else ""
    pieces = _BAR.findall(compact)
    if not pieces or "+".join(f"{upper}/{unit}" for upper, unit in pieces) != compact:
        raise UsageError(
            f"meter '{_shortened(text)}' cannot be read: write it like 4/4, 6/8, 2+2+2+3/8, "
            "or alternating bars like 9/8+10/8"
        )
    return tuple(_parse_bar(upper, unit, text) for upper, unit in pieces)


def _parse_bar(upper: str, lower: str, text: str) -> Meter:
    groups, unit = tuple(int(part) for part in upper.split("+")), int(lower)
    if max(*groups, unit) > 10 * LONGEST_BAR_UNITS:
        raise UsageError(f"meter '{_shortened(text)}' has figures too large for a bar")
    if min(groups) < 1:
        raise UsageError(f"meter '{_shortened(text)}': each part of a bar needs at least one unit")
    plain = meter_of(sum(groups), unit)
    if len(groups) == 1:
        return plain
    if len(set(groups)) == 1 and groups[0] in (1, 3):
        return Meter(groups, unit)
    if unit < SHORTEST_GROUPED_UNIT:
        return Meter((1,) * sum(groups), unit, accents=groups)
    return Meter(groups, unit, additive=True)


def _shortened(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:40]}…"


def meter_text(cycle: tuple[Meter, ...]) -> str:
    """The cycle of bars as it is written."""
    return "+".join(map(str, cycle))
