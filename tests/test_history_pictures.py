"""Pictures of a history: the values drawn, and that they can be drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.histories import Player, Side, side
from improv.cells import Kind
from improv.compare import compare_over_time, compare_sets
from improv.compare_report import text_report
from improv.contrasts import FEWEST_NOTES
from improv.material import joined
from improv.pictures import history as pictures
from improv.pictures.draw_history import DASHED, before_after_figure, safety_figure, trend_figure
from improv.pictures.draw_save import svg_text
from improv.safety import safety_map
from tests.log_material import history

STEADY = Player(day_wander=0.03, take_wander=0.03, phrase_wander=0.1, off_grid=0.02)


def test_trend_values() -> None:
    """A point a day with its interval around it, and the line the comparison tells."""
    before, after = history(1, Side(5), Side(5, spread_times=0.6))
    whole = joined(before, after)
    comparison = compare_over_time(whole)
    found = pictures.trends(whole, comparison)
    assert [t.subdivision for t in found] == ["eighths", "eighth triplets", "sixteenths"]
    spreads = {f.subdivision: f for f in comparison.findings if f.measure.key == "spread"}
    for trend in found:
        finding = spreads[trend.subdivision]
        assert len(trend.day) == 10
        assert np.all(trend.low_ms < trend.spread_ms) and np.all(trend.spread_ms < trend.high_ms)
        assert trend.line_ms is not None
        assert trend.line_ms[1] / trend.line_ms[0] == pytest.approx(finding.change)


def test_before_and_after_values() -> None:
    """Every phrase of both sides, sorted; a subdivision only one side has is left out."""
    before, after = history(2, Side(3, kinds=3), Side(3, kinds=2))
    rows = pictures.before_and_after(before, after, compare_sets(before, after))
    assert [r.subdivision for r in rows] == ["eighths", "eighth triplets"]
    for row in rows:
        assert len(row.before_ms) == len(row.after_ms) == 18
        assert np.all(np.diff(row.before_ms) >= 0)


def test_one_name_in_two_meters_is_two_rows() -> None:
    """Eighths of 4/4 before and of 6/8 after are not one row; each has its own finding's note."""
    before, after = history(2, Side(4, kinds=1), Side(4, kinds=1))
    compound = replace(after, kinds=(Kind("eighths", 3.0, False), *after.kinds[1:]))
    comparison = compare_sets(before, compound)
    assert pictures.before_and_after(before, compound, comparison) == ()
    mixed = joined(after, compound)
    comparison = compare_sets(before, mixed)
    (row,) = pictures.before_and_after(before, mixed, comparison)
    (finding,) = (f for f in comparison.findings if f.measure.key == "spread" and f.per_beat == 2.0)
    assert row.subdivision == finding.subdivision == "eighths (2 a beat)"
    assert f"{finding.change:.2f} times" in row.note


def test_at_equal_tempo_the_picture_holds_the_takes_compared() -> None:
    """Takes without a counterpart at their tempo are left out of the picture, too."""
    before, after = history(2, Side(4, kinds=1), Side(4, kinds=1))
    slow = replace(after, tempo_bpm=0.5 * after.tempo_bpm)
    comparison = compare_sets(before, joined(after, slow), equal_tempo=True)
    (row,) = pictures.before_and_after(before, joined(after, slow), comparison)
    (plain,) = pictures.before_and_after(before, after, comparison)
    assert np.array_equal(row.after_ms, plain.after_ms)


def test_a_line_that_may_be_chance_is_not_drawn_as_a_proven_one() -> None:
    """A change that is shown is solid; any other dashed, which the figure explains."""
    before, after = history(1, Side(5), Side(5, spread_times=0.5), STEADY)
    figures = {}
    for shown, whole in ((True, joined(before, after)), (False, before)):
        trends = pictures.trends(whole, compare_over_time(whole))
        figures[shown] = trend_figure(trends, "Over time")
        assert {trend.shown for trend in trends} == {shown}
        styles = {axes.lines[-1].get_linestyle() for axes in figures[shown].axes}
        assert styles == {"-" if shown else "--"}
    assert DASHED in svg_text(figures[False], "x") and DASHED not in svg_text(figures[True], "x")


def test_the_note_says_what_there_is_too_little_of() -> None:
    """Notes enough in too few phrases are not called too few notes, as in the text."""
    before, after = history(2, Side(1, kinds=1), Side(1, kinds=1))
    one = [side.keep(side.day >= 0) for side in (before, after)]
    few = [replace(m, cells=m.cells[:2], take=m.take[:2]) for m in one]
    comparison = compare_sets(few[0], few[1])
    (row,) = pictures.before_and_after(few[0], few[1], comparison)
    assert min(comparison.findings[0].notes) >= FEWEST_NOTES
    assert row.note == "too few phrases"
    text = " ".join(text_report(comparison).split())
    assert "Too few phrases to tell" in text and "Too few notes" not in text


def test_everything_draws() -> None:
    """Each figure becomes SVG that names what it shows and holds its words as text."""
    before, after = history(3, Side(4), Side(4))
    whole = joined(before, after)
    found = safety_map(side_of_one())
    assert found is not None
    figures = (
        trend_figure(pictures.trends(whole, compare_over_time(whole)), "Over time"),
        before_after_figure(
            pictures.before_and_after(before, after, compare_sets(before, after)), "Sides"
        ),
        safety_figure(pictures.zones(found), found.usual_bpm, "Map"),
    )
    for figure, title in zip(figures, ("Over time", "Sides", "Map"), strict=True):
        text = svg_text(figure, title)
        assert title in text and "sixteenths" in text


def side_of_one() -> pictures.Material:
    """One player's takes for a map."""
    return side(Player(), Side(6), np.random.default_rng(4))
