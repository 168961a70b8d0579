"""Table 5 of `comparison`: the map of safety, does the interval of a tempo ceiling cover?

Players whose ceilings are known from their own making: one whose spread is what gives first
(six spreads wide as the interval between notes), one whose phrases leave the grid more often
the denser they are (four in five stay, exactly, at some interval). Of the latter there are two:
all subdivisions alike, which is the very middle of what the map's priors hold possible, and
each with a ceiling of its own, as far apart as those priors expect (12 %).

Eighths are never heard near their ceiling: what the map says there rests on the other
subdivisions and on how far the prior lets eighths differ from them. Its 95 % hold over players
who differ so; where none does, they hold more often.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks.coverage import mark_of, standard_error
from benchmarks.histories import KINDS, Side, random_player, side
from improv.material import Material
from improv.model import Floats
from improv.safety import safety_map

DAYS = (6, 12, 30)
SEED = 1_000_000
OWN_CEILING = 0.12
"""How far a subdivision's ceiling lies from the others', a standard deviation of logarithms."""
Made = tuple[Material, Floats]
"""The takes, and the interval between notes at the ceiling of each of `KINDS`."""


def table(histories: int) -> str:
    """Coverage over the subdivisions tried up to their ceilings, and of each."""
    heads = f"{'eighths':>9}{'triplets':>9}{'sixteenths':>11}"
    lines = [
        "5. Map of safety: coverage of the 95 % interval of the tempo ceiling; outside 93 to",
        "   97 %: !, but ~ above 97 % where the ceiling lies beyond every tempo tried; there the",
        "   interval has no upper end, and it is left out of the column `tried`",
        f"{'':<16}{'days':>5}{'tried':>7}{'s.e.':>5}{heads}{'s.e.':>5}{'bias':>7}{'half':>6}",
    ]
    kinds = (("spread", _loose), ("leaves the grid", _leaving), ("each its own", _leaving_apart))
    for number, (name, make) in enumerate(kinds):
        for days in DAYS:
            seed = SEED + 500_000 * number + days * 10_000
            lines.append(f"{name:<16}{days:>5}{_row(make, days, seed, histories)}")
    return "\n".join(lines)


def _loose(days: int, rng: np.random.Generator) -> Made:
    """A wide player and the interval that is six of their spreads."""
    floor = float(rng.uniform(18, 30))
    player = replace(random_player(rng), fumbles=0.0, off_grid=0.0, floor_ms=floor)
    material = side(player, Side(days, phrases=4, tempo_bpm=(60.0, 160.0)), rng)
    return material, np.full(len(KINDS), 6.0 * floor / math.sqrt(1.0 - 36.0 * player.share**2))


def _leaving(days: int, rng: np.random.Generator, apart: float = 0.0) -> Made:
    """A tight player whose phrases leave the grid, logistic in the logarithm of the interval."""
    player = replace(random_player(rng), floor_ms=6.0, off_grid=0.0)
    material = side(player, Side(days, phrases=4, tempo_bpm=(60.0, 160.0)), rng)
    where, slope = float(rng.uniform(125, 170)), float(rng.uniform(3, 8))
    cells = material.cells.copy()
    ceilings = where * np.exp(apart * rng.standard_normal(len(KINDS)) if apart else np.zeros(3))
    near = cells["interval_ms"].astype(np.float64) / ceilings[cells["subdivision"]]
    gone = rng.random(len(cells)) > 1.0 / (1.0 + 0.25 * near**-slope)
    cells["off"][gone] = cells["on"][gone]
    cells["on"][gone] = 0
    return replace(material, cells=cells), ceilings


def _leaving_apart(days: int, rng: np.random.Generator) -> Made:
    """The same, each subdivision with a ceiling of its own."""
    return _leaving(days, rng, OWN_CEILING)


def _row(
    make: Callable[[int, np.random.Generator], Made], days: int, seed: int, histories: int
) -> str:
    inside, bias, half = [], [], []
    single: dict[str, list[float]] = {kind.name: [] for kind in KINDS}
    beyond: dict[str, list[bool]] = {kind.name: [] for kind in KINDS}
    steps = {kind.name: i for i, kind in enumerate(KINDS)}
    for i in range(histories):
        material, ceilings = make(days, np.random.default_rng(seed + i))
        found = safety_map(material)
        reached = []
        for c in found.ceilings if found else ():
            true = 60_000.0 / (float(ceilings[steps[c.subdivision]]) * c.per_beat)
            low, high = c.low_bpm or 0.0, c.high_bpm or math.inf
            single[c.subdivision].append(float(low <= true <= high))
            beyond[c.subdivision].append(true > c.tried_bpm[1])
            if not beyond[c.subdivision][-1]:
                reached.append(single[c.subdivision][-1])
            if c.tempo_bpm:
                bias.append(math.log(c.tempo_bpm / true))
                half.append(math.log(high / max(low, 30.0)) / 2)
        if reached:
            inside.append(float(np.mean(reached)))
    cells = [_marked(float(np.mean(single[k])), bool(np.mean(beyond[k]) > 0.5)) for k in single]
    worst = max(standard_error(flags) for flags in single.values())
    return (
        f"{_marked(float(np.mean(inside))):>7}{100 * standard_error(inside):>5.1f}"
        + "".join(f"{cell:>{width}}" for cell, width in zip(cells, (9, 9, 11), strict=True))
        + f"{100 * worst:>5.1f}{100 * np.mean(bias):>6.1f}%{100 * np.median(half):>5.0f}%"
    )


def _marked(share: float, beyond: bool = False) -> str:
    return f"{100 * share:.1f}{mark_of(share, beyond)}"
