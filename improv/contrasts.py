"""One contrast: a measure on one subdivision, before against after, at equal tempo.

The unit of chance is the block (see `compare`). Cells are averaged within their block, by
their working variances; the blocks go through one robust regression on their place between
before (0) and after (1) and, where tempi differ, on the interval between notes, whose slope
has a prior. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.cells import Cells, Kind
from improv.chance import Estimate, Prior, robust_line
from improv.measures import MEASURES, Measure, Values, values
from improv.model import Floats, Ints
from improv.rare import Phrases, share_change

FEWEST_DAYS = 3
FEWEST_TAKES = 3
FEWEST_PHRASES = 3
FEWEST_OVER_TIME = 5
FEWEST_NOTES = 24
"""Notes a side needs on a subdivision before anything is said of it."""
SAME_TEMPO = 0.02
"""Sets whose mean interval differs by less are played at one tempo (below hearing: Drake &
Botte 1993 have 1.5 to 3 %)."""
LEAST_ERROR = 0.1
TOGETHER = Kind("all subdivisions", 0.0, False)
"""Stands for every subdivision at once, where more than one can be compared."""


@dataclass(frozen=True, eq=False)
class Design:
    """Who belongs where: per cell its block and its place between before (0) and after (1)."""

    block: Ints
    where: Floats
    kind: str
    over_time: bool


@dataclass(frozen=True, eq=False)
class Draft:
    """A finding before it is judged beside the others."""

    kind: Kind
    measure: Measure
    notes: tuple[int, int]
    blocks: tuple[int, int]
    estimate: Estimate | None
    before: float | None
    after: float | None


def draft(
    found: Values,
    here: Ints,
    cells: Cells,
    design: Design,
    measure: Measure,
    kind: Kind,
    shift: Floats | None = None,
) -> Draft:
    """One finding's estimate; `shift` is the place within each subdivision, where centred."""
    rows = here[found.rows]
    where = design.where[rows]
    weight = 1.0 / (measure.wander**2 + found.variance)
    blocks, number = np.unique(design.block[rows], return_inverse=True)
    total = np.bincount(number, weight, len(blocks))

    def mean(of: Floats) -> Floats:
        return np.asarray(np.bincount(number, weight * of, len(blocks)) / total)

    y, place = mean(found.value), mean(where)
    moved = place if shift is None else mean(shift)
    step = mean(_log_step(cells[rows], weight, shift is not None))
    # Blocks differ among themselves by about half of what phrases do.
    variance = (0.5 * measure.wander) ** 2 + 1.0 / total
    early = where < 0.5
    notes = (int(found.notes[early].sum()), int(found.notes[~early].sum()))
    sides = (int((place < 0.5).sum()), int((place >= 0.5).sum()))
    enough = min(notes) >= FEWEST_NOTES and _enough_blocks(sides, design)
    if not enough:
        half = tuple(_average(found.value[m], weight[m]) for m in (early, ~early))
        return Draft(kind, measure, notes, sides, None, half[0], half[1])
    phrases = Phrases(found.value, number) if measure.key == "off_grid" else None
    estimate = contrast(y, moved, step, variance, measure, phrases)
    half = tuple(_average(y[m], 1.0 / variance[m]) for m in (place < 0.5, place >= 0.5))
    return Draft(kind, measure, notes, sides, estimate, half[0], half[1])


def together(cells: Cells, design: Design, memory: float, tolerance_ms: float) -> list[Draft]:
    """The same over all subdivisions at once, each measured from its own mean.

    Taking every subdivision's mean out of value, place and interval alike leaves a common
    change as it is (Frisch & Waugh 1933), whatever the mixture before and after.
    """
    every = np.arange(len(cells))
    drafts = []
    for measure in MEASURES:
        if measure.key == "swing":
            continue
        found = values(cells, measure.key, memory, tolerance_ms)
        kind = cells["subdivision"][found.rows].astype(np.int64)
        if measure.key == "off_grid":  # a run off the grid says little about which it was meant on
            kind = np.zeros_like(kind)
        weight = 1.0 / (measure.wander**2 + found.variance)
        total = np.maximum(np.bincount(kind, weight), 1e-12)
        centred = found.value - (np.bincount(kind, weight * found.value) / total)[kind]
        grand = float(weight @ found.value / weight.sum()) if len(weight) else 0.0
        level = Values(found.rows, centred + grand, found.variance, found.notes)
        place = design.where[found.rows]
        shift = place - (np.bincount(kind, weight * place) / total)[kind]
        drafts.append(draft(level, every, cells, design, measure, TOGETHER, shift))
    return drafts


def _enough_blocks(sides: tuple[int, int], design: Design) -> bool:
    if design.over_time:
        return sum(sides) >= FEWEST_OVER_TIME
    fewest = {"day": FEWEST_DAYS, "take": FEWEST_TAKES, "phrase": FEWEST_PHRASES}[design.kind]
    return min(sides) >= fewest


def _log_step(cells: Cells, weight: Floats, centred: bool) -> Floats:
    """Natural logarithm of the interval between notes; `centred` within each subdivision."""
    step = np.log(cells["interval_ms"].astype(np.float64))
    if not centred:
        return np.asarray(step)
    kind = cells["subdivision"].astype(np.int64)
    total = np.maximum(np.bincount(kind, weight), 1e-12)
    return np.asarray(step - (np.bincount(kind, weight * step) / total)[kind])


def _average(value: Floats, weight: Floats) -> float | None:
    return float(weight @ value / weight.sum()) if len(value) else None


def contrast(
    y: Floats,
    place: Floats,
    step: Floats,
    variance: Floats,
    measure: Measure,
    phrases: Phrases | None = None,
) -> Estimate | None:
    """The change from place 0 to place 1, at equal tempo; that of a rare share by `phrases`.

    Copies of one take under several days agree to the last digit, which is no evidence:
    the standard error is at least `LEAST_ERROR` of what the working variances expect.
    """
    plain = np.column_stack([np.ones_like(y), place])
    columns, prior = plain, None
    if step.max() - step.min() >= SAME_TEMPO:
        columns = np.column_stack([plain, step - step.mean()])
        prior = Prior(2, *measure.slope)
    if phrases is not None:
        return share_change(phrases, y, columns, variance, prior)
    found = robust_line(y, columns, variance, 1, prior)
    if found is None:
        return None
    expected = np.linalg.inv((plain / variance[:, None]).T @ plain)[1, 1]
    return Estimate(found.value, max(found.se, LEAST_ERROR * math.sqrt(expected)), found.df)
