"""What may be advised: one function for each next step, from what is held and what is safe.

Conventions
-----------
* A subdivision that was attempted and not held at this tempo starts at `BACK_OFF` of it, one that
  is held but left the grid now and then at `EASE_OFF`; tempi go up by `STEP_BPM` or so (common
  practice, no source: slow down first, then raise in small steps). Nothing whose notes lie
  closer than `held.CLOSEST_MS` is ever to be made faster.
  A limit is told only where it decides the tempo asked for, or how far that may go up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from improv.files import printable
from improv.held import CLOSEST_MS, ENOUGH_NOTES, Played, Step, safe_tempo_bpm
from improv.model import Analysis, Phrase
from improv.practice_words import (
    HANDS,
    apart_text,
    attempts_text,
    hold_text,
    limit_text,
    not_held_text,
    on_grid_text,
    spread_told,
    whole,
)
from improv.wording import bpm_text, capital, drift_text, number_word

BACK_OFF = 0.75
EASE_OFF = 0.9
STEP_BPM = 4.0
LIKELY = 0.5

CAUTION = (
    "Fast passages in short goes, with rests; stop when something hurts, and take pain "
    "that stays to a teacher or a clinician."
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


def next_step(held: Played, target: Step, tempo: float) -> Advice:
    """The densest is steady: the next one, at once or as fast as is safe for it."""
    safe = _safe(held, target.per_beat)
    asked = whole(min(safe, tempo))
    next_one = f"Next: {target.subdivision} at {asked} BPM, {apart_text(target, asked)}"
    limit = f": {limit_text(held, held)}" if asked < whole(tempo) else ""
    sentences = (hold_text(held), f"{next_one}{limit}.")
    return Advice(held.subdivision, target.subdivision, float(asked), sentences)


def once_more(held: Played, failed: Played, tolerance_ms: float, tempo: float) -> Advice:
    """A denser one was tried and is not held: that one, slower."""
    target = Step(failed.subdivision, failed.per_beat)
    sentences, asked = _slower(held, failed, target, tempo)
    why = not_held_text(failed, tolerance_ms, tempo)
    said = (hold_text(held), f"{capital(failed.subdivision)} are not held yet: {why}.", *sentences)
    return Advice(held.subdivision, failed.subdivision, asked, said)


def slow_down(
    held: Played, failed: Played | None, target: Step, faster: int, tempo: float
) -> Advice:
    """Faster runs left the grid: what is held first, then what they were meant to be, slower."""
    what = "a faster run" if faster == 1 else f"{number_word(faster)} faster runs"
    own = failed if failed and failed.subdivision == target.subdivision else held
    more, asked = _slower(held, own, target, tempo)
    sentences = (
        hold_text(held),
        f"Play nothing faster for a whole chorus: at {bpm_text(tempo)} BPM {what} left the grid.",
        *more,
    )
    return Advice(held.subdivision, target.subdivision, asked, sentences, no_runs=True)


def ease_off(held: Played, tempo: float) -> Advice:
    """The densest that is held left the grid now and then: the same, a little slower."""
    asked = whole(
        min(safe_tempo_bpm(held.per_beat, held.spread_ms, held.step_ms), EASE_OFF * tempo)
    )
    target = Step(held.subdivision, held.per_beat)
    sentences = (
        hold_text(held),
        f"Play nothing faster until all of them stay: at {bpm_text(tempo)} BPM "
        f"{attempts_text(held)} left the grid.",
        f"Begin at {asked} BPM, {apart_text(target, asked)}, and up by 3 to 5 BPM whenever they "
        "stay on the grid.",
    )
    return Advice(held.subdivision, held.subdivision, float(asked), sentences, no_runs=True)


def in_a_row_next(held: Played, lone: Played, tempo: float) -> Advice:
    """Notes lie on a dense grid, but not one beside another: that one, note by note.

    `held` and `lone` are one where nothing was played note by note.
    """
    target = Step(lone.subdivision, lone.per_beat)
    asked = whole(min(safe_tempo_bpm(lone.per_beat, lone.spread_ms), tempo))
    first = hold_text(held) if held.subdivision != lone.subdivision else on_grid_text(lone)
    sentences = (
        first,
        f"Next: {lone.subdivision} in a row at {asked} BPM, {apart_text(target, asked)}: here "
        "hardly any two of them were neighbours.",
    )
    return Advice(held.subdivision, lone.subdivision, float(asked), sentences)


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


def nothing_denser(held: Played, tempo: float) -> Advice:
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


def keep_the_time(
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


def settle_first(played: Sequence[Played], tolerance_ms: float, tempo: float) -> Advice:
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
    asked = tempo if most.stays else float(whole(BACK_OFF * tempo))
    asked = asked if most.apart else float(whole(min(_safe(most, most.per_beat), asked)))
    sentences = (
        f"Stay on {most.subdivision}, at {bpm_text(asked)} BPM, and play nothing faster: "
        f"{not_held_text(most, tolerance_ms, tempo)}.",
        "Sing the subdivision while playing, and record the same chorus again.",
    )
    return Advice(most.subdivision, most.subdivision, asked, sentences, no_runs=True)


def _safe(held: Played, per_beat: float) -> float:
    return safe_tempo_bpm(per_beat, held.spread_ms, held.step_ms)
