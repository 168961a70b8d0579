"""Benchmark of the log's size and speed: ten thousand takes.

    python -m benchmarks log_size [--takes N]

Fills a log with `--takes` takes (20 different ones, their bytes made different, spread over
three years, one player in four), then times what a person waits for: in this process, and
the whole command from a cold start. Adding is set against analyzing the same take.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from statistics import median

from benchmarks.goals import at_most, conclude
from improv.analysis import analyze
from improv.compare import compare_over_time
from improv.log.entries import About, Entry, Filter
from improv.log.refresh import read_entry
from improv.log.store import Log
from improv.midi import read_take, write_take
from improv.model import Reading, Settings
from improv.safety import safety_map
from improv.synth import Hand, Line, Rest, Stretch, play

TAKES = 10_000
DIFFERENT = 20
BATCH = 200
LONGEST_SEC = 1.0
PLAYERS = ("Ana", "Ben", "Chris", "Dora")


def main(arguments: list[str]) -> int:
    """Fill a log, time it, print the table and the goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks log_size")
    parser.add_argument("--takes", type=int, default=TAKES)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.db"
        entries = _entries(Path(folder))
        _fill(path, entries, options.takes)
        megabytes = path.stat().st_size / 2**20
        print(f"A log of {options.takes} takes, {megabytes:.0f} MB\n")
        print("seconds on the clock, in brackets of the processor\n")
        print(f"{'':<32}{'in process':>16}{'command':>16}")
        ana = Filter(player="Ana")
        with Log.open(path, writing=False) as log:
            rows: tuple[tuple[str, Callable[[], object], list[str]], ...] = (
                ("list everything", log.rows, ["log", "list"]),
                ("list one player", lambda: log.rows(ana), ["log", "list", "--player", "Ana"]),
                ("compare one player over time",
                 lambda: compare_over_time(log.material(ana)), ["compare", "--player", "Ana"]),
                ("compare everything over time",
                 lambda: compare_over_time(log.material()), []),
                ("map of safety, one player",
                 lambda: safety_map(log.material(ana)), ["safety", "--player", "Ana"]),
            )  # fmt: skip
            slowest_sec = 0.0
            for name, call, command in rows:
                warm = _timed(call)
                cold = _command(command, path) if command else None
                print(f"{name:<32}{_seconds(warm):>16}{_seconds(cold):>16}")
                if not name.startswith("map"):
                    slowest_sec = max(slowest_sec, (cold or warm)[0])
        alone_ms, kept_ms = _adding(Path(folder), path)
    print(f"\none take: analyzing {alone_ms:.0f} ms, keeping it on top of that {kept_ms:.0f} ms")
    return conclude(
        (
            at_most("list and compare, the slowest", slowest_sec, LONGEST_SEC, "s"),
            at_most("keeping a take, in times of analyzing it", kept_ms / alone_ms, 1.0),
        )
    )


def _entries(folder: Path) -> list[Entry]:
    found = []
    for seed in range(DIFFERENT):
        pieces: list[Stretch | Rest] = []
        for _ in range(4):
            pieces += [Stretch("eighths", 8), Rest(4), Stretch("sixteenths", 8), Rest(4)]
        line = Line(tuple(pieces), tempo_bpm=float(80 + 2 * seed))
        take, _ = play(line, Hand(spread_ms=14, spread_wander=0.2, offset_wander_ms=4), seed=seed)
        path = folder / f"{seed}.mid"
        write_take(take, path)
        found.append(read_entry(path, Reading(start_sec=1.0), Settings(), About())[0])
    return found


def _fill(path: Path, entries: list[Entry], takes: int) -> None:
    first = date(2023, 1, 1)
    with Log.open(path, create=True) as log:
        for start in range(0, takes, BATCH):
            log.add_many(
                [
                    replace(
                        entries[i % DIFFERENT],
                        midi=entries[i % DIFFERENT].midi + f"{i:08d}".encode(),
                        about=About(
                            PLAYERS[i % len(PLAYERS)], f"Tune {i % 12}",
                            (first + timedelta(days=i * 1095 // takes)).isoformat(), ("class",),
                        ),
                    )
                    for i in range(start, min(start + BATCH, takes))
                ]
            )  # fmt: skip


def _processor_sec() -> float:
    """Processor time of this process and of the commands it has run."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def _seconds(timing: tuple[float, float] | None) -> str:
    """`0.12 (0.11)`: on the clock, of the processor."""
    return "-" if timing is None else f"{timing[0]:.2f} ({timing[1]:.2f})"


def _timed(call: Callable[[], object], times: int = 3) -> tuple[float, float]:
    """The quickest of some calls: seconds on the clock, and of the processor."""
    taken = []
    for _ in range(times):
        started, used = time.perf_counter(), _processor_sec()
        call()
        taken.append((time.perf_counter() - started, _processor_sec() - used))
    return min(taken)


def _command(words: list[str], path: Path) -> tuple[float, float]:
    call = [sys.executable, "-m", "improv", *words, "--log", str(path)]

    def run() -> None:
        subprocess.run(call, stdout=subprocess.DEVNULL, check=True, env={**os.environ})

    return _timed(run)


def _adding(folder: Path, path: Path) -> tuple[float, float]:
    """Analyzing alone, and keeping in the full log on top of it, on the same takes: ms a take."""
    alone, kept = [], []
    with Log.open(path) as log:
        for number in range(12):
            source = folder / f"{number}.mid"
            reading = Reading(start_sec=1.0, channel=1)
            started = time.perf_counter()
            analyze(read_take(source, reading), Settings())
            alone.append(time.perf_counter() - started)
            entry, _ = read_entry(source, reading, Settings(), About("Ana"))
            started = time.perf_counter()
            log.add(replace(entry, midi=entry.midi + b"more"))
            kept.append(time.perf_counter() - started)
    return 1000 * median(alone), 1000 * median(kept)
