"""Short ways to make takes for tests of the core: onsets in beats, or a line and a hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv import Analysis, Settings, Take, analyze, ornaments
from improv.events import Events, events_of
from improv.meter import meter_text, parse_meter
from improv.model import Floats
from improv.strokes import Strokes
from improv.synth import Hand, Line, Piece, play
from improv.tempo import constant_tempo, lay_bars

LEAD_SEC = 2.0


def take_of(
    beats: Floats,
    bpm: float = 120.0,
    meter: str = "4/4",
    late_ms: float | Floats = 0.0,
    length_beat: float = 0.2,
) -> Take:
    """A line of single notes at beats from bar 1 beat 1, each struck `late_ms` late."""
    cycle = parse_meter(meter)
    quarter_bpm = bpm * float(cycle[0].tempo_beat_quarter)
    onset = LEAD_SEC + np.asarray(beats) * 60.0 / bpm + np.asarray(late_ms) / 1000.0
    count = len(onset)
    last_quarter = float(onset.max() - LEAD_SEC + 1.0) * quarter_bpm / 60.0
    return Take(
        "made.mid",
        "solo",
        onset,
        onset + length_beat * 60.0 / bpm,
        60 + np.arange(count, dtype=np.int64) % 12,
        np.full(count, 80, dtype=np.int64),
        np.ones(count, dtype=np.bool_),
        constant_tempo(quarter_bpm, LEAD_SEC),
        lay_bars(((0.0, cycle),), -LEAD_SEC * quarter_bpm / 60.0, last_quarter),
        meter_text(cycle),
        bpm,
    )


def group(take: Take, chord_spread_ms: float) -> Events:
    """A take's notes as events, ornaments as they are guessed at first sight."""
    strokes = Strokes.of(take, chord_spread_ms)
    return events_of(take, strokes, ornaments.guess(strokes))


def scattered(count: int, spread_ms: float, seed: int, memory: float = 0.3) -> Floats:
    """Deviations in ms of a hand with exactly this standard deviation and mean 0."""
    fresh = np.random.default_rng(seed).standard_normal(count)
    for i in range(1, count):
        fresh[i] = memory * fresh[i - 1] + np.sqrt(1 - memory**2) * fresh[i]
    return np.asarray(spread_ms * (fresh - fresh.mean()) / fresh.std())


def heard(
    *pieces: Piece,
    hand: Hand | None = None,
    seed: int = 1,
    settings: Settings | None = None,
    **line: object,
) -> Analysis:
    """What is heard of a line as one hand plays it."""
    take, _ = play(Line(pieces, **line), hand or Hand(spread_ms=10.0), seed)  # type: ignore[arg-type]
    return analyze(take, settings)


def shifted(take: Take, late_ms: float) -> Take:
    """The same playing with every note this much later."""
    by = late_ms / 1000.0
    return replace(take, onset_sec=take.onset_sec + by, release_sec=take.release_sec + by)
