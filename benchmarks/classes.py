"""A class of 200 takes: where does the time go, and what do two cores bring?

`python -m benchmarks classes [--takes N] [--notes N]`. Takes are simulated, written as MIDI
files, then checked as `improv check FOLDER` does. Printed: seconds for reading and hearing
the takes (parsing, analysis) and for judging them, on one core and on two.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.goals import at_least, at_most, conclude
from improv.assignments.classes import Checked, check_files
from improv.assignments.jobs import job_for
from improv.assignments.reading import parse_assignment
from improv.midi_write import write_take
from improv.model import Reading, Settings
from improv.synth import Hand, Line, Stretch, play

PARSING_SHARE = 0.5
"""A class should cost little more than reading its files: this share of the time at least."""
ASSIGNMENT = """\
title = "A class of two hundred"
tempo = 100
[[section]]
bars = "1-16"
stay-on = "eighths"
least-notes = 2
no-off-grid-runs = true
pocket = true
most-drift = true
[[section]]
bars = "17-"
alternate = ["eighths", "half notes"]
nothing-faster-than = "eighths"
"""


def write_class(folder: Path, takes: int, notes: int, seed: int) -> list[str]:
    """Simulated takes of about `notes` notes, as files."""
    rng = np.random.default_rng(seed)
    paths = []
    for i in range(takes):
        bars = max(notes // 8, 2)
        pieces = [Stretch(str(rng.choice(["eighths", "eighths", "quarters", "sixteenths"],
                                         p=[0.6, 0.2, 0.15, 0.05])), 4, 0.9)
                  for _ in range(bars)]  # fmt: skip
        take, _ = play(Line(tuple(pieces), tempo_bpm=100.0), Hand(8.0, 12.0), seed + i)
        start = float(take.tempo_map.start_sec[0])
        moved = replace(take.tempo_map, start_sec=take.tempo_map.start_sec - start)
        onset = np.maximum(take.onset_sec - start, 0.0)
        take = replace(take, onset_sec=onset, release_sec=take.release_sec - start, tempo_map=moved)
        path = folder / f"player{i:03d}.mid"
        write_take(take, path)
        paths.append(str(path))
    return paths


def timed(paths: list[str], cores: int) -> tuple[float, list[Checked]]:
    """Seconds for the whole class, and its results."""
    job = job_for(parse_assignment(ASSIGNMENT), Reading(), Settings())
    began = time.perf_counter()
    checked = check_files(job, paths, cores)
    return time.perf_counter() - began, checked


def main(arguments: list[str]) -> int:
    """Run, print the table and the goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks classes")
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--notes", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        paths = write_class(Path(folder), given.takes, given.notes, given.seed)
        one_sec, one = timed(paths, 1)
        two_sec, two = timed(paths, 2)
    same = [(c.path, c.verdict) for c in one] == [(c.path, c.verdict) for c in two]
    reading = sum(c.reading_sec for c in one)
    hearing = sum(c.analysis_sec for c in one)
    judging = sum(c.judging_sec for c in one)
    unread = sum(c.verdict is None for c in one)
    print(f"A class of {len(paths)} takes of about {given.notes} notes ({unread} unreadable)")
    print(f"{'':<24}{'seconds':>9}{'share':>8}{'ms a take':>11}")
    for name, seconds in (
        ("reading the files", reading), ("hearing (analysis)", hearing), ("judging", judging),
    ):  # fmt: skip
        share, each = seconds / one_sec, 1000 * seconds / len(paths)
        print(f"{name:<24}{seconds:>9.2f}{share:>8.1%}{each:>11.2f}")
    print(f"{'one core, all':<24}{one_sec:>9.2f}")
    print(f"{'two cores, all':<24}{two_sec:>9.2f}   {one_sec / two_sec:.2f} times as fast")
    print(f"same results in the same order: {'yes' if same else 'NO'}")
    return conclude(
        (
            at_least("share of the time that is reading", reading / one_sec, PARSING_SHARE),
            at_most("results that differ with the cores", float(not same), 0),
        )
    )
