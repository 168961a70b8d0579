"""What `improv assign --from` proposes: the advice, and nothing that contradicts it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import hand_made
import pytest
from assigned import HOLDS, RUNS
from hand_made import analysis, phrase

from improv.analysis import analyze
from improv.assignments.clicktrack import click_track
from improv.assignments.judge import judge
from improv.assignments.model import ClickStyle, Drift
from improv.assignments.proposal import propose
from improv.assignments.reading import parse_assignment
from improv.assignments.verdict import MET
from improv.assignments.writing import assignment_text
from improv.errors import TakeError
from improv.midi import read_take
from improv.model import Analysis, Reading
from improv.practice import advise
from improv.synth import Hand, Line, Rest, Stretch, play

PHRASES = (Stretch("eighths", 12, 0.9), Rest(4, "bar")) * 6


STEADY = Hand(5.0, 9.0)
CLICKS = ("downbeat", "group", "beat")


def played(line: Line, hand: Hand = STEADY, seed: int = 4) -> Analysis:
    """An analyzed simulated take."""
    return analyze(play(line, hand, seed)[0])


def dragging(drift_bpm: float, seed: int = 4) -> Analysis:
    """Six phrases of eighths at 96 BPM, each with the same drift."""
    return played(Line(PHRASES, tempo_bpm=96.0, drift_bpm=drift_bpm), Hand(3.0, 8.0), seed)


TAKES: dict[str, Callable[[], Analysis]] = {
    "held": lambda: played(Line(HOLDS)),
    "held, sixteenths at 160": lambda: played(Line((Stretch("sixteenths", 60),), tempo_bpm=160.0)),
    "floating": lambda: played(Line((*HOLDS, *RUNS))),
    "loose": lambda: played(Line(HOLDS), Hand(5.0, 34.0)),
    "dragging": lambda: dragging(-1.7),
    "rushing": lambda: dragging(1.7),
    "compound": lambda: played(Line((Stretch("sixteenths", 60),), "6/8", 60.0)),
    "three notes": lambda: played(Line((Stretch("quarters", 3),))),
}


NOTHING_HOLDS = {"three notes"}


@pytest.mark.parametrize("name", TAKES)
def test_a_proposal_is_the_advice(name: str) -> None:
    """The same subdivisions, tempo, sentences and runs, in every kind of take."""
    made = TAKES[name]()
    advice, proposal = advise(made), propose([made])
    asked = proposal.assignment
    assert (advice.hold is None) is (name in NOTHING_HOLDS)
    if advice.hold is not None:
        assert advice.tempo_bpm is not None
        wanted = list(dict.fromkeys((advice.hold, advice.next)))
        assert [s.stay_on for s in asked.sections] == wanted
        assert asked.tempo_bpm == (round(advice.tempo_bpm, 2),)
    assert proposal.reasons[: len(advice.sentences)] == advice.sentences
    assert {s.no_off_grid_runs for s in asked.sections} == {advice.no_runs}
    assert f"at {asked.tempo_bpm[0]:g} BPM" in proposal.reasons[-2]


@pytest.mark.parametrize("story", ["benno-drags", "ilka-holds", "juno-swings", "tarek-floats"])
def test_the_examples_too(story: str) -> None:
    """The shipped takes: a proposal gives the reasons that `improv analyze` prints."""
    path = Path(__file__).parent.parent / "examples" / f"{story}.mid"
    made = analyze(read_take(str(path), Reading(count_in_bars=1)))
    assert " ".join(propose([made]).reasons).startswith(advise(made).text)


@pytest.mark.parametrize("drift_bpm", [-1.7, 1.7, 2.2])
@pytest.mark.parametrize("seed", [4, 5, 6])
def test_a_drift_to_practise_on_is_not_met_yet(drift_bpm: float, seed: int) -> None:
    """Where the time comes first, the limit lies below what the take itself shows."""
    made = dragging(drift_bpm, seed)
    advice = advise(made)
    assert advice.drift_bpm is not None and advice.drift_bpm * drift_bpm > 0
    asked = propose([made]).assignment
    (section,) = asked.sections
    assert section.most_drift is not None and section.most_drift.most_bpm is not None
    assert section.most_drift.most_bpm < abs(advice.drift_bpm)
    verdict = judge(asked, made, 1)
    states = {o.kind: o.state for o in verdict.outcomes}
    assert states["most-drift"] != MET


@pytest.mark.parametrize("name", ["held", "floating", "loose", "compound"])
def test_no_drift_is_made_up(name: str) -> None:
    """Steady takes are asked for the usual limit only, and meet it or can't be told."""
    made = TAKES[name]()
    asked = propose([made])
    assert all(s.most_drift == Drift() for s in asked.assignment.sections)
    assert "drift" not in asked.reasons[-2]
    assert asked.assignment.click == ClickStyle()


@pytest.mark.parametrize(
    ("meter", "bpm", "beats", "said"),
    [
        ("4/4", 96.0, (2, 4), "on 2 and 4 only"),
        ("3/4", 96.0, (1,), "on the first beat of each bar only"),
        ("6/8", 60.0, (1,), "on the first beat of each bar only"),
        ("4/4+3/4", 96.0, (1,), "on the first beat of each bar only"),
    ],
)
def test_the_click_advised_is_the_click_written(
    meter: str, bpm: float, beats: tuple[int, ...], said: str
) -> None:
    """Where the advice asks for few clicks, the file asks for the same, and its track has them."""
    line = Line(PHRASES, meter, tempo_bpm=bpm, drift_bpm=-0.02 * bpm)
    proposal = propose([played(line, Hand(3.0, 8.0))])
    assert said in " ".join(proposal.reasons)
    assert proposal.assignment.click == ClickStyle(beats=beats)
    written = parse_assignment(assignment_text(proposal.assignment), "written")
    assert written == proposal.assignment
    clicks = [s for s in click_track(written).strokes if s.bar >= 1 and s.kind in CLICKS]
    bars = written.last_bar or 0
    assert len(clicks) == bars * len(beats)


def test_too_little_to_propose_from() -> None:
    """Three notes hold nothing: the tempo's own subdivision, said to be that."""
    made = played(Line((Stretch("quarters", 3),), tempo_bpm=100.0))
    proposal = propose([made])
    assert "Too few notes" in proposal.reasons[0]
    assert proposal.assignment.sections[0].stay_on == "eighths"
    assert "At 100 BPM eighths are the densest plain" in proposal.reasons[1]


def test_several_takes_are_one_evidence() -> None:
    """Ten notes twice are twenty, runs add up, and a drift is told with its take."""
    ten = analysis(["unit"] * 10, (phrase(1, 0, 10, (1, 2)),))
    assert advise(ten).hold is None
    assert advise(ten, ten).hold == "eighths"
    assert "over 20 notes" in advise(ten, ten).text
    floating = hand_made.floating()
    assert "two faster runs" in advise(floating, floating).text
    slow = phrase(1, 0, 60, (1, 8), drift_bpm=-4.8, drift_se_bpm=0.5)
    level = analysis(["unit"] * 60, (phrase(1, 0, 60, (1, 8)),), spread_ms=9.0)
    drags = replace(level, phrases=(slow,), take=replace(level.take, name="tuesday.mid"))
    assert "phrase 1 of tuesday.mid is dragging" in advise(level, drags).text
    proposal = propose([level, drags])
    assert proposal.assignment.sections[0].most_drift == Drift(1.4)


def test_takes_of_different_meters_make_no_assignment() -> None:
    """One assignment has one meter."""
    with pytest.raises(TakeError, match="different meters"):
        propose([TAKES["held"](), TAKES["compound"]()])
