"""Measured against a limit: pocket, swing, drift. Each with its standard error.

Conventions
-----------
A requirement is met when its value is inside the limit by one standard error, not met
when outside by one, and can't be told in between (`verdict.beside`). The section's notes
are taken together; a bar's own verdict comes from its own notes and says less.

* **Pocket**: share of events within the tolerance once the take's constant offset is
  taken out (one take cannot tell equipment from feel). A note off the grid is outside.
  Neighbours stray alike, so the share's error is widened by their correlation.
* **Swing**: long : short over beats (pairs) with exactly one note between two beats; the
  place of the second notes less that of the firsts (Friberg & Sundström 2002 measure long
  over short likewise). Not read from what the analysis called the notes.
* **Drift**: slope of deviation on time within each phrase, in BPM, positive = rushing.
  Deviations that jump by a whole step of their grid are unwrapped first: a player who
  drifts past the half of a step goes on drifting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.evidence import Evidence, leaving
from improv.assignments.judge_grid import SURE_NOTE
from improv.assignments.model import Assignment, Section
from improv.model import Analysis, Bools, Floats, Ints

FEWEST_FOR_SHARE = 8
FEWEST_IN_BAR = 3
FEWEST_PAIRS = 4
FEWEST_FOR_DRIFT = 6
SHORTEST_DRIFT_BEATS = 4.0
MOST_MEMORY = 0.85
PRIOR_MEMORY, PRIOR_MEMORY_NOTES = 0.4, 10.0
FUMBLE_SPREADS = 3.0


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
    beat_ms = np.array([float(m.tempo_beat_quarter) for m in seen.bars.meters])[seen.meter]
    beat_ms = beat_ms * seen.quarter_ms
    step = beat_ms / np.where(np.isnan(seen.per_beat), 1.0, seen.per_beat)
    found = seen.deviation_ms.copy()
    asked = section.asked
    if not asked:
        return found, step
    left = leaving(seen, asked, assignment.meter)
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
    inflation = _inflation(inside.astype(np.float64))
    doubt = np.sqrt(shrunk * (1 - shrunk) / count * inflation)
    moved = (abs(float(shares[2].mean()) - share) + abs(float(shares[0].mean()) - share)) / 2
    return Measured(share, float(np.hypot(doubt, moved)), count)


def _inside(deviation: Floats, tolerance: Floats, offset: float) -> Bools:
    return np.asarray(np.abs(deviation - offset) <= tolerance)


def _inflation(values: Floats) -> float:
    """(1 + rho) / (1 - rho): how much less a correlated series tells than an independent one."""
    away = values - values.mean()
    power = float(away @ away)
    product = float(away[1:] @ away[:-1])
    prior = PRIOR_MEMORY**2 * PRIOR_MEMORY_NOTES
    weight = power / max(float(values.var()), 1e-9) if power > 0 else 0.0
    rho = product / power if power > 0 else 0.0
    rho = (rho * weight + prior) / (weight + PRIOR_MEMORY_NOTES)
    rho = min(max(rho, 0.0), MOST_MEMORY)
    return (1 + rho) / (1 - rho)


# --- swing ------------------------------------------------------------------


def swing_pairs(seen: Evidence, halves: int) -> tuple[Ints, Ints, Floats]:
    """Events by their place in the pair: (firsts, seconds, place as a share of the pair).

    `halves` is how many pairs a beat holds: 1 for eighths of 4/4, 2 for sixteenths. Seconds
    are alone between two pair lines; firsts lie near one.
    """
    beat = np.array([float(m.tempo_beat_quarter) for m in seen.bars.meters])[seen.meter]
    pair = beat / halves
    at = (seen.onset_quarter - seen.bar_start - seen.lean_ms / seen.quarter_ms) / pair
    number = np.floor(at + 0.15)
    share = at - number
    key = seen.bar.astype(np.int64) * 4096 + number.astype(np.int64)
    between = (share > 0.3) & (share < 0.85)
    _, where, counts = np.unique(key, return_inverse=True, return_counts=True)
    # Inside a pair: at most one first and one second.
    inner = np.bincount(where, (share > 0.15).astype(np.float64), len(counts))[where]
    seconds = np.flatnonzero(between & (inner == 1))
    with_second = np.isin(key, key[seconds])
    firsts = np.flatnonzero((np.abs(share) <= 0.15) & with_second)
    return firsts, seconds, share


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


# --- drift ------------------------------------------------------------------


@dataclass(frozen=True)
class PhraseDrift:
    """One phrase's drift in BPM, and the bars it reaches over."""

    phrase: int
    first_bar: int
    last_bar: int
    drift: Measured


def phrase_drifts(
    deviation_ms: Floats, step_ms: Floats, seen: Evidence, rows: Ints
) -> list[PhraseDrift]:
    """Drift of every phrase that has notes and time enough among the events in `rows`."""
    found = []
    known = rows[~np.isnan(deviation_ms[rows])]
    beat_quarter = np.array([float(m.tempo_beat_quarter) for m in seen.bars.meters])[seen.meter]
    for phrase in np.unique(seen.phrase[known]).tolist():
        here = known[seen.phrase[known] == phrase]
        if len(here) < FEWEST_FOR_DRIFT:
            continue
        beat_ms = float(np.mean(beat_quarter[here] * seen.quarter_ms[here]))
        at_ms = seen.onset_sec[here] * 1000.0
        if at_ms[-1] - at_ms[0] < SHORTEST_DRIFT_BEATS * beat_ms:
            continue
        slope, doubt = _slope(at_ms, deviation_ms[here], step_ms[here])
        bpm = 60_000.0 / beat_ms
        measured = Measured(-slope * bpm, doubt * bpm, len(here))
        bars = seen.bar[here]
        found.append(PhraseDrift(int(phrase), int(bars.min()), int(bars.max()), measured))
    return found


def _slope(at_ms: Floats, deviation: Floats, step_ms: Floats) -> tuple[float, float]:
    """Slope of deviation on time and its standard error; unwrapped where that fits better."""
    fits = [_line(at_ms, values) for values in (deviation, unwrapped(deviation, step_ms))]
    slope, doubt, _ = min(fits, key=lambda fit: fit[2])
    return slope, doubt


def _line(at_ms: Floats, values: Floats) -> tuple[float, float, float]:
    """A straight line by least squares, once more without fumbles: slope, its error, scatter."""
    keep = np.ones(len(values), dtype=np.bool_)
    slope = doubt = spread = 0.0
    for _ in range(3):
        at, kept = at_ms[keep] - at_ms[keep].mean(), values[keep]
        lever = max(float(at @ at), 1e-9)
        slope = float(at @ (kept - kept.mean())) / lever
        rest = kept - kept.mean() - slope * at
        spread = float(np.sqrt(rest @ rest / max(len(kept) - 2, 1)))
        doubt = spread / np.sqrt(lever) * float(np.sqrt(_memory_inflation(rest)))
        far = values - kept.mean() - slope * (at_ms - at_ms[keep].mean())
        keep = np.abs(far) <= FUMBLE_SPREADS * max(spread, 2.0)
        if keep.sum() < FEWEST_FOR_DRIFT - 1:
            break
    return slope, max(doubt, 1e-9), spread


def _memory_inflation(rest: Floats) -> float:
    """As `_inflation`, for deviations, whose neighbours stray alike by 0.4 or so."""
    power = float(rest @ rest)
    rho = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    count = len(rest)
    # A fitted line takes about two notes' worth of correlation away.
    rho = (rho * count + 2.0 + PRIOR_MEMORY * PRIOR_MEMORY_NOTES) / (count + PRIOR_MEMORY_NOTES)
    rho = min(max(rho, 0.0), MOST_MEMORY)
    return (1 + rho) / (1 - rho)


def unwrapped(deviation_ms: Floats, step_ms: Floats) -> Floats:
    """Deviations with jumps of whole grid steps taken out."""
    step = np.minimum(step_ms[1:], step_ms[:-1])
    jumps = np.round(np.diff(deviation_ms) / step) * step
    return np.asarray(deviation_ms - np.append(0.0, np.cumsum(jumps)))


def pooled(drifts: list[PhraseDrift]) -> Measured | None:
    """The drift of all phrases together, each weighted by how sure it is."""
    if not drifts:
        return None
    weight = np.array([1.0 / d.drift.doubt**2 for d in drifts])
    value = float(weight @ np.array([d.drift.value for d in drifts]) / weight.sum())
    notes = sum(d.drift.notes for d in drifts)
    return Measured(value, float(1.0 / np.sqrt(weight.sum())), notes)


def rows_in(seen: Evidence, first_bar: int, last_bar: int) -> Ints:
    """Events in the bars, both ends included."""
    return np.flatnonzero((seen.bar >= first_bar) & (seen.bar <= last_bar))
