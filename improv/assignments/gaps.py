"""How far a player drifted while the click was out.

Method: one fit of a level to the last two bars or so with a click, and from the gap's start
a straight line across it, the note on the returning downbeat included, since nobody can
react to a click that sounds with it. The drift is what the line has gained when the
click returns.

Conventions: ms, positive = later at the return than before (dragging). The grid is followed
from note to note (`judge_measure.track`), so that a drift past half a step stays a drift.
The standard error widens for deviations that remember each other (AR(1): an independent
share of (1 - rho) / (1 + rho)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.clicktrack import bars_in, gaps_of
from improv.assignments.evidence import LEAST_SPREAD_MS, Evidence, evidence
from improv.assignments.judge_measure import MOST_MEMORY, followed, rates_of
from improv.assignments.model import Assignment
from improv.assignments.verdict import GIVE_OR_TAKE, GapDrift
from improv.model import Analysis, Bools, Floats
from improv.stats import inflation
from improv.tempo import beats_at, seconds_at
from improv.wording import bars_text, capital

FEWEST_INSIDE = 3
BEFORE_BEATS = 8.0
FEWEST_BEFORE = 2
RETURN_LEEWAY_BEAT = 0.25
MEMORY, PRIOR_NOTES = 0.5, 10.0
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
    at_beat = beats_at(seen.bars, seen.onset_quarter)
    beat_quarter = seen.bars.tempo_beat_quarter[seen.meter]
    beat_sec = beat_quarter * seen.quarter_ms / 1000.0
    rates = rates_of(None, analysis.take.bars.meters)
    return tuple(_across(gap, seen, at_beat, beat_sec, rates) for gap in silences)


def _across(
    gap: Silence, seen: Evidence, at_beat: Floats, beat_sec: Floats, rates: tuple[float, ...]
) -> GapDrift:
    typical = float(np.median(beat_sec)) if len(beat_sec) else 0.0
    at = seen.onset_sec
    near = (at >= gap.start_sec - BEFORE_BEATS * typical) & (
        at < gap.stop_sec + RETURN_LEEWAY_BEAT * typical
    )
    here = np.flatnonzero(near)
    before = seen.onset_sec[here] < gap.start_sec + RETURN_LEEWAY_BEAT * typical
    inside = ~before
    count = int(inside.sum())
    if before.sum() < FEWEST_BEFORE or count < FEWEST_INSIDE:
        few = "before the gap" if before.sum() < FEWEST_BEFORE else "in it"
        return GapDrift(gap.first_bar, gap.last_bar, None, None, count, f"too few notes {few}")
    followed_beat = followed(at_beat[here], rates)
    if followed_beat is None:
        reason = "no steady grid to tell a drift by"
        return GapDrift(gap.first_bar, gap.last_bar, None, None, count, reason)
    deviation = 1000.0 * followed_beat * beat_sec[here]
    drift, doubt = _drift(gap, seen.onset_sec[here], deviation, inside)
    return GapDrift(gap.first_bar, gap.last_bar, drift, doubt, count, "")


def _drift(
    gap: Silence, at_sec: Floats, deviation_ms: Floats, inside: Bools
) -> tuple[float, float]:
    """Least squares of a level up to the gap and a line from there on; drift at its end."""
    into = np.maximum(at_sec - gap.start_sec, 0.0) * inside
    design = np.stack([np.ones(len(into)), into], axis=1)
    answer, *_ = np.linalg.lstsq(design, deviation_ms, rcond=None)
    rest = deviation_ms - design @ answer
    spread = max(float(np.sqrt(rest @ rest / max(len(rest) - 2, 1))), LEAST_SPREAD_MS / 2)
    power = float(rest @ rest)
    memory = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    weight = len(rest) / (len(rest) + PRIOR_NOTES)
    memory = min(max(weight * memory + (1 - weight) * MEMORY, 0.0), MOST_MEMORY)
    variance = spread**2 * np.linalg.inv(design.T @ design)[1, 1] * inflation(memory)
    length = gap.stop_sec - gap.start_sec
    return float(answer[1]) * length, float(np.sqrt(variance)) * length


def gap_text(gap: GapDrift) -> str:
    """`Bars 4 to 5 without click: 34 ms later at the return (give or take 12 ms)`.

    A drift is told where the figures shown rule chance out: more than its give or take.
    """
    where = bars_text(gap.first_bar, gap.last_bar)
    where = f"{capital(where)} without click"
    if gap.drift_ms is None or gap.standard_error_ms is None:
        return f"{where}: {gap.reason}."
    drift, error = round(gap.drift_ms), round(GIVE_OR_TAKE * gap.standard_error_ms)
    doubt = f"give or take {max(error, 1)} ms"
    if abs(drift) <= max(error, 1):
        figure = f"{drift:+d}" if drift else "0"
        return f"{where}: no drift to be told ({figure} ms, {doubt})."
    way = "later" if drift > 0 else "earlier"
    bars = gap.last_bar - gap.first_bar + 1
    each = f", {abs(gap.drift_ms) / bars:.0f} ms a bar" if bars > 1 else ""
    return f"{where}: {abs(drift)} ms {way} at the return ({doubt}{each})."
