"""Seeded takes with known truth, for tests, examples and benchmarks: who plays what.

A `Line` is what is to be played, piece by piece; a `Hand` is who plays it. `play`
returns the take as it would be read from a file, and beside it the `Truth`: which
subdivision and position each note was meant for, and how far it strayed.

    line = Line((Stretch("eighths", 8), Rest(4), Stretch("sixteenths", 8, filled=0.8)))
    take, truth = play(line, Hand(offset_ms=12.0, spread_ms=15.0), seed=1)

Conventions: lengths in beats of the meter (dotted quarters in 6/8; every group of an
additive bar is one beat), positions in quarter notes from bar 1 beat 1, deviations in
ms, positive = late. The same line, hand and seed give the same take.
"""

from __future__ import annotations

import numpy as np

from improv.meter import meter_text, parse_meter
from improv.model import Floats, Take, TempoMap
from improv.synth_hand import Hand, phrase_hands, scatter
from improv.synth_line import (
    FreeRun,
    Line,
    Notated,
    Piece,
    Rest,
    Stretch,
    gliding_run,
    steady_run,
    uneven_run,
)
from improv.synth_notes import Struck, strike
from improv.synth_plan import Plan, plan_line
from improv.synth_truth import Truth, tell_truth
from improv.tempo import constant_tempo, lay_bars, seconds_at

__all__ = [
    "FreeRun",
    "Hand",
    "Line",
    "Notated",
    "Piece",
    "Rest",
    "Stretch",
    "Truth",
    "gliding_run",
    "play",
    "steady_run",
    "uneven_run",
]

LEAD_IN_SEC = 1.0
CLOSEST_STROKES_MS = 30.0
"""No hand plays two notes of one melody closer than this; a note that would is held back."""


def play(line: Line, hand: Hand, seed: int) -> tuple[Take, Truth]:
    """The take that `hand` makes of `line`, and the truth about it.

    Raises `UsageError` for a meter or subdivision that does not exist.
    """
    rng = np.random.default_rng(seed)
    hands = phrase_hands(hand, line.phrases, rng)
    plan = plan_line(line, [(h.swing_ratio, h.half_swing_ratio) for h in hands], rng)
    tempo_map = _backing(line, plan)
    due_sec = _due(line, plan, tempo_map)
    stray, fumbled = scatter(plan, due_sec, hands, hand, rng)
    offset = np.array([h.offset_ms for h in hands])[plan.phrase]
    onset_sec = _keep_apart(due_sec + (offset + stray) / 1000.0)
    struck = strike(onset_sec, plan, line, rng)
    truth = tell_truth(line, hand, hands, plan, struck, stray, fumbled, tempo_map)
    return _take(line, struck, tempo_map), truth


def _backing(line: Line, plan: Plan) -> TempoMap:
    """A steady backing whose bar 1 leaves room for a pickup after the start of the file."""
    cycle = parse_meter(line.meter)
    quarter_bpm = line.tempo_bpm * float(cycle[0].tempo_beat_quarter)
    first = float(plan.due_quarter.min(initial=0.0))
    return constant_tempo(quarter_bpm, LEAD_IN_SEC - min(first, 0.0) * 60.0 / quarter_bpm)


def _due(line: Line, plan: Plan, tempo_map: TempoMap) -> Floats:
    """When each event falls due, in seconds: each phrase at its own tempo from its first note."""
    due = seconds_at(tempo_map, plan.due_quarter)
    for phrase, drift_bpm in enumerate(line.drifts_bpm):
        here = plan.phrase == phrase
        if drift_bpm and here.any():
            first = due[here][0]
            due[here] = first + (due[here] - first) * line.tempo_bpm / (line.tempo_bpm + drift_bpm)
    return due


def _keep_apart(onset_sec: Floats) -> Floats:
    """Strokes in playing order, none nearer the one before than a hand can make."""
    step = CLOSEST_STROKES_MS / 1000.0 * np.arange(len(onset_sec))
    return np.asarray(np.maximum.accumulate(onset_sec - step) + step, dtype=np.float64)


def _take(line: Line, struck: Struck, tempo_map: TempoMap) -> Take:
    cycle = parse_meter(line.meter)
    quarter_sec = float(tempo_map.quarter_sec[0])
    zero = float(tempo_map.start_sec[0])
    last = (float(struck.release_sec.max(initial=zero)) - zero) / quarter_sec
    bars = lay_bars(((0.0, cycle),), -zero / quarter_sec, last)
    return Take(
        "synthetic take",
        "solo",
        struck.onset_sec,
        struck.release_sec,
        struck.pitch,
        struck.velocity,
        np.ones(len(struck.pitch), dtype=np.bool_),
        tempo_map,
        bars,
        meter_text(cycle),
        line.tempo_bpm,
    )
