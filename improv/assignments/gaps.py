"""How far a player drifted while the click was out.

Method: one fit of a level to the last two bars with a click, or as many as there are since
the gap before, and from the gap's start a straight line across it, the note on the returning
downbeat included, since nobody can react to a click that sounds with it. The drift is what
the line has gained when the click returns.

Conventions: ms, positive = later at the return than before (dragging). The grid is followed
from note to note (`following`), so that a drift past half a step stays a drift.
The standard error widens for deviations that remember each other (AR(1): an independent
share of (1 - rho) / (1 + rho)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.assignments.clicktrack import bars_in, gaps_of
from improv.assignments.evidence import LEAST_SPREAD_MS, SAME_QUARTER, Evidence, evidence
from improv.assignments.following import Grids
from improv.assignments.judge_measure import beat_quarter
from improv.assignments.model import Assignment
from improv.assignments.verdict import GIVE_OR_TAKE, NO_GRID, GapDrift
from improv.model import Analysis, Bools, Floats
from improv.stats import inflation, memory_of
from improv.tempo import bar_index, quarters_at, seconds_at
from improv.wording import bars_text, capital

FEWEST_INSIDE = 3
BARS_BEFORE = 2
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
    beat_sec = beat_quarter(seen) * seen.quarter_ms / 1000.0
    leeway = RETURN_LEEWAY_BEAT * (float(np.median(beat_sec)) if len(beat_sec) else 0.0)
    grids = Grids.of(seen)
    stops = (-np.inf, *(gap.stop_sec for gap in silences[:-1]))
    return tuple(
        _across(gap, _clicked_from(gap, before_sec, leeway, analysis), leeway, seen, grids)
        for gap, before_sec in zip(silences, stops, strict=True)
    )


def _clicked_from(gap: Silence, before_sec: float, leeway_sec: float, analysis: Analysis) -> float:
    """From when on notes before a gap are looked at: two bars, none of them of the gap before.

    The note on the downbeat that ends the gap before was still played without its click.
    """
    time, bars = analysis.take.tempo_map, analysis.take.bars
    start = quarters_at(time, np.array([gap.start_sec]))
    meter = bars.meters[int(bars.meter[bar_index(bars, start + SAME_QUARTER)[0]])]
    two_bars = float(seconds_at(time, start - BARS_BEFORE * float(meter.bar_quarters))[0])
    return max(two_bars - leeway_sec, before_sec + leeway_sec)


def _across(gap: Silence, from_sec: float, leeway: float, seen: Evidence, grids: Grids) -> GapDrift:
    at = seen.onset_sec
    here = np.flatnonzero((at >= from_sec) & (at < gap.stop_sec + leeway))
    inside = at[here] >= gap.start_sec + leeway
    count, before = int(inside.sum()), int((~inside).sum())
    if before < FEWEST_BEFORE or count < FEWEST_INSIDE:
        few = "before the gap" if before < FEWEST_BEFORE else "in it"
        return GapDrift(gap.first_bar, gap.last_bar, None, None, count, f"too few notes {few}")
    along = grids.followed(here)
    deviation = np.full(len(here), np.nan) if along is None else along.deviation_quarter
    known = ~np.isnan(deviation)
    if (known & inside).sum() < FEWEST_INSIDE:
        return GapDrift(gap.first_bar, gap.last_bar, None, None, count, NO_GRID)
    late_ms = (deviation * seen.quarter_ms[here])[known]
    drift, doubt = _drift(gap, at[here][known], late_ms, inside[known])
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
    alike = inflation(memory_of(rest, MEMORY, PRIOR_NOTES))
    variance = spread**2 * np.linalg.inv(design.T @ design)[1, 1] * alike
    length = gap.stop_sec - gap.start_sec
    return float(answer[1]) * length, float(np.sqrt(variance)) * length


def _give_or_take_ms(standard_error_ms: float) -> int:
    return max(round(GIVE_OR_TAKE * standard_error_ms), 1)


def told_ms(gap: GapDrift) -> int | None:
    """The drift as it is told, + later; 0 where chance cannot be ruled out, `None` for none.

    The figures shown rule chance out: the drift is more than its give or take.
    """
    if gap.drift_ms is None or gap.standard_error_ms is None:
        return None
    drift = round(gap.drift_ms)
    return drift if abs(drift) > _give_or_take_ms(gap.standard_error_ms) else 0


def gap_text(gap: GapDrift) -> str:
    """`Bars 4 to 5 without click: 34 ms later at the return (give or take 12 ms)`."""
    where = bars_text(gap.first_bar, gap.last_bar)
    where = f"{capital(where)} without click"
    if gap.drift_ms is None or gap.standard_error_ms is None:
        return f"{where}: {gap.reason}."
    drift, error = round(gap.drift_ms), _give_or_take_ms(gap.standard_error_ms)
    doubt = f"give or take {error} ms"
    if not told_ms(gap):
        figure = f"{drift:+d}" if drift else "0"
        return f"{where}: no drift to be told ({figure} ms, {doubt})."
    way = "later" if drift > 0 else "earlier"
    bars = gap.last_bar - gap.first_bar + 1
    each = f", {abs(gap.drift_ms) / bars:.0f} ms a bar" if bars > 1 else ""
    return f"{where}: {abs(drift)} ms {way} at the return ({doubt}{each})."
