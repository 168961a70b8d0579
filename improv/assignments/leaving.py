"""How every event stands to the grid that was asked for: its chance of leaving it.

A note is judged by the *position it used*, not by the name of its subdivision: an
eighth-note line called sixteenths leaves no eighth position, and long and short at 2 : 1 are
on triplets whatever they were called. How sure that is comes from two sides: the analysis's
own confidence, and the distance from the nearest position that was allowed against the
player's spread, under a hand that fumbles now and then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.evidence import SAME_QUARTER, Evidence
from improv.frame import FUMBLE_WIDTH, FUMBLED
from improv.grid import SUBDIVISIONS, find, positions, straight_twin
from improv.meter import Meter
from improv.model import Bools, Floats
from improv.runs import FEWEST_FREE

LOGIT_LIMIT = 3.5
PRIOR_LOGIT = -2.0
"""Before looking, a note is about one time in eight outside (our choice)."""
MOST_SURE_OF_ORNAMENT = 0.8
DOUBTED_FROM = 0.4
"""The chance of leaving the grid from which a note is in doubt."""
UNCLEAR_CHANCE = 0.5
"""The chance that a note leaves the grid where its place cannot tell."""
NEAR_STEP, AWAY_STEP, AWAY_SPREADS = 0.1, 0.2, 2.0
"""How far from the triplet, as a share of the grid's step, the second notes of swung pairs are on
it (within a spread they are, too), and beyond what they are elsewhere, if further than so many
spreads, too: of triplets 1.75 to 2.3 : 1, and below 1.5 or above 2.75 : 1 (our choice)."""


def asked_grid(asked: tuple[str, ...], meter: Meter, meters: tuple[Meter, ...]) -> Floats:
    """Every position of a bar the named subdivisions offer, with the closing bar line."""
    found = {float(meter.bar_quarters), 0.0}
    for text in asked:
        row = SUBDIVISIONS[straight_twin(find(text, meters))]
        found |= {float(p) for p in positions(row, meter)}
    return np.array(sorted(found))


@dataclass(frozen=True, eq=False)
class Leaving:
    """Per event: the chance that it leaves the asked grid, and its deviation from that grid.

    `inside` says whether the called position lies on the grid, `step_ms` the grid's mean step;
    `own_time` which notes are off the grid by the time alone (`own_time` fills it in).
    """

    chance: Floats
    inside: Bools
    deviation_ms: Floats
    step_ms: Floats
    own_time: Bools


def leaving(seen: Evidence, asked: tuple[str, ...], meters: tuple[Meter, ...]) -> Leaving:
    """How every event stands to the grid of the `asked` subdivisions."""
    used = as_swung_pairs(seen) if pairs_may_swing(asked, meters) else seen.straight_quarter
    inside = np.zeros(len(seen), dtype=np.bool_)
    deviation, step_ms = np.zeros(len(seen)), np.ones(len(seen))
    third = _third_of_pair(seen)
    thirds = np.zeros(len(seen), dtype=np.bool_)
    for m, meter in enumerate(seen.bars.meters):
        here = np.flatnonzero(seen.meter == m)
        if not len(here):
            continue
        grid = asked_grid(asked, meter, meters)
        into = used[here] - seen.bar_start[here]
        inside[here] = _on(grid, into)
        thirds[here] = ~inside[here] & _on(grid, third[here] - seen.bar_start[here])
        raw = seen.onset_quarter[here] - seen.bar_start[here]
        raw -= seen.lean_ms[here] / seen.quarter_ms[here]
        deviation[here] = (raw - _nearest(grid, raw)) * seen.quarter_ms[here]
        step_ms[here] = grid[-1] / (len(grid) - 1) * seen.quarter_ms[here]
    own = seen.deviation_ms - seen.lean_ms
    deviation = np.where(inside, np.where(np.isnan(own), deviation, own), deviation)
    kept, unclear = _keep_thirds(seen, thirds, third, step_ms)
    inside |= kept
    chance = _chance(seen, inside, deviation, step_ms)
    chance = np.where(unclear, UNCLEAR_CHANCE, chance)
    chance = np.where(seen.ornament, np.minimum(chance, MOST_SURE_OF_ORNAMENT), chance)
    return Leaving(chance, inside, deviation, step_ms, np.zeros(len(seen), dtype=np.bool_))


def _on(grid: Floats, at: Floats) -> Bools:
    """Which places are positions of the grid; none of the NaN ones is."""
    return np.asarray(np.abs(at - _nearest(grid, at)) < 10 * SAME_QUARTER)


def _nearest(grid: Floats, at: Floats) -> Floats:
    """The grid position nearest to each place; NaN places stay NaN."""
    edges = (grid[1:] + grid[:-1]) / 2
    found = grid[np.clip(np.searchsorted(edges, np.nan_to_num(at)), 0, len(grid) - 1)]
    return np.where(np.isnan(at), np.nan, found)


def _chance(seen: Evidence, inside: Bools, deviation: Floats, step_ms: Floats) -> Floats:
    """Chance of being outside: the analysis's confidence and the distance, together."""
    sure = np.clip(seen.confidence, 1e-3, 1 - 1e-3)
    logit = np.log(sure / (1 - sure))
    said = np.where(inside, -logit, np.maximum(logit, 0.0))
    said[_stray(seen.row < 0)] = 0.0
    near = (1 - FUMBLED) * _normal(deviation, seen.spread_ms)
    near += FUMBLED * _normal(deviation, FUMBLE_WIDTH * seen.spread_ms)
    far = -np.log(np.maximum(near * step_ms, 1e-300))
    total = np.clip(said, -LOGIT_LIMIT, LOGIT_LIMIT) + far + PRIOR_LOGIT
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(total, -50, 50))))


def _stray(is_free: Bools) -> Bools:
    """Notes off the grid in stretches too short for a run: fumbles, as far as anyone can tell."""
    edges = np.flatnonzero(np.diff(is_free, prepend=False, append=False))
    found = np.zeros(len(is_free), dtype=np.bool_)
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        found[start:stop] = stop - start < FEWEST_FREE
    return found


def _normal(value: Floats, spread: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * (value / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))


# --- swung pairs ------------------------------------------------------------


def _third_of_pair(seen: Evidence) -> Floats:
    """Where the second note of a swung pair lies at 2 : 1; NaN for every other note."""
    out = np.full(len(seen), np.nan)
    for r in np.unique(seen.row[seen.on_grid]).tolist():
        for m, meter in enumerate(seen.bars.meters):
            here = (seen.row == r) & (seen.meter == m)
            grid = positions(SUBDIVISIONS[r], meter)
            if not SUBDIVISIONS[r].swung or not here.any() or len(grid) < 2:
                continue
            half = float(grid[1] - grid[0])
            number = np.round((seen.straight_quarter - seen.bar_start)[here] / half)
            out[here] = np.where(number % 2 == 1, seen.straight_quarter[here] + half / 3, np.nan)
    return out


def _keep_thirds(
    seen: Evidence, thirds: Bools, third: Floats, step_ms: Floats
) -> tuple[Bools, Bools]:
    """Of the second notes in `thirds`: those on the third, and those too near to tell.

    A phrase's pairs on one subdivision are measured together: a ratio is a habit, and any one
    note strays.
    """
    kept, unclear = (np.zeros(len(seen), dtype=np.bool_) for _ in range(2))
    away_ms = (seen.onset_quarter - third) * seen.quarter_ms - seen.lean_ms
    key = seen.phrase * len(SUBDIVISIONS) + seen.row
    for k in np.unique(key[thirds]).tolist():
        here = np.flatnonzero(thirds & (key == k))
        away, spread = abs(float(np.median(away_ms[here]))), float(seen.spread_ms[here].mean())
        step = float(step_ms[here].mean())
        if away <= max(spread, NEAR_STEP * step):
            kept[here] = True
        elif away <= max(AWAY_SPREADS * spread, AWAY_STEP * step):
            unclear[here] = True
    return kept, unclear


def pairs_may_swing(asked: tuple[str, ...], meters: tuple[Meter, ...]) -> bool:
    """Whether the asked grid holds eighths (of 4/4) but not the triplets that sound like swing."""
    keys = {SUBDIVISIONS[find(text, meters)].key for text in asked}
    return bool(keys & {"unit", "swung-unit"}) and not keys & {"triplet", "sextuplet"}


def as_swung_pairs(seen: Evidence) -> Floats:
    """Positions with the last of three moved to the half of its beat where no second is played.

    A beat of long and short is swung eighths, whatever the analysis called it.
    """
    used = seen.straight_quarter.copy()
    simple = np.array([m.kind == "simple" for m in seen.bars.meters])[seen.meter]
    beat_quarter = seen.bars.tempo_beat_quarter[seen.meter]
    into = np.where(np.isnan(used), -1.0, (used - seen.bar_start) / beat_quarter)
    beat = np.floor(into + SAME_QUARTER)
    share = into - beat
    key = np.where(simple & (into >= 0), seen.bar * 1000 + beat.astype(np.int64), -1)
    inner = (share > SAME_QUARTER * 10) & (key >= 0)
    others = {int(k) for k in key[inner & (np.abs(share - 2 / 3) > 0.01)]}
    alone = inner & (np.abs(share - 2 / 3) <= 0.01)
    alone &= np.array([int(k) not in others for k in key], dtype=np.bool_)
    used[alone] = (seen.bar_start + (beat + 0.5) * beat_quarter)[alone]
    return used
