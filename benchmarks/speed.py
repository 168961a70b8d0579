"""Benchmark of speed and memory.

    python -m benchmarks speed [--notes 20000,60000,200000] [--repeats 9]

In this process: a 500-note take, and long ones against the time mido needs to parse the
same file, with the highest memory of each (traced allocations, numpy's included). In
processes of their own: the whole command from a cold start, against a Python that only
imports numpy and mido. Times are medians after a warm-up. Exit status 1 where a goal is not
met; a busy machine can do that by itself.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import mido

from benchmarks.goals import Goal, at_most, conclude
from benchmarks.long_takes import long_take
from improv import analyze, read_take
from improv.midi import write_take

SHORT_NOTES = 500
SHORT_MS = 80.0
COLD_SEC = 0.35
SLOWDOWN = 1.3
"""Time and memory per note may grow by this from the shortest long take to the longest."""


@dataclass(frozen=True)
class Long:
    """What a long take costs, in seconds and MB."""

    notes: int
    parse_sec: float
    read_sec: float
    analyze_sec: float
    parse_mb: float
    read_mb: float
    analyze_mb: float

    @property
    def share(self) -> float:
        """Time to analyze, in times that mido needs to parse."""
        return self.analyze_sec / self.parse_sec


def median_sec(work: Callable[[], object], repeats: int) -> float:
    """Median time of a call after one call to warm up."""
    work()
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def python(code: str) -> str:
    """What a fresh interpreter prints that runs `code` with this improv."""
    import improv

    environment = {**os.environ, "PYTHONPATH": str(Path(improv.__file__).parent.parent)}
    command = [sys.executable, "-c", code]
    return subprocess.run(
        command, env=environment, check=True, capture_output=True, text=True
    ).stdout


def peak_mb(work: Callable[[], object]) -> float:
    """Highest memory allocated during a call, in MB."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


def measure(notes: int, repeats: int, directory: Path) -> Long:
    """Time and memory of one long take."""
    path = directory / f"{notes}.mid"
    write_take(long_take(notes), path)
    take = read_take(path)
    assert len(take) == notes
    return Long(
        notes,
        median_sec(lambda: mido.MidiFile(str(path)), repeats),
        median_sec(lambda: read_take(path), repeats),
        median_sec(lambda: analyze(take), repeats),
        peak_mb(lambda: mido.MidiFile(str(path))),
        peak_mb(lambda: read_take(path)),
        peak_mb(lambda: analyze(take)),
    )


def cold_sec(repeats: int, directory: Path) -> tuple[float, float]:
    """The whole command on a 500-note take, and the bare imports, in turns."""
    path = directory / "short.mid"
    write_take(long_take(SHORT_NOTES), path)
    command = f"import sys; sys.argv = ['improv', 'analyze', {str(path)!r}]"
    whole = f"{command}; from improv.cli import main; main()"
    bare = "import numpy, mido"
    python(whole), python(bare)
    times: dict[str, list[float]] = {whole: [], bare: []}
    for _ in range(repeats):
        for code in (whole, bare):
            begin = time.perf_counter()
            python(code)
            times[code].append(time.perf_counter() - begin)
    return statistics.median(times[whole]), statistics.median(times[bare])


def short_take(repeats: int, directory: Path) -> list[Goal]:
    """Print what a 500-note take costs; its goals."""
    take = long_take(SHORT_NOTES)
    short_ms = 1000.0 * median_sec(lambda: analyze(take), 2 * repeats)
    whole, bare = cold_sec(repeats, directory)
    print(f"{SHORT_NOTES} notes; cold: improv analyze {whole:.3f} s, bare imports {bare:.3f} s")
    return [
        at_most("analyze, in process", short_ms, SHORT_MS, "ms"),
        at_most("improv analyze, cold, above bare", whole - bare, COLD_SEC, "s"),
    ]


def long_takes(sizes: list[int], repeats: int, directory: Path) -> list[Goal]:
    """Print what long takes cost; their goals."""
    print("\n         seconds                   shares of mido's      highest MB")
    print("  notes    mido   read  analyze   analyze  with reading    mido   read  analyze")
    found = []
    for notes in sizes:
        row = measure(notes, repeats, directory)
        found.append(row)
        whole = (row.read_sec + row.analyze_sec) / row.parse_sec
        print(
            f"{notes:7d}{row.parse_sec:8.2f}{row.read_sec:7.2f}{row.analyze_sec:9.2f}"
            f"{row.share:10.2f}{whole:14.2f}{row.parse_mb:8.0f}{row.read_mb:7.0f}{row.analyze_mb:9.0f}",
            flush=True,
        )
    goals = [at_most("analyze, share of mido's parse", max(r.share for r in found), 1.0)]
    if len(found) > 1:
        first, last = found[0], found[-1]
        growth = last.notes / first.notes
        slower = last.analyze_sec / first.analyze_sec / growth
        larger = last.analyze_mb / first.analyze_mb / growth
        goals.append(at_most("time a note, longest to shortest", slower, SLOWDOWN))
        goals.append(at_most("memory a note, the same", larger, SLOWDOWN))
    return goals


def main(arguments: list[str]) -> int:
    """Run, print the tables, return 0 where every goal is met."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks speed")
    parser.add_argument("--notes", default="20000,60000,200000", help="long takes, by commas")
    parser.add_argument("--repeats", type=int, default=9)
    options = parser.parse_args(arguments)
    sizes = [int(size) for size in options.notes.split(",") if size]
    with tempfile.TemporaryDirectory() as directory:
        goals = short_take(options.repeats, Path(directory))
        if sizes:
            goals += long_takes(sizes, max(1, options.repeats // 3), Path(directory))
    return conclude(goals)
