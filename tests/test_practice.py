"""What to practise: held, safe, and the one next thing, each from stated numbers."""

from __future__ import annotations

import dataclasses

import hand_made
import numpy as np
import pytest
from hand_made import analysis, phrase, run

from improv.practice import Played, advise, is_held, safe_tempo_bpm, subdivisions_played


@pytest.mark.parametrize(
    ("per_beat", "spread_ms", "bpm"),
    [
        (4.0, 20.0, 125.0),  # 6 x 20 = 120 ms apart: 60000 / (4 x 120), by hand
        (4.0, 25.0, 100.0),  # 150 ms apart
        (3.0, 20.0, 166.6667),
        # Below 16.7 ms the limit is not the spread but 100 ms between notes:
        # Repp 2006, "Rate limits of sensorimotor synchronization" (read): 8 to 10 a second.
        (4.0, 10.0, 150.0),
        (4.0, 0.0, 150.0),
    ],
)
def test_safe_tempo(per_beat: float, spread_ms: float, bpm: float) -> None:
    """Six spreads between neighbours, and never less than 100 ms."""
    assert safe_tempo_bpm(per_beat, spread_ms) == pytest.approx(bpm, abs=1e-4)


def test_what_is_held_already_is_not_too_close() -> None:
    """A player who holds notes 85 ms apart is not told that 100 ms is the limit."""
    assert safe_tempo_bpm(6.0, 10.0, closest_ms=85.0) == pytest.approx(117.647, abs=1e-3)
    assert safe_tempo_bpm(6.0, 10.0, closest_ms=300.0) == 100.0


def test_safe_means_one_stray_note_in_370() -> None:
    """Six spreads apart, the share beyond halfway is that of three standard deviations."""
    strayed = np.abs(np.random.default_rng(5).normal(0.0, 1.0, 1_000_000)) > 3.0
    assert strayed.mean() == pytest.approx(1 / 370.4, rel=0.05)


@pytest.mark.parametrize(
    ("played", "held"),
    [
        (Played("eighths", 2.0, 12, 20.0, 0), True),
        (Played("eighths", 2.0, 80, 12.0, 20), True),
        (Played("eighths", 2.0, 11, 8.0, 0), False),
        (Played("eighths", 2.0, 80, 20.5, 0), False),
        (Played("sixteenths", 4.0, 40, 12.0, 11), False),
        (Played("quintuplets", 5.0, 40, 12.0, 0, 0.85), True),
        (Played("quintuplets", 5.0, 40, 12.0, 0, 0.55), False),
    ],
)
def test_held(played: Played, held: bool) -> None:
    """Enough notes, surely heard, a tight spread, and four in five attempts on the grid."""
    assert is_held(played, tolerance_ms=20.0) is held


def test_spread_leaves_out_offset_drift_and_fumbles() -> None:
    """Seeded scatter of 12 ms is found again under an offset, a drift and one fumbled note."""
    kinds: list[str | None] = ["unit"] * 400
    made = analysis(kinds, (phrase(1, 0, 400, (1, 50)),), spread_ms=12.0)
    bent = np.array(made.notes.deviation_ms) + 25.0 + np.linspace(0.0, 60.0, 400)
    bent[17] += 180.0
    made = dataclasses.replace(made, notes=dataclasses.replace(made.notes, deviation_ms=bent))
    (played,) = subdivisions_played(made)
    assert played.events == 400
    assert played.spread_ms == pytest.approx(12.0, rel=0.1)


def test_a_chord_counts_once() -> None:
    """Notes of one event are one attempt; ornaments are none."""
    made = hand_made.floating()
    event = np.array(made.notes.event)
    event[1] = event[0]
    grace = np.zeros(len(event), dtype=bool)
    grace[2] = True
    notes = dataclasses.replace(made.notes, event=event, grace=grace)
    counts = {p.subdivision: p.events for p in subdivisions_played(made)}
    fewer = {
        p.subdivision: p.events for p in subdivisions_played(dataclasses.replace(made, notes=notes))
    }
    assert fewer["eighths"] == counts["eighths"] - 2


def test_floating_runs_hold_the_slower_first() -> None:
    """Runs at 4.6 to the beat: hold eighths, then sixteenths at three quarters of the tempo."""
    advice = advise(hand_made.floating())
    assert advice.hold == "eighths"
    assert advice.next == "sixteenths"
    assert advice.tempo_bpm == 72.0
    assert "left the grid" in advice.text


def test_a_wide_spread_lowers_the_next_tempo() -> None:
    """The safe tempo rules where it is below the backing: 19 ms spread, sixteenths at 130 BPM."""
    made = analysis(["unit"] * 300, (phrase(1, 0, 300, (1, 38)),), spread_ms=19.0)
    spread = subdivisions_played(made)[0].spread_ms
    made = dataclasses.replace(made, take=hand_made.take(300, 160.0))
    made = dataclasses.replace(made, settings=dataclasses.replace(made.settings, tolerance_ms=25.0))
    advice = advise(made)
    assert advice.next == "eighth triplets"
    assert advice.tempo_bpm == float(int(min(160.0, safe_tempo_bpm(3.0, spread))))


def test_everything_held_goes_on_to_the_next() -> None:
    """Where nothing fails, the next denser subdivision is given at the take's own tempo."""
    advice = advise(analysis(["half-unit"] * 60, (phrase(1, 0, 60, (1, 8)),), spread_ms=9.0))
    assert (advice.hold, advice.next) == ("sixteenths", "sextuplets")
    assert "left the grid" not in advice.text


def test_a_drifting_tempo_comes_before_speed() -> None:
    """Where the grid holds but the phrase drags by 5 %, the time is what to practise."""
    slow = phrase(1, 0, 60, (1, 8), drift_bpm=-4.8, drift_se_bpm=0.5)
    advice = advise(analysis(["unit"] * 60, (slow,), spread_ms=9.0))
    assert advice.hold == advice.next == "eighths"
    assert "dragging by 4.8 BPM" in advice.text
    assert "on 2 and 4 only" in advice.text


def test_nothing_held_settles_first() -> None:
    """A spread beyond the tolerance: stay on what was played, nothing faster."""
    made = analysis(["unit"] * 60, (phrase(1, 0, 60, (1, 8)),), spread_ms=40.0)
    advice = advise(made)
    assert advice.hold == "eighths"
    assert "play nothing faster" in advice.text
    assert "below 20 ms they are held" in advice.text


def test_too_few_notes_promise_nothing() -> None:
    """Five notes are no ground for advice about tempo."""
    advice = advise(analysis(["unit"] * 5, (phrase(1, 0, 5, (1, 1)),)))
    assert advice.hold is None
    assert advice.tempo_bpm is None
    assert "Too few notes" in advice.text


def test_a_floating_run_of_one_rate_counts_against_that_rate_only() -> None:
    """Runs near sixteenths count as failed sixteenths, not as failed quintuplets or eighths."""
    made = hand_made.floating()
    failed = {p.subdivision: p.off_grid_events for p in subdivisions_played(made)}
    assert failed == {"eighths": 0, "sixteenths": 9}
    far = dataclasses.replace(made, runs=(run(56, 65, 3, notes_per_beat=2.3),))
    assert {p.off_grid_events for p in subdivisions_played(far)} == {0}
