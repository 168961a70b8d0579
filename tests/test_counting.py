"""Counts as musicians say them: bar, beat and syllable of every kind of position."""

from __future__ import annotations

import numpy as np
import pytest

from improv.counting import count_places
from improv.grid import SUBDIVISIONS
from improv.meter import parse_meter
from improv.model import Place
from improv.tempo import lay_bars
from improv.wording import place_text

INDEX = {row.key: i for i, row in enumerate(SUBDIVISIONS)}

COUNTED = [
    # meter, row, quarters from bar 1, (bar, beat, count); common practice, no source
    ("4/4", "unit", 0.0, (1, 1, "1")),
    ("4/4", "unit", 3.5, (1, 4, "& of 4")),
    ("4/4", "unit", 4.0, (2, 1, "1")),
    ("4/4", "unit", -1.0, (0, 4, "4")),
    ("4/4", "half-unit", 0.25, (1, 1, "e of 1")),
    ("4/4", "half-unit", 2.5, (1, 3, "& of 3")),
    ("4/4", "half-unit", 2.75, (1, 3, "a of 3")),
    ("4/4", "triplet", 1 + 1 / 3, (1, 2, "trip of 2")),
    ("4/4", "triplet", 1 + 2 / 3, (1, 2, "let of 2")),
    ("4/4", "swung-unit", 0.62, (1, 1, "& of 1")),
    ("4/4", "swung-unit", 0.75, (1, 1, "& of 1")),
    ("4/4", "swung-half-unit", 0.30, (1, 1, "e of 1")),
    ("4/4", "swung-half-unit", 0.50, (1, 1, "& of 1")),
    ("4/4", "swung-half-unit", 0.82, (1, 1, "a of 1")),
    ("4/4", "quintuplet", 1.4, (1, 2, "3rd of 5 in 2")),
    ("4/4", "three-in-two", 4 / 3, (1, 2, "3rd of 3 over 1 and 2")),
    ("4/4", "two-beat", 2.0, (1, 3, "3")),
    ("6/8", "unit", 0.5, (1, 1, "la of 1")),
    ("6/8", "unit", 2.5, (1, 2, "li of 2")),
    ("6/8", "triplet", 0.75, (1, 1, "2nd half of 1")),
    ("6/8", "half-unit", 0.75, (1, 1, "4th of 6 in 1")),
    ("2+2+2+3/8", "unit", 0.5, (1, 1, "& of 1")),
    ("2+2+2+3/8", "unit", 4.0, (1, 4, "li of 4")),
    ("2+2+2+3/8", "half-unit", 0.25, (1, 1, "e of 1")),
    # off the grid: the nearest sixteenth, or eighth of a compound beat
    ("4/4", None, 0.20, (1, 1, "near e of 1")),
    ("4/4", None, 3.95, (2, 1, "near 1")),
    ("6/8", None, 1.40, (1, 2, "near 2")),
]


@pytest.mark.parametrize(("meter", "key", "quarter", "expected"), COUNTED)
def test_counts(
    meter: str, key: str | None, quarter: float, expected: tuple[int, int, str]
) -> None:
    """Every position has its bar, its beat and its count."""
    bars = lay_bars(((0.0, parse_meter(meter)),), -4.0, 12.0)
    row = np.array([-1 if key is None else INDEX[key]])
    number, beat, text = count_places(bars, np.array([quarter]), row)
    assert (int(number[0]), int(beat[0]), text[0]) == expected


@pytest.mark.parametrize("written", ["4/4", "6/8", "7/8", "2+2+3/8", "2+2+2+3/8", "3+3+2/8"])
@pytest.mark.parametrize("key", [s.key for s in SUBDIVISIONS])
def test_positions_of_a_bar_have_counts_of_their_own(key: str, written: str) -> None:
    """No two positions of one bar are counted alike."""
    from improv.grid import swung_positions

    (meter,) = parse_meter(written)
    bars = lay_bars(((0.0, (meter,)),), 0.0, 8.0)
    at = np.array(swung_positions(SUBDIVISIONS[INDEX[key]], meter, 1.7))
    _, _, text = count_places(bars, at, np.full(len(at), INDEX[key]))
    assert len(set(text)) == len(at)


@pytest.mark.parametrize(
    ("count", "said"),
    [
        ("3", "beat 3 of bar 10"),
        ("& of 2", "the & of 2 in bar 10"),
        ("near & of 2", "near the & of 2 in bar 10"),
        ("near 3", "near beat 3 of bar 10"),
        ("2nd of 5 in 3", "the 2nd of 5 in beat 3 of bar 10"),
        ("2nd of 3 over 1 and 2", "the 2nd of 3 over beats 1 and 2 in bar 10"),
    ],
)
def test_places_in_words(count: str, said: str) -> None:
    """A count and its bar as they are said in a sentence."""
    assert place_text(Place(10, 1, count, 0.0)) == said
