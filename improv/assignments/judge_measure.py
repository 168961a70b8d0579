"""Measured against a limit: pocket, swing, drift. Each with its standard error.

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
  over short likewise). Not read from what the analysis called the notes.
* **Drift**: slope of deviation on time within each phrase, in BPM, positive = rushing. The
  grid is followed from note to note (`track`): a player who drifts past the half of a step
  goes on drifting, even where the analysis can only call the notes off the grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.evidence import Evidence, leaving
from improv.assignments.judge_grid import SURE_NOTE
from improv.assignments.model import Assignment, Section
from improv.grid import SUBDIVISIONS, find
from improv.meter import Meter
from improv.model import Analysis, Bools, Floats, Ints
from improv.stats import inflation
from improv.tempo import beats_at

FEWEST_FOR_SHARE = 8
FEWEST_IN_BAR = 3
FEWEST_PAIRS = 4
FEWEST_FOR_DRIFT = 6
SHORTEST_DRIFT_BEATS = 4.0
MOST_MEMORY = 0.85
PRIOR_MEMORY, PRIOR_MEMORY_NOTES = 0.4, 10.0
FUMBLE_SPREADS = 3.0
FOLLOW = 0.4
"""How far the expected deviation follows each note's (our choice)."""
LOOSEST_FIT = 0.16
"""Scatter as a share of the step beyond which no grid is followed: chance is 0.29."""
MOST_SLOPE = 0.12
"""A tempo further than this from the backing is another subdivision, not a drift."""
COMMON_WEIGHT = 0.5


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
    beat = seen.bars.tempo_beat_quarter[seen.meter]
    beat = beat * seen.quarter_ms
    step = beat / np.where(np.isnan(seen.per_beat), 1.0, seen.per_beat)
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
    return inflation(rho)


# --- swing ------------------------------------------------------------------


def swing_pairs(seen: Evidence, pair_key: str) -> tuple[Ints, Ints, Floats]:
    """Events by their place in the pair: (firsts, seconds, place as a share of the pair).

    `pair_key` names the row whose notes swing in pairs: "unit" (eighths of 4/4) or
    "half-unit". Seconds are alone between two pair lines; firsts lie near one.
    """
    pair = (
        _beat_quarter(seen)
        / np.array([pairs_to_beat(pair_key, m) for m in seen.bars.meters])[seen.meter]
    )
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


# --- drift ------------------------------------------------------------------


def _beat_quarter(seen: Evidence) -> Floats:
    return seen.bars.tempo_beat_quarter[seen.meter]


def track(at_beat: Floats, step_beat: float) -> Floats:
    """Deviations, in beats, from a grid of `step_beat` that is followed as the player drifts.

    Each note is laid on the position nearest to where the deviation of the notes before lets
    it be expected, so that a drift past the half of a step goes on as a drift.
    """
    deviation = np.zeros(len(at_beat))
    expected = float(at_beat[0] - step_beat * np.round(at_beat[0] / step_beat))
    for i, at in enumerate(at_beat.tolist()):
        place = step_beat * round((at - expected) / step_beat)
        deviation[i] = at - place
        expected += FOLLOW * (deviation[i] - expected)
    return deviation


def followed(at_beat: Floats, rates: tuple[float, ...]) -> Floats | None:
    """Deviations from the grid of the rate (notes to a beat) that fits best; `None` if none does.

    The fit is the scatter about a straight line, as a share of the step: a grid twice as
    dense must scatter half as much to win.
    """
    best, found = LOOSEST_FIT, None
    if len(at_beat) < FEWEST_IN_BAR:
        return None
    for rate in rates:
        deviation = track(at_beat, 1.0 / rate)
        away = at_beat - at_beat.mean()
        slope = float(away @ deviation) / max(float(away @ away), 1e-9)
        rest = deviation - deviation.mean() - slope * away
        share = 1.4826 * float(np.median(np.abs(rest))) * rate
        if share < best and abs(slope) < MOST_SLOPE:
            best, found = share, deviation
    return found


def rates_of(section: Section | None, meters: tuple[Meter, ...]) -> tuple[float, ...]:
    """Notes to a beat that a drift is looked for on: what is asked, else the common ones."""
    if section is not None and section.asked:
        rows = [SUBDIVISIONS[find(text, meters)] for text in section.asked]
    else:
        kind = meters[0].kind
        rows = [r for r in SUBDIVISIONS if r.prior_weight(kind) >= COMMON_WEIGHT]
    rates = {float(r.per_beat(m.kind) or 1) for r in rows for m in meters}
    return tuple(sorted(max(rate, 1.0) for rate in rates))


@dataclass(frozen=True)
class PhraseDrift:
    """One phrase's drift in BPM, and the bars it reaches over."""

    phrase: int
    first_bar: int
    last_bar: int
    drift: Measured


def phrase_drifts(seen: Evidence, rows: Ints, rates: tuple[float, ...]) -> list[PhraseDrift]:
    """Drift of every phrase that has notes and time enough among the events in `rows`."""
    found = []
    beat = _beat_quarter(seen) * seen.quarter_ms
    for phrase in np.unique(seen.phrase[rows]).tolist():
        here = rows[seen.phrase[rows] == phrase]
        if len(here) < FEWEST_FOR_DRIFT:
            continue
        # Time in beats of the backing: a tempo that changes as asked is no drift.
        at_beat = beats_at(seen.bars, seen.onset_quarter[here])
        deviation = followed(at_beat, rates)
        if deviation is None or at_beat[-1] - at_beat[0] < SHORTEST_DRIFT_BEATS:
            continue
        length_ms = float(np.mean(beat[here]))
        slope, doubt = _line(at_beat, deviation)
        bpm = 60_000.0 / length_ms
        # The player's tempo is (1 - slope) times the backing's.
        measured = Measured(-slope * bpm, doubt * bpm, len(here))
        bars = seen.bar[here]
        found.append(PhraseDrift(int(phrase), int(bars.min()), int(bars.max()), measured))
    return found


def _line(at: Floats, values: Floats) -> tuple[float, float]:
    """A straight line by least squares, once more without fumbles: slope and its error."""
    keep = np.ones(len(values), dtype=np.bool_)
    slope = doubt = spread = 0.0
    for _ in range(3):
        away, kept = at[keep] - at[keep].mean(), values[keep]
        lever = max(float(away @ away), 1e-9)
        slope = float(away @ (kept - kept.mean())) / lever
        rest = kept - kept.mean() - slope * away
        spread = float(np.sqrt(rest @ rest / max(len(kept) - 2, 1)))
        doubt = spread / np.sqrt(lever) * float(np.sqrt(_memory_inflation(rest)))
        far = values - kept.mean() - slope * (at - at[keep].mean())
        keep = np.abs(far) <= FUMBLE_SPREADS * max(spread, 1e-4)
        if keep.sum() < FEWEST_FOR_DRIFT - 1:
            break
    return slope, max(doubt, 1e-9)


def _memory_inflation(rest: Floats) -> float:
    """As `_inflation`, for deviations, whose neighbours stray alike by 0.4 or so."""
    power = float(rest @ rest)
    rho = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    count = len(rest)
    # A fitted line takes about two notes' worth of correlation away.
    rho = (rho * count + 2.0 + PRIOR_MEMORY * PRIOR_MEMORY_NOTES) / (count + PRIOR_MEMORY_NOTES)
    rho = min(max(rho, 0.0), MOST_MEMORY)
    return inflation(rho)


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
