"""One thing to practise, derived from the numbers of one take or of several.

Two questions are answered: which is the densest subdivision this player *holds*, and at
which tempo would the spread shown there be *safe* for the next denser one. What held and
safe mean stands in `held`. An assignment proposed from takes is this advice, and no other.

Conventions
-----------
* A drift is worth practising on once it adds up to `LAG_MS` within a phrase: the widest
  window in which onsets are usually counted as one (50 ms: Raffel et al. 2014).
* A run off the grid is an attempt at one subdivision (`attempts`): a faster run only where that
  is denser than what is held. Held is only what the report names for a phrase.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from improv.held import (
    ENOUGH_NOTES,
    FailedRun,
    Played,
    Step,
    denser,
    failed_runs,
    is_held,
    rate_stays,
    subdivisions_played,
)
from improv.model import Analysis, Phrase
from improv.practice_steps import BACK_OFF as BACK_OFF
from improv.practice_steps import CAUTION as CAUTION
from improv.practice_steps import (
    LIKELY,
    ease_off,
    in_a_row_next,
    keep_the_time,
    next_step,
    nothing_denser,
    once_more,
    settle_first,
    slow_down,
)
from improv.practice_steps import Advice as Advice
from improv.wording import bpm_text, drift_text, lag_ms, others_told

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
    every, told = subdivisions_played(analyses), _told(analyses)
    played = [p for p in every if p.subdivision in told]
    held = [p for p in played if is_held(p, tolerance) and rate_stays(p, every)]
    if not held:
        return settle_first(played, tolerance, tempo)
    in_a_row = [p for p in held if p.in_a_row]
    densest = max(in_a_row or held, key=lambda p: (p.per_beat, p.events))
    failed = _not_held_yet(played, held, densest)
    left = failed_runs(analyses, [p.subdivision for p in every if p.events >= ENOUGH_NOTES])
    faster = [run for run in left if _is_denser(run, densest)]
    drifting = _worst_drift(analyses)
    if faster:
        target = _meant(analyses, densest, failed, faster)
        return slow_down(densest, failed, target, len(faster), tempo)
    if drifting is not None:
        return keep_the_time(analyses, densest, *drifting, tempo)
    if densest.failed:
        return ease_off(densest, tempo)
    if failed is not None:
        return once_more(densest, failed, tolerance, tempo)
    lone = [p for p in held if not p.in_a_row and p.per_beat >= densest.per_beat]
    if lone:
        return in_a_row_next(densest, min(lone, key=lambda p: p.per_beat), tempo)
    steps = denser(analyses[0], densest.per_beat)
    return next_step(densest, steps[0], tempo) if steps else nothing_denser(densest, tempo)


def _not_held_yet(
    played: Sequence[Played], held: Sequence[Played], densest: Played
) -> Played | None:
    """The subdivision denser than what is held that was tried most, and is not held."""
    tried = [
        p
        for p in played
        if p.per_beat > densest.per_beat
        and p not in held
        and p.events >= ENOUGH_NOTES
        and p.confidence >= LIKELY
        and math.isfinite(p.spread_ms)
    ]
    return max(tried, key=lambda p: p.events + p.off_grid_events, default=None)


def _is_denser(run: FailedRun, held: Played) -> bool:
    """Whether a run off the grid was meant to be denser than what is held."""
    return run.subdivision != held.subdivision and run.per_beat > held.per_beat


def _worst_drift(analyses: Sequence[Analysis]) -> tuple[Analysis, Phrase] | None:
    """The phrase that ends farthest from the backing by drift, if one is plainly off it."""
    drifting = [
        (a, p) for a in analyses for p in a.phrases if drift_text(p) and lag_ms(p) >= LAG_MS
    ]
    return max(drifting, key=lambda found: lag_ms(found[1]), default=None)


def _meant(
    analyses: Sequence[Analysis], held: Played, failed: Played | None, faster: Sequence[FailedRun]
) -> Step:
    """What most notes of the faster runs were attempts at.

    Of what is common here, or was played enough to be told that it is not held yet.
    """
    steps = {step.subdivision: step for step in denser(analyses[0], held.per_beat)}
    if failed:
        steps.setdefault(failed.subdivision, Step(failed.subdivision, failed.per_beat))
    notes: Counter[str] = Counter()
    for run in faster:
        notes[run.subdivision] += run.events
    called = notes.most_common(1)[0][0]
    meant = [name for name in steps if notes[name]]
    if meant:
        return steps[max(meant, key=lambda name: notes[name])]
    if failed:
        return steps[failed.subdivision]
    rate = next(run.per_beat for run in faster if run.subdivision == called)
    reached = [step for step in steps.values() if step.per_beat <= rate]
    return reached[-1] if reached else Step(called, rate)


def _told(analyses: Iterable[Analysis]) -> set[str]:
    """The subdivisions that phrases are said to be on, or to have: advice holds no other."""
    told: set[str] = set()
    for analysis in analyses:
        for phrase in analysis.phrases:
            if not phrase.verdict.judged:
                continue
            told.update(others_told(analysis, phrase))
            if phrase.subdivision is not None:
                told.add(phrase.subdivision)
    return told
