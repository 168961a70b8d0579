"""Measured against a limit: pocket and swing, each with its standard error.

Conventions
-----------
A requirement is met when its value is inside the limit by `verdict.SURE` standard errors,
not met when outside by as many, and can't be told in between. The section's notes
are taken together; a bar's own verdict comes from its own notes and says less.

* **Pocket**: share of events within the tolerance once the take's constant offset is
  taken out (one take cannot tell equipment from feel). A note off the grid is outside.
  Neighbours stray alike, so the share's error is widened by their correlation.
* **Swing**: long : short over beats (pairs) with exactly one note between two beats; the
  place of the second notes less that of the firsts (Friberg & Sundström 2002 measure long
  over short likewise). The place is the notes' own, not what the analysis called them; but
  stretches that it heard divided finer have no pairs: what two notes of a triplet are left of
  it lie together by chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.evidence import Evidence
from improv.assignments.judge_grid import SURE_NOTE
from improv.assignments.model import Assignment, Section
from improv.assignments.own_time import leaving_in_time
from improv.grid import SUBDIVISIONS
from improv.meter import Meter
from improv.model import Analysis, Bools, Floats, Ints
from improv.stats import inflation, memory_of

FEWEST_FOR_SHARE = 8
FEWEST_IN_BAR = 3
FEWEST_PAIRS = 4
PRIOR_MEMORY, PRIOR_MEMORY_NOTES = 0.4, 10.0
FUMBLE_SPREADS = 3.0
FINER_SHARE = 0.125
"""Notes before the half of a pair from which a stretch is divided finer than in pairs: a quarter
of full sixteenths, a third of full triplets, and none of swung notes that were called so."""


@dataclass(frozen=True)
class Measured:
    """A value with its standard error, and how many notes it comes from."""

    value: float
    doubt: float
    notes: int


# --- pocket -----------------------------------------------------------------


def deviations(section: Section, assignment: Assignment, seen: Evidence) -> tuple[Floats, Floats]:
    """Per event: raw deviation in ms from the grid it belongs to (NaN: none), and that grid's step.

    The section's own grid where it names one and the note may be on it, else the called one.
    """
    beat = beat_quarter(seen) * seen.quarter_ms
    step = beat / np.where(np.isnan(seen.per_beat), 1.0, seen.per_beat)
    found = seen.deviation_ms.copy()
    asked = section.asked
    if not asked:
        return found, step
    left = leaving_in_time(seen, asked, assignment.meter)
    belongs = left.chance < SURE_NOTE
    found = np.where(belongs, left.deviation_ms + seen.lean_ms, found)
    return found, np.where(belongs, left.step_ms, step)


def in_pocket(
    deviation_ms: Floats, tolerance_ms: Floats, analysis: Analysis, rows: Ints
) -> Measured | None:
    """Share of the events in `rows` within the tolerance."""
    if len(rows) < FEWEST_IN_BAR:
        return None
    offset = analysis.constant_offset_ms or 0.0
    error = analysis.constant_offset_se_ms or 0.0
    shares = [
        _inside(deviation_ms[rows], tolerance_ms[rows], offset + shift)
        for shift in (-error, 0.0, error)
    ]
    inside = shares[1]
    count = len(rows)
    share = float(inside.mean())
    shrunk = (float(inside.sum()) + 1.0) / (count + 2.0)
    # Of deviations that are this much alike, being inside is less alike.
    memory = memory_of(inside - inside.mean(), PRIOR_MEMORY**2, PRIOR_MEMORY_NOTES)
    doubt = np.sqrt(shrunk * (1 - shrunk) / count * inflation(memory))
    moved = (abs(float(shares[2].mean()) - share) + abs(float(shares[0].mean()) - share)) / 2
    return Measured(share, float(np.hypot(doubt, moved)), count)


def _inside(deviation: Floats, tolerance: Floats, offset: float) -> Bools:
    return np.asarray(np.abs(deviation - offset) <= tolerance)


# --- swing ------------------------------------------------------------------


def swing_pairs(seen: Evidence, pair_key: str) -> tuple[Ints, Ints, Floats]:
    """Events by their place in the pair: (firsts, seconds, place as a share of the pair).

    `pair_key` names the row whose notes swing in pairs: "unit" (eighths of 4/4) or
    "half-unit". Seconds are alone between two pair lines; firsts lie near one; neither is in a
    stretch that is divided finer.
    """
    to_beat = np.array([pairs_to_beat(pair_key, m) for m in seen.bars.meters])[seen.meter]
    pair = beat_quarter(seen) / to_beat
    at = (seen.onset_quarter - seen.bar_start - seen.lean_ms / seen.quarter_ms) / pair
    number = np.floor(at + 0.15)
    share = at - number
    key = seen.bar.astype(np.int64) * 4096 + number.astype(np.int64)
    between = (share > 0.3) & (share < 0.85)
    _, where, counts = np.unique(key, return_inverse=True, return_counts=True)
    # Inside a pair: at most one first and one second.
    inner = np.bincount(where, (share > 0.15).astype(np.float64), len(counts))[where]
    seconds = np.flatnonzero(between & (inner == 1) & ~_divided_finer(seen, pair, to_beat))
    with_second = np.isin(key, key[seconds])
    firsts = np.flatnonzero((np.abs(share) <= 0.15) & with_second)
    return firsts, seconds, share


def _divided_finer(seen: Evidence, pair_quarter: Floats, to_beat: Floats) -> Bools:
    """Events in stretches called finer than two to the pair, and rightly so.

    A dotted or triplet pair may be called by a finer row, too, but has no note before its half.
    """
    finer = seen.on_grid & (np.nan_to_num(seen.per_beat) > 2.0 * to_beat)
    with np.errstate(invalid="ignore"):
        place = ((seen.straight_quarter - seen.bar_start) / pair_quarter + 1e-3) % 1.0
        early = finer & (place > 0.05) & (place < 0.45)
    edges = np.flatnonzero(np.diff(finer, prepend=False, append=False))
    found = np.zeros(len(finer), dtype=np.bool_)
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        found[start:stop] = early[start:stop].mean() >= FINER_SHARE
    return found


def pairs_to_beat(pair_key: str, meter: Meter) -> float:
    """Pairs of a row's notes to a beat of the meter; 1 where the row is not offered."""
    row = next(r for r in SUBDIVISIONS if r.key == pair_key)
    return float(row.per_beat(meter.kind) or 2) / 2.0


def swing_ratio(firsts: Ints, seconds: Ints, share: Floats) -> Measured | None:
    """Long : short over the pairs, `None` from too few."""
    if len(seconds) < FEWEST_PAIRS or len(firsts) < FEWEST_PAIRS:
        return None
    late, late_doubt = _robust_mean(share[seconds])
    first, first_doubt = _robust_mean(share[firsts])
    between = min(max(late - first, 0.05), 0.95)
    doubt = float(np.hypot(late_doubt, first_doubt))
    return Measured(between / (1 - between), doubt / (1 - between) ** 2, len(seconds))


def _robust_mean(values: Floats) -> tuple[float, float]:
    """Mean and its standard error with values beyond three spreads left out."""
    middle = float(np.median(values))
    spread = max(1.4826 * float(np.median(np.abs(values - middle))), 1e-4)
    kept = values[np.abs(values - middle) <= FUMBLE_SPREADS * spread]
    deviation = float(kept.std(ddof=1)) if len(kept) > 1 else spread
    return float(kept.mean()), deviation / float(np.sqrt(len(kept)))


def beat_quarter(seen: Evidence) -> Floats:
    """Quarter notes to a beat, per event."""
    return seen.bars.tempo_beat_quarter[seen.meter]


def rows_in(seen: Evidence, first_bar: int, last_bar: int) -> Ints:
    """Events in the bars, both ends included."""
    return np.flatnonzero((seen.bar >= first_bar) & (seen.bar <= last_bar))
