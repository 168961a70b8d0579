"""Table 5 of `comparison`: the map of safety, does the interval of a tempo ceiling cover?

Two kinds of player, each with a ceiling known from their own making: one whose spread is
what gives first (six spreads wide as the interval between notes), one whose phrases leave the
grid more often the denser they are (four in five stay, exactly, at some interval).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks.histories import Side, random_player, side
from improv.material import Material
from improv.safety import safety_map

DAYS = (6, 12, 30)
SEED = 1_000_000
LOW, HIGH = 0.93, 0.97
Made = tuple[Material, float]


def table(histories: int) -> str:
    """Coverage over all subdivisions, and of the one least covered."""
    lines = [
        "5. Map of safety: coverage of the 95 % interval of the tempo ceiling, of all",
        "   subdivisions and of the one least covered; outside 93 to 97 %: !",
        f"{'':<17}{'days':>5}{'coverage':>10}{'s.e.':>7}{'least':>8}{'bias':>8}{'half-width':>12}",
    ]
    for number, (name, make) in enumerate((("spread", _loose), ("leaves the grid", _leaving))):
        for days in DAYS:
            seed = SEED + 500_000 * number + days * 10_000
            lines.append(f"{name:<17}{days:>5}{_row(make, days, seed, histories)}")
    return "\n".join(lines)


def _loose(days: int, rng: np.random.Generator) -> Made:
    """A wide player and the interval that is six of their spreads."""
    floor = float(rng.uniform(18, 30))
    player = replace(random_player(rng), fumbles=0.0, off_grid=0.0, floor_ms=floor)
    material = side(player, Side(days, phrases=4, tempo_bpm=(60.0, 160.0)), rng)
    return material, 6.0 * floor / math.sqrt(1.0 - 36.0 * player.share**2)


def _leaving(days: int, rng: np.random.Generator) -> Made:
    """A tight player whose phrases leave the grid, logistic in the logarithm of the interval."""
    player = replace(random_player(rng), floor_ms=6.0, off_grid=0.0)
    material = side(player, Side(days, phrases=4, tempo_bpm=(60.0, 160.0)), rng)
    where, slope = float(rng.uniform(125, 170)), float(rng.uniform(3, 8))
    cells = material.cells.copy()
    stays = 1.0 / (1.0 + 0.25 * (cells["interval_ms"].astype(np.float64) / where) ** -slope)
    gone = rng.random(len(cells)) > stays
    cells["off"][gone] = cells["on"][gone]
    cells["on"][gone] = 0
    return replace(material, cells=cells), where


def _row(
    make: Callable[[int, np.random.Generator], Made], days: int, seed: int, histories: int
) -> str:
    inside, bias, width = [], [], []
    single: dict[str, list[float]] = {}
    for i in range(histories):
        material, step = make(days, np.random.default_rng(seed + i))
        found = safety_map(material)
        here = []
        for c in found.ceilings if found else ():
            true = 60_000.0 / (step * c.per_beat)
            low, high = c.low_bpm or 0.0, c.high_bpm or math.inf
            here.append(float(low <= true <= high))
            single.setdefault(c.subdivision, []).append(here[-1])
            if c.tempo_bpm:
                bias.append(math.log(c.tempo_bpm / true))
                width.append(math.log(high / max(low, 30.0)) / 2)
        inside.append(float(np.mean(here)))
    error = float(np.std(inside)) / math.sqrt(histories)
    least = min(float(np.mean(flags)) for flags in single.values())
    return (
        f"{_marked(float(np.mean(inside))):>10}{100 * error:>6.1f}%{_marked(least):>8}"
        f"{100 * np.mean(bias):>7.1f}%{100 * np.median(width):>11.0f}%"
    )


def _marked(share: float) -> str:
    return f"{100 * share:.1f}" + ("" if LOW <= share <= HIGH else "!")
