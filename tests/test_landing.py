"""Where runs off the grid land, and how fast they are, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import take_of

from improv import analyze
from improv.model import Floats, Run

EIGHTHS = np.arange(16) / 2.0


def run_in(onset_beat: Floats, meter: str = "4/4", bpm: float = 100.0) -> Run:
    """The one run off the grid of a line of notes at beats."""
    runs = [r for r in analyze(take_of(onset_beat, bpm, meter)).runs if r.off_grid]
    assert len(runs) == 1
    return runs[0]


@pytest.mark.parametrize(
    ("last_beat", "next_beat", "place", "on", "late_beat"),
    [
        (11.8, 13.0, (4, "1"), False, -0.2),
        (12.2, 13.5, (4, "1"), False, 0.2),
        (11.6, 13.0, (3, "& of 4"), False, 0.1),
        (12.0, 13.0, (4, "1"), True, 0.0),
        (11.5, 13.0, (3, "& of 4"), True, 0.0),
        (11.8, 12.0, (4, "1"), True, 0.0),
        (11.3, 11.5, (3, "& of 4"), True, 0.0),
    ],
    ids=[
        "early",
        "late",
        "late for the &",
        "on the beat",
        "on the half beat",
        "flows to the beat",
        "flows to the &",
    ],
)
def test_landings(
    last_beat: float, next_beat: float, place: tuple[int, str], on: bool, late_beat: float
) -> None:
    """Eleven notes at 4.6 to the beat end at `last_beat`; eighths go on at `next_beat`.

    Eleven notes at 4.6 span 10 / 4.6 = 2.17 beats. The wait of 0.2 beat to the next eighth is
    about one step, so the run flows into it; after a longer one its own last note lands.
    """
    notes = last_beat - np.arange(10, -1, -1) / 4.6
    before = EIGHTHS[notes[0] - EIGHTHS > 0.3]
    run = run_in(np.concatenate([before, notes, next_beat + EIGHTHS]))
    assert run.lands_at is not None
    assert run.lands_beat == pytest.approx(late_beat, abs=0.02)
    assert (run.lands_at.bar, run.lands_at.count) == place
    assert run.lands_on is on
    assert run.lands_ms == pytest.approx(600 * late_beat, abs=12)


@pytest.mark.parametrize("late_ms", [0.0, 45.0, -30.0])
def test_landings_are_free_of_the_constant_offset(late_ms: float) -> None:
    """Whatever the equipment's delay, a run lands on the same place, as late as before."""
    notes = 11.7 - np.arange(10, -1, -1) / 4.6
    before = EIGHTHS[notes[0] - EIGHTHS > 0.3]
    onset = np.concatenate([before, notes, 13.0 + EIGHTHS])
    made = analyze(take_of(onset, 100.0, late_ms=late_ms))
    (run,) = [r for r in made.runs if r.off_grid]
    assert made.constant_offset_ms == pytest.approx(late_ms, abs=4.0)
    assert run.lands_at is not None
    assert (run.lands_at.bar, run.lands_at.count) == (3, "& of 4")
    assert run.lands_ms == pytest.approx(120.0, abs=8.0)


@pytest.mark.parametrize("late_ms", [0.0, 20.0, -55.0])
def test_what_lands_on_its_place_is_near_it_in_figures(late_ms: float) -> None:
    """A run that ends 60 ms late of a half beat is never told of the beat half a beat away."""
    notes = 11.5 + late_ms / 600.0 - np.arange(10, -1, -1) / 4.6
    run = run_in(np.concatenate([EIGHTHS[notes[0] - EIGHTHS > 0.3], notes, 13.0 + EIGHTHS]))
    assert run.lands_at is not None
    assert run.lands_at.count == "& of 4"
    assert run.lands_ms == pytest.approx(late_ms, abs=5.0)
    assert run.lands_on is (abs(late_ms) < 36.0)


@pytest.mark.parametrize("meter", ["2+2+2+3/8", "3+2+2/8", "5/8", "4/4"])
def test_a_steady_run_is_steady_in_every_meter(meter: str) -> None:
    """4.6 notes to the quarter stay 4.6, and steady, through beats of two and of three eighths."""
    run = run_in(np.concatenate([EIGHTHS, 8.15 + np.arange(15) / 4.6, 12.0 + EIGHTHS]), meter)
    assert run.kind == "steady"
    assert run.notes_per_beat == pytest.approx(4.6, abs=0.15)


def test_a_run_on_the_grid_has_no_landing() -> None:
    """Sixteenths that go on as eighths neither glide nor land."""
    onset = np.concatenate([EIGHTHS[:8], 4 + np.arange(16) / 4.0, 8 + EIGHTHS])
    runs = analyze(take_of(onset, 100.0)).runs
    assert runs and not any(r.off_grid for r in runs)
    assert all((r.kind, r.lands_ms, r.lands_at) == ("steady", None, None) for r in runs)


@pytest.mark.parametrize("per_beat", [4.13, 4.18, 3.83, 3.87])
def test_a_run_at_almost_a_subdivisions_rate_is_counted_off_on_it(per_beat: float) -> None:
    """Nineteen steps of sixteenths lead from beat 1 to the a of 1 in the next bar, 4.75 beats on.

    At 4.18 to the beat they take 4.55: 0.2 beat early for it, and close to the & of 1.
    """
    notes = 8.0 + np.arange(20) / per_beat
    run = run_in(np.concatenate([EIGHTHS, notes, np.ceil(notes[-1]) + 1.0 + EIGHTHS]))
    assert run.near is not None and run.near[0] == "sixteenths"
    assert run.lands_at is not None
    assert (run.lands_at.bar, run.lands_at.count) == (4, "a of 1")
    assert run.lands_beat == pytest.approx(19 / per_beat - 4.75, abs=0.03)
    assert run.lands_on is False
