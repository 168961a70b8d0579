"""A score: which stroke sounds when, how long, how loud and on which side.

Conventions: `improv.sound`. A stroke is a note of the plucked voice, a drum, or a click
of one of the kinds in `voices.CLICKS`; `pitch` is the MIDI number, for a click its row there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from improv.errors import UsageError
from improv.model import Floats, Ints
from improv.sound.voices import CLICK_ROW, CLICKS

LEFT, MIDDLE, RIGHT = -1.0, 0.0, 1.0
PLUCKED, DRUM, CLICK = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Score:
    """Strokes as columns of equal length, ascending in time; `end_sec` is where the sound ends.

    `voice` is `PLUCKED`, `DRUM` or `CLICK`. Silence before the first stroke and up to
    `end_sec` is kept.
    """

    onset_sec: Floats
    duration_sec: Floats
    voice: Ints
    pitch: Ints
    level: Floats
    side: Floats
    end_sec: float

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    def __len__(self) -> int:
        return len(self.onset_sec)


def note_strokes(
    onset_sec: ArrayLike,
    duration_sec: ArrayLike,
    pitch: ArrayLike,
    level: ArrayLike = 1.0,
    side: float = MIDDLE,
) -> Score:
    """Notes of the plucked voice; `pitch` are MIDI numbers, single values hold for all."""
    return _score(PLUCKED, onset_sec, duration_sec, pitch, level, side)


def drum_strokes(
    onset_sec: ArrayLike, pitch: ArrayLike, level: ArrayLike = 1.0, side: float = MIDDLE
) -> Score:
    """Drum strokes; `pitch` as in General MIDI's percussion table. They ring out by themselves."""
    return _score(DRUM, onset_sec, 2.0, pitch, level, side)


def click_strokes(
    onset_sec: ArrayLike,
    kinds: Sequence[str],
    level: ArrayLike = 1.0,
    side: float = MIDDLE,
) -> Score:
    """Clicks of the kinds named in `CLICKS`, one per onset. Raises `UsageError` for another."""
    unknown = sorted(set(kinds) - set(CLICK_ROW))
    if unknown:
        raise UsageError(f"no click '{unknown[0]}'; there are {', '.join(CLICK_ROW)}")
    row = np.array([CLICK_ROW[kind] for kind in kinds], dtype=np.int64)
    own_level = np.array([CLICKS[r].level for r in row.tolist()], dtype=np.float64)
    return _score(CLICK, onset_sec, 1.0, row, own_level * np.asarray(level), side)


def together(*scores: Score, end_sec: float = 0.0) -> Score:
    """Several scores at once, in time order, lasting at least to `end_sec`."""
    onset = np.concatenate([np.zeros(0), *(s.onset_sec for s in scores)])
    order = np.argsort(onset, kind="stable")

    def column(name: str, empty: type) -> np.ndarray:
        parts = [np.zeros(0, empty), *(getattr(s, name) for s in scores)]
        return np.concatenate(parts)[order]

    return Score(
        onset[order],
        column("duration_sec", np.float64),
        column("voice", np.int64),
        column("pitch", np.int64),
        column("level", np.float64),
        column("side", np.float64),
        max([end_sec, *(s.end_sec for s in scores)]),
    )


def _score(
    voice: int,
    onset_sec: ArrayLike,
    duration_sec: ArrayLike,
    pitch: ArrayLike,
    level: ArrayLike,
    side: float,
) -> Score:
    onset = np.array(onset_sec, dtype=np.float64).reshape(-1)
    count = len(onset)
    if not np.isfinite(onset).all() or (count and onset.min() < 0):
        raise ValueError("strokes need finite times from 0 on")
    order = np.argsort(onset, kind="stable")
    length = np.broadcast_to(np.asarray(duration_sec, dtype=np.float64), count)[order]
    return Score(
        onset[order],
        length,
        np.full(count, voice, dtype=np.int64),
        np.broadcast_to(np.asarray(pitch, dtype=np.int64), count)[order],
        np.broadcast_to(np.asarray(level, dtype=np.float64), count)[order],
        np.full(count, float(side)),
        float(onset.max(initial=0.0)),
    )
