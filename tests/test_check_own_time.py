"""Eighths in a time of their own are eighths: a drift is told as a drift, not as finer notes.

Each table holds at two tempi and in two meters. What is played is in eighths: 1 is an eighth
after 0, whatever the meter.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv.analysis import analyze
from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.assignments.verdict import MET, NOT_MET, GapDrift, Verdict
from improv.model import Floats

GROUNDS = (("4/4", 84.0), ("4/4", 120.0), ("6/8", 54.0), ("6/8", 72.0))
PER_BEAT, PER_BAR = {"4/4": 2, "6/8": 3}, {"4/4": 8, "6/8": 6}
ASKS = 'stay-on = "eighths"\nno-off-grid-runs = true'
BARS = 10


def drifting(rate: float) -> Callable[[int], Floats]:
    """Eighths throughout, faster than the backing by this share."""
    return lambda bar: np.arange(BARS * bar) / (1.0 + rate)


def in_gaps(rate: float, back: float) -> Callable[[int], Floats]:
    """Eighths off the time in bars 4 and 8, then back to it over so many bars."""

    def play(bar: int) -> Floats:
        at = np.arange(BARS * bar, dtype=np.float64)
        out = at.copy()
        for start in (3 * bar, 7 * bar):
            into = (at - start) / bar
            gained = rate / (1.0 + rate) * bar
            out -= np.where((into >= 0) & (into < 1), gained * into, 0.0)
            late = np.clip(1.0 - (into - 1.0) / back, 0.0, 1.0) if back else 0.0
            out -= np.where(into >= 1, gained * late, 0.0)
        return out

    return play


def with_bars(*figure: float, rate: float = 0.0, bars: int = 2) -> Callable[[int], Floats]:
    """Eighths, but for two bars of other places (in steps of an eighth, from 0 to below 1 or 2).

    `rate`: the line goes faster than the backing by this share.
    """

    def play(bar: int) -> Floats:
        start, stop = 4 * bar, (4 + bars) * bar
        length = 1 if max(figure) < 1 else 2
        inside = np.add.outer(np.arange(start, stop, length), figure).ravel()
        whole = [np.arange(start), inside, np.arange(stop, BARS * bar)]
        return np.concatenate(whole) / (1.0 + rate)

    return play


def with_run(step: float) -> Callable[[int], Floats]:
    """Eighths, but for a bar and a half at steps of so much of an eighth."""

    def play(bar: int) -> Floats:
        inside = np.arange(4 * bar, 5.5 * bar, step)
        return np.concatenate([np.arange(4 * bar), inside, np.arange(6 * bar, BARS * bar)])

    return play


PASS = {
    **{f"{rate:+.1%} throughout": drifting(rate)
       for rate in (0.01, -0.01, 0.02, -0.02, 0.03, -0.03)},
    "a gap rushed, back over a bar": in_gaps(0.04, 1.0),
    "a gap rushed more": in_gaps(0.06, 1.0),
    "a gap dragged, back over a bar": in_gaps(-0.04, 1.0),
    "a gap rushed, back at once": in_gaps(0.04, 0.0),
    "a gap dragged, back at once": in_gaps(-0.05, 0.0),
}  # fmt: skip
FAIL = {
    "sixteenths": with_bars(0, 0.5),
    "sixteenths while rushing": with_bars(0, 0.5, rate=0.015),
    "sixteenths while dragging": with_bars(0, 0.5, rate=-0.015),
    "three in two": with_bars(0, 2 / 3, 4 / 3),
    "three in two while dragging": with_bars(0, 2 / 3, 4 / 3, rate=-0.01),
    "a sixteenth beside the beat": with_bars(0.5),
    "a sixteenth beside the beat while rushing": with_bars(0.5, rate=0.01),
    "dotted eighths": with_bars(0, 1.5),
    "five in two": with_bars(0, 0.4, 0.8, 1.2, 1.6),
    "a run a sixth faster": with_run(1 / 1.17),
    "a run between sixteenths and triplets": with_run(1 / 2.3),
    "a run of nearly sixteenths": with_run(1 / 2.15),
}


def verdict(
    play: Callable[[int], Floats], meter: str, tempo: float, asks: str = ASKS,
    gaps: tuple[GapDrift, ...] = (),
) -> Verdict:  # fmt: skip
    """The check of a take of these places."""
    at = play(PER_BAR[meter])
    late = scattered(len(at), 8.0, seed=4)
    analysis = analyze(take_of(at / PER_BEAT[meter], tempo, meter, late))
    text = f'tempo = {tempo}\nmeter = "{meter}"\n[[section]]\nbars = "1-{BARS - 1}"\n{asks}\n'
    return judge(parse_assignment(text), analysis, gaps=gaps)


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("row", PASS)
def test_eighths_in_their_own_time_are_eighths(row: str, meter: str, tempo: float) -> None:
    """Notes an eighth apart are neither finer nor a run off the grid."""
    found = verdict(PASS[row], meter, tempo)
    assert NOT_MET not in [o.state for o in found.outcomes], [o.reason for o in found.outcomes]


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("row", FAIL)
def test_what_is_finer_still_fails(row: str, meter: str, tempo: float) -> None:
    """Truly finer notes, places beside the beat and runs off the grid are no drift."""
    found = verdict(FAIL[row], meter, tempo)
    assert found.outcomes[0].state == NOT_MET, found.outcomes[0].reason


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("rate", [0.03, -0.03])
def test_the_drift_is_mended_first(rate: float, meter: str, tempo: float) -> None:
    """Where the time explains the places, the next step is about the time."""
    found = verdict(drifting(rate), meter, tempo, f"{ASKS}\nmost-drift = true")
    assert [o.state for o in found.outcomes] == [MET, MET, NOT_MET]
    assert found.next_step.startswith(f"You are {'rushing' if rate > 0 else 'dragging'}")


def test_no_faster_tempo_for_what_left_the_click() -> None:
    """Met by its steps, yet far off the click: the next step is the time, with a gap the gap."""
    found = verdict(in_gaps(0.06, 1.0), "4/4", 96.0)
    assert found.state == MET
    assert "in a time of their own" in found.outcomes[0].reason
    assert "with fewer clicks" in found.next_step and not found.caution
    gaps = (GapDrift(4, 4, -140.0, 8.0, 8, ""), GapDrift(8, 8, -140.0, 8.0, 8, ""))
    found = verdict(in_gaps(0.06, 1.0), "4/4", 96.0, gaps=gaps)
    assert "keep the time while the click is out" in found.next_step
    steady = verdict(drifting(0.0), "4/4", 96.0)
    assert steady.next_step == "The same at 100 BPM, now that all is met."


@pytest.mark.parametrize(("ratio", "state"), [(1.5, MET), (2.0, MET), (3.0, NOT_MET)])
@pytest.mark.parametrize("rate", [0.02, -0.02])
def test_swung_eighths_may_drift_too(rate: float, ratio: float, state: str) -> None:
    """Swung or straight, eighths are eighths; dotted notes are finer in any time."""

    def play(bar: int) -> Floats:
        at = np.arange(BARS * bar, dtype=np.float64)
        return (at + (at % 2) * (2.0 * ratio / (1.0 + ratio) - 1.0)) / (1.0 + rate)

    assert verdict(play, "4/4", 110.0, 'stay-on = "eighths"').state == state
