"""What `true` means in an assignment, and which subdivision a tempo asks for."""

from __future__ import annotations

import pytest
from assignment_texts import SHORT

from improv.assignments import defaults
from improv.assignments.model import Assignment, Pocket, Swing
from improv.assignments.reading import parse_assignment
from improv.assignments.writing import assignment_text
from improv.meter import parse_meter


def test_default_pocket() -> None:
    """20 ms (Hofmann et al. 2017); 2.5 % of long steps (Friberg & Sundberg 1995); d/4 at most."""
    assert defaults.pocket_ms(300.0) == 20.0
    assert defaults.pocket_ms(1000.0) == 25.0
    assert defaults.pocket_ms(60.0) == 15.0


def test_default_drift() -> None:
    """1.5 % of the tempo: the lower end of Drake & Botte's 1.5 to 3 % (1993), as in analyses."""
    assert defaults.drift_bpm(100.0) == pytest.approx(1.5)
    assert defaults.drift_bpm(20.0) == 1.0


def test_default_swing_follows_the_short_note() -> None:
    """Short note of 100 ms (Friberg & Sundström 2002): 2.0 at 200 BPM, 1.5 at 240 BPM."""
    assert defaults.swing_band(60_000 / 200) == pytest.approx((1.2, 2.0))
    assert defaults.swing_band(60_000 / 240) == pytest.approx((1.2, 1.5))
    assert defaults.swing_band(60_000 / 60)[1] == 3.5


def test_default_subdivision_by_tempo() -> None:
    """Notes at least 200 ms apart (Repp 2003: below 200 to 250 ms subdividing stops helping)."""
    meter = parse_meter("4/4")[0]
    found = {bpm: defaults.first_subdivision(bpm, meter) for bpm in (60.0, 96.0, 140.0, 280.0)}
    assert found == {
        60.0: "sixteenths", 96.0: "eighths", 140.0: "eighths", 280.0: "quarters",
    }  # fmt: skip


@pytest.mark.parametrize("text", ["4/4", "6/8", "2+2+2+3/8"])
def test_default_subdivision_is_never_a_tuplet(text: str) -> None:
    """Whatever the tempo, a player asked for nothing begins without triplets, duplets, swing."""
    meter = parse_meter(text)[0]
    found = {defaults.first_subdivision(float(bpm), meter) for bpm in range(40, 280, 4)}
    assert found <= {"sixteenths", "eighths", "quarters", "dotted quarters", "beats"}
    assert {"eighths", "sixteenths"} <= found


def test_defaults_survive_as_true() -> None:
    """`true` stays `true`: the number follows the tempo, not the file."""
    text = SHORT + "pocket = true\nmost-drift = true\nswing = true\n"
    read: Assignment = parse_assignment(text)
    assert (read.sections[0].pocket, read.sections[0].swing) == (Pocket(), Swing())
    assert "pocket = true" in assignment_text(read)
