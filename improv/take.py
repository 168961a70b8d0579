"""What goes into an analysis: a recorded take over a known backing. Its nouns; no algorithms.

Conventions: those of `model`, which has these too.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.meter import Meter

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class _Frozen:
    """Makes every array of a dataclass read-only once it is built."""

    def __post_init__(self) -> None:
        for f in fields(self):  # type: ignore[arg-type]
            value: Any = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


NOTE_COLUMNS = ("onset_sec", "release_sec", "pitch", "velocity", "released")
"""The columns of a `Take` that have one entry a note."""


@dataclass(frozen=True, eq=False)
class TempoMap(_Frozen):
    """Piecewise-constant tempo: segment i starts at `start_sec[i]` = `start_quarter[i]`.

    Quarter 0 lies at bar 1 beat 1. `quarter_sec[i]` is the length of a quarter
    note in segment i; the first and last segments extend without end.
    """

    start_sec: Floats
    start_quarter: Floats
    quarter_sec: Floats


@dataclass(frozen=True, eq=False)
class Bars(_Frozen):
    """The bar lines under a take, in order.

    `start_quarter` has one more entry than there are bars (the closing bar line);
    `number` is the musician's bar number (bar 1 starts at quarter 0); `meter[i]`
    indexes `meters`, the first of which is bar 1's; `first_beat[i]` counts beats from bar 1 beat 1.
    """

    start_quarter: Floats
    number: Ints
    meter: Ints
    first_beat: Ints
    meters: tuple[Meter, ...]

    @property
    def tempo_beat_quarter(self) -> Floats:
        """Length in quarters of the beat that a tempo counts, by index into `meters`."""
        return np.array([float(meter.tempo_beat_quarter) for meter in self.meters])

    @property
    def stated_beat_quarter(self) -> float:
        """Length in quarters of the one beat that the take's tempo and rates are told in."""
        return float(self.meters[0].tempo_beat_quarter)


@dataclass(frozen=True, eq=False, repr=False)
class Take(_Frozen):
    """One recorded solo: its notes in time order over a known backing.

    `released` is False where the file never ends the note (its `release_sec` is then
    the next onset or the end of the file). `start_found`: bar 1 was found from the playing, so
    no constant offset can be told. `percussion`: several limbs strike, on MIDI's channel 10.
    `file_tempo_map`: what the take's own file states, where another tempo is used (its quarter 0
    lies anywhere), else `None`. `warnings` are whole sentences for the user.
    """

    name: str
    track: str
    onset_sec: Floats
    release_sec: Floats
    pitch: Ints
    velocity: Ints
    released: Bools
    tempo_map: TempoMap
    bars: Bars
    meter_text: str
    tempo_bpm: float
    warnings: tuple[str, ...] = ()
    start_found: bool = False
    percussion: bool = False
    file_tempo_map: TempoMap | None = None

    def __len__(self) -> int:
        return len(self.onset_sec)

    def at(self, kept: Bools | Ints) -> Take:
        """The take of some of its notes, over the same backing: a mask, or ascending rows."""
        return replace(self, **{name: getattr(self, name)[kept] for name in NOTE_COLUMNS})

    def __repr__(self) -> str:
        return f"<Take {self}>"

    def __str__(self) -> str:
        return f"{self.name}: {len(self)} notes, {self.meter_text} at {self.tempo_bpm:.4g} BPM"
