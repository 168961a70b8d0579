"""What a synthetic take was meant to be: the truth that an analysis is scored against.

Conventions: positions in quarter notes from bar 1 beat 1; deviations in ms, positive =
late; NaN where a note of a free run has no grid. One row per note, aligned with the
take's notes; the notes of a chord and a grace note repeat their event's row.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.model import Bools, Floats, Ints, TempoMap, _Frozen
from improv.synth_hand import Hand, PhraseHand
from improv.synth_line import Line
from improv.synth_notes import Struck
from improv.synth_plan import Plan
from improv.tempo import seconds_at


@dataclass(frozen=True)
class PhraseTruth:
    """One phrase: rows [start, stop), and the hand in it. `drift_bpm` positive = rushing."""

    start: int
    stop: int
    offset_ms: float
    spread_ms: float
    swing_ratio: float
    half_swing_ratio: float
    drift_bpm: float


@dataclass(frozen=True, eq=False)
class Truth(_Frozen):
    """The truth about a take, one row per note.

    `subdivision` indexes `grid.SUBDIVISIONS`, -1 in free runs; of a written rhythm it is
    the coarsest row that holds the stretch. `position_quarter` is the place on the straight
    grid, `due_quarter` the same with the swing. `deviation_ms` is the onset against
    `due_quarter`: offset, drift and scatter together; `stray_ms` the scatter alone.
    `main` marks the rows to score: one per event. `run_kinds[segment]` is "" on a grid.
    """

    event: Ints
    main: Bools
    grace: Bools
    phrase: Ints
    segment: Ints
    subdivision: Ints
    position_quarter: Floats
    due_quarter: Floats
    free: Bools
    notated: Bools
    deviation_ms: Floats
    stray_ms: Floats
    fumbled: Bools
    run_kinds: tuple[str, ...]
    phrases: tuple[PhraseTruth, ...]
    hand: Hand
    line: Line

    def __len__(self) -> int:
        return len(self.event)


def tell_truth(
    line: Line,
    hand: Hand,
    hands: list[PhraseHand],
    plan: Plan,
    struck: Struck,
    stray_ms: Floats,
    fumbled: Bools,
    tempo_map: TempoMap,
) -> Truth:
    """Spread the truth about the events of a plan over the notes struck for them."""
    event = struck.event
    free = plan.subdivision[event] < 0
    main_onset = struck.onset_sec[struck.main][np.argsort(event[struck.main])]
    deviation = 1000.0 * (main_onset - seconds_at(tempo_map, plan.due_quarter))[event]
    return Truth(
        event,
        struck.main,
        struck.grace,
        plan.phrase[event],
        plan.segment[event],
        plan.subdivision[event],
        plan.position_quarter[event],
        plan.due_quarter[event],
        free,
        plan.notated[event],
        np.where(free, np.nan, deviation),
        stray_ms[event],
        fumbled[event],
        plan.kinds,
        _phrases(line, hands, plan.phrase[event]),
        hand,
        line,
    )


def _phrases(line: Line, hands: list[PhraseHand], phrase: Ints) -> tuple[PhraseTruth, ...]:
    starts = np.searchsorted(phrase, np.arange(len(hands) + 1))
    return tuple(
        PhraseTruth(
            int(starts[i]),
            int(starts[i + 1]),
            h.offset_ms,
            h.spread_ms,
            h.swing_ratio,
            h.half_swing_ratio,
            line.drifts_bpm[i],
        )
        for i, h in enumerate(hands)
    )
