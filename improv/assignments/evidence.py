"""An `Analysis` as arrays per event, with every event's chance of leaving what was asked.

Conventions
-----------
One row per rhythmic event (a chord is one, an ornament none), in time order. Positions are
quarter notes; `straight_quarter` is the place on the straight grid of the called
subdivision, so that a swung eighth stands at the half of its beat. `lean_ms` is the
part of a deviation that belongs to the whole phrase: its offset and its drift.

A note is judged by the *position it used*, not by the name of its subdivision: an
eighth-note line called sixteenths leaves no eighth position. How sure that is comes from
two sides: the analysis's own confidence, and the distance from the nearest position that
was allowed against the player's spread, under a hand that fumbles now and then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.frame import FUMBLE_WIDTH, FUMBLED
from improv.grid import SUBDIVISIONS, find, positions, straight_twin
from improv.meter import Meter
from improv.model import Analysis, Bars, Bools, Floats, Ints
from improv.runs import FEWEST_FREE
from improv.stats import SURE_ERRORS
from improv.tempo import bar_index, quarter_sec_at, quarters_at

FEWEST_FOR_LEAN = 8
LEAST_SPREAD_MS = 6.0
LOGIT_LIMIT = 3.5
PRIOR_LOGIT = -2.0
"""Before looking, a note is about one time in eight outside (our choice)."""
SAME_QUARTER = 1e-4
LONGEST_ORNAMENT_SEC, LEAST_BEFORE, ORNAMENT_CONTRAST = 0.08, 1.2, 1.6
MOST_SURE_OF_ORNAMENT = 0.8


@dataclass(frozen=True, eq=False)
class Evidence:
    """A take's events as they are judged; see the module's conventions."""

    onset_sec: Floats
    onset_quarter: Floats
    quarter_ms: Floats
    bar: Ints
    bar_start: Floats
    meter: Ints
    count: tuple[str, ...]
    phrase: Ints
    row: Ints
    names: tuple[str | None, ...]
    per_beat: Floats
    straight_quarter: Floats
    deviation_ms: Floats
    lean_ms: Floats
    confidence: Floats
    ornament: Bools
    spread_ms: Floats
    bars: Bars

    def __len__(self) -> int:
        return len(self.onset_sec)

    @property
    def on_grid(self) -> Bools:
        """Events that have a grid."""
        return self.row >= 0

    @property
    def untimed(self) -> Bools:
        """Events on a grid whose timing is not known: strokes cut to the start of a recording."""
        return self.on_grid & np.isnan(self.deviation_ms)

    def meter_of(self, event: int) -> Meter:
        """The meter of an event's bar."""
        return self.bars.meters[int(self.meter[event])]


def evidence(analysis: Analysis) -> Evidence:
    """The events of an analysis, ready to be judged."""
    notes, take = analysis.notes, analysis.take
    plain = np.flatnonzero(~notes.grace)
    _, first = np.unique(notes.event[plain], return_index=True)
    rows = plain[first]
    onset_quarter = quarters_at(take.tempo_map, notes.onset_sec[rows])
    quarter_ms = 1000.0 * quarter_sec_at(take.tempo_map, onset_quarter)
    deviation = notes.deviation_ms[rows]
    place = onset_quarter - np.where(np.isnan(deviation), 0.0, deviation / quarter_ms)
    index = bar_index(take.bars, place + SAME_QUARTER)
    bar_start = take.bars.start_quarter[index]
    row = notes.subdivision[rows]
    return Evidence(
        onset_sec=notes.onset_sec[rows],
        onset_quarter=onset_quarter,
        quarter_ms=quarter_ms,
        bar=take.bars.number[index],
        bar_start=bar_start,
        meter=take.bars.meter[index],
        count=tuple(notes.count[int(i)] for i in rows),
        phrase=notes.phrase[rows],
        row=row,
        names=tuple(notes.subdivision_name[int(i)] for i in rows),
        per_beat=notes.per_beat[rows],
        straight_quarter=bar_start + _straight(place - bar_start, row, take.bars, index),
        deviation_ms=deviation,
        lean_ms=_lean(analysis, notes.phrase[rows], notes.onset_sec[rows], deviation),
        confidence=notes.confidence[rows],
        ornament=_ornaments(notes.onset_sec[rows]),
        spread_ms=np.full(len(rows), max(analysis.spread_ms or 0.0, LEAST_SPREAD_MS)),
        bars=take.bars,
    )


def _ornaments(onset_sec: Floats) -> Bools:
    """Notes that look like ornaments although the analysis has not called them so.

    A short note just before another, with longer steps before and after the two: it may be
    a grace note (they last about as long at any tempo: Timmers et al. 2002), so it is
    never sure evidence of a finer subdivision.
    """
    step = np.diff(onset_sec, prepend=-np.inf, append=np.inf)
    found = np.zeros(len(onset_sec), dtype=np.bool_)
    if len(onset_sec) > 1:
        before, own, after = step[:-2], step[1:-1], step[2:]
        # The step before is shortened by the ornament itself, so it need not be much longer.
        found[:-1] = (own <= LONGEST_ORNAMENT_SEC) & (before >= LEAST_BEFORE * own)
        found[:-1] &= after >= ORNAMENT_CONTRAST * own
    return found


def _straight(into: Floats, row: Ints, bars: Bars, index: Ints) -> Floats:
    """Positions within the bar, those of swung rows moved back to the straight grid."""
    out = np.where(row < 0, np.nan, into)
    for r in np.unique(row[row >= 0]).tolist():
        if not SUBDIVISIONS[r].swung:
            continue
        for m, meter in enumerate(bars.meters):
            here = (row == r) & (bars.meter[index] == m)
            grid = positions(SUBDIVISIONS[r], meter)
            if here.any() and len(grid) > 1:
                pair = float(2 * (grid[1] - grid[0]))
                whole = np.floor(into[here] / pair + SAME_QUARTER)
                second = into[here] / pair - whole > 0.25
                out[here] = pair * (whole + 0.5 * second)
    return out


def _lean(analysis: Analysis, phrase: Ints, onset_sec: Floats, deviation: Floats) -> Floats:
    """What the phrase as a whole adds to every deviation, in ms."""
    lean = np.full(len(phrase), analysis.constant_offset_ms or 0.0)
    for told in analysis.phrases:
        here = phrase == told.number
        known = here & ~np.isnan(deviation)
        if known.sum() < FEWEST_FOR_LEAN or told.offset_ms is None:
            continue
        lean[here] = float(np.median(deviation[known]))
        slope = told.sure_slope(SURE_ERRORS)
        if slope:
            middle = float(onset_sec[known].mean())
            lean[here] += slope * 1000.0 * (onset_sec[here] - middle)
    return lean


# --- what is asked ----------------------------------------------------------


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

    `inside` says whether the called position lies on the grid, `step_ms` the grid's mean step.
    """

    chance: Floats
    inside: Bools
    deviation_ms: Floats
    step_ms: Floats


def leaving(seen: Evidence, asked: tuple[str, ...], meters: tuple[Meter, ...]) -> Leaving:
    """How every event stands to the grid of the `asked` subdivisions."""
    used = as_swung_pairs(seen) if pairs_may_swing(asked, meters) else seen.straight_quarter
    inside = np.zeros(len(seen), dtype=np.bool_)
    deviation, step_ms = np.zeros(len(seen)), np.ones(len(seen))
    for m, meter in enumerate(seen.bars.meters):
        here = np.flatnonzero(seen.meter == m)
        if not len(here):
            continue
        grid = asked_grid(asked, meter, meters)
        into = used[here] - seen.bar_start[here]
        inside[here] = np.abs(into - _nearest(grid, into)) < 10 * SAME_QUARTER
        raw = seen.onset_quarter[here] - seen.bar_start[here]
        raw -= seen.lean_ms[here] / seen.quarter_ms[here]
        deviation[here] = (raw - _nearest(grid, raw)) * seen.quarter_ms[here]
        step_ms[here] = grid[-1] / (len(grid) - 1) * seen.quarter_ms[here]
    own = seen.deviation_ms - seen.lean_ms
    deviation = np.where(inside, np.where(np.isnan(own), deviation, own), deviation)
    chance = _chance(seen, inside, deviation, step_ms)
    chance = np.where(seen.ornament, np.minimum(chance, MOST_SURE_OF_ORNAMENT), chance)
    return Leaving(chance, inside, deviation, step_ms)


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
