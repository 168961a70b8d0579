"""Benchmark 1: simulated solos, note by note, against an oracle and two simple methods.

    python -m benchmarks solos [--takes N] [--tuning] [--without-oracle]
                              [--only METHODS] [--failures]

A note counts as right as `scoring` says. `vs oracle` is the share right over the oracle's.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks.baselines import grid_per_beat, nearest_point
from benchmarks.material import REPORTING_SEED, TUNING_SEED, solo
from benchmarks.oracle import oracle
from benchmarks.scoring import score
from benchmarks.solo_failures import HEADING, failures
from improv import grid
from improv.model import Bools, Floats, Ints, Take
from improv.synth import Truth

Method = Callable[[Take, Truth], tuple[Ints, Floats]]
TAKES = 200
CLEAN_SPREAD_MS, CLEAN_STEP_MS = 12.0, 110.0
TEMPO_BANDS = ((60, 90), (90, 130), (130, 170), (170, 221))
SPREAD_BANDS = ((6, 10), (10, 15), (15, 20), (20, 25), (25, 30.1))


def ours(take: Take, truth: Truth) -> tuple[Ints, Floats]:
    """improv's own answer; it is not shown the truth."""
    from improv import Settings, analyze

    notes = analyze(take, Settings()).notes
    return notes.subdivision, notes.position_beat


METHODS: dict[str, Method] = {
    "improv": ours,
    "oracle": oracle,
    "per beat": lambda take, _: grid_per_beat(take),
    "nearest": lambda take, _: nearest_point(take),
}


@dataclass(frozen=True)
class Sheet:
    """Every main note of every take, one row each; `right`, `placed`, `off` by method name."""

    tempo_bpm: Floats
    spread_ms: Floats
    step_ms: Floats
    row: Ints
    notated: Bools
    right: dict[str, Bools]
    placed: dict[str, Bools]
    off: dict[str, Bools]


def collect(seeds: range, methods: dict[str, Method], **limits: object) -> Sheet:
    """Play and answer the solos of some seeds."""
    columns: dict[str, list[np.ndarray]] = {}
    for seed in seeds:
        take, truth = solo(seed, **limits)
        for name, method in methods.items():
            result = score(take, truth, *method(take, truth))
            for key in ("right", "placed", "called_free"):
                columns.setdefault(f"{key} {name}", []).append(getattr(result, key))
        rows, size = np.flatnonzero(truth.main), int(truth.main.sum())
        facts = {
            "tempo": np.full(size, take.tempo_bpm),
            "spread": np.full(size, truth.hand.spread_ms),
            "step": _grid_step_ms(take, truth)[rows],
            "row": truth.subdivision[rows],
            "notated": truth.notated[rows],
        }
        for key, values in facts.items():
            columns.setdefault(key, []).append(values)
    joined = {key: np.concatenate(parts) for key, parts in columns.items()}
    by_name = [{n: joined[f"{k} {n}"] for n in methods} for k in ("right", "placed", "called_free")]
    facts_of = [joined[k] for k in ("tempo", "spread", "step", "row", "notated")]
    return Sheet(*facts_of, *by_name)


def _grid_step_ms(take: Take, truth: Truth) -> Floats:
    """Spacing of each note's true grid in ms; infinite in free runs."""
    meter = take.bars.meters[0]
    bar_ms = float(meter.bar_quarters) * float(take.tempo_map.quarter_sec[0]) * 1000.0
    counts = [len(grid.positions(s, meter)) or 1 for s in grid.SUBDIVISIONS]
    return np.where(truth.free, np.inf, bar_ms / np.array(counts)[truth.subdivision])


def table(sheet: Sheet) -> str:
    """The whole benchmark as text."""
    names = list(sheet.right)
    everything = np.ones(len(sheet.row), dtype=np.bool_)
    free = sheet.row < 0
    middle = (
        (sheet.tempo_bpm >= 70) & (sheet.tempo_bpm <= 200)
        & (sheet.spread_ms >= 6) & (sheet.spread_ms <= 25)
    )  # fmt: skip
    lines = [_heading(names)]
    lines += [_row("all", everything, sheet), _row("70-200 BPM, 6-25 ms", middle, sheet)]
    lines += [_row("filled grids", ~free & ~sheet.notated, sheet)]
    lines += [_row("written rhythms", sheet.notated, sheet), _row("free runs", free, sheet)]
    for low, high in TEMPO_BANDS:
        here = (sheet.tempo_bpm >= low) & (sheet.tempo_bpm < high)
        lines.append(_row(f"{low}-{high} BPM", here, sheet))
    for start, stop in SPREAD_BANDS:
        here = (sheet.spread_ms >= start) & (sheet.spread_ms < stop)
        lines.append(_row(f"spread {start}-{stop:.0f} ms", here, sheet))
    for row, subdivision in enumerate(grid.SUBDIVISIONS):
        lines.append(_row(subdivision.key, sheet.row == row, sheet))
    lines += ["", "position right, notes on a grid: " + _shares(sheet.placed, ~free)]
    lines += ["", _free_table(sheet)]
    return "\n".join(lines)


def _heading(names: list[str]) -> str:
    ratio = f"{'vs oracle':>10}" if {"improv", "oracle"} <= set(names) else ""
    return f"{'share right':<22}{'notes':>7}" + "".join(f"{n:>10}" for n in names) + ratio


def _row(label: str, here: Bools, sheet: Sheet) -> str:
    shares = {n: right[here].mean() if here.any() else np.nan for n, right in sheet.right.items()}
    text = f"{label:<22}{here.sum():>7}" + "".join(f"{s:>10.3f}" for s in shares.values())
    if {"improv", "oracle"} <= set(shares):
        text += f"{shares['improv'] / shares['oracle']:>10.3f}"
    return text


def _shares(columns: dict[str, Bools], here: Bools) -> str:
    return ", ".join(f"{n} {values[here].mean():.3f}" for n, values in columns.items())


def _free_table(sheet: Sheet) -> str:
    """Free-run notes found, and clean notes called off the grid for nothing."""
    free = sheet.row < 0
    lines = [f"{'off the grid':<22}{'precision':>10}{'recall':>10}{'F1':>10}"]
    for name, called in sheet.off.items():
        hits = float((called & free).sum())
        precision, recall = hits / max(called.sum(), 1), hits / max(free.sum(), 1)
        f1 = 2 * precision * recall / max(precision + recall, 1e-9)
        lines.append(f"{name:<22}{precision:>10.3f}{recall:>10.3f}{f1:>10.3f}")
    return "\n".join(lines)


def clean_share(seeds: range, methods: dict[str, Method]) -> str:
    """Share called off the grid on clean takes: small scatter, wide spacing, no free runs."""
    sheet = collect(seeds, methods, spread_ms=(6.0, CLEAN_SPREAD_MS), free_runs=False)
    here = sheet.step_ms > CLEAN_STEP_MS
    return f"clean takes ({here.sum()} notes) called off the grid: " + ", ".join(
        f"{n} {100 * called[here].mean():.2f} %" for n, called in sheet.off.items()
    )


def main(arguments: list[str]) -> None:
    """Run the benchmark and print its tables."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks solos")
    parser.add_argument("--takes", type=int, default=TAKES)
    parser.add_argument("--tuning", action="store_true", help="seeds from 0, not from 100 000")
    parser.add_argument("--without-oracle", action="store_true")
    parser.add_argument("--only", help="methods, comma-separated")
    parser.add_argument("--failures", action="store_true", help="list what improv got wrong")
    options = parser.parse_args(arguments)
    names = options.only.split(",") if options.only else list(METHODS)
    methods = {n: METHODS[n] for n in names if not (options.without_oracle and n == "oracle")}
    first = TUNING_SEED if options.tuning else REPORTING_SEED
    seeds = range(first, first + options.takes)
    if options.failures:
        print("\n".join([HEADING, *failures(seeds)]))
        return
    print(f"Simulated solos: {options.takes} takes, seeds {seeds.start} to {seeds.stop - 1}\n")
    print(table(collect(seeds, methods)))
    quarter = range(first, first + max(1, options.takes // 4))
    print(clean_share(quarter, {n: m for n, m in methods.items() if n in ("improv", "oracle")}))
