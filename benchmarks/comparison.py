"""Benchmark of comparisons: do 95 % intervals cover, are false findings rare, what is found.

    python -m benchmarks comparison [--histories N] [--null N] [--map N] [--end-to-end N]

Histories are simulated at the level of note deviations (`histories`): memory, heavy tails,
phrases, takes and days that differ. Five tables:

1. Coverage of the nominal 95 % interval, per kind of comparison and measure, beside that
   of the plain percentile bootstrap over the same blocks (1 000 resamples), which is why
   the intervals are what they are.
2. The same of the off-grid share, by how many phrases are expected to leave it (`rare_shares`).
3. False findings over null histories: the share in which anything is called better.
4. Power: how often a spread really x times as wide is called better, by notes a side.
5. Map of safety: coverage of the ceiling's interval (`ceilings`).

Standard errors count whole histories: the subdivisions of one are not independent.

The last table runs whole takes through `synth` and `analyze` and compares those.
"""

from __future__ import annotations

import argparse
import math
import re
import time
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.ceilings import table as ceilings_table
from benchmarks.coverage import mark_of, standard_error
from benchmarks.goals import at_most, conclude
from benchmarks.histories import Player, Side, random_player, two_sides
from benchmarks.rare_shares import FEW
from benchmarks.rare_shares import table as rare_table
from improv.compare import BETTER, WORSE, Comparison, compare_over_time, compare_sets
from improv.contrasts import TOGETHER
from improv.material import Material, joined
from improv.measures import values

HISTORIES = 600
END_TO_END = 60
SEED = 100_000
KEYS = ("spread", "offset", "pocket", "off_grid", "drift")
FALSE_BETTER = 0.05
MEAN_RATE = 0.06
"""Share of phrases that leave the grid, over the players of `random_player`."""


@dataclass(frozen=True)
class Scenario:
    """One kind of comparison: the two sides, what of the player stands still, what is true."""

    name: str
    before: Side
    after: Side
    still: tuple[tuple[str, float], ...] = ()
    truth: tuple[tuple[str, float], ...] = ()
    measures: tuple[str, ...] = KEYS

    def player(self, rng: np.random.Generator) -> Player:
        """A random player, with what this comparison cannot see held still."""
        return replace(random_player(rng), **dict(self.still))


_TAKES = (("day_wander", 0.0), ("offset_wander_ms", 0.0))
_PHRASES = (*_TAKES, ("take_wander", 0.0))
SCENARIOS = (
    Scenario("days, 4 against 4", Side(4), Side(4)),
    Scenario("days, 8 against 8", Side(8, phrases=3), Side(8, phrases=3)),
    Scenario("days, 20 against 20", Side(20, phrases=3), Side(20, phrases=3)),
    Scenario("days, other tempo", Side(6, tempo_bpm=(85, 105)), Side(6, tempo_bpm=(100, 125)),
             measures=("spread", "offset", "drift")),
    Scenario("days, shorter phrases", Side(6), Side(6, notes=(6, 12)),
             measures=("spread", "offset", "drift")),
    Scenario("days, spread 0.8", Side(5), Side(5, spread_times=0.8),
             truth=(("spread", 0.8),), measures=("spread", "offset", "drift")),
    Scenario("days, 15 ms later", Side(5), Side(5, offset_more_ms=15.0),
             truth=(("offset", 15.0),)),
    Scenario("takes, 4 against 4", Side(1, 4), Side(1, 4), _TAKES),
    Scenario("two takes", Side(1, phrases=8), Side(1, phrases=8), _PHRASES),
    Scenario("over time, 10 days", Side(5), Side(5)),
    Scenario("two takes, one tempo", Side(1, phrases=8, tempo_bpm=(100, 100)),
             Side(1, phrases=8, tempo_bpm=(100, 100)), _PHRASES),
)  # fmt: skip


def main(arguments: list[str]) -> int:
    """Run the benchmark, print its tables and goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks comparison")
    parser.add_argument("--histories", type=int, default=HISTORIES)
    parser.add_argument("--null", type=int, default=1000, help="null histories for table 3")
    parser.add_argument("--map", type=int, default=1000, help="histories a row of table 5")
    parser.add_argument("--end-to-end", type=int, default=END_TO_END)
    options = parser.parse_args(arguments)
    print(f"Comparisons: {options.histories} histories a row, seeds from {SEED}")
    outside = {1: _shown(coverage_table(options.histories))}
    outside[2] = _shown(rare_table(10 * options.histories))
    text, most_better = null_table(options.null)
    _shown(text)
    _shown(power_table(max(options.histories // 4, 10)))
    outside[5] = _shown(ceilings_table(options.map))
    if options.end_to_end:
        _shown(end_to_end_table(options.end_to_end))
    return conclude(
        [at_most(f"table {n}: coverages outside 93 to 97 %", m, 0) for n, m in outside.items()]
        + [at_most("table 3: histories with a false 'better'", most_better, FALSE_BETTER)]
    )


def _shown(text: str) -> int:
    """Print a table; how many of its figures are marked as outside 93 to 97 %."""
    print("\n" + text, flush=True)
    return len(re.findall(r"\d!", text))


def compared(scenario: Scenario, seed: int) -> tuple[Comparison, Material, Material]:
    """One simulated history, compared."""
    rng = np.random.default_rng(seed)
    before, after = two_sides(scenario.player(rng), scenario.before, scenario.after, rng)
    if scenario.name.startswith("over time"):
        return compare_over_time(joined(before, after)), before, after
    return compare_sets(before, after), before, after


def coverage_table(histories: int) -> str:
    """Table 1."""
    lines = [
        "1. Coverage of nominal 95 % intervals, single subdivisions (last column: percentile",
        "   bootstrap of the spread over the same blocks). Outside 93 to 97 %: !; but ~ above",
        f"   97 % of the off-grid share where fewer than {FEW:g} phrases a side are expected to",
        "   leave the grid, too few for any interval (table 2)",
        f"{'':<24}" + "".join(f"{key:>10}" for key in KEYS) + f"{'bootstrap':>11}",
    ]
    worst = 0.0
    for number, scenario in enumerate(SCENARIOS):
        inside: dict[str, list[float]] = {key: [] for key in KEYS}
        plain: list[float] = []
        for i in range(histories):
            seed = SEED + number * 10_000 + i
            found, before, after = compared(scenario, seed)
            for key, covered in _covered(found, scenario).items():
                inside[key].append(covered)
            if not scenario.name.startswith("over") and "tempo" not in scenario.name:
                true = dict(scenario.truth).get("spread", 1.0)
                plain.append(float(_bootstrap_covers(before, after, found, true, seed)))
        plan = scenario.before
        few = plan.days * plan.takes * plan.phrases * MEAN_RATE < FEW
        cells = [
            _share(inside[key], bounded=True, few=few and key == "off_grid")
            if key in scenario.measures
            else "-"
            for key in KEYS
        ]
        worst = max([worst, *(standard_error(inside[key]) for key in scenario.measures)])
        row = "".join(f"{c:>10}" for c in cells)
        lines.append(f"{scenario.name:<24}{row}{_share(plain):>11}")
    return "\n".join([*lines, f"(largest standard error {100 * worst:.1f} %)"])


def _covered(found: Comparison, scenario: Scenario) -> dict[str, float]:
    """Per measure the share of a history's single subdivisions whose interval holds the truth."""
    inside: dict[str, list[bool]] = {}
    for f in found.findings:
        if f.low is None or f.high is None or f.subdivision == TOGETHER.name:
            continue
        key = f.measure.key
        true = dict(scenario.truth).get(key, 1.0 if f.measure.ratio else 0.0)
        inside.setdefault(key, []).append(f.low <= true <= f.high)
    return {key: float(np.mean(flags)) for key, flags in inside.items() if key in KEYS}


def _share(covered: list[float], bounded: bool = False, few: bool = False) -> str:
    if not covered:
        return "-"
    mean = float(np.mean(covered))
    return f"{100 * mean:.1f}{mark_of(mean, few) if bounded else ''}"


def block_means(material: Material, block: str, memory: float) -> np.ndarray:
    """Mean log spread of each block on the first subdivision."""
    here = np.flatnonzero(material.cells["subdivision"] == 0)
    found = values(material.cells[here], "spread", memory)
    take = material.take[here[found.rows]]
    phrase = material.phrase_block[here[found.rows]]
    group = {"day": material.day[take], "take": take, "phrase": phrase}[block]
    _, number = np.unique(group, return_inverse=True)
    return np.asarray(np.bincount(number, found.value) / np.bincount(number))


def _bootstrap_covers(
    before: Material, after: Material, found: Comparison, true: float, seed: int
) -> bool:
    """Whether the plain percentile bootstrap over the same blocks holds the truth."""
    rng = np.random.default_rng(seed)
    a, b = (block_means(m, found.block, found.memory) for m in (before, after))
    draws = [v[rng.integers(0, len(v), (1000, len(v)))].mean(axis=1) for v in (a, b)]
    low, high = np.quantile(draws[1] - draws[0], [0.025, 0.975])
    return bool(low <= math.log(true) <= high)


def null_table(histories: int) -> tuple[str, float]:
    """Table 3, and the largest share of null histories in which anything is called better."""
    lines = [
        f"3. False findings over {histories} null histories (any of up to 20 comparisons)",
        f"{'':<24}{'better':>10}{'worse':>10}{'any':>10}",
    ]
    most = 0.0
    for number in (0, 3, 7, 8, 9):
        scenario = SCENARIOS[number]
        flags = np.zeros(3)
        for i in range(histories):
            found = compared(scenario, SEED + 500_000 + number * 10_000 + i)[0]
            said = {f.verdict for f in found.findings}
            better, worse = BETTER in said, WORSE in said
            flags += (better, worse, found.clearest is not None)
        row = "".join(f"{100 * f / histories:>9.1f}%" for f in flags)
        lines.append(f"{scenario.name:<24}{row}")
        most = max(most, float(flags[0]) / histories)
    return "\n".join(lines), most


def power_table(histories: int) -> str:
    """Table 4."""
    ratios = (0.9, 0.8, 0.7, 0.6)
    lines = [
        "4. Power: a narrower spread called better on some subdivision or on all, by days a side",
        f"{'days':>5}{'notes':>8}" + "".join(f"{f'x{r}':>9}" for r in ratios),
    ]
    for days in (3, 5, 8, 12, 20):
        found_share, notes = [], 0
        for ratio in ratios:
            found = 0
            for i in range(histories):
                rng = np.random.default_rng(SEED + 800_000 + days * 1000 + i)
                player = random_player(rng)
                sides = two_sides(player, Side(days), Side(days, spread_times=ratio), rng)
                told = compare_sets(*sides)
                found += any(
                    f.verdict == BETTER and f.measure.key in ("spread", "pocket")
                    for f in told.findings
                )
                notes = int(sides[0].cells["on"].sum())
            found_share.append(found / histories)
        row = "".join(f"{100 * s:>8.0f}%" for s in found_share)
        lines.append(f"{days:>5}{notes:>8}{row}")
    return "\n".join(lines)


def end_to_end_table(histories: int) -> str:
    """Table 6: whole takes, synthesised and analyzed."""
    from benchmarks.played_histories import played_sides

    started = time.perf_counter()
    lines = [
        f"6. End to end, {histories} histories of 4 takes a side through synth and analyze",
        f"{'':<24}{'covered':>10}{'better':>10}{'worse':>10}",
    ]
    for name, ratio in (("null", 1.0), ("spread x 0.7", 0.7)):
        inside: list[float] = []
        better = worse = 0
        for i in range(histories):
            told = compare_sets(*played_sides(SEED + i, ratio))
            for f in told.findings:
                if f.measure.key == "spread" and f.low is not None and f.high is not None:
                    inside.append(float(f.low <= ratio <= f.high))
            better += any(f.verdict == BETTER for f in told.findings)
            worse += any(f.verdict == WORSE for f in told.findings)
        row = (
            f"{_share(inside):>10}{100 * better / histories:>9.0f}%{100 * worse / histories:>9.0f}%"
        )
        lines.append(f"{name:<24}{row}")
    lines.append(f"({time.perf_counter() - started:.0f} s)")
    return "\n".join(lines)
