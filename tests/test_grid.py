"""Grids: exact positions, names in every meter, nesting."""

from __future__ import annotations

import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import improv
from improv.errors import UsageError
from improv.grid import (
    SUBDIVISIONS,
    common,
    find,
    meant,
    name,
    offered,
    on_beat,
    positions,
    short_name,
    straight_twin,
    swung_positions,
    twice_as_dense,
)
from improv.meter import parse_meter

METERS = ["4/4", "3/4", "5/4", "2/2", "6/8", "9/8", "12/8", "3/8", "5/8", "7/8", "2+2+2+3/8",
          "3+2/4", "7/16"]  # fmt: skip
ROW = {row.key: row for row in SUBDIVISIONS}


@pytest.mark.parametrize("text", METERS)
def test_grids_are_exact_and_begin_with_the_bar(text: str) -> None:
    """Every position is a fraction, ascending from the bar line, inside the bar."""
    (meter,) = parse_meter(text)
    assert len(offered(meter)) > 5
    for i in offered(meter):
        grid = positions(SUBDIVISIONS[i], meter)
        assert all(isinstance(p, Fraction) for p in grid)
        assert list(grid) == sorted(set(grid))
        assert (grid[0], grid[-1] < meter.bar_quarters) == (0, True)


@pytest.mark.parametrize("text", METERS)
def test_as_many_positions_as_the_name_says(text: str) -> None:
    """In simple and compound meters a row of n per beat has n times the beats (odd bars aside)."""
    (meter,) = parse_meter(text)
    if meter.kind == "additive":
        units = len(positions(ROW["unit"], meter))
        assert units == sum(meter.groups)
        assert len(positions(ROW["half-unit"], meter)) == 2 * units
        return
    rows = [(SUBDIVISIONS[i], SUBDIVISIONS[i].per_beat(meter.kind)) for i in offered(meter)]
    whole = [(row, n) for row, n in rows if n is not None and n.denominator == 1]
    assert {int(n) for _, n in whole} >= {1, 2, 3, 4}
    for row, per_beat in whole:
        assert len(positions(row, meter)) == per_beat * meter.beats


WORKED = [
    ("4/4", "two-beat", "0 2"),
    ("3/4", "two-beat", "0 2"),
    ("4/4", "three-in-two", "0 2/3 4/3 2 8/3 10/3"),
    ("2/2", "unit", "0 1 2 3"),
    ("3/4", "triplet", "0 1/3 2/3 1 4/3 5/3 2 7/3 8/3"),
    ("6/8", "beat", "0 3/2"),
    ("6/8", "unit", "0 1/2 1 3/2 2 5/2"),
    ("6/8", "triplet", "0 3/4 3/2 9/4"),
    ("6/8", "sextuplet", "0 3/8 3/4 9/8 3/2 15/8 9/4 21/8"),
    ("2+2+2+3/8", "beat", "0 1 2 3"),
    ("5/8", "unit", "0 1/2 1 3/2 2"),
]


@pytest.mark.parametrize(("text", "key", "expected"), WORKED)
def test_positions_by_hand(text: str, key: str, expected: str) -> None:
    """Grids worked out on paper, in quarter notes from the bar line."""
    (meter,) = parse_meter(text)

    assert positions(ROW[key], meter) == tuple(map(Fraction, expected.split()))


NAMES = [
    ("4/4", "half notes|quarters|quarter triplets|eighths|swung eighths|eighth triplets|"
            "sixteenths|swung sixteenths|quintuplets|sextuplets|septuplets|thirty-seconds"),
    ("2/2", "whole notes|half notes|half-note triplets|quarters|swung quarters|quarter triplets|"
            "eighths|swung eighths|quintuplets|sextuplets|septuplets|sixteenths"),
    ("6/8", "dotted halves|dotted quarters|quarters|eighths|duplets|sixteenths|swung sixteenths|"
            "quintuplets|quadruplets|septuplets|sixteenth triplets|thirty-seconds"),
    ("6/4", "dotted wholes|dotted halves|half notes|quarters|duplets|eighths|swung eighths|"
            "quintuplets|quadruplets|septuplets|eighth triplets|sixteenths"),
    ("7/8", "beats|eighths|eighth triplets|sixteenths|swung sixteenths|quintuplets|sextuplets|"
            "septuplets|thirty-seconds"),
    ("3+2/4", "half notes|quarters|quarter triplets|eighths|swung eighths|eighth triplets|"
              "sixteenths|swung sixteenths|quintuplets|sextuplets|septuplets|thirty-seconds"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), NAMES)
def test_names_in_every_kind_of_meter(text: str, expected: str) -> None:
    """What musicians call each subdivision of the meter (common practice, no source)."""
    (meter,) = parse_meter(text)

    assert [name(SUBDIVISIONS[i], meter) for i in offered(meter)] == expected.split("|")


@pytest.mark.parametrize("text", METERS)
def test_names_lead_back_to_their_row(text: str) -> None:
    """Within a meter no two subdivisions share a name, and each is found by it."""
    cycle = parse_meter(text)
    called = {i: name(SUBDIVISIONS[i], cycle[0]) for i in offered(cycle[0])}

    assert len(set(called.values())) == len(called)
    assert {i: find(f"  {text_}".upper(), cycle) for i, text_ in called.items()} == {
        i: i for i in called
    }


def test_an_unknown_name_lists_the_known() -> None:
    """A misspelt subdivision is refused with the names that exist."""
    with pytest.raises(UsageError, match="no subdivision 'sixtenths' in 6/8; .*dotted quarters"):
        find("sixtenths", parse_meter("6/8"))


@pytest.mark.parametrize("text", ["4/4", "6/8", "2+2+2+3/8", "2/2", "3/64"])
def test_what_narrow_tables_print_is_understood(text: str) -> None:
    """The short form of every name, `16ths` and `8th trip.`, finds what the full one does."""
    cycle = parse_meter(text)
    called = {i: name(SUBDIVISIONS[i], cycle[0]) or "" for i in offered(cycle[0])}
    assert {i: find(short_name(full), cycle) for i, full in called.items()} == {
        i: find(full, cycle) for i, full in called.items()
    }
    assert len({short_name(full) for full in called.values()}) == len(set(called.values()))


@pytest.mark.parametrize(
    ("text", "full"),
    [("4/4", "eighth triplets"), ("2/2", "quarter triplets"), ("6/8+3/4", "eighth triplets")],
)
def test_plain_triplets_are_three_to_the_beat(text: str, full: str) -> None:
    """ "triplets" without a note value is understood wherever beats are not dotted."""
    cycle = parse_meter(text)
    assert find("triplets", cycle) == find(full, cycle)
    assert meant("Triplets", cycle) == (find(full, cycle), full)


def test_dotted_beats_have_no_plain_triplets() -> None:
    """In 6/8 "triplets" is refused with the names that exist."""
    with pytest.raises(UsageError, match="no subdivision 'triplets' in 6/8; .*duplets"):
        find("triplets", parse_meter("6/8"))


def test_short_names() -> None:
    """Figures for note values, as in the narrow tables; tuplets keep their names."""
    names = ("thirty-seconds", "swung eighths", "eighth triplets", "dotted quarters")
    assert tuple(map(short_name, names)) == ("32nds", "swung 8ths", "8th trip.", "dot. quarters")
    assert short_name("hundred-twenty-eighths") == "128ths"
    assert short_name("quintuplets") == "quintuplets"
    assert find("16ths", parse_meter("4/4")) == find("sixteenths", parse_meter("4/4"))
    assert find("8th triplets", parse_meter("4/4")) == find("eighth triplets", parse_meter("4/4"))


NESTED = [("beat", "unit"), ("unit", "half-unit"), ("half-unit", "quarter-unit"),
          ("beat", "triplet"), ("triplet", "sextuplet"), ("unit", "sextuplet"),
          ("three-in-two", "triplet"), ("two-beat", "beat"), ("beat", "quintuplet")]  # fmt: skip


@pytest.mark.parametrize("text", ["4/4", "3/4", "5/4", "2/2"])
@pytest.mark.parametrize(("coarse", "dense"), NESTED)
def test_a_nested_grid_is_never_farther(text: str, coarse: str, dense: str) -> None:
    """Why distance must not choose: every onset lies at least as near to the denser grid."""
    (meter,) = parse_meter(text)
    onset = np.random.default_rng(1).uniform(0.0, float(meter.bar_quarters), 500)

    def distance(key: str) -> np.ndarray:
        grid = np.array([*map(float, positions(ROW[key], meter)), float(meter.bar_quarters)])
        return np.abs(onset[:, None] - grid[None, :]).min(axis=1)

    assert set(positions(ROW[coarse], meter)) <= set(positions(ROW[dense], meter))
    assert (distance(dense) <= distance(coarse)).all()


def test_swing_moves_the_second_of_each_pair() -> None:
    """2:1 puts the off-beat eighth on the last triplet; 1:1 is straight; downbeats stay."""
    (meter,) = parse_meter("4/4")
    row = ROW["swung-unit"]

    assert swung_positions(row, meter, 2.0)[:4] == pytest.approx([0.0, 2 / 3, 1.0, 5 / 3])
    assert swung_positions(row, meter, 1.0) == pytest.approx(
        list(map(float, positions(row, meter)))
    )
    assert swung_positions(ROW["unit"], meter, 2.0)[1] == 0.5


# Friberg & Sundstrom 2002: a constant short note of 100 ms (READ); ratios DERIVED.
@pytest.mark.parametrize(
    ("bpm", "ratio", "offbeat"),
    [(120, 4.0, 0.80), (150, 3.0, 0.75), (200, 2.0, 2 / 3), (240, 1.5, 0.60), (300, 1.0, 0.50)],
)
def test_swing_ratio_of_a_short_note_of_100_ms(bpm: float, ratio: float, offbeat: float) -> None:
    """The off-beat of a ratio lies where a short note of 100 ms before the beat puts it."""
    (meter,) = parse_meter("4/4")

    at = swung_positions(ROW["swung-unit"], meter, ratio)[1]

    assert at == pytest.approx(offbeat)
    assert (1.0 - at) * 60.0 / bpm == pytest.approx(0.100)


@pytest.mark.parametrize("text", METERS)
def test_beats_are_marked(text: str) -> None:
    """Every grid that holds all beats marks each of them once."""
    (meter,) = parse_meter(text)
    marks = on_beat(ROW["beat"], meter)

    assert marks == (True,) * meter.beats
    assert sum(on_beat(ROW["half-unit"], meter)) == meter.beats


def test_every_swung_row_has_a_straight_twin() -> None:
    """The straight grid it is played over; its dotted pairs lie on the row twice as dense."""
    keys = [row.key for row in SUBDIVISIONS]
    for i, row in enumerate(SUBDIVISIONS):
        twin = SUBDIVISIONS[straight_twin(i)]
        assert twin == row if not row.swung else row.key == f"swung-{twin.key}"
    assert keys[twice_as_dense(keys.index("swung-unit"))] == "half-unit"
    assert keys[twice_as_dense(keys.index("swung-half-unit"))] == "quarter-unit"
    assert twice_as_dense(keys.index("quarter-unit")) == -1


@pytest.mark.parametrize(
    ("meter", "met"),
    [
        ("4/4", "half notes, quarters, eighths, eighth triplets, sixteenths, sextuplets, "
                "thirty-seconds"),
        ("6/8", "dotted halves, dotted quarters, eighths, sixteenths"),
        ("7/8", "beats, eighths, sixteenths, thirty-seconds"),
    ],
)  # fmt: skip
def test_what_is_commonly_met(meter: str, met: str) -> None:
    """Straight, with a weight of a half or more, in the order of the table."""
    (one,) = parse_meter(meter)
    assert ", ".join(name(SUBDIVISIONS[i], one) or "" for i in common(one)) == met


NEW_ROW = """
from improv import grid
row = grid._row("swung-quarter-unit", ("8", "12", "8"), (1.0, 0.3, 0.3), even=True,
                ratios=((1.5, 2.0, 2.5), (1.5, 2.0)))
grid.SUBDIVISIONS += (row,)
import dataclasses
from improv.analysis import analyze
from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.report import text_report
from improv.synth import Hand, Line, Stretch, play
hand = Hand(5.0, 6.0, half_swing_ratio=2.2)
line = Line((Stretch("swung thirty-seconds", 8),) * 2, tempo_bpm=44.0)
made = analyze(play(line, hand, 3)[0])
print([p.subdivision for p in made.phrases], made.phrases[0].swing_ratio)
text = 'tempo = 44\\n[[section]]\\nbars = "1-4"\\nstay-on = "swung thirty-seconds"\\n'
print(judge(parse_assignment(text), made).state, len(text_report(made)) > 0)
"""


def test_a_subdivision_is_one_row() -> None:
    """A row more in the table, swung at that, is heard, told and checked like any other."""
    environment = {**os.environ, "PYTHONPATH": str(Path(improv.__file__).parent.parent)}
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", NEW_ROW],
        capture_output=True, text=True, env=environment, check=False,
    )  # fmt: skip
    assert done.stderr == ""
    heard, checked = done.stdout.splitlines()
    assert heard.startswith("['swung thirty-seconds'] 2.")
    assert checked == "met True"
