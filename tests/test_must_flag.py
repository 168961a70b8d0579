"""What must be told of a take, and, as long a list, what must never be made of one.

Rhythms and habits are common practice, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from core_takes import heard, scattered, take_of
from midi_bytes import parsed

from improv import Analysis, Reading, analyze
from improv.midi import take_from_smf
from improv.model import TempoMap
from improv.report import text_report
from improv.synth import (
    Hand,
    Line,
    Notated,
    Rest,
    Stretch,
    gliding_run,
    play,
    steady_run,
    uneven_run,
)
from improv.tempo import seconds_at
from improv.wording import drift_text, lean_text

SEEDS = (1, 2, 3)
Made = Callable[[int], Analysis]


def named(analysis: Analysis) -> set[str | None]:
    """The subdivisions called for notes, ornaments apart."""
    names = analysis.notes.subdivision_name
    return {n for n, grace in zip(names, analysis.notes.grace, strict=True) if not grace}


def drifts(analysis: Analysis) -> list[str]:
    """What is said of rushing and dragging."""
    return [said for p in analysis.phrases if (said := drift_text(p))]


def leans(analysis: Analysis) -> list[str]:
    """What is said of pushing and laying back."""
    return [said for p in analysis.phrases if (said := lean_text(p.offset_ms or 0.0))]


def off_runs(analysis: Analysis) -> list[float]:
    """Rates of the runs called off the grid."""
    return [run.notes_per_beat for run in analysis.runs if run.off_grid]


def share_off(analysis: Analysis) -> float:
    """Share of the notes called off the grid."""
    return float(analysis.notes.off_grid.mean())


# --- must be told ---------------------------------------------------------------

EIGHT_BARS = (Stretch("eighths", 14), Rest(2), Stretch("eighths", 14))


def _among_eighths(run: object) -> tuple[object, ...]:
    return (Stretch("eighths", 8), run, Rest(2, "bar"), Stretch("eighths", 12))


def run_told(low: float, high: float) -> Callable[[Analysis], bool]:
    """A run off the grid at a rate in this range."""
    return lambda a: any(low <= rate <= high for rate in off_runs(a))


def drifting(seed: int, faster: float) -> Analysis:
    """Four bars of eighths, 10 ms of scatter, at a tempo of their own."""
    beat = np.arange(32) / 2.0
    return analyze(take_of(beat, 110.0, late_ms=scattered(32, 10.0, seed) - 545.5 * beat * faster))


def drift_told(how: str, phrases: int) -> Callable[[Analysis], bool]:
    """That many phrases are said to drift this way, and none the other."""
    return lambda a: len(drifts(a)) == phrases and all(how in said for said in drifts(a))


MUST: dict[str, tuple[Made, Callable[[Analysis], bool]]] = {
    "a steady run between sixteenths and quintuplets": (
        lambda seed: heard(*_among_eighths(steady_run(14, 4.55)), tempo_bpm=96.0, seed=seed),
        run_told(4.4, 4.75),
    ),
    "a steady run between triplets and sixteenths": (
        lambda seed: heard(*_among_eighths(steady_run(12, 3.45)), tempo_bpm=120.0, seed=seed),
        run_told(3.3, 3.65),
    ),
    "a run that speeds up": (
        lambda seed: heard(*_among_eighths(gliding_run(16, 2.9, 5.6)), tempo_bpm=96.0, seed=seed),
        lambda a: any(r.kind == "speeding up" for r in a.runs if r.off_grid),
    ),
    "a run that slows down": (
        lambda seed: heard(*_among_eighths(gliding_run(16, 5.6, 2.9)), tempo_bpm=96.0, seed=seed),
        lambda a: any(r.kind == "slowing down" for r in a.runs if r.off_grid),
    ),
    "an uneven run": (
        lambda seed: heard(
            *_among_eighths(uneven_run(16, 4.5, 0.25, seed)), tempo_bpm=96.0, seed=seed
        ),
        lambda a: share_off(a) > 0.1,
    ),
    "dragging by 1.8 %": (lambda seed: drifting(seed, -0.018), drift_told("dragging", 1)),
    "rushing by 1.8 %": (lambda seed: drifting(seed, 0.018), drift_told("rushing", 1)),
    "dragging by 3 %": (lambda seed: drifting(seed, -0.03), drift_told("dragging", 1)),
    "rushing by 3 %": (lambda seed: drifting(seed, 0.03), drift_told("rushing", 1)),
    "laying back by 25 ms": (
        lambda seed: heard(*EIGHT_BARS, hand=Hand(25.0, 9.0), seed=seed),
        lambda a: all("laying back" in said for said in leans(a)) and bool(leans(a)),
    ),
    "pushing by 25 ms": (
        lambda seed: heard(*EIGHT_BARS, hand=Hand(-25.0, 9.0), seed=seed),
        lambda a: all("pushing" in said for said in leans(a)) and bool(leans(a)),
    ),
    "a spread of 28 ms": (
        lambda seed: analyze(take_of(np.arange(64) / 2.0, 90.0, late_ms=scattered(64, 28.0, seed))),
        lambda a: (a.spread_ms or 0.0) > 22.0 and named(a) <= {"eighths", None},
    ),
    "swing of 1.8 : 1": (
        lambda seed: heard(
            Stretch("swung eighths", 32), hand=Hand(5.0, 10.0, swing_ratio=1.8), seed=seed
        ),
        lambda a: named(a) == {"swung eighths"},
    ),
    "swung sixteenths": (
        lambda seed: heard(
            Stretch("swung sixteenths", 24),
            hand=Hand(0.0, 7.0, half_swing_ratio=1.7),
            tempo_bpm=80.0,
            seed=seed,
        ),
        lambda a: named(a) == {"swung sixteenths"},
    ),
    "a change from eighths to triplets": (
        lambda seed: heard(Stretch("eighths", 16), Stretch("eighth triplets", 16), seed=seed),
        lambda a: named(a) == {"eighths", "eighth triplets"},
    ),
    "quintuplets": (
        lambda seed: heard(Stretch("quintuplets", 16), tempo_bpm=80.0, seed=seed),
        lambda a: named(a) == {"quintuplets"},
    ),
    "a 6/8 of sixteenths": (
        lambda seed: heard(Stretch("sixteenths", 16), meter="6/8", tempo_bpm=60.0, seed=seed),
        lambda a: named(a) == {"sixteenths"},
    ),
}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("what", MUST)
def test_must_be_told(what: str, seed: int) -> None:
    """Every one of these is in the analysis of a take that has it."""
    made, told = MUST[what]
    assert told(made(seed))


# --- must not be told -----------------------------------------------------------

DOTTED = Notated((0, 0.75, 1, 1.75, 2, 2.75, 3, 3.75), 4.0)
GALLOP = Notated((0, 0.5, 0.75, 1, 1.5, 1.75, 2, 2.5, 3, 3.25, 3.5), 4.0)


def strummed(seed: int) -> Analysis:
    """Quarters and eighths of four-note chords, strummed downward over 24 ms."""
    beat = np.repeat(np.arange(32) / 2.0, 4)
    late = np.tile([0.0, 8.0, 16.0, 24.0], 32) + np.repeat(scattered(32, 8.0, seed), 4)
    take = take_of(beat, 100.0, late_ms=late, length_beat=0.4)
    pitch = np.tile([50, 55, 59, 64], 32).astype(np.int64)
    return analyze(replace(take, pitch=pitch))


def flammed(seed: int) -> Analysis:
    """A snare's quarters with flams: the soft stroke 28 ms ahead of the loud one."""
    beat = np.repeat(np.arange(32.0), 2)
    late = np.tile([-28.0, 0.0], 32) + np.repeat(scattered(32, 7.0, seed), 2)
    take = take_of(beat, 110.0, late_ms=late, length_beat=0.03)
    velocity = np.tile([45, 96], 32).astype(np.int64)
    return analyze(replace(take, pitch=np.full(64, 38, dtype=np.int64), velocity=velocity))


def written_tempo(seed: int, last_bpm: float) -> Analysis:
    """Eighths that keep with a backing whose own tempo goes from 120 to another."""
    take = take_of(np.arange(64) / 2.0)
    start = np.arange(32.0)
    length = 60.0 / np.linspace(120.0, last_bpm, 32)
    seconds = 2.0 + np.concatenate([[0.0], np.cumsum(length)[:-1]])
    tempo_map = TempoMap(seconds, start, length)
    onset = seconds_at(tempo_map, np.arange(64) / 2.0) + scattered(64, 9.0, seed) / 1000.0
    return analyze(replace(take, onset_sec=onset, release_sec=onset + 0.1, tempo_map=tempo_map))


def one_fumble(seed: int) -> Analysis:
    """Steady eighths, one of them 70 ms late."""
    late = scattered(64, 8.0, seed)
    late[20 + seed] += 70.0
    return analyze(take_of(np.arange(64) / 2.0, late_ms=late))


def graced(seed: int, ahead_ms: float) -> Analysis:
    """Eighths, every fourth with a softer ornament ahead of it."""
    late = scattered(64, 8.0, seed)
    beat = np.sort(np.concatenate([np.arange(64) / 2.0, np.arange(3, 64, 4) / 2.0]))
    main = np.append(np.diff(beat) != 0, True)
    with_graces = np.zeros(80)
    with_graces[main] = late
    ornament = np.flatnonzero(~main)
    with_graces[ornament] = with_graces[ornament + 1] - ahead_ms
    take = take_of(beat, late_ms=with_graces, length_beat=0.08)
    return analyze(replace(take, velocity=np.where(main, 88, 60).astype(np.int64)))


def chained(seed: int, beats: list[float], bpm: float) -> Analysis:
    """Two bars of eighths, two of a syncopated chain, two of eighths; 8 ms of scatter."""
    eighths = np.arange(16) / 2.0
    beat = np.concatenate([eighths, 8.0 + np.array(beats), 16.0 + eighths])
    return analyze(take_of(beat, bpm, late_ms=scattered(len(beat), 8.0, seed)))


def picked_up(seed: int) -> Analysis:
    """Three eighths of pickup before bar 1."""
    return heard(Stretch("eighths", 17.5), start_beat=-1.5, seed=seed)


TOLD_ON_TIME = "nothing of pushing or laying back"
NO_GRACE = "no ornament"
"""What else must hold of a case that must not be told, beside staying on the grid."""

MUST_NOT: dict[str, tuple[Made, set[str], *tuple[str, ...]]] = {
    "laid-back eighths": (
        lambda seed: heard(*EIGHT_BARS, hand=Hand(28.0, 10.0), seed=seed),
        {"eighths"},
    ),
    "laid-back swing": (
        lambda seed: heard(
            Stretch("swung eighths", 30), hand=Hand(25.0, 9.0, swing_ratio=1.6), seed=seed
        ),
        {"swung eighths"},
    ),
    "hard swing at a slow tempo": (
        lambda seed: heard(
            Stretch("swung eighths", 32),
            hand=Hand(0.0, 9.0, swing_ratio=2.4),
            tempo_bpm=90.0,
            seed=seed,
        ),
        {"swung eighths"},
    ),
    "flams": (flammed, {"quarters"}),
    "strums": (strummed, {"eighths"}),
    "a pickup": (picked_up, {"eighths"}),
    "long rests": (
        lambda seed: heard(
            Stretch("eighths", 6), Rest(10), Stretch("eighths", 6), Rest(18), Stretch("eighths", 8),
            seed=seed,
        ),
        {"eighths"},
    ),
    "a drummer's lead of 10 ms (Fujii et al. 2011, READ)": (
        lambda seed: analyze(take_of(np.arange(64) / 2.0, late_ms=scattered(64, 9.0, seed) - 9.5)),
        {"eighths"},
        TOLD_ON_TIME,
    ),
    "a ritardando of the backing": (lambda seed: written_tempo(seed, 84.0), {"eighths"}),
    "an accelerando of the backing": (lambda seed: written_tempo(seed, 150.0), {"eighths"}),
    "a chorus of steady sixteenths": (
        lambda seed: heard(Stretch("sixteenths", 48), tempo_bpm=104.0, seed=seed),
        {"sixteenths"},
    ),
    "a chorus of steady triplets": (
        lambda seed: heard(Stretch("eighth triplets", 48), tempo_bpm=112.0, seed=seed),
        {"eighth triplets"},
    ),
    "dotted figures": (
        lambda seed: heard(*[DOTTED] * 6, tempo_bpm=92.0, seed=seed),
        {"sixteenths"},
    ),
    "dotted figures at a fast tempo": (
        lambda seed: heard(*[DOTTED] * 6, hand=Hand(4.0, 7.0), tempo_bpm=200.0, seed=seed),
        {"sixteenths"},
        NO_GRACE,
    ),
    "eighths with two sixteenths": (
        lambda seed: heard(*[GALLOP] * 6, tempo_bpm=92.0, seed=seed),
        {"sixteenths", "eighths"},
    ),
    "dotted eighths, three against four": (
        lambda seed: chained(seed, [0.75 * i for i in range(8)], 120.0),
        {"eighths", "sixteenths"},
    ),
    "offbeat sixteenths, every e and a": (
        lambda seed: chained(seed, [0.25 + 0.5 * i for i in range(8)], 110.0),
        {"eighths", "sixteenths"},
    ),
    "quarter triplets from the second triplet on": (
        lambda seed: chained(seed, [1 / 3 + 2 / 3 * i for i in range(9)], 130.0),
        {"eighths", "eighth triplets"},
    ),
    "sixteenths in threes, the last of four": (
        lambda seed: chained(seed, [0.0, 0.75, 1.5, 2.25, 3.0, 4.0, 4.75, 5.5, 6.25, 7.0], 140.0),
        {"eighths", "sixteenths"},
    ),
    "a fumbled note": (one_fumble, {"eighths"}, TOLD_ON_TIME),
    "grace notes": (
        lambda seed: graced(seed, 55.0),
        {"eighths"},
    ),
    "a drift of 0.5 %, below what is heard (Drake & Botte 1993, READ)": (
        lambda seed: drifting(seed, 0.005),
        {"eighths"},
    ),
    "half notes and quarters": (
        lambda seed: heard(
            Stretch("half notes", 8), Stretch("quarters", 8), Stretch("half notes", 8), seed=seed
        ),
        {"half notes", "quarters"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("what", MUST_NOT)
def test_must_not_be_told(what: str, seed: int) -> None:
    """None of these leaves the grid, rushes, drags, or becomes another subdivision."""
    made, names, *more = MUST_NOT[what]
    analysis = made(seed)
    assert off_runs(analysis) == []
    assert share_off(analysis) == 0.0
    assert drifts(analysis) == []
    assert named(analysis) <= names
    if NO_GRACE in more:
        assert not analysis.notes.grace.any()
    if TOLD_ON_TIME in more:
        told = text_report(analysis).partition("In figures")[0]
        assert "pushing" not in told and "laying back" not in told


def test_as_much_must_not_be_told_as_must() -> None:
    """The table of what must never be made of a take is no shorter than the other."""
    assert len(MUST_NOT) >= len(MUST)


def test_a_pickup_belongs_to_the_bar_it_opens() -> None:
    """Notes before bar 1 are in bar 0, the first downbeat in bar 1."""
    notes = picked_up(1).notes
    assert notes.bar[:3].tolist() == [0, 0, 0]
    assert (notes.bar[3], notes.beat[3], notes.count[3]) == (1, 1, "1")


SCALE = list(enumerate(range(40, 72)))
"""Eighths, 240 ticks apart (`81 70`), each of another pitch: nothing ends the one before."""


def test_an_unreleased_note_is_a_note() -> None:
    """Notes never released are heard like the others, and said to be so."""
    struck = "".join(f"{'81 70' if i else '00'} 90 {pitch:02X} 50 " for i, pitch in SCALE)
    take = take_from_smf(parsed(struck), "solo.mid", Reading())
    assert take.released.tolist() == [False] * len(SCALE)
    heard_ = analyze(take)
    assert set(heard_.notes.subdivision_name) == {"eighths"}
    told = " ".join(text_report(heard_).split())
    assert f"{len(SCALE)} notes are never released; the onsets are kept." in told


def test_truth_and_hearing_have_the_same_notes() -> None:
    """Nothing is dropped: chords, ornaments and runs all have their row."""
    made = Line((Stretch("eighths", 16), steady_run(9, 4.5), Rest(2)), chords=0.3, graces=0.2)
    take, _ = play(made, Hand(), 5)
    notes = analyze(take).notes
    assert notes.onset_sec.tolist() == take.onset_sec.tolist()
    assert np.all(np.diff(notes.onset_sec) >= 0)


def test_a_swerve_near_written_places_is_no_free_run() -> None:
    """Sixteenths into eighths, 23 ms astray at most: a smooth curve, yet easily written down."""
    third, bar = np.arange(9) / 3.0, np.arange(8)
    steady = (3.0 * bar[:, None] + third).ravel()
    swerve = np.array([18 + 2 / 3, 18 + 5 / 6, *(19 + np.arange(10) / 3)])
    # Deviations about the hand's own center of -6 ms, late then early: 96 to 193 ms a step.
    astray = np.array([-17.0, -7, 17, -11, -13, -19, -14, 3, 2, 13, 8, -2])
    beats = np.concatenate([steady[:55], swerve, steady[:45] + 24.0])
    late = scattered(len(beats), 6.0, 3) - 6.0
    late[55:67] = astray
    analysis = analyze(take_of(beats, bpm=114.0, meter="9/8", late_ms=late))
    assert off_runs(analysis) == []
    assert share_off(analysis) == 0.0
