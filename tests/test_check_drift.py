"""Drift within phrases and across gaps: in every meter alike, and never met on a breach."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv.analysis import analyze
from improv.assignments.following import common_rows, followed, lanes
from improv.assignments.gaps import gap_drifts, silences_of
from improv.assignments.judge import judge
from improv.assignments.model import Assignment
from improv.assignments.reading import parse_assignment
from improv.assignments.report import verdict_text
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, Outcome, Verdict
from improv.grid import SUBDIVISIONS, row_of
from improv.meter import parse_meter
from improv.model import Floats, Take
from improv.tempo import lay_bars

METERS = {"4/4": 4.0, "6/8": 3.0, "5/8": 2.5, "7/8": 3.5, "2+2+3/8": 3.5, "3+3+2/8": 4.0}
"""Meters and the quarters of their bars."""


def played(quarter: Floats, meter: str, quarter_bpm: float, late_ms: Floats) -> Take:
    """Single notes at quarters from bar 1, late by so many ms, in a meter."""
    beat = float(parse_meter(meter)[0].tempo_beat_quarter)
    return take_of(quarter / beat, quarter_bpm / beat, meter, late_ms)


def phrases(meter: str, percent: float, per_quarter: int = 2) -> Take:
    """Four phrases of four bars with a rest at the end, each dragging (-) by so many per cent."""
    bar = METERS[meter]
    within = np.arange(0.0, 4 * bar - 2.0, 1.0 / per_quarter)
    quarter = np.concatenate([within / (1 + percent / 100) + p * 4 * bar for p in range(4)])
    return played(quarter, meter, 110.0, scattered(len(quarter), 8.0, 5))


def assigned(meter: str, asks: str, quarter_bpm: float = 110.0, click: str = "") -> Assignment:
    """An assignment of 16 bars."""
    beat = float(parse_meter(meter)[0].tempo_beat_quarter)
    return parse_assignment(
        f'tempo = {quarter_bpm / beat}\nmeter = "{meter}"\nbars = 16\n'
        f'[[section]]\nbars = "1-16"\n{asks}\n{click}'
    )


def drift_of(verdict: Verdict) -> Outcome:
    """What was found of the drift."""
    return next(o for o in verdict.outcomes if o.kind == "most-drift")


@pytest.mark.parametrize("asks", ["", 'stay-on = "eighths"\n'])
@pytest.mark.parametrize("percent", [0.0, 4.0, -4.0])
@pytest.mark.parametrize("meter", METERS)
def test_drift_is_told_alike_in_every_meter(meter: str, percent: float, asks: str) -> None:
    """4 % of the tempo is a breach and none is none, whatever the beats are made of."""
    verdict = judge(assigned(meter, f"{asks}most-drift = true"), analyze(phrases(meter, percent)))
    found = drift_of(verdict)
    tempo = 110.0 / float(parse_meter(meter)[0].tempo_beat_quarter)
    assert found.state == (NOT_MET if percent else MET), found.reason
    assert found.value == pytest.approx(percent / 100 * tempo, abs=0.006 * tempo)
    assert found.standard_error is not None and found.standard_error < 0.005 * tempo


def gapped(meter: str, on: int, off: int, late_ms: float) -> tuple[Assignment, Take]:
    """Eighths that slow down evenly in every gap, late by so much on the returning downbeat."""
    click = f"[click]\nbars-on = {on}\nbars-off = {off}\n"
    bar = METERS[meter]
    quarter = np.arange(0.0, 16 * bar, 0.5)
    late = np.zeros(len(quarter))
    for first in range(on, 16, on + off):
        into = quarter - first * bar
        gap = (into > 0) & (into <= off * bar)
        late[gap] = late_ms * into[gap] / (off * bar)
    late += scattered(len(quarter), 8.0, 7)
    return assigned(meter, 'stay-on = "eighths"', click=click), played(quarter, meter, 110.0, late)


@pytest.mark.parametrize("late_ms", [0.0, 60.0, -100.0])
@pytest.mark.parametrize(("on", "off"), [(3, 1), (2, 2), (1, 1)])
@pytest.mark.parametrize("meter", ["4/4", "6/8", "2+2+3/8", "3+3+2/8"])
def test_gaps_are_told_alike_in_every_meter(meter: str, on: int, off: int, late_ms: float) -> None:
    """The first gap and the later ones, each from its own bars with a click."""
    asked, take = gapped(meter, on, off, late_ms)
    analysis = analyze(take)
    gaps = gap_drifts(analysis, silences_of(asked, analysis))
    assert len(gaps) == 16 // (on + off)
    for gap in gaps:
        assert gap.drift_ms is not None and gap.standard_error_ms is not None, gap.reason
        assert gap.standard_error_ms < 14
        assert gap.drift_ms == pytest.approx(late_ms, abs=max(3.2 * gap.standard_error_ms, 20))


def test_lanes_lie_on_quarters() -> None:
    """Units of an additive meter are even; its beats, and meters that take turns, as written."""
    unit, beats = (SUBDIVISIONS[row_of(key)] for key in ("unit", "beat"))
    cycle = parse_meter("2+2+3/8")
    bars = lay_bars(((0.0, cycle),), 0.0, 7.0)
    even, grouped = lanes([unit, beats], bars)
    inside = [p for p in even.at_quarter if 0 <= p < 7]
    assert inside == [i / 2 for i in range(14)]
    assert [p for p in grouped.at_quarter if 0 <= p < 7] == [0, 1, 2, 3.5, 4.5, 5.5]
    turns = lay_bars(((0.0, parse_meter("9/8+10/8")),), 0.0, 9.5)
    (both,) = lanes([unit], turns)
    assert [p for p in both.at_quarter if 0 <= p < 9.5] == [i / 2 for i in range(19)]


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0, 3.0])
def test_swung_notes_are_followed(ratio: float) -> None:
    """Pairs long and short keep a grid to tell a drift by, at any usual ratio."""
    quarter = np.arange(0.0, 16.0, 0.5)
    quarter[1::2] += ratio / (1 + ratio) - 0.5
    bars = lay_bars(((0.0, parse_meter("4/4")),), 0.0, 16.0)
    found = followed(quarter * 1.03, lanes(common_rows(bars.meters), bars))
    assert found is not None
    late = found.deviation_quarter
    assert late[-1] - late[1] == pytest.approx(0.03 * 15.0, abs=0.03)


LADDER = (
    'tempo = [80, 90, 100]\nbars-per-tempo = 4\n[[section]]\nbars = "1-12"\n'
    'stay-on = "eighths"\nmost-drift = true\n'
)


def up_the_ladder(*tempi_bpm: float) -> Take:
    """Eighths over 80, 90 and 100 BPM, four bars each, played at other tempi, bar for bar."""
    from improv.assignments.clicktrack import click_track

    track = click_track(parse_assignment(LADDER))
    second = np.concatenate([np.full(32, 30.0 / bpm) for bpm in tempi_bpm])
    onset = np.concatenate([[0.0], np.cumsum(second)[:-1]]) + scattered(96, 8.0, 3) / 1000.0
    return replace(
        take_of(np.arange(96) / 2.0, 80.0), onset_sec=onset, release_sec=onset + 0.1,
        tempo_map=track.tempo_map, bars=track.bars, tempo_bpm=80.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("tempi", "state"),
    [
        ((80, 90, 100), MET),
        ((80, 90, 90), NOT_MET),
        ((80, 80, 80), NOT_MET),
        ((100, 100, 100), NOT_MET),
        ((80, 90, 104), NOT_MET),
    ],
)
def test_every_step_of_a_ladder_counts(tempi: tuple[float, ...], state: str) -> None:
    """A player who stays behind for one step of three drifts, whatever the others were."""
    found = drift_of(judge(parse_assignment(LADDER), analyze(up_the_ladder(*tempi))))
    assert found.state == state, found.reason
    assert found.asked == "drift of at most 1.2 to 1.5 BPM within a phrase"


def test_a_ladder_is_told_as_a_ladder() -> None:
    """Its tempi in the head, and the next step above the last of them."""
    asked = parse_assignment(LADDER)
    verdict = judge(asked, analyze(up_the_ladder(80, 90, 100)))
    text = verdict_text(verdict, asked)
    assert "at 80 to 100 BPM." in text
    assert "Next: One step more, at 104 BPM, now that all is met." in text
    broken = judge(asked, analyze(up_the_ladder(80, 90, 90)))
    assert "play it at 80 to 100 BPM with fewer clicks" in drift_of(broken).next_step
    assert "Dragging by 10 BPM in one of 4 phrases" in drift_of(broken).reason


def patchy(lost_bars: int) -> Take:
    """Steady phrases of three bars, then bars of notes at random, in 4/4."""
    rng = np.random.default_rng(2)
    steady = [p * 16.0 + np.arange(24) / 2.0 for p in range(2)]
    loose = np.sort(rng.uniform(33.0, 32.0 + 4.0 * lost_bars, 8 * lost_bars))
    quarter = np.concatenate([*steady, loose])
    late = np.concatenate([scattered(48, 6.0, 4), np.zeros(len(loose))])
    return played(quarter, "4/4", 110.0, late)


@pytest.mark.parametrize(("lost_bars", "state"), [(2, MET), (4, CANT_TELL), (8, CANT_TELL)])
def test_phrases_without_a_grid_are_not_passed_over(lost_bars: int, state: str) -> None:
    """Where a good part of the notes keeps no grid, no drift can be called met."""
    found = drift_of(judge(assigned("4/4", "most-drift = true"), analyze(patchy(lost_bars))))
    assert found.state == state
    assert "can't be told: no steady grid to tell a drift by" in found.reason


def test_a_reason_is_true() -> None:
    """Phrases of thirty notes are long enough; what they lack is a grid."""
    quarter = np.sort(np.random.default_rng(5).uniform(0.0, 40.0, 80))
    take = played(quarter, "4/4", 110.0, np.zeros(80))
    found = drift_of(judge(assigned("4/4", "most-drift = true"), analyze(take)))
    assert found.state == CANT_TELL
    assert found.reason == "no phrase keeps a steady grid to tell a drift by"


def test_a_phrase_of_several_subdivisions_is_followed_on_what_it_was_called() -> None:
    """Two beats of triplets, two of eighths, in turn, are steady time or a drag of 4 %."""
    beat = np.array([0, 1 / 3, 2 / 3, 1, 4 / 3, 5 / 3, 2, 2.5, 3, 3.5])
    quarter = np.concatenate([bar * 4.0 + beat for bar in range(8)])
    for percent, state in ((0.0, MET), (2.5, NOT_MET)):
        take = played(quarter * (1 + percent / 100), "4/4", 110.0, scattered(80, 6.0, 5))
        found = drift_of(judge(assigned("4/4", "most-drift = true"), analyze(take)))
        assert found.state == state, found.reason
        assert found.value == pytest.approx(-1.1 * percent, abs=0.4)


@pytest.mark.parametrize("percent", [0.0, 3.0])
def test_a_loose_hand_is_followed(percent: float) -> None:
    """Sixteenths at 92 BPM with a spread of 25 ms, a sixth of their step, keep their grid."""
    quarter = np.arange(0.0, 32.0, 0.25) * (1 + percent / 100)
    take = played(quarter, "4/4", 92.0, scattered(128, 25.0, 4))
    beats = 'tempo = 92\n[[section]]\nbars = "1-8"\nmost-drift = true\n'
    found = drift_of(judge(parse_assignment(beats), analyze(take)))
    assert found.state == (NOT_MET if percent else MET), found.reason


def test_chance_keeps_no_grid() -> None:
    """Of forty series of notes at random, hardly one is followed as a steady one."""
    rng = np.random.default_rng(8)
    bars = lay_bars(((0.0, parse_meter("4/4")),), 0.0, 40.0)
    choices = lanes(common_rows(bars.meters), bars)
    series = [np.sort(rng.uniform(0.0, n / 3, n)) for n in (24, 48) for _ in range(20)]
    assert sum(followed(at, choices) is not None for at in series) <= 1


@pytest.mark.parametrize("asks", ["", 'stay-on = "eighths"\n'])
@pytest.mark.parametrize("slower", [0.8, 0.85, 1.2])
def test_four_bars_at_quite_another_tempo_are_a_breach(asks: str, slower: float) -> None:
    """Three phrases in time and one at another tempo, steady as it is, are no steady playing."""
    steady = np.concatenate([p * 16.0 + np.arange(28) / 2.0 for p in range(3)])
    quarter = np.concatenate([steady, 48.0 + np.arange(int(28 * slower)) / 2.0 / slower])
    take = played(quarter, "4/4", 100.0, scattered(len(quarter), 8.0, 6))
    found = drift_of(judge(assigned("4/4", f"{asks}most-drift = true", 100.0), analyze(take)))
    assert found.state == NOT_MET, found.reason
    # The last phrase's first note may lie just before its bar line.
    assert re.search(rf"bars 1[23] to 1[67]: steady at about {100 * slower:.0f} BPM", found.reason)
