"""Benchmark 2: of the calls made at 90 %, are about 90 % right?

    python -m benchmarks calibration [--takes N] [--tuning]

Notes: `confidence` against right (subdivision and position; off the grid for a free run).
Phrases: the probability of the first-ranked subdivision against whether most notes of the
phrase accept it. ECE is the expected calibration error over ten equal bins: the mean
distance between confidence and share right, weighted by how often each bin is used
(Naeini, Cooper & Hauskrecht 2015; from memory).
"""

from __future__ import annotations

import argparse

import numpy as np

from benchmarks.goals import at_most, conclude
from benchmarks.material import REPORTING_SEED, TUNING_SEED, solo
from benchmarks.scoring import acceptable, score
from improv import Settings, analyze, grid
from improv.model import Analysis, Bools, Floats, Take
from improv.synth import Truth

TAKES = 200
BINS = 10
LARGEST_ERROR = 0.04


def main(arguments: list[str]) -> int:
    """Run the benchmark, print its tables and goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks calibration")
    parser.add_argument("--takes", type=int, default=TAKES)
    parser.add_argument("--tuning", action="store_true", help="seeds from 0, not from 100 000")
    options = parser.parse_args(arguments)
    first = TUNING_SEED if options.tuning else REPORTING_SEED
    seeds = range(first, first + options.takes)
    notes: list[tuple[Floats, Bools]] = []
    phrases: list[tuple[float, bool]] = []
    for seed in seeds:
        take, truth = solo(seed)
        analysis = analyze(take, Settings())
        notes.append(_note_calls(take, truth, analysis))
        phrases += _phrase_calls(take, truth, analysis)
    print(f"Calibration: {options.takes} takes, seeds {seeds.start} to {seeds.stop - 1}")
    said, right = (np.concatenate(column) for column in zip(*notes, strict=True))
    print("\n" + reliability("notes", said, right))
    errors = {"notes": expected_calibration_error(said, right)}
    said, right = (np.array(column) for column in zip(*phrases, strict=True))
    print("\n" + reliability("phrases", said, right))
    errors["phrases"] = expected_calibration_error(said, right)
    return conclude(
        at_most(f"{what}: expected calibration error", error, LARGEST_ERROR)
        for what, error in errors.items()
    )


def _note_calls(take: Take, truth: Truth, analysis: Analysis) -> tuple[Floats, Bools]:
    """Confidence and rightness of every main note."""
    notes = analysis.notes
    result = score(take, truth, notes.subdivision, notes.position_beat)
    free = truth.free[result.rows]
    return notes.confidence[result.rows], np.where(free, result.right, result.right & result.placed)


def _phrase_calls(take: Take, truth: Truth, analysis: Analysis) -> list[tuple[float, bool]]:
    """Probability and rightness of each phrase's first-ranked subdivision.

    Phrases with fewer than three notes on a true grid, or more notes off it, have no answer.
    """
    accepted = acceptable(take, truth)
    calls = []
    for phrase in analysis.phrases:
        rows = np.arange(phrase.start, phrase.stop)[truth.main[phrase.start : phrase.stop]]
        gridded = rows[~truth.free[rows]]
        if not phrase.ranking or len(gridded) < 3 or 2 * len(gridded) < len(rows):
            continue
        top = phrase.ranking[0]
        row = grid.find(top.subdivision, take.bars.meters)
        calls.append((top.probability, bool(accepted[gridded, row].mean() > 0.5)))
    return calls


def expected_calibration_error(said: Floats, right: Bools) -> float:
    """Mean distance of confidence from share right, over ten equal bins by use."""
    which = np.minimum((said * BINS).astype(np.int64), BINS - 1)
    used = np.bincount(which, minlength=BINS)
    gap = np.bincount(which, said, BINS) - np.bincount(which, right.astype(np.float64), BINS)
    return float(np.abs(gap)[used > 0].sum() / max(len(said), 1))


def reliability(what: str, said: Floats, right: Bools) -> str:
    """A table of confidence against share right."""
    lines = [f"{what:<10}{'calls':>8}{'said':>8}{'right':>8}"]
    which = np.minimum((said * BINS).astype(np.int64), BINS - 1)
    for i in range(BINS):
        here = which == i
        if here.any():
            label = f"{i / BINS:.1f}-{(i + 1) / BINS:.1f}"
            means = f"{said[here].mean():>8.3f}{right[here].mean():>8.3f}"
            lines.append(f"{label:<10}{here.sum():>8}{means}")
    lines.append(f"{'all':<10}{len(said):>8}{said.mean():>8.3f}{right.mean():>8.3f}")
    lines.append(f"expected calibration error {expected_calibration_error(said, right):.3f}")
    return "\n".join(lines)
