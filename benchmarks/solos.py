"""Benchmark 1: simulated solos, note by note, against an oracle and two simple methods.

    python -m benchmarks solos [--takes N] [--tuning] [--without-oracle]
                              [--only METHODS] [--failures]

A note counts as right as `scoring` says. `vs oracle` is the share right over the oracle's,
beside the notes and takes it rests on; in brackets where those are fewer than ten takes,
which say nothing of it. The oracle is told where segments begin and end, not the written
rhythm (nor that a segment is one), and must give a segment one row: on written rhythms it
is no ceiling, and can be passed.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks.baselines import grid_per_beat, nearest_point
from benchmarks.goals import Goal, at_least, at_most, conclude
from benchmarks.material import REPORTING_SEED, TUNING_SEED, solo
from benchmarks.oracle import oracle
from benchmarks.scoring import score
from benchmarks.solo_failures import HEADING, failures
from improv import grid
from improv.model import Bools, Floats, Ints, Take
from improv.synth import Truth

Method = Callable[[Take, Truth], tuple[Ints, Floats]]
TAKES = 200
FEWEST_TAKES = 10
RIGHT_TO_ORACLE, RIGHT, FREE_F1, CLEAN_OFF = 0.96, 0.91, 0.89, 0.01
"""The goals: share right over the oracle's in every row, share right over 70 to 200 BPM and
6 to 25 ms, F1 of free-run notes, share of clean notes called off the grid."""
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

    take: Ints
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
            "take": np.full(size, seed),
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
    facts_of = [joined[k] for k in ("take", "tempo", "spread", "step", "row", "notated")]
    return Sheet(*facts_of, *by_name)


def _grid_step_ms(take: Take, truth: Truth) -> Floats:
    """Spacing of each note's true grid in ms; infinite in free runs."""
    meter = take.bars.meters[0]
    bar_ms = float(meter.bar_quarters) * float(take.tempo_map.quarter_sec[0]) * 1000.0
    counts = [len(grid.positions(s, meter)) or 1 for s in grid.SUBDIVISIONS]
    return np.where(truth.free, np.inf, bar_ms / np.array(counts)[truth.subdivision])


def rows_of(sheet: Sheet) -> dict[str, Bools]:
    """The rows of the table: which notes each is about."""
    free = sheet.row < 0
    tempo, spread = sheet.tempo_bpm, sheet.spread_ms
    rows = {
        "all": np.ones(len(sheet.row), dtype=np.bool_),
        "70-200 BPM, 6-25 ms": (tempo >= 70) & (tempo <= 200) & (spread >= 6) & (spread <= 25),
        "filled grids": ~free & ~sheet.notated,
        "written rhythms": sheet.notated,
        "free runs": free,
    }
    for low, high in TEMPO_BANDS:
        rows[f"{low}-{high} BPM"] = (tempo >= low) & (tempo < high)
    for start, stop in SPREAD_BANDS:
        rows[f"spread {start}-{stop:.0f} ms"] = (spread >= start) & (spread < stop)
    for number, subdivision in enumerate(grid.SUBDIVISIONS):
        rows[subdivision.key] = sheet.row == number
    return rows


def table(sheet: Sheet) -> str:
    """The whole benchmark as text."""
    lines = [_heading(list(sheet.right))]
    lines += [_row(label, here, sheet) for label, here in rows_of(sheet).items()]
    lines += ["", "position right, notes on a grid: " + _shares(sheet.placed, sheet.row >= 0)]
    lines += ["", _free_table(sheet)]
    return "\n".join(lines)


def _heading(names: list[str]) -> str:
    ratio = f"{'vs oracle':>10}" if {"improv", "oracle"} <= set(names) else ""
    heads = "".join(f"{n:>10}" for n in names)
    return f"{'share right':<22}{'notes':>7}{'takes':>7}{heads}{ratio}"


def _row(label: str, here: Bools, sheet: Sheet) -> str:
    shares = [f"{right[here].mean():.3f}" if here.any() else "-" for right in sheet.right.values()]
    text = f"{label:<22}{here.sum():>7}{_takes(sheet, here):>7}"
    text += "".join(f"{share:>10}" for share in shares)
    ratio = to_oracle(sheet, here)
    if ratio is None:
        return text
    few = _takes(sheet, here) < FEWEST_TAKES
    return text + (f"{f'({ratio:.3f})':>11}" if few else f"{ratio:>10.3f}")


def _takes(sheet: Sheet, here: Bools) -> int:
    return len(np.unique(sheet.take[here]))


def to_oracle(sheet: Sheet, here: Bools) -> float | None:
    """Share right over the oracle's; `None` without notes or without both methods."""
    if not {"improv", "oracle"} <= set(sheet.right) or not sheet.right["oracle"][here].any():
        return None
    return float(sheet.right["improv"][here].mean() / sheet.right["oracle"][here].mean())


def goals_of(sheet: Sheet) -> list[Goal]:
    """What improv should reach; nothing where it did not play, or too little did."""
    if "improv" not in sheet.right:
        return []
    rows = rows_of(sheet)
    ratios = {
        label: ratio
        for label, here in rows.items()
        if _takes(sheet, here) >= FEWEST_TAKES and (ratio := to_oracle(sheet, here)) is not None
    }
    goals = []
    if ratios:
        worst = min(ratios, key=lambda label: ratios[label])
        size = f"{worst}, {rows[worst].sum()} notes"
        goals.append(at_least(f"vs oracle: {size}", ratios[worst], RIGHT_TO_ORACLE))
    middle = rows["70-200 BPM, 6-25 ms"]
    if middle.any():
        right = float(sheet.right["improv"][middle].mean())
        goals.append(at_least("share right, 70-200 BPM, 6-25 ms", right, RIGHT))
    if (sheet.row < 0).any():
        goals.append(at_least("free-run notes, F1", _free_scores(sheet, "improv")[2], FREE_F1))
    return goals


def _shares(columns: dict[str, Bools], here: Bools) -> str:
    return ", ".join(f"{n} {values[here].mean():.3f}" for n, values in columns.items())


def _free_table(sheet: Sheet) -> str:
    """Free-run notes found."""
    lines = [f"{'off the grid':<22}{'precision':>10}{'recall':>10}{'F1':>10}"]
    for name in sheet.off:
        lines.append(f"{name:<22}" + "".join(f"{v:>10.3f}" for v in _free_scores(sheet, name)))
    return "\n".join(lines)


def _free_scores(sheet: Sheet, name: str) -> tuple[float, float, float]:
    """Precision, recall and F1 of the notes a method calls off the grid."""
    free, called = sheet.row < 0, sheet.off[name]
    hits = float((called & free).sum())
    precision, recall = hits / max(called.sum(), 1), hits / max(free.sum(), 1)
    return precision, recall, 2 * precision * recall / max(precision + recall, 1e-9)


def clean_shares(seeds: range, methods: dict[str, Method]) -> tuple[int, dict[str, float]]:
    """Notes of clean takes (small scatter, wide spacing, no free runs); shares called off grid."""
    sheet = collect(seeds, methods, spread_ms=(6.0, CLEAN_SPREAD_MS), free_runs=False)
    here = sheet.step_ms > CLEAN_STEP_MS
    return int(here.sum()), {n: float(called[here].mean()) for n, called in sheet.off.items()}


def main(arguments: list[str]) -> int:
    """Run the benchmark, print its tables and goals; the exit status."""
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
        return 0
    print(f"Simulated solos: {options.takes} takes, seeds {seeds.start} to {seeds.stop - 1}\n")
    sheet = collect(seeds, methods)
    print(table(sheet))
    goals = goals_of(sheet)
    clean = {n: m for n, m in methods.items() if n in ("improv", "oracle")}
    if clean:
        size, off = clean_shares(range(first, first + max(1, options.takes // 4)), clean)
        said = ", ".join(f"{n} {100 * share:.2f} %" for n, share in off.items())
        print(f"\nclean takes ({size} notes) called off the grid: {said}")
        if "improv" in off:
            goals.append(at_most("clean notes called off the grid", off["improv"], CLEAN_OFF))
    return conclude(goals)
