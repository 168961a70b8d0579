"""The chart's values: marks, positions, spans, lines of bars, scales, millimetres."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hand_made import run
from pictures_made import Row, eighths, floating, one_phrase, picture

from improv.errors import UsageError
from improv.model import Analysis, Settings
from improv.pictures.chart import EARLY, GRACE, IN_POCKET, LATE, OFF_GRID, UNTIMED, chart_of
from improv.pictures.chart_lines import lines_of
from improv.pictures.chart_page import MARGIN_MM, pages_of
from improv.pictures.chart_scale import HALF_FRAME_MM, scale_of
from improv.pictures.paper import A4, LETTER, Paper
from improv.pictures.sheet import HATCH_STEP_MM, Page, hatching


def only_page(analysis: Analysis, per_line: int = 4) -> Page:
    """The one page of an analysis' chart."""
    (page,) = pages_of(chart_of(analysis), per_line)
    return page


def test_a_mark_stands_at_its_position_and_says_where_its_note_was() -> None:
    """Within 20 ms of the offset is in the pocket; outside, early or late; by hand."""
    rows = [(0.0, 19.0, "unit"), (0.5, -21.0, "unit"), (1.0, 21.0, "unit"), (1.6, 0.0, None)]
    marks = chart_of(picture(rows)).marks
    assert marks.says.tolist() == [IN_POCKET, EARLY, LATE, OFF_GRID]
    assert marks.at_quarter == pytest.approx([0.0, 0.5, 1.0, 1.6])
    assert marks.deviation_ms[:3] == pytest.approx([19.0, -21.0, 21.0])
    # 120 BPM: a quarter lasts 500 ms, so 21 ms are 0.042 quarter.
    assert marks.onset_quarter == pytest.approx([0.038, 0.458, 1.042, 1.6])


def test_the_pocket_lies_about_the_constant_offset() -> None:
    """A player 30 ms ahead throughout is in the pocket throughout."""
    chart = chart_of(picture(eighths(8, -30.0), constant_offset_ms=-30.0))
    assert set(chart.marks.says.tolist()) == {IN_POCKET}
    assert chart.pocket_ms == (-50.0, -10.0)


def test_a_chord_is_one_mark_and_an_ornament_a_mark_of_its_own() -> None:
    """Three notes of one event give one mark; a grace note another, at its own onset."""
    analysis = picture(eighths(4))
    notes = dataclasses.replace(
        analysis.notes,
        event=np.array([0, 0, 0, 1]),
        grace=np.array([True, False, False, False]),
    )
    marks = chart_of(dataclasses.replace(analysis, notes=notes)).marks
    assert marks.says.tolist() == [GRACE, IN_POCKET, IN_POCKET]
    assert marks.at_quarter == pytest.approx([0.0, 0.5, 1.5])


def test_a_note_without_timing_is_said_so() -> None:
    """A note cut to the start of the file has a position and no deviation."""
    analysis = picture(eighths(4))
    deviation = analysis.notes.deviation_ms.copy()
    deviation[0] = np.nan
    notes = dataclasses.replace(analysis.notes, deviation_ms=deviation)
    chart = chart_of(dataclasses.replace(analysis, notes=notes))
    assert chart.marks.says.tolist() == [UNTIMED, IN_POCKET, IN_POCKET, IN_POCKET]


def test_positions_in_force_are_those_of_each_passage() -> None:
    """Eighths, then sixteenths from beat 3: 4 positions, then 5 up to the last note's own."""
    rows: list[Row] = [*eighths(4), *((2.0 + i / 4, 0.0, "half-unit") for i in range(5))]
    chart = chart_of(picture(rows))
    expected = [0, 0.5, 1, 1.5, 2, 2.25, 2.5, 2.75, 3]
    assert chart.positions_quarter == pytest.approx(expected)
    assert [span.texts[0] for span in chart.passages] == ["eighths", "sixteenths"]


def test_swing_stands_on_its_own_positions() -> None:
    """Eighths swung 2 : 1 put every second position at two thirds of the beat."""
    rows: list[Row] = [(i + (2 / 3 if odd else 0.0), 0.0, "swung-unit")
                       for i in range(4) for odd in (0, 1)]  # fmt: skip
    chart = chart_of(picture(rows))
    expected = [0, 2 / 3, 1, 5 / 3, 2, 8 / 3, 3, 11 / 3]
    assert chart.positions_quarter == pytest.approx(expected, abs=1e-6)


def test_no_position_is_in_force_inside_a_run_off_the_grid() -> None:
    """The eighths end where the run begins; the run is named by its rate."""
    chart = chart_of(floating())
    inside = (chart.positions_quarter > 8.0) & (chart.positions_quarter < 9.4)
    assert not inside.any()
    (run,) = chart.runs
    assert (run.begin_quarter, run.end_quarter) == pytest.approx((8.0, 9.4))
    assert run.texts == ("off the grid, 5.0 to the beat", "5.0 to the beat", "5.0/beat")


def test_phrases_are_named_longest_first() -> None:
    """Where there is room the phrase tells its spread and lean, at last only its number."""
    texts = chart_of(picture(eighths(8))).phrases[0].texts
    assert texts[0] == "Phrase 1: eighths, spread 12 ms, on time"
    assert texts[-2:] == ("Phrase 1", "1")


def test_a_phrase_that_was_not_called_says_why() -> None:
    """Too close to call stays too close to call."""
    rows = eighths(8)
    told = one_phrase(rows, picture(rows).take)
    told = dataclasses.replace(told, subdivision=None, verdict="too close to call")
    chart = chart_of(picture(rows, phrases=(told,)))
    assert chart.phrases[0].texts[0] == "Phrase 1: too close to call"


@pytest.mark.parametrize(
    ("first", "last", "per_line", "settings", "expected"),
    [
        (0.0, 31.5, 4, {}, [(1, 4, 0.0), (5, 8, 0.0)]),
        (4.0, 19.5, 4, {}, [(1, 4, 0.0), (5, 5, 0.0)]),
        (-1.0, 15.5, 4, {}, [(1, 4, 1.0)]),
        (-2.0, 15.5, 4, {}, [(1, 4, 2.0)]),
        (-3.0, 15.5, 4, {}, [(0, 0, 0.0), (1, 4, 0.0)]),
        (20.0, 35.5, 4, {"first_bar": 6, "last_bar": 9}, [(6, 9, 0.0)]),
        (0.0, 31.5, 3, {}, [(1, 3, 0.0), (4, 6, 0.0), (7, 8, 0.0)]),
    ],
)
def test_bars_are_cut_into_lines_from_bar_1(
    first: float,
    last: float,
    per_line: int,
    settings: dict[str, int],
    expected: list[tuple[int, int, float]],
) -> None:
    """First and last bar of each line, and how far a pickup hangs out (at most half a bar)."""
    rows = eighths(int((last - first) * 2) + 1, start=first)
    chart = chart_of(picture(rows, settings=Settings(**settings)))  # type: ignore[arg-type]
    numbers = chart.bars.number
    lines = [
        (int(numbers[line.first]), int(numbers[line.stop - 1]), line.hang_quarter)
        for line in lines_of(chart, per_line)
    ]
    assert lines == expected


def test_an_endless_chart_is_refused() -> None:
    """Two notes two thousand bars apart ask for --bars."""
    chart = chart_of(picture([(0.0, 0.0, "unit"), (8000.0, 0.0, "unit")]))
    with pytest.raises(UsageError, match="501 lines; ask for some of them with --bars"):
        lines_of(chart, 4)


@pytest.mark.parametrize("paper", [A4, LETTER])
def test_thirty_two_bars_fit_one_page(paper: Paper) -> None:
    """Eight lines of four bars stand on one sheet; eleven need a second one."""
    assert len(pages_of(chart_of(picture(eighths(256))), 4, paper)) == 1
    assert [p.of for p in pages_of(chart_of(picture(eighths(321))), 4, paper)] == [2, 2]


def test_late_is_right_and_below_at_the_scale_that_the_key_states() -> None:
    """A note 20 ms late and one 20 ms early, measured on the page against the scale."""
    rows = [(0.0, 20.0, "unit"), (1.0, -20.0, "unit"), (2.0, 0.0, "unit"), (3.0, 0.0, "unit")]
    analysis = picture(rows)
    chart = chart_of(analysis)
    page = only_page(analysis)
    scale = scale_of(chart, lines_of(chart, 4), 4, A4.width_mm - 2 * MARGIN_MM - 9.5)
    ticks = np.sort(page.ends_mm("position")[:, 0])
    line_y = float(page.ends_mm("middle")[0, 1])
    (dots,) = [d for d in page.dots if d.says == IN_POCKET]
    # 20 ms at 120 BPM are 0.04 quarter.
    right = scale.sideways * 0.04 * scale.mm_per_quarter
    assert dots.x_mm[0] - ticks[0] == pytest.approx(right)
    assert dots.y_mm[0] - line_y == pytest.approx(20.0 * HALF_FRAME_MM / scale.frame_ms)
    assert dots.y_mm[1] - line_y == pytest.approx(-20.0 * HALF_FRAME_MM / scale.frame_ms)
    assert dots.x_mm[1] < ticks[2]
    words = " ".join(label.text for label in page.labels)
    assert f"drawn {scale.sideways:g} times its true size" in words
    assert f"+{scale.frame_ms:.0f} ms" in words


def test_the_scale_sideways_keeps_neighbours_apart() -> None:
    """Thirty-seconds leave no room to enlarge what sixteenths and eighths have room for."""
    wide = chart_of(picture(eighths(32, 15.0)))
    dense: list[Row] = [(i / 8, 15.0, "quarter-unit") for i in range(128)]
    narrow = chart_of(picture(dense))
    factors = [scale_of(c, lines_of(c, 4), 4, 180.0).sideways for c in (wide, narrow)]
    assert factors[0] > factors[1] >= 1.0


def test_a_note_beyond_the_scale_stands_outside_the_frame() -> None:
    """One note 300 ms late among even ones does not shrink the picture; it leaves the frame."""
    rows = [*eighths(40), (20.0, 300.0, "unit")]
    page = only_page(picture(rows))
    frame = page.ends_mm("edge")[:, 1]
    (late,) = [d for d in page.dots if d.says == LATE and d.y_mm[0] < page.height_mm - 40]
    nearest = frame[np.argmin(np.abs(frame - late.y_mm[0]))]
    assert 0.5 < late.y_mm[0] - nearest < 1.5


def test_the_bars_of_an_additive_meter_are_as_long_as_they_last() -> None:
    """In alternating 9/8 and 10/8 every second bar is ten ninths as wide."""
    page = only_page(picture(eighths(37), meter="9/8+10/8", bpm=80.0))
    bars = np.unique(page.ends_mm("bar")[:, 0].round(6))
    widths = np.diff(bars)
    assert widths[1] / widths[0] == pytest.approx(10 / 9)
    assert [label.text for label in page.labels if "/8" in label.text and label.bold] == [
        "9/8", "3+3+2+2/8", "9/8", "3+3+2+2/8",
    ]  # fmt: skip


def test_groups_of_an_additive_bar_are_its_beats() -> None:
    """2+2+2+3/8: the inner beat lines stand at 2, 4 and 6 of 9 eighths."""
    page = only_page(picture(eighths(9), meter="2+2+2+3/8"))
    bars = np.unique(page.ends_mm("bar")[:, 0].round(6))
    beats = np.unique(page.ends_mm("beat")[:, 0].round(6))
    assert (beats - bars[0]) / (bars[1] - bars[0]) == pytest.approx([2 / 9, 4 / 9, 6 / 9])


def test_a_run_off_the_grid_is_hatched_where_it_lies() -> None:
    """Hatching covers bar 3 from its first beat to a little past its eighth note."""
    page = only_page(floating())
    bars = np.unique(page.ends_mm("bar")[:, 0].round(6))
    per_quarter = (bars[1] - bars[0]) / 4
    hatch = page.ends_mm("hatch")
    on_line = hatch[hatch[:, 1] < page.height_mm - 40]
    assert on_line[:, [0, 2]].min() == pytest.approx(bars[2] - 0.9, abs=0.1)
    assert on_line[:, [0, 2]].max() == pytest.approx(bars[2] + 1.4 * per_quarter + 0.9, abs=0.1)


def test_hatching_is_worked_by_hand() -> None:
    """A box of 3 by 3 mm at the corner is crossed by lines x + y = 1.5, 3 and 4.5."""
    lines = hatching(0.0, 0.0, 3.0, 3.0)
    expected = [[0, 1.5, 1.5, 0], [0, 3, 3, 0], [1.5, 3, 3, 1.5]]
    assert HATCH_STEP_MM == 1.5
    assert lines == pytest.approx(np.array(expected))


def mixed(bars: int, per_beat: int) -> Analysis:
    """Bars of alternating passages, a run off the grid in every fifth bar, uneven deviations."""
    rng = np.random.default_rng(bars)
    rows: list[Row] = []
    runs = []
    for bar in range(bars):
        if bar % 5 == 4:
            runs.append((len(rows), len(rows) + 8))
            rows += [(4.0 * bar + i / 4.6, 0.0, None) for i in range(8)]
            continue
        count = per_beat if bar % 2 else 2
        key = {2: "unit", 4: "half-unit", 3: "triplet"}[count]
        rows += [(4.0 * bar + i / count, float(rng.normal(0, 25)), key) for i in range(4 * count)]
    off = tuple(run(a, b, 1, notes_per_beat=4.6, kind="speeding up") for a, b in runs)
    return picture(rows, runs=off)


@pytest.mark.parametrize("bars", [1, 4, 31, 128])
@pytest.mark.parametrize("per_beat", [2, 3, 4])
@pytest.mark.parametrize("per_line", [2, 4, 8])
def test_no_words_overlap_on_any_page(bars: int, per_beat: int, per_line: int) -> None:
    """By the widths of their letters no two labels of a page touch, and none leaves the sheet."""
    sheets = pages_of(chart_of(mixed(bars, per_beat)), per_line)
    assert sheets and all(page.labels for page in sheets)
    for page in sheets:
        boxes = np.array([label.box_mm for label in page.labels])
        assert (boxes[:, 0] >= 0).all() and (boxes[:, 2] <= page.width_mm).all()
        assert (boxes[:, 1] >= 0).all() and (boxes[:, 3] <= page.height_mm).all()
        apart_x = (boxes[:, None, 0] >= boxes[None, :, 2]) | (
            boxes[:, None, 2] <= boxes[None, :, 0]
        )
        apart_y = (boxes[:, None, 1] >= boxes[None, :, 3]) | (
            boxes[:, None, 3] <= boxes[None, :, 1]
        )
        clash = np.argwhere(np.triu(~(apart_x | apart_y), 1))
        assert [(page.labels[i].text, page.labels[j].text) for i, j in clash] == []
