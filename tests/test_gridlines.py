"""A subdivision's positions over bars: ends, swing, bars cut short, and the ratio shown by them."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from improv.grid import USUAL_SWING, delayed, row_of
from improv.gridlines import grid_between, over_bars, swing_of
from improv.meter import parse_meter
from improv.tempo import lay_bars

UNIT, SWUNG = row_of("unit"), row_of("swung-unit")
FOUR, THREE = parse_meter("4/4"), parse_meter("3/4")
CUT = lay_bars(((0.0, FOUR), (6.5, THREE)), 0.0, 12.0)
"""A bar of four quarters, one cut short after two and a half, and bars of three."""


def test_a_bar_cut_short_has_the_positions_before_its_end() -> None:
    """Eighths go on over the cut without a position twice or one beyond the bar's end."""
    assert CUT.start_quarter[:4].tolist() == [0.0, 4.0, 6.5, 9.5]
    assert grid_between(CUT, UNIT, 3.0, 8.0) == pytest.approx(np.arange(3.0, 8.0, 0.5))


def test_the_end_is_left_out() -> None:
    """Ranges are half-open, to within rounding."""
    assert grid_between(CUT, UNIT, 1.0 + 1e-9, 2.0 + 1e-9) == pytest.approx([1.0, 1.5])
    assert len(grid_between(CUT, UNIT, 2.0, 2.0)) == 0


def test_swung_positions_lie_at_the_ratio_or_the_usual_one() -> None:
    """The second of a pair at 2 : 1 lies at two thirds; none stated, at three fifths."""
    assert USUAL_SWING == 1.5
    assert grid_between(CUT, SWUNG, 0.0, 2.0, 2.0) == pytest.approx([0, 2 / 3, 1, 5 / 3])
    assert grid_between(CUT, SWUNG, 0.0, 2.0) == pytest.approx([0, 0.6, 1, 1.6])


@pytest.mark.parametrize("ratio", [1.2, 2.0, 3.0])
def test_the_ratio_comes_back_from_the_positions(ratio: float) -> None:
    """What `grid_between` lays, `swing_of` reads; straight rows and first notes show none."""
    at = grid_between(CUT, SWUNG, 0.0, 4.0, ratio)
    assert swing_of(CUT, SWUNG, np.append(at, np.nan)) == pytest.approx(ratio)
    assert swing_of(CUT, SWUNG, at[::2]) is None
    assert swing_of(CUT, UNIT, at) is None
    assert swing_of(CUT, SWUNG, np.zeros(0)) is None


def test_exact_ratios_stay_exact() -> None:
    """Positions of a practice track are fractions, swung ones too."""
    straight = tuple(Fraction(i, 2) for i in range(4))
    assert delayed(straight, Fraction(2)) == (0, Fraction(2, 3), 1, Fraction(5, 3))
    assert all(isinstance(at, float) for at in delayed(straight, 2.0))


def test_no_bars_have_no_positions() -> None:
    """One bar line alone closes nothing."""
    none = np.zeros(0, dtype=np.int64)
    assert len(over_bars(np.zeros(1), none, [np.zeros(1)])) == 0
