"""How far a player drifted while the click was out.

Method: the player's level before the gap is the mean deviation of the last notes with a
click; across the gap a straight line is fitted to the deviations, the note on the
returning downbeat included, since nobody can react to a click that sounds with it. The
drift is where the line stands when the click returns, less the level before.

Conventions: ms, positive = later at the return than before (dragging). Deviations that
jump by whole steps of their grid are unwrapped. The standard error widens for deviations
that remember each other (AR(1): an independent share of (1 - rho) / (1 + rho)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.clicktrack import bars_in, gaps_of
from improv.assignments.evidence import Evidence, evidence
from improv.assignments.judge_measure import unwrapped
from improv.assignments.model import Assignment
from improv.assignments.verdict import GapDrift
from improv.model import Analysis, Floats, Ints
from improv.tempo import seconds_at
from improv.wording import bars_text

FEWEST_INSIDE = 3
BEFORE_BEATS = 8.0
FEWEST_BEFORE = 2
RETURN_LEEWAY_BEAT = 0.25
MEMORY = 0.5
"""Correlation of neighbouring deviations: about 0.3 to 0.8 in players."""


@dataclass(frozen=True)
class Silence:
    """A gap of the click under a take: its bars and [start, stop) in the take's seconds."""

    first_bar: int
    last_bar: int
    start_sec: float
    stop_sec: float


def silences_of(assignment: Assignment, analysis: Analysis) -> tuple[Silence, ...]:
    """The gaps an assignment's own click has, laid under a take."""
    bars = analysis.take.bars
    start_of = dict(zip(bars.number.tolist(), bars.start_quarter[:-1].tolist(), strict=True))
    end_of = dict(zip(bars.number.tolist(), bars.start_quarter[1:].tolist(), strict=True))
    found = []
    for first, last in gaps_of(assignment, bars_in(assignment)):
        if first in start_of and last in end_of:
            edges = np.array([start_of[first], end_of[last]])
            start, stop = seconds_at(analysis.take.tempo_map, edges).tolist()
            found.append(Silence(first, last, start, stop))
    return tuple(found)


def gap_drifts(analysis: Analysis, silences: tuple[Silence, ...]) -> tuple[GapDrift, ...]:
    """The drift across every gap."""
    if not silences:
        return ()
    seen = evidence(analysis)
    rows = np.flatnonzero(seen.on_grid)
    beat = np.array([float(m.tempo_beat_quarter) for m in seen.bars.meters])[seen.meter]
    beat_sec = beat * seen.quarter_ms / 1000.0
    step_ms = 1000.0 * beat_sec / np.where(np.isnan(seen.per_beat), 1.0, seen.per_beat)
    return tuple(_across(gap, seen, rows, beat_sec, step_ms) for gap in silences)


def _across(
    gap: Silence, seen: Evidence, rows: Ints, beat_sec: Floats, step_ms: Floats
) -> GapDrift:
    at = seen.onset_sec[rows]
    leeway = RETURN_LEEWAY_BEAT * (float(np.median(beat_sec)) if len(beat_sec) else 0.0)
    reach = BEFORE_BEATS * (float(np.median(beat_sec)) if len(beat_sec) else 0.0)
    near = (at >= gap.start_sec - reach) & (at < gap.stop_sec + leeway)
    here = rows[near]
    at = seen.onset_sec[here]
    before = at < gap.start_sec + leeway / 4
    inside = ~before
    if before.sum() < FEWEST_BEFORE or inside.sum() < FEWEST_INSIDE:
        few = "before the gap" if before.sum() < FEWEST_BEFORE else "in it"
        reason = f"too few notes {few} to tell"
        return GapDrift(gap.first_bar, gap.last_bar, None, None, int(inside.sum()), reason)
    deviation = unwrapped(seen.deviation_ms[here], step_ms[here])
    spread = float(np.median(seen.spread_ms))
    level = float(np.median(deviation[before]))
    # The line starts from the level before: one more, well-known point at the gap's edge.
    time = np.append(at[inside], gap.start_sec)
    value = np.append(deviation[inside], level)
    weight = np.append(np.ones(int(inside.sum())), float(before.sum()))
    middle = float(weight @ time / weight.sum())
    lever = float(weight @ (time - middle) ** 2)
    slope = float(weight @ ((time - middle) * value)) / lever
    length = gap.stop_sec - gap.start_sec
    inflation = np.sqrt((1 + MEMORY) / (1 - MEMORY))
    doubt = spread * inflation * length / np.sqrt(lever)
    drift = slope * length
    return GapDrift(gap.first_bar, gap.last_bar, drift, float(doubt), int(inside.sum()), "")


def gap_text(gap: GapDrift) -> str:
    """`Bars 4 to 5 without click: 34 ms late at the return (give or take 12)`."""
    where = bars_text(gap.first_bar, gap.last_bar)
    where = f"{where[:1].upper()}{where[1:]} without click"
    if gap.drift_ms is None or gap.standard_error_ms is None:
        return f"{where}: {gap.reason}."
    doubt = f"give or take {gap.standard_error_ms:.0f} ms"
    if abs(gap.drift_ms) < 2 * gap.standard_error_ms:
        return f"{where}: no drift to be told ({gap.drift_ms:+.0f} ms, {doubt})."
    way = "later" if gap.drift_ms > 0 else "earlier"
    bars = gap.last_bar - gap.first_bar + 1
    each = f", {abs(gap.drift_ms) / bars:.0f} ms a bar" if bars > 1 else ""
    return f"{where}: {abs(gap.drift_ms):.0f} ms {way} at the return ({doubt}{each})."
