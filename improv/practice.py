"""One thing to practise, derived from the numbers.

Two questions are answered from an `Analysis`: which is the densest subdivision this
player *holds*, and at which tempo would the spread shown there be *safe* for the next
denser one.

Conventions
-----------
* Held: at least `ENOUGH_NOTES` events on the grid, called with `SURE` confidence on the whole,
  spread at most the tolerance, and at least `HELD_SHARE` of all attempts at that rate on the
  grid rather than in a run off it.
* Spread: scatter about each phrase's own straight line (offset and drift taken out), as
  1.4826 times the median absolute residual, so that a fumbled note does not decide.
* Safe: neighbours at least `SAFE_SPREADS` spreads apart, so that a note strays past the
  halfway point about once in 370 (three standard deviations of a normal scatter), and at
  least `CLOSEST_MS` apart (Repp 2006: synchronisation fails beyond 8 to 10 notes a second),
  or as close as the player holds them already.
* A drift is worth practising on once it adds up to `LAG_MS` within a phrase: the widest
  window in which onsets are usually counted as one (mir_eval's default).
* A subdivision whose runs left the grid at this tempo starts at `BACK_OFF` of it (common
  practice, no source: slow down first, then raise in small steps).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.grid import SUBDIVISIONS, name, offered
from improv.meter import Meter
from improv.model import Analysis, Floats, Ints, Phrase
from improv.wording import bpm_text, counted, drift_text, lag_ms, number_word

ENOUGH_NOTES = 12
HELD_SHARE = 0.8
SURE = 0.8
SAFE_SPREADS = 6.0
CLOSEST_MS = 100.0
BACK_OFF = 0.75
ENOUGH_FOR_LINE = 8
FASTER = 1.1
LEAST_SPREAD_MS = 6.0
LAG_MS = 50.0
COMMON_WEIGHT = 0.5

CAUTION = (
    "Fast passages in short goes, with rests; stop when something hurts, and take pain "
    "that stays to a teacher or a clinician."
)


@dataclass(frozen=True)
class Played:
    """One subdivision as this take has it: how often, how widely, how surely, how often failed."""

    subdivision: str
    per_beat: float
    events: int
    spread_ms: float
    off_grid_events: int
    confidence: float = 1.0

    @property
    def held_share(self) -> float:
        """Share of the attempts at this rate that stayed on the grid."""
        return self.events / (self.events + self.off_grid_events)


@dataclass(frozen=True)
class Advice:
    """The one thing to do next. `hold` and `next` are names of subdivisions.

    `tempo_bpm` is the tempo for `next`; `sentences` say it, and why, in words.
    """

    hold: str | None
    hold_spread_ms: float | None
    next: str | None
    tempo_bpm: float | None
    sentences: tuple[str, ...]
    caution: str = CAUTION

    @property
    def text(self) -> str:
        """The advice in one paragraph, without the caution."""
        return " ".join(self.sentences)


def advise(analysis: Analysis) -> Advice:
    """The one thing to practise after this take."""
    played = subdivisions_played(analysis)
    held = [p for p in played if is_held(p, analysis.settings.tolerance_ms)]
    drifting = _worst_drift(analysis)
    if not held:
        return _settle_first(analysis, played)
    densest = max(held, key=lambda p: (p.per_beat, p.events))
    floating = _floating_rates(analysis, densest.per_beat)
    if drifting is not None and not len(floating):
        return _keep_the_time(analysis, densest, drifting)
    return _next_step(analysis, densest, floating)


def is_held(played: Played, tolerance_ms: float) -> bool:
    """Whether a subdivision counts as held; see the module's conventions."""
    return (
        played.events >= ENOUGH_NOTES
        and played.confidence >= SURE
        and played.spread_ms <= tolerance_ms
        and played.held_share >= HELD_SHARE
    )


def safe_tempo_bpm(per_beat: float, spread_ms: float, closest_ms: float = CLOSEST_MS) -> float:
    """Fastest tempo, in beats per minute, at which `per_beat` notes are safe for a spread.

    `closest_ms`: how near to each other the player is known to hold notes.
    """
    spacing_ms = max(SAFE_SPREADS * max(spread_ms, LEAST_SPREAD_MS), min(closest_ms, CLOSEST_MS))
    return 60_000.0 / (per_beat * spacing_ms)


def subdivisions_played(analysis: Analysis) -> tuple[Played, ...]:
    """Every subdivision of the take with its events, spread and failed attempts, densest last."""
    notes = analysis.notes
    first = np.ones(len(notes), dtype=bool)
    first[1:] = np.diff(notes.event) != 0
    on_grid = first & ~notes.grace & (notes.subdivision >= 0) & ~notes.off_grid
    found = []
    for index in np.unique(notes.subdivision[on_grid]):
        rows = np.flatnonzero(on_grid & (notes.subdivision == index))
        called = notes.subdivision_name[rows[0]] or SUBDIVISIONS[int(index)].key
        found.append(
            Played(
                called,
                float(notes.per_beat[rows[0]]),
                len(rows),
                _spread(notes.phrase[rows], notes.onset_sec[rows], notes.deviation_ms[rows]),
                _failed(analysis, called, float(notes.per_beat[rows[0]])),
                float(notes.confidence[rows].mean()),
            )
        )
    return tuple(sorted(found, key=lambda p: p.per_beat))


def _failed(analysis: Analysis, called: str, per_beat: float) -> int:
    """Events of off-grid runs that were attempts at this subdivision: nearest by rate."""
    count = 0
    for run in analysis.runs:
        if run.off_grid and run.between is not None and called in run.between:
            near = abs(np.log2(run.notes_per_beat / per_beat)) < 0.25
            count += run.events if near else 0
    return count


def _spread(phrase: Ints, onset_sec: Floats, deviation_ms: Floats) -> float:
    """Robust scatter of deviations about one straight line per phrase, in ms.

    The line of a phrase with fewer than `ENOUGH_FOR_LINE` notes is level.
    """
    _, group = np.unique(phrase, return_inverse=True)
    count = np.bincount(group)
    at = onset_sec - (np.bincount(group, onset_sec) / count)[group]
    off = deviation_ms - (np.bincount(group, deviation_ms) / count)[group]
    along = np.bincount(group, at * at)
    sloped = (count >= ENOUGH_FOR_LINE) & (along > 0)
    slope = np.where(sloped, np.bincount(group, at * off) / np.where(sloped, along, 1.0), 0.0)
    left = len(group) - int(np.where(sloped, 2, 1).sum())
    if left < 1:
        return float("inf")
    typical = float(np.median(np.abs(off - slope[group] * at)[count[group] > 1]))
    return 1.4826 * typical * float(np.sqrt(len(group) / left))


def _floating_rates(analysis: Analysis, faster_than: float) -> Floats:
    """Rates of the off-grid runs that are clearly faster than what is held."""
    rates = [run.notes_per_beat for run in analysis.runs if run.off_grid]
    return np.array([rate for rate in rates if rate > FASTER * faster_than])


def _main_meter(analysis: Analysis) -> Meter | None:
    """The meter most bars are in."""
    bars = analysis.take.bars
    return bars.meters[int(np.bincount(bars.meter).argmax())] if len(bars.meter) else None


def _ladder(analysis: Analysis, above: float) -> list[tuple[str, float]]:
    """The commonly met straight subdivisions denser than `above`, coarsest first."""
    meter = _main_meter(analysis)
    if meter is None:
        return []
    rows = [SUBDIVISIONS[i] for i in offered(meter)]
    steps = [
        (name(r, meter) or r.key, float(r.per_beat(meter.kind) or 0))
        for r in rows
        if not r.swung and r.prior_weight(meter.kind) >= COMMON_WEIGHT
    ]
    return sorted((s for s in steps if s[1] > above * 1.01), key=lambda s: s[1])


def _next_step(analysis: Analysis, held: Played, floating: Floats) -> Advice:
    """Hold the densest that is steady, then the next: at once, or slower where runs float."""
    sentences = [
        f"Hold {held.subdivision}: the densest subdivision that stays on the grid here "
        f"({held.spread_ms:.0f} ms spread over {counted(held.events, 'note')}).",
    ]
    steps = _ladder(analysis, held.per_beat)
    if not steps:
        sentences.append("Nothing denser is left to try; raise the tempo instead, in small steps.")
        return Advice(held.subdivision, held.spread_ms, None, None, tuple(sentences))
    target = steps[0]
    if len(floating):
        reached = [s for s in steps if s[1] <= 1.05 * float(np.median(floating))]
        target = reached[-1] if reached else target
    take_bpm = analysis.take.tempo_bpm
    held_ms = 60_000.0 / (held.per_beat * take_bpm)
    safe = safe_tempo_bpm(target[1], held.spread_ms, held_ms)
    tempo = int(min(safe, take_bpm * (BACK_OFF if len(floating) else 1.0)))
    sentences += (
        _floated(target, tempo, len(floating), take_bpm)
        if len(floating)
        else [f"Next: {target[0]} at {tempo} BPM."]
    )
    sentences.append(_why(target, tempo, safe, min(held_ms, CLOSEST_MS)))
    return Advice(held.subdivision, held.spread_ms, target[0], float(tempo), tuple(sentences))


def _floated(target: tuple[str, float], tempo: int, runs: int, take_bpm: float) -> list[str]:
    """Why to slow down first, where faster runs left the grid."""
    what = "a faster run" if runs == 1 else f"{number_word(runs)} faster runs"
    return [
        f"Play nothing faster for a whole chorus: at {bpm_text(take_bpm)} BPM {what} left the "
        "grid.",
        f"Then {target[0]} at {tempo} BPM, and up by 3 to 5 BPM whenever they stay on the grid.",
    ]


def _why(target: tuple[str, float], tempo: int, safe: float, closest_ms: float) -> str:
    """The reasoning behind a tempo, with its numbers."""
    spacing = 60_000.0 / (tempo * target[1])
    return (
        f"There {target[0]} lie {spacing:.0f} ms apart; by spread alone they are safe up to "
        f"{int(safe)} BPM (neighbours six spreads, and {closest_ms:.0f} ms, apart: a note then "
        "strays past halfway about once in 370)."
    )


def _worst_drift(analysis: Analysis) -> Phrase | None:
    """The phrase that ends farthest from the backing by drift, if one is plainly off it."""
    drifting = [p for p in analysis.phrases if drift_text(p) and lag_ms(p) >= LAG_MS]
    return max(drifting, key=lag_ms, default=None)


def _keep_the_time(analysis: Analysis, held: Played, worst: Phrase) -> Advice:
    """Where the subdivision holds but the tempo does not: keep the time before speed."""
    meter = _main_meter(analysis)
    backbeat = meter is not None and meter.kind == "simple" and meter.beats == 4
    click = "on 2 and 4 only" if backbeat else "on the first beat of each bar only"
    sentences = (
        f"Hold {held.subdivision}, and hold the time with them: the grid is steady "
        f"({held.spread_ms:.0f} ms spread), the tempo is not: phrase {worst.number} is "
        f"{drift_text(worst)}.",
        f"Play the same line at {bpm_text(analysis.take.tempo_bpm)} BPM with the click {click}, "
        "and meet every bar line.",
    )
    return Advice(
        held.subdivision, held.spread_ms, held.subdivision, analysis.take.tempo_bpm, sentences
    )


def _settle_first(analysis: Analysis, played: tuple[Played, ...]) -> Advice:
    """Nothing is held yet: stay on what was played most until its spread is tight."""
    tolerance = analysis.settings.tolerance_ms
    judged = [p for p in played if p.events >= ENOUGH_NOTES]
    if not judged:
        return Advice(
            None, None, None, None,
            ("Too few notes lie on one subdivision to say what is held: play a chorus of one "
             "subdivision only, and analyze that.",),
        )  # fmt: skip
    most = max(judged, key=lambda p: p.events)
    bpm = bpm_text(analysis.take.tempo_bpm)
    if most.spread_ms <= tolerance:
        why = f"only {round(100 * most.held_share)} % of the attempts at that rate stay on the grid"
    else:
        why = f"their spread is {most.spread_ms:.0f} ms; below {tolerance:.0f} ms they are held"
    sentences = (
        f"Stay on {most.subdivision} at {bpm} BPM and play nothing faster: {why}.",
        "Sing the subdivision while playing, and record the same chorus again.",
    )
    return Advice(
        most.subdivision, most.spread_ms, most.subdivision, analysis.take.tempo_bpm, sentences
    )
