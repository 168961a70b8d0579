"""One thing to practise, derived from the numbers of one take or of several.

Two questions are answered: which is the densest subdivision this player *holds*, and at
which tempo would the spread shown there be *safe* for the next denser one. What held and
safe mean stands in `held`. An assignment proposed from takes is this advice, and no other.

Conventions
-----------
* A drift is worth practising on once it adds up to `LAG_MS` within a phrase: the widest
  window in which onsets are usually counted as one (50 ms: Raffel et al. 2014).
* A subdivision that was attempted and not held at this tempo starts at `BACK_OFF` of it; tempi go
  up by `STEP_BPM` or so (common practice, no source: slow down first, then raise in small
  steps). Nothing whose notes lie closer than `held.CLOSEST_MS` is ever to be made faster.
  A limit is told only where it decides the tempo asked for, or how far that may go up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from improv.files import printable
from improv.headline import JUDGED
from improv.held import (
    CLOSEST_MS,
    ENOUGH_NOTES,
    Played,
    Step,
    attempts,
    denser,
    is_held,
    safe_tempo_bpm,
    subdivisions_played,
)
from improv.model import Analysis, Phrase
from improv.practice_words import (
    HANDS,
    apart_text,
    hold_text,
    limit_text,
    not_held_text,
    spread_told,
    whole,
)
from improv.wording import bpm_text, capital, drift_text, lag_ms, number_word

BACK_OFF = 0.75
STEP_BPM = 4.0
FASTER = 1.1
LIKELY = 0.5
LAG_MS = 50.0

CAUTION = (
    "Fast passages in short goes, with rests; stop when something hurts, and take pain "
    "that stays to a teacher or a clinician."
)

MAKE_SURE = (
    "Make sure of the tempo and of where bar 1 begins, and analyze the take again: the notes "
    "speak against what was stated (see the warning), so nothing else here can be relied on."
)
BEATS_FIRST = (
    "Play a chorus of one note on every beat, then one of two to the beat, at {tempo} BPM, and "
    "analyze these: where nothing keeps to a grid, no subdivision can be built on.",
    "Sing the beats while playing.",
)


@dataclass(frozen=True)
class Advice:
    """The one thing to do next. `hold` and `next` are names of subdivisions.

    `tempo_bpm` is the tempo for `next`; `sentences` say it, and why, in words. `no_runs`:
    runs off the grid are what to leave out; `drift_bpm`: the drift to get rid of, where
    keeping the time comes first; `click_beats`: the only beats, from 1, that then click.
    """

    hold: str | None
    next: str | None
    tempo_bpm: float | None
    sentences: tuple[str, ...]
    no_runs: bool = False
    drift_bpm: float | None = None
    click_beats: tuple[int, ...] | None = None
    caution: str = CAUTION

    @property
    def text(self) -> str:
        """The advice in one paragraph, without the caution."""
        return " ".join(self.sentences)


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
        return _settle_first([p for p in played if p.subdivision in named], tolerance, tempo)
    densest = max(held, key=lambda p: (p.per_beat, p.events))
    floating = _floating_rates(analyses, densest.per_beat)
    drifting = _worst_drift(analyses)
    failed = _not_held_yet(played, densest, tolerance)
    if floating:
        meant = _meant(analyses, played, densest, failed, floating)
        return _slow_down(densest, failed, meant, floating, tempo)
    if drifting is not None:
        return _keep_the_time(analyses, densest, *drifting, tempo)
    if failed is not None:
        return _once_more(densest, failed, tolerance, tempo)
    steps = denser(analyses[0], densest.per_beat)
    return _next_step(densest, steps[0], tempo) if steps else _nothing_denser(densest, tempo)


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


# --- what is advised -------------------------------------------------------------


def _next_step(held: Played, target: Step, tempo: float) -> Advice:
    """The densest is steady: the next one, at once or as fast as is safe for it."""
    safe = _safe(held, target.per_beat)
    asked = whole(min(safe, tempo))
    next_one = f"Next: {target.subdivision} at {asked} BPM, {apart_text(target, asked)}"
    limit = f": {limit_text(held, held)}" if asked < whole(tempo) else ""
    sentences = (hold_text(held), f"{next_one}{limit}.")
    return Advice(held.subdivision, target.subdivision, float(asked), sentences)


def _once_more(held: Played, failed: Played, tolerance_ms: float, tempo: float) -> Advice:
    """A denser one was tried and is not held: that one, slower."""
    target = Step(failed.subdivision, failed.per_beat)
    sentences, asked = _slower(held, failed, target, tempo)
    why = not_held_text(failed, tolerance_ms, tempo)
    said = (hold_text(held), f"{capital(failed.subdivision)} are not held yet: {why}.", *sentences)
    return Advice(held.subdivision, failed.subdivision, asked, said)


def _slow_down(
    held: Played, failed: Played | None, target: Step | None, floating: list[float], tempo: float
) -> Advice:
    """Faster runs left the grid: what is held first, then what they were meant to be, slower."""
    what = "a faster run" if len(floating) == 1 else f"{number_word(len(floating))} faster runs"
    sentences = [
        hold_text(held),
        f"Play nothing faster for a whole chorus: at {bpm_text(tempo)} BPM {what} left the grid.",
    ]
    if target is None:
        return Advice(held.subdivision, held.subdivision, tempo, tuple(sentences), no_runs=True)
    own = failed if failed and failed.subdivision == target.subdivision else held
    more, asked = _slower(held, own, target, tempo)
    return Advice(held.subdivision, target.subdivision, asked, (*sentences, *more), no_runs=True)


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


def _slower(held: Played, own: Played, target: Step, tempo: float) -> tuple[list[str], float]:
    """The sentence that asks for what failed at a lower tempo, and that tempo.

    `own` is whose spread decides what is safe: the target's where it is known, or what is held.
    """
    safe = safe_tempo_bpm(target.per_beat, own.spread_ms, held.step_ms)
    asked = whole(min(safe, BACK_OFF * tempo))
    text = f"Then {target.subdivision} at {asked} BPM, {apart_text(target, asked)}"
    if asked + STEP_BPM <= safe:
        text += ", and up by 3 to 5 BPM whenever they stay on the grid"
        text += f", to {whole(safe)} BPM at most" if safe < tempo else ""
    limit = f": {limit_text(own, held)}" if safe < tempo else ""
    return [f"{text}{limit}."], float(asked)


def _nothing_denser(held: Played, tempo: float) -> Advice:
    """Nothing denser is common in this meter: the tempo, as far as it is safe."""
    safe = safe_tempo_bpm(held.per_beat, held.spread_ms)
    if safe >= tempo + STEP_BPM:
        asked = whole(tempo + STEP_BPM)
        raised = (
            f"Nothing denser is common in this meter: take the tempo to {asked} BPM, and up by "
            f"3 to 5 BPM whenever they stay on the grid, to {whole(safe)} BPM at most: "
            f"{limit_text(held)}."
        )
        sentences = (hold_text(held), raised)
        return Advice(held.subdivision, held.subdivision, float(asked), sentences)
    close = HANDS if held.step_ms <= CLOSEST_MS else f"closer is not safe with {spread_told(held)}"
    said = (
        f"Nothing denser or faster comes next: they lie {held.step_ms:.0f} ms apart already, and "
        f"{close}.",
        f"Stay at {bpm_text(tempo)} BPM, and mix them with longer notes for a whole chorus.",
    )
    return Advice(held.subdivision, held.subdivision, tempo, (hold_text(held), *said))


def _keep_the_time(
    analyses: Sequence[Analysis], held: Played, where: Analysis, worst: Phrase, tempo: float
) -> Advice:
    """Where the subdivision holds but the tempo does not: keep the time before speed."""
    meters = where.take.bars.meters
    backbeat = all(meter.kind == "simple" and meter.beats == 4 for meter in meters)
    beats: tuple[int, ...] = (2, 4) if backbeat else (1,)
    click = "on 2 and 4 only" if backbeat else "on the first beat of each bar only"
    of = f" of {printable(where.take.name)}" if len(analyses) > 1 else ""
    sentences = (
        f"Hold {held.subdivision}, and hold the time with them: the grid is steady "
        f"({spread_told(held)}), the tempo is not: phrase {worst.number}{of} is "
        f"{drift_text(worst)}.",
        f"Play the same line at {bpm_text(tempo)} BPM with the click {click}, and meet every bar "
        "line.",
    )
    return Advice(
        held.subdivision, held.subdivision, tempo, sentences,
        drift_bpm=worst.drift_bpm, click_beats=beats,
    )  # fmt: skip


def _named(analyses: Sequence[Analysis]) -> set[str]:
    """The subdivisions that the takes are said to be on: advice names no other."""
    return {
        name
        for a in analyses
        for phrase in a.phrases
        if phrase.verdict in JUDGED
        for name in a.notes.subdivision_name[phrase.start : phrase.stop]
        if name is not None
    }


def _settle_first(played: Sequence[Played], tolerance_ms: float, tempo: float) -> Advice:
    """Nothing is held yet: stay on what was surely played most until it is."""
    judged = [
        p
        for p in played
        if p.events >= ENOUGH_NOTES and p.confidence >= LIKELY and math.isfinite(p.spread_ms)
    ]
    if not judged:
        said = (
            "Too few notes lie surely on one subdivision to say what is held: play a chorus of one "
            "subdivision only, and analyze that."
        )
        return Advice(None, None, None, (said,))
    most = max(judged, key=lambda p: p.events)
    asked = tempo if most.apart else float(whole(min(_safe(most, most.per_beat), tempo)))
    sentences = (
        f"Stay on {most.subdivision}, at {bpm_text(asked)} BPM, and play nothing faster: "
        f"{not_held_text(most, tolerance_ms, tempo)}.",
        "Sing the subdivision while playing, and record the same chorus again.",
    )
    return Advice(most.subdivision, most.subdivision, asked, sentences, no_runs=True)


def _safe(held: Played, per_beat: float) -> float:
    return safe_tempo_bpm(per_beat, held.spread_ms, held.step_ms)
