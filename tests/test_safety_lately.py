"""What was heard last comes before more speed; "safe" is said of what is surely held only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.histories import Player, Side, side
from improv.cells import CELL, Kind, number_phrases
from improv.material import Material
from improv.safety import SafetyMap, safety_map
from improv.safety_lately import Lately, Latest, Tried, attempts_by_take, lately, latest
from improv.safety_report import text_report, what_next

TIGHT = Player(floor_ms=7.0, share=0.025, fumbles=0.0, off_grid=0.0, day_wander=0.05)
EIGHTHS, SIXTEENTHS = Kind("eighths", 2.0, False), Kind("sixteenths", 4.0, False)
SWUNG = Kind("swung sixteenths", 4.0, True)
Row = tuple[int, int, int, int, int]
"""Take, phrase, number of the kind, notes on the grid, notes off it."""


def made(rows: list[Row], kinds: tuple[Kind, ...], days: list[int], bpm: list[float]) -> Material:
    """Cells by hand, 10 ms of spread in every one."""
    cells = np.zeros(len(rows), dtype=CELL)
    number_phrases(cells, np.array([row[1] for row in rows]))
    for cell, (take, _, kind, on, off) in zip(cells, rows, strict=True):
        cell["subdivision"], cell["on"], cell["off"], cell["fitted"] = kind, on, off, 2
        cell["square_ms2"] = 100.0 * max(on - 2, 0)
        cell["interval_ms"] = 60_000.0 / (bpm[take] * kinds[kind].per_beat)
    cells["drift"], cells["swing"] = 0.0, np.nan
    takes = np.array([row[0] for row in rows], dtype=np.int64)
    names = tuple(map(str, range(len(days))))
    return Material(cells, takes, kinds, np.array(days), np.array(bpm), names)


def test_attempts_of_the_log_by_hand() -> None:
    """Phrases of four notes and more, long ones every 16 beats; straight and swung together."""
    rows = [
        (0, 1, 0, 40, 0),
        (0, 2, 1, 20, 14),  # failed
        (0, 3, 1, 30, 0),
        (0, 3, 2, 10, 0),  # the same phrase, partly swung
        (0, 4, 1, 30, 3),  # three notes are no run
        (0, 5, 1, 3, 0),  # nor an attempt
        (1, 1, 1, 250, 6),  # 256 sixteenths are four times sixteen beats
        (1, 2, 1, 0, 9),
    ]
    found = attempts_by_take(made(rows, (EIGHTHS, SIXTEENTHS, SWUNG), [5, -1], [96.0, 80.0]))
    assert found == (
        Tried(2.0, 96.0, 5, 1, 0),
        Tried(4.0, 96.0, 5, 3, 1),
        Tried(4.0, 80.0, -1, 5, 2),
    )


TRIED = (
    Tried(4.0, 96.0, 1, 5, 5),
    Tried(4.0, 97.0, 2, 2, 0),
    Tried(4.0, 96.0, 3, 2, 1),
    Tried(4.0, 95.0, 3, 1, 0),
    Tried(4.0, 96.0, 4, 2, 0),
    Tried(4.0, 110.0, 5, 3, 3),
    Tried(2.0, 96.0, 6, 3, 3),
)


@pytest.mark.parametrize(
    ("about", "found"),
    [
        (96.0, Lately(96.0, 3, 7, 1)),
        (105.0, Lately(96.0, 3, 7, 1)),  # the next slower tempo there is
        (110.0, Lately(110.0, 1, 3, 3)),
        (80.0, None),
    ],
)
def test_the_last_days_at_a_tempo(about: float, found: Lately | None) -> None:
    """The last three days at about that tempo, of that rate; older ones and others are left out."""
    assert lately(TRIED, 4.0, about) == found


@pytest.mark.parametrize(("failed", "leaves"), [(0, False), (1, False), (2, True), (5, True)])
def test_more_than_one_in_five(failed: int, leaves: bool) -> None:
    """One of five may leave the grid, two may not."""
    assert Lately(96.0, 3, 5, failed).leaves is leaves


def test_takes_without_a_date_count_one_by_one() -> None:
    """Undated takes are the log's last three, and said to be takes."""
    rows: list[Row] = [(take, 1, 0, 30, 9 if take < 2 else 0) for take in range(5)]
    tried = attempts_by_take(made(rows, (EIGHTHS,), [-1] * 5, [96.0] * 5))
    assert lately(tried, 2.0, 96.0) == Lately(96.0, 3, 3, 0, dated=False)


def mapped(days: int = 20, seed: int = 1) -> SafetyMap:
    """The map of a tight player, who never left the grid, always at 96 BPM."""
    plan = Side(days, tempo_bpm=(96.0, 96.0), phrases=5)
    found = safety_map(side(TIGHT, plan, np.random.default_rng(seed)))
    assert found is not None
    return replace(found, latest=Latest())


@pytest.mark.parametrize(
    ("low", "last", "held"),
    [
        (120.0, (10, 3), False),
        (120.0, (4, 1), True),  # one slip says little against what is surely held
        (80.0, (4, 1), False),
        (80.0, (5, 1), True),
        (None, (5, 0), True),
    ],
)
def test_the_next_step_heeds_the_last_days(
    low: float | None, last: tuple[int, int], held: bool
) -> None:
    """Nothing is raised where sixteenths left the grid of late; it is said how often."""
    found = mapped()
    finest = replace(found.ceilings[-1], low_bpm=low)
    tried = Tried(4.0, 96.0, 9, *last)
    following = what_next(replace(found, ceilings=(*found.ceilings[:-1], finest), tried=(tried,)))
    assert following.subdivision == "sixteenths" and following.tempo_bpm is not None
    assert (following.tempo_bpm > 96.0) is held
    if not held:
        assert following.tempo_bpm == 72.0
        said = f"on the last day at 96 BPM {last[1]} of {last[0]} attempts at sixteenths left"
        assert said in following.text


@pytest.mark.parametrize(("low", "safe"), [(97.0, True), (95.0, False), (None, False)])
def test_safe_is_what_the_whole_interval_lies_above(low: float | None, safe: bool) -> None:
    """Below the lower bound it is safe; above that held at about this tempo, not yet surely."""
    found = mapped()
    finest = replace(found.ceilings[-1], low_bpm=low)
    text = what_next(replace(found, ceilings=(*found.ceilings[:-1], finest))).text
    assert ("is safe at 96 BPM" in text) is safe
    assert ("of sixteenths that is not yet sure" in text) is not safe
    assert ("held at about 96 BPM" in text) is not safe


@pytest.mark.parametrize(("spread_ms", "asked"), [(26.0, True), (14.0, False)])
def test_no_faster_while_the_latest_take_is_loose(spread_ms: float, asked: bool) -> None:
    """Its own advice stays where its spread is wider than the pocket: so does the map."""
    rows: list[Row] = [(take, phrase, 0, 40, 0) for take in range(3) for phrase in (1, 2)]
    material = made(rows, (EIGHTHS,), [1, 2, 3], [96.0] * 3)
    material.cells["square_ms2"][material.take == 2] = 38 * spread_ms**2
    last = latest(material, 20.0)
    assert (last.loose == ("eighths",)) is asked and (last.held_per_beat == 2.0) is not asked
    following = what_next(replace(mapped(), latest=last))
    assert ("in the latest take eighths scattered too much" in following.text) is asked
    assert following.tempo_bpm is not None and (following.tempo_bpm > 96.0) is not asked


def test_what_fails_by_attempts_is_not_held_in_the_latest_take() -> None:
    """One phrase of two fails, with few notes: not held, by the attempts as `held` has it."""
    rows: list[Row] = [(0, 1, 0, 40, 0), (0, 2, 1, 100, 0), (0, 3, 1, 50, 9)]
    kinds = (EIGHTHS, SIXTEENTHS)
    assert latest(made(rows, kinds, [1], [96.0]), 20.0).held_per_beat == 2.0
    rows[2] = (0, 3, 1, 50, 0)
    assert latest(made(rows, kinds, [1], [96.0]), 20.0).held_per_beat == 4.0


def test_the_legend_says_what_is_estimated() -> None:
    """Notes of all attempts, not attempts; and what safe means."""
    said = " ".join(text_report(mapped()).split())
    assert "four notes in five of all attempts on the grid" in said
    assert "safe is only what lies below its whole interval" in said
