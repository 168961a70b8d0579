"""One thing to practise, derived from the numbers of one take or of several.

Two questions are answered: which is the densest subdivision this player *holds*, and at
which tempo would the spread shown there be *safe* for the next denser one. What held and
safe mean stands in `held`. An assignment proposed from takes is this advice, and no other.

Conventions
-----------
* A drift is worth practising on once it adds up to `LAG_MS` within a phrase: the widest
  window in which onsets are usually counted as one (mir_eval's default).
* A subdivision whose runs left the grid at this tempo starts at `BACK_OFF` of it; tempi go
  up by `STEP_BPM` or so (common practice, no source: slow down first, then raise in small
  steps). Nothing whose notes lie closer than `held.CLOSEST_MS` is ever to be made faster.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from improv.files import printable
from improv.held import (
    CLOSEST_MS,
    ENOUGH_NOTES,
    SAFE_SPREADS,
    SURE,
    Played,
    Step,
    closest_safe_ms,
    denser,
    is_held,
    main_meter,
    safe_tempo_bpm,
    subdivisions_played,
)
from improv.model import Analysis, Phrase
from improv.wording import (
    TIGHT_SPREAD_MS,
    bpm_text,
    counted,
    drift_text,
    lag_ms,
    number_word,
    percent,
)

BACK_OFF = 0.75
STEP_BPM = 4.0
FASTER = 1.1
LAG_MS = 50.0

CAUTION = (
    "Fast passages in short goes, with rests; stop when something hurts, and take pain "
    "that stays to a teacher or a clinician."
)


@dataclass(frozen=True)
class Advice:
    """The one thing to do next. `hold` and `next` are names of subdivisions.

    `tempo_bpm` is the tempo for `next`; `sentences` say it, and why, in words. `no_runs`:
    runs off the grid are what to leave out; `drift_bpm`: the drift to get rid of, where
    keeping the time comes first.
    """

    hold: str | None
    next: str | None
    tempo_bpm: float | None
    sentences: tuple[str, ...]
    no_runs: bool = False
    drift_bpm: float | None = None
    caution: str = CAUTION

    @property
    def text(self) -> str:
        """The advice in one paragraph, without the caution."""
        return " ".join(self.sentences)


def advise(*analyses: Analysis) -> Advice:
    """The one thing to practise after a take, or after several of one meter."""
    tolerance = analyses[0].settings.tolerance_ms
    tempo = float(np.median([a.take.tempo_bpm for a in analyses]))
    played = subdivisions_played(analyses)
    held = [p for p in played if is_held(p, tolerance)]
    if not held:
        return _settle_first(played, tolerance, tempo)
    densest = max(held, key=lambda p: (p.per_beat, p.events))
    floating = _floating_rates(analyses, densest.per_beat)
    drifting = _worst_drift(analyses)
    if floating:
        return _slow_down(analyses, densest, floating, tempo)
    if drifting is not None:
        return _keep_the_time(analyses, densest, *drifting, tempo)
    steps = denser(analyses[0], densest.per_beat)
    return _next_step(densest, steps[0], tempo) if steps else _nothing_denser(densest, tempo)


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


# --- what is advised -------------------------------------------------------------


def _next_step(held: Played, target: Step, tempo: float) -> Advice:
    """The densest is steady: the next one, at once or as fast as is safe for it."""
    asked = _whole(min(_safe(held, target.per_beat), tempo))
    sentences = (
        _hold(held),
        f"Next: {target.subdivision} at {asked} BPM.",
        _why(held, target, asked),
    )
    return Advice(held.subdivision, target.subdivision, float(asked), sentences)


def _slow_down(
    analyses: Sequence[Analysis], held: Played, floating: list[float], tempo: float
) -> Advice:
    """Faster runs left the grid: what is held first, then what they were meant to be, slower."""
    what = "a faster run" if len(floating) == 1 else f"{number_word(len(floating))} faster runs"
    sentences = [
        _hold(held),
        f"Play nothing faster for a whole chorus: at {bpm_text(tempo)} BPM {what} left the grid.",
    ]
    steps = denser(analyses[0], held.per_beat)
    if not steps:
        return Advice(held.subdivision, held.subdivision, tempo, tuple(sentences), no_runs=True)
    reached = [s for s in steps if s.per_beat <= 1.05 * float(np.median(floating))]
    target = reached[-1] if reached else steps[0]
    asked = _whole(min(_safe(held, target.per_beat), BACK_OFF * tempo))
    up = ", and up by 3 to 5 BPM whenever they stay on the grid"
    more = asked + STEP_BPM <= safe_tempo_bpm(target.per_beat, held.spread_ms)
    sentences += [
        f"Then {target.subdivision} at {asked} BPM{up if more else ''}.",
        _why(held, target, asked),
    ]
    return Advice(
        held.subdivision, target.subdivision, float(asked), tuple(sentences), no_runs=True
    )


def _nothing_denser(held: Played, tempo: float) -> Advice:
    """Nothing denser is common in this meter: the tempo, as far as it is safe."""
    safe = safe_tempo_bpm(held.per_beat, held.spread_ms)
    if safe >= tempo + STEP_BPM:
        asked = _whole(tempo + STEP_BPM)
        said = (
            f"Nothing denser is common in this meter: take the tempo to {asked} BPM, and up by "
            "3 to 5 BPM whenever they stay on the grid.",
            _why(held, Step(held.subdivision, held.per_beat), asked, raised=True),
        )
        return Advice(held.subdivision, held.subdivision, float(asked), (_hold(held), *said))
    close = "few hands hold more than ten notes a second"
    if held.step_ms > CLOSEST_MS:
        close = f"closer is not safe with {_spread(held)}"
    said = (
        f"Nothing denser or faster comes next: they lie {held.step_ms:.0f} ms apart already, and "
        f"{close}.",
        f"Stay at {bpm_text(tempo)} BPM, and mix them with longer notes for a whole chorus.",
    )
    return Advice(held.subdivision, held.subdivision, tempo, (_hold(held), *said))


def _keep_the_time(
    analyses: Sequence[Analysis], held: Played, where: Analysis, worst: Phrase, tempo: float
) -> Advice:
    """Where the subdivision holds but the tempo does not: keep the time before speed."""
    meter = main_meter(where)
    backbeat = meter is not None and meter.kind == "simple" and meter.beats == 4
    click = "on 2 and 4 only" if backbeat else "on the first beat of each bar only"
    of = f" of {printable(where.take.name)}" if len(analyses) > 1 else ""
    sentences = (
        f"Hold {held.subdivision}, and hold the time with them: the grid is steady "
        f"({_spread(held)}), the tempo is not: phrase {worst.number}{of} is {drift_text(worst)}.",
        f"Play the same line at {bpm_text(tempo)} BPM with the click {click}, and meet every bar "
        "line.",
    )
    drift = worst.drift_bpm
    return Advice(held.subdivision, held.subdivision, tempo, sentences, drift_bpm=drift)


def _settle_first(played: Sequence[Played], tolerance_ms: float, tempo: float) -> Advice:
    """Nothing is held yet: stay on what was played most until it is."""
    judged = [p for p in played if p.events >= ENOUGH_NOTES and math.isfinite(p.spread_ms)]
    if not judged:
        said = (
            "Too few notes lie on one subdivision to say what is held: play a chorus of one "
            "subdivision only, and analyze that."
        )
        return Advice(None, None, None, (said,))
    most = max(judged, key=lambda p: p.events)
    asked = tempo if most.apart else float(_whole(min(_safe(most, most.per_beat), tempo)))
    sentences = (
        f"Stay on {most.subdivision}, at {bpm_text(asked)} BPM, and play nothing faster: "
        f"{_not_held(most, tolerance_ms, tempo)}.",
        "Sing the subdivision while playing, and record the same chorus again.",
    )
    return Advice(most.subdivision, most.subdivision, asked, sentences, no_runs=True)


# --- in words ----------------------------------------------------------------------


def _hold(held: Played) -> str:
    return (
        f"Hold {held.subdivision}: the densest subdivision that is steady here "
        f"({_spread(held)} over {counted(held.events, 'note')})."
    )


def _spread(held: Played) -> str:
    """A spread with a decimal where it takes one to see on which side of 20 ms it lies."""
    digits = 1 if round(held.spread_ms) == round(TIGHT_SPREAD_MS) else 0
    return f"{held.spread_ms:.{digits}f} ms spread"


def _safe(held: Played, per_beat: float) -> float:
    return safe_tempo_bpm(per_beat, held.spread_ms, held.step_ms)


def _whole(tempo_bpm: float) -> int:
    """Whole beats per minute, rounded down; 119.999 in a file's ticks is 120."""
    return max(1, math.floor(tempo_bpm + 0.01))


def _why(held: Played, target: Step, asked: int, raised: bool = False) -> str:
    """How close the notes then lie, up to which tempo they are safe, and what limits it."""
    step_ms = CLOSEST_MS if raised else held.step_ms
    safe = _whole(safe_tempo_bpm(target.per_beat, held.spread_ms, step_ms))
    spacing = 60_000.0 / (asked * target.per_beat)
    return (
        f"There {target.subdivision} lie {spacing:.0f} ms apart; they are safe up to {safe} BPM: "
        f"{_limit(held, raised)}."
    )


def _limit(held: Played, raised: bool = False) -> str:
    """What bounds the tempo, as a clause: the spread, or the speed of hands.

    `raised`: the notes held are themselves to be played faster.
    """
    closest = CLOSEST_MS if raised else closest_safe_ms(held.step_ms)
    if SAFE_SPREADS * held.spread_ms > closest:
        return (
            f"with {_spread(held)}, any faster and more than 3 notes in 1000 stray nearer to a "
            "neighbour's place than to their own"
        )
    if closest == CLOSEST_MS:
        return "few hands hold more than ten notes a second"
    return f"few hands hold notes closer than {closest:.0f} ms"


def _not_held(played: Played, tolerance_ms: float, tempo: float) -> str:
    """Why a subdivision does not count as held; only what the numbers shown bear out."""
    if played.confidence < SURE:
        return (
            "it is not sure enough what they are "
            f"({percent(played.confidence)} sure over {counted(played.events, 'note')})"
        )
    if played.spread_ms > tolerance_ms:
        shown = _above(played.spread_ms, tolerance_ms)
        return f"their spread is {shown}; at {tolerance_ms:g} ms or less they are held"
    if not played.apart:
        return (
            f"at {bpm_text(tempo)} BPM they lie {played.step_ms:.0f} ms apart, and with "
            f"{_spread(played)} more than one note in 20 strays nearer to a neighbour's place "
            "than to its own"
        )
    return f"only {percent(played.held_share)} of the attempts at that rate stay on the grid"


def _above(spread_ms: float, limit_ms: float) -> str:
    """A spread above its limit, with the decimals it takes to see that it is."""
    for digits in (0, 1):
        if round(spread_ms, digits) > limit_ms:
            return f"{spread_ms:.{digits}f} ms"
    return f"just over {limit_ms:g} ms"
