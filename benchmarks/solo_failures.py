"""Which segments of which solos went wrong, to look into: one line each, worst first."""

from __future__ import annotations

from collections import Counter

import numpy as np

from benchmarks.material import solo
from benchmarks.scoring import score
from improv import Settings, analyze, grid
from improv.model import Ints, Take
from improv.synth import Truth

HEADING = "seed  meter      BPM spread drift offset  swing     notes wrong  truth -> called"


def failures(seeds: range, fewest: int = 3) -> list[str]:
    """Segments with at least `fewest` notes wrong, as lines of text."""
    found: list[tuple[int, str]] = []
    for seed in seeds:
        take, truth = solo(seed)
        notes = analyze(take, Settings()).notes
        result = score(take, truth, notes.subdivision, notes.position_beat)
        segment = truth.segment[result.rows]
        for number in np.unique(segment[~result.right]):
            here = result.rows[segment == number]
            wrong = result.rows[(segment == number) & ~result.right]
            if len(wrong) >= fewest:
                line = _line(seed, take, truth, here, wrong, notes.subdivision[wrong])
                found.append((len(wrong), line))
    return [line for _, line in sorted(found, key=lambda item: -item[0])]


def _line(seed: int, take: Take, truth: Truth, here: Ints, wrong: Ints, called: Ints) -> str:
    first = here[0]
    phrase = truth.phrases[int(truth.phrase[first])]
    calls = ", ".join(f"{_key(row)} {n}" for row, n in Counter(called.tolist()).most_common(3))
    kind = truth.run_kinds[int(truth.segment[first])] or _key(int(truth.subdivision[first]))
    mark = "written" if truth.notated[first] else "run" if truth.free[first] else "filled"
    return (
        f"{seed:<6}{take.meter_text:<10}{take.tempo_bpm:>5.0f}{phrase.spread_ms:>6.0f}"
        f"{phrase.drift_bpm:>7.1f}{phrase.offset_ms:>6.0f}"
        f"  {phrase.swing_ratio:.2f} {phrase.half_swing_ratio:.2f}"
        f"{len(here):>6}{len(wrong):>6}  {mark} {kind} -> {calls}"
        f" (at {take.onset_sec[wrong[0]]:.2f} s)"
    )


def _key(row: int) -> str:
    return "off grid" if row < 0 else grid.SUBDIVISIONS[row].key
