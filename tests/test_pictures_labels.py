"""What stands over a line of the chart: a word for every stretch, the facts of every phrase."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from hand_made import run
from pictures_made import Row, eighths, one_phrase, picture

from improv.pictures.chart import chart_of
from improv.pictures.chart_labels import GAP_MM, Wanted, Written, written
from improv.pictures.chart_page import pages_of
from improv.pictures.letters import width_mm

PT = 6.5
SIXTEENTHS = ("sixteenths", "16ths")
RATE = ("off the grid, 4.5 per beat", "4.5 per beat", "4.5/beat")


def ends(words: tuple[Written, ...]) -> list[tuple[float, float]]:
    """Left and right ends of the words."""
    return [(w.x_mm, w.x_mm + width_mm(w.text, PT)) for w in words]


def test_words_with_room_stand_where_their_stretches_begin() -> None:
    """The longest that fits, a little before the first mark."""
    wanted = [Wanted(20.0, 60.0, SIXTEENTHS), Wanted(60.0, 120.0, RATE, True)]
    told = written(wanted, 120.0, PT)
    assert [w.text for w in told] == ["sixteenths", RATE[0]]
    assert [w.x_mm for w in told] == [19.3, 59.3]


@pytest.mark.parametrize("length_mm", [1.0, 3.0, 6.0])
def test_a_short_run_has_a_rate_with_its_unit(length_mm: float) -> None:
    """What follows a short run makes way for its rate."""
    after = 40.0 + length_mm
    wanted = [
        Wanted(10.0, 40.0, SIXTEENTHS), Wanted(40.0, after, RATE, True),
        Wanted(after, 90.0, ("eighths", "8ths")),
    ]  # fmt: skip
    told = written(wanted, 120.0, PT)
    assert [w.of for w in told] == [0, 1, 2]
    assert told[1].text == "4.5/beat"
    places = ends(told)
    assert all(b[0] - a[1] >= GAP_MM - 1e-9 for a, b in zip(places, places[1:], strict=False))


def test_a_word_at_the_end_of_a_line_reaches_back() -> None:
    """A last short stretch is named, and the word before it is shortened for that."""
    wanted = [Wanted(80.0, 97.0, ("swung sixteenths", "sw")), Wanted(97.0, 100.0, SIXTEENTHS)]
    told = written(wanted, 101.0, PT)
    assert [w.text for w in told] == ["sw", "16ths"]
    assert ends(told)[1][1] <= 101.0


def test_a_run_is_told_before_a_passage() -> None:
    """Between two runs with no room for more a passage goes without a word."""
    wanted = [
        Wanted(10.0, 12.0, RATE, True), Wanted(12.0, 16.0, SIXTEENTHS),
        Wanted(21.0, 30.0, RATE, True),
    ]  # fmt: skip
    assert [w.of for w in written(wanted, 40.0, PT)] == [0, 2]


def test_nothing_stands_over_what_it_does_not_name() -> None:
    """A word pushed beyond its own stretch is left out."""
    crowd = [Wanted(10.0 + i, 11.0 + i, ("sextuplets",)) for i in range(8)]
    told = written(crowd, 60.0, PT)
    assert told
    for word in told:
        assert word.x_mm <= crowd[word.of].high_mm


def test_a_phrase_from_the_end_of_a_line_is_told_on_the_next() -> None:
    """Its number stands where it begins; spread and lean stand where there is room for them."""
    rows: list[Row] = [*eighths(31), *((15.75 + i / 2, 0.0, "unit") for i in range(20))]
    made = picture(rows)
    first = one_phrase(rows[:31], made.take)
    second = dataclasses.replace(one_phrase(rows[31:], made.take, 2), start=31, stop=51)
    labels = [label.text for page in pages_of(chart_of(picture(rows, phrases=(first, second))))
              for label in page.labels]  # fmt: skip
    assert "Phrase 2, continued: eighths, spread 12 ms, on time" in labels


def test_facts_are_told_once() -> None:
    """Later lines of a phrase say only that it goes on."""
    (page,) = pages_of(chart_of(picture(eighths(96))))
    told = [label.text for label in page.labels if label.text.startswith("Phrase")]
    assert told == [
        "Phrase 1: eighths, spread 12 ms, on time", "Phrase 1, continued", "Phrase 1, continued",
    ]  # fmt: skip


@pytest.mark.parametrize("per_line", [4, 8])
def test_every_run_of_a_chart_has_its_rate(per_line: int) -> None:
    """Runs of five notes between passages, as short as they come, on every line."""
    rows: list[Row] = []
    spans = []
    for bar in range(12):
        rows += eighths(4, start=4.0 * bar)
        spans.append((len(rows), len(rows) + 5))
        rows += [(4.0 * bar + 2.0 + i / 6.3, 0.0, None) for i in range(5)]
        rows += [(4.0 * bar + 3.0 + i / 4, 0.0, "half-unit") for i in range(4)]
    off = tuple(run(a, b, 1, notes_per_beat=6.3, kind="steady") for a, b in spans)
    told = [
        label.text
        for page in pages_of(chart_of(picture(rows, runs=off)), per_line)
        for label in page.labels
    ]
    assert sum(bool(re.search(r"6\.3( per |/)beat$", text)) for text in told) == len(off)
    assert not any(re.fullmatch(r"[\d.]+", text) and "." in text for text in told)
    assert np.isin(["eighths", "8ths"], told).any()
