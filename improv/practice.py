"""One thing to practise, derived from the numbers of one take or of several.

Two questions are answered: which is the densest subdivision this player *holds*, and at
which tempo would the spread shown there be *safe* for the next denser one. What held and
safe mean stands in `held`. An assignment proposed from takes is this advice, and no other.

Conventions
-----------
* A drift is worth practising on once it adds up to `LAG_MS` within a phrase: the widest
  window in which onsets are usually counted as one (50 ms: Raffel et al. 2014).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from improv.held import (
    ENOUGH_NOTES,
    Played,
    Step,
    attempts,
    denser,
    is_held,
    subdivisions_played,
)
from improv.model import Analysis, Phrase
from improv.practice_steps import BACK_OFF as BACK_OFF
from improv.practice_steps import CAUTION as CAUTION
from improv.practice_steps import (
    LIKELY,
    keep_the_time,
    next_step,
    nothing_denser,
    once_more,
    settle_first,
    slow_down,
)
from improv.practice_steps import Advice as Advice
from improv.wording import bpm_text, drift_text, lag_ms

FASTER = 1.1
LAG_MS = 50.0

MAKE_SURE = (
    "Make sure of the tempo and of where bar 1 begins, and analyze the take again: the notes "
    "speak against what was stated (see the warning), so nothing else here can be relied on."
)
BEATS_FIRST = (
    "Play a chorus of one note on every beat, then one of two to the beat, at {tempo} BPM, and "
    "analyze these: where nothing keeps to a grid, no subdivision can be built on.",
    "Sing the beats while playing.",
)


def advise(*analyses: Analysis) -> Advice:
    """The one thing to practise after a take, or after several of one meter."""
    if any(a.doubt for a in analyses):
        return Advice(None, None, None, (MAKE_SURE,))
    tolerance = analyses[0].settings.tolerance_ms
    tempo = float(np.median([a.take.tempo_bpm for a in analyses]))
    if all(a.strewn for a in analyses):
        said = tuple(part.format(tempo=bpm_text(tempo)) for part in BEATS_FIRST)
        return Advice(None, None, None, said)
    played = subdivisions_played(analyses)
    held = [p for p in played if is_held(p, tolerance)]
    if not held:
        named = _named(analyses)
        return settle_first([p for p in played if p.subdivision in named], tolerance, tempo)
    densest = max(held, key=lambda p: (p.per_beat, p.events))
    floating = _floating_rates(analyses, densest.per_beat)
    drifting = _worst_drift(analyses)
    failed = _not_held_yet(played, densest, tolerance)
    if floating:
        meant = _meant(analyses, played, densest, failed, floating)
        return slow_down(densest, failed, meant, floating, tempo)
    if drifting is not None:
        return keep_the_time(analyses, densest, *drifting, tempo)
    if failed is not None:
        return once_more(densest, failed, tolerance, tempo)
    steps = denser(analyses[0], densest.per_beat)
    return next_step(densest, steps[0], tempo) if steps else nothing_denser(densest, tempo)


def _not_held_yet(played: Sequence[Played], densest: Played, tolerance_ms: float) -> Played | None:
    """The subdivision denser than what is held that was tried most, and is not held."""
    tried = [
        p
        for p in played
        if p.per_beat > densest.per_beat
        and not is_held(p, tolerance_ms)
        and p.events >= ENOUGH_NOTES
        and p.confidence >= LIKELY
        and math.isfinite(p.spread_ms)
    ]
    return max(tried, key=lambda p: p.events + p.off_grid_events, default=None)


def _floating_rates(analyses: Sequence[Analysis], faster_than: float) -> list[float]:
    """Rates of the off-grid runs that are clearly faster than what is held."""
    rates = [run.notes_per_beat for a in analyses for run in a.runs if run.off_grid]
    return [rate for rate in rates if rate > FASTER * faster_than]


def _worst_drift(analyses: Sequence[Analysis]) -> tuple[Analysis, Phrase] | None:
    """The phrase that ends farthest from the backing by drift, if one is plainly off it."""
    drifting = [
        (a, p) for a in analyses for p in a.phrases if drift_text(p) and lag_ms(p) >= LAG_MS
    ]
    return max(drifting, key=lambda found: lag_ms(found[1]), default=None)


def _meant(
    analyses: Sequence[Analysis],
    played: Sequence[Played],
    held: Played,
    failed: Played | None,
    floating: list[float],
) -> Step | None:
    """What the faster runs were attempts at, or the nearest thing to it that is denser."""
    steps = denser(analyses[0], held.per_beat)
    judged = [p.subdivision for p in played if p.events >= ENOUGH_NOTES]
    tried = attempts(analyses, judged, FASTER * held.per_beat)
    if failed and all(s.subdivision != failed.subdivision for s in steps):
        steps.append(Step(failed.subdivision, failed.per_beat))
    meant = [s for s in steps if tried[s.subdivision]]
    if failed and not meant:
        return Step(failed.subdivision, failed.per_beat)
    if meant:
        return max(meant, key=lambda s: tried[s.subdivision])
    reached = [s for s in steps if s.per_beat <= 1.05 * float(np.median(floating))]
    return reached[-1] if reached else next(iter(steps), None)


def _named(analyses: Sequence[Analysis]) -> set[str]:
    """The subdivisions that the takes are said to be on: advice names no other."""
    return {
        name
        for a in analyses
        for phrase in a.phrases
        if phrase.verdict.judged
        for name in a.notes.subdivision_name[phrase.start : phrase.stop]
        if name is not None
    }
