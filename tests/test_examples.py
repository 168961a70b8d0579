"""The example takes: made by their script, and heard as what they were meant to be."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from regen_golden import EXAMPLES, READINGS

from improv import Analysis, analyze, read_take
from improv.tempo import beats_at


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder the script has filled afresh."""
    directory = tmp_path_factory.mktemp("examples")
    script = EXAMPLES / "make_examples.py"
    subprocess.run([sys.executable, str(script), str(directory)], check=True)
    return directory


def test_the_script_makes_the_shipped_files(made: Path) -> None:
    """The same seeds give the same takes, byte for byte."""
    shipped = {p.name: p.read_bytes() for p in EXAMPLES.iterdir() if p.suffix in (".mid", ".json")}
    assert {p.name for p in made.iterdir()} == set(shipped)
    assert len(shipped) == 11
    for path in made.iterdir():
        assert path.read_bytes() == shipped[path.name], path.name


@pytest.mark.parametrize("name", READINGS)
def test_the_phrases_of_the_truth_hold_its_notes(name: str) -> None:
    """They follow one another from the first note to the last, and none is empty."""
    truth = json.loads((EXAMPLES / f"{name}.truth.json").read_bytes())
    starts, stops = zip(*((p["start"], p["stop"]) for p in truth["phrases"]), strict=True)
    assert starts[0] == 0
    assert starts[1:] == stops[:-1]
    assert stops[-1] == len(truth["notes"])
    assert all(start < stop for start, stop in zip(starts, stops, strict=True))


def told(name: str) -> tuple[Analysis, dict[str, Any]]:
    """An example as heard, and the truth about it."""
    truth = json.loads((EXAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
    return analyze(read_take(EXAMPLES / f"{name}.mid", READINGS[name])), truth


@pytest.mark.parametrize("name", READINGS)
def test_notes_are_read_as_they_were_written(name: str) -> None:
    """Every onset of the truth is an onset of the take, to the tick (0.65 ms at 96 BPM)."""
    analysis, truth = told(name)
    onsets = np.array([note["onset_sec"] for note in truth["notes"]])
    assert analysis.notes.onset_sec == pytest.approx(np.sort(onsets), abs=0.7e-3)


@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("ilka-holds", 0.9),
        ("juno-swings", 0.9),
        ("oda-nine", 0.9),
        ("tarek-floats", 0.85),
        ("benno-drags", 0.9),
    ],
)
def test_positions_are_heard(name: str, least: float) -> None:
    """At least nine notes in ten are put where they were meant, or off the grid if they were.

    A rest of one subdivision cannot be told from a note of another: positions are compared,
    which both share; in beats, so that the long beat of 2+2+2+3/8 counts as one.
    """
    analysis, truth = told(name)
    kept = [i for i, note in enumerate(truth["notes"]) if not note["grace"]]
    assert share_right(analysis, truth, kept) >= least


def share_right(analysis: Analysis, truth: dict[str, Any], kept: list[int]) -> float:
    """Share of some notes found where they were meant, or off the grid where they were."""
    rows = [truth["notes"][i] for i in kept]
    free = np.array([row["free"] for row in rows])
    quarter = np.array([0.0 if row["free"] else row["position_quarter"] for row in rows])
    meant = beats_at(analysis.take.bars, quarter + 1e-9)
    # A swung note may be put on its straight place or on its own.
    near = np.abs(analysis.notes.position_beat[kept] - meant) < 0.13
    return float(np.where(free, analysis.notes.off_grid[kept], near).mean())


@pytest.mark.parametrize("name", READINGS)
def test_the_measure_of_positions_can_fail(name: str) -> None:
    """Held against a truth one sixteenth later, hardly a note of the grid is right."""
    analysis, truth = told(name)
    kept = [i for i, note in enumerate(truth["notes"]) if not note["free"]]
    for note in truth["notes"]:
        note["position_quarter"] = (note["position_quarter"] or 0.0) + 0.25
    assert share_right(analysis, truth, kept) < 0.1


def test_ilka_holds() -> None:
    """Nothing to find fault with: tight, and next to nothing off the grid."""
    analysis, _ = told("ilka-holds")
    assert analysis.spread_ms is not None
    assert analysis.spread_ms < 14.0
    assert analysis.notes.off_grid.mean() < 0.1


def test_tarek_floats() -> None:
    """Most of each free run is found, and most of what is found belongs to one."""
    analysis, truth = told("tarek-floats")
    free = np.array([note["free"] for note in truth["notes"]])
    found = analysis.notes.off_grid
    assert (found & free).sum() / free.sum() >= 0.8
    assert (found & free).sum() / found.sum() >= 0.8


def test_juno_swings_and_lays_back() -> None:
    """Swing 1.6 within 0.1, laid back by 22 ms within 5, and neither is told as dragging."""
    analysis, _ = told("juno-swings")
    ratios = [p.swing_ratio for p in analysis.phrases if p.swung and p.events > 20]
    assert ratios
    assert np.median(ratios) == pytest.approx(1.6, abs=0.1)
    assert analysis.constant_offset_ms == pytest.approx(22.0, abs=5.0)
    drifts = [p.drift_bpm / p.tempo_bpm for p in analysis.phrases if p.drift_bpm is not None]
    assert drifts and np.abs(drifts).max() < 0.015


def test_oda_is_in_nine() -> None:
    """The additive meter is kept as stated, and its phrases are eighths and sixteenths."""
    analysis, _ = told("oda-nine")
    assert analysis.take.meter_text == "2+2+2+3/8"
    named = {phrase.subdivision for phrase in analysis.phrases}
    assert named == {"eighths", "sixteenths"}


def test_benno_drags() -> None:
    """Every phrase is found to be slower than the backing, by 1.6 BPM within one."""
    analysis, _ = told("benno-drags")
    drifts = [phrase.drift_bpm for phrase in analysis.phrases if phrase.drift_bpm is not None]
    assert len(drifts) >= 4
    assert np.median(drifts) == pytest.approx(-1.6, abs=1.0)


@pytest.mark.parametrize("name", sorted(set(READINGS) - {"benno-drags"}))
def test_nobody_else_drags_or_rushes(name: str) -> None:
    """Drift is told of Benno only."""
    analysis, _ = told(name)
    measured = [p for p in analysis.phrases if p.drift_bpm is not None and p.events >= 12]
    assert measured
    for phrase in measured:
        assert phrase.drift_bpm is not None and phrase.drift_se_bpm is not None
        allowed = max(0.015 * phrase.tempo_bpm, 2 * phrase.drift_se_bpm)
        assert abs(phrase.drift_bpm) < allowed
