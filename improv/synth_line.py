"""What is to be played: a line of stretches, written rhythms, free runs and rests.

Conventions: lengths in beats of the meter; written onsets in quarter notes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from improv.errors import UsageError


@dataclass(frozen=True)
class Stretch:
    """`beats` of one subdivision, named as musicians name it in the meter.

    Each of its grid positions is played with probability `filled`. After a free run the
    length counts from the first whole beat, and positions before it are played too.
    """

    subdivision: str
    beats: float
    filled: float = 1.0


@dataclass(frozen=True)
class Notated:
    """A written rhythm of `quarters` length: onsets in quarter notes from its start.

    After a free run it starts from the bar line at or before, less what has been passed.
    """

    onsets_quarter: tuple[float, ...]
    quarters: float
    swung: bool = False


@dataclass(frozen=True)
class FreeRun:
    """Notes on no grid: the first `steps_beat[0]` beats on, each next one a step later.

    Three quarters of the last step pass before the line goes on.
    """

    steps_beat: tuple[float, ...]
    kind: str = "steady"


@dataclass(frozen=True)
class Rest:
    """Silence of `beats`, prolonged to the next whole beat or bar line if `to` says so."""

    beats: float
    to: Literal["", "beat", "bar"] = ""


Piece = Stretch | Notated | FreeRun | Rest


def steady_run(notes: int, notes_per_beat: float) -> FreeRun:
    """A free run at one rate."""
    return FreeRun((1.0 / notes_per_beat,) * notes, "steady")


def gliding_run(notes: int, first_per_beat: float, last_per_beat: float) -> FreeRun:
    """A free run whose steps grow or shrink evenly in proportion from one rate to another."""
    steps = 1.0 / np.geomspace(first_per_beat, last_per_beat, notes)
    kind = "speeding up" if last_per_beat > first_per_beat else "slowing down"
    return FreeRun(tuple(map(float, steps)), kind)


def uneven_run(notes: int, notes_per_beat: float, unevenness: float, seed: int) -> FreeRun:
    """A free run whose steps scatter by the factor exp(N(0, `unevenness`)) about one rate."""
    factor = np.exp(np.random.default_rng(seed).normal(0.0, unevenness, notes))
    return FreeRun(tuple(map(float, factor / notes_per_beat)), "uneven")


@dataclass(frozen=True)
class Line:
    """What is to be played over a steady backing.

    `tempo_bpm` counts the meter's beats (two units in an additive meter). `start_beat`
    places the first piece, negative for a pickup. `drift_bpm` is each phrase's own tempo
    against the backing, positive = rushing: one number for all or one per phrase.
    `chords` and `graces` are the shares of notes that get companions or ornaments.
    """

    pieces: tuple[Piece, ...]
    meter: str = "4/4"
    tempo_bpm: float = 120.0
    start_beat: float = 0.0
    drift_bpm: float | tuple[float, ...] = 0.0
    chords: float = 0.0
    graces: float = 0.0

    @property
    def phrases(self) -> int:
        """Phrases in the line: rests part them."""
        return 1 + sum(isinstance(p, Rest) for p in self.pieces)

    @property
    def drifts_bpm(self) -> tuple[float, ...]:
        """One drift per phrase."""
        if isinstance(self.drift_bpm, tuple):
            if len(self.drift_bpm) != self.phrases:
                raise UsageError(
                    f"{len(self.drift_bpm)} drifts for {self.phrases} phrases: give one each"
                )
            return self.drift_bpm
        return (self.drift_bpm,) * self.phrases
