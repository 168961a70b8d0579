"""Seconds to quarter notes to bar and beat, and back: pure arithmetic on arrays.

Conventions: see `model.TempoMap` and `model.Bars`. Quarter 0 is bar 1 beat 1. All
functions take and return float64 arrays of the same shape; nothing is rounded.
"""

from __future__ import annotations

import numpy as np

from improv.meter import Meter
from improv.model import Bars, Floats, Ints, TempoMap


def constant_tempo(quarter_bpm: float, first_downbeat_sec: float = 0.0) -> TempoMap:
    """One tempo throughout, in quarter notes per minute, quarter 0 at `first_downbeat_sec`."""
    return TempoMap(np.array([first_downbeat_sec]), np.zeros(1), np.array([60.0 / quarter_bpm]))


def quarters_at(tempo_map: TempoMap, at_sec: Floats) -> Floats:
    """Quarter-note position of times in seconds."""
    i = np.clip(np.searchsorted(tempo_map.start_sec, at_sec, side="right") - 1, 0, None)
    into = (at_sec - tempo_map.start_sec[i]) / tempo_map.quarter_sec[i]
    return np.asarray(tempo_map.start_quarter[i] + into, dtype=np.float64)


def seconds_at(tempo_map: TempoMap, at_quarter: Floats) -> Floats:
    """Time in seconds of quarter-note positions."""
    i = np.clip(np.searchsorted(tempo_map.start_quarter, at_quarter, side="right") - 1, 0, None)
    into = (at_quarter - tempo_map.start_quarter[i]) * tempo_map.quarter_sec[i]
    return np.asarray(tempo_map.start_sec[i] + into, dtype=np.float64)


def quarter_sec_at(tempo_map: TempoMap, at_quarter: Floats) -> Floats:
    """Length in seconds of a quarter note at quarter-note positions."""
    i = np.clip(np.searchsorted(tempo_map.start_quarter, at_quarter, side="right") - 1, 0, None)
    return tempo_map.quarter_sec[i]


def lay_bars(
    changes: tuple[tuple[float, tuple[Meter, ...]], ...], first_quarter: float, last_quarter: float
) -> Bars:
    """Bar lines covering [first_quarter, last_quarter].

    `changes` is [(quarter where it takes effect, cycle of meters)], ascending; the change
    governing quarter 0 makes bar 1 begin there. Before the first change its cycle runs
    backwards. A change inside a bar cuts that bar short, as a notated meter change does.
    """
    lines: list[float] = []
    which: list[Meter] = []
    for i, (begin, cycle) in enumerate(changes):
        stop = changes[i + 1][0] if i + 1 < len(changes) else max(last_quarter, begin) + 1e-9
        at, step = begin, 0
        if i == 0:
            at, step = _back_to(begin, cycle, first_quarter)
        while at < stop - 1e-9:
            meter = cycle[step % len(cycle)]
            lines.append(at)
            which.append(meter)
            at, step = at + float(meter.bar_quarters), step + 1
        if i + 1 == len(changes):
            lines.append(at)
    return _number(np.array(lines), which)


def _back_to(begin: float, cycle: tuple[Meter, ...], first_quarter: float) -> tuple[float, int]:
    """Walk the cycle backwards from `begin` until `first_quarter` is covered."""
    at, step = begin, 0
    while at > first_quarter:
        step -= 1
        at -= float(cycle[step % len(cycle)].bar_quarters)
    return at, step


def _number(lines: Floats, which: list[Meter]) -> Bars:
    meters = tuple(dict.fromkeys(which))
    index = np.array([meters.index(m) for m in which], dtype=np.int64)
    bar_one = int(np.argmin(np.abs(lines[:-1]))) if len(which) else 0
    beats = np.array([m.beats for m in meters], dtype=np.int64)[index]
    first_beat = (
        np.concatenate([[0], np.cumsum(beats)[:-1]]) if len(which) else np.zeros(0, np.int64)
    )
    shift = first_beat[bar_one] if len(which) else 0
    number = np.arange(len(which), dtype=np.int64) - bar_one + 1
    return Bars(lines, number, index, (first_beat - shift).astype(np.int64), meters)


def bar_index(bars: Bars, at_quarter: Floats) -> Ints:
    """Index into `bars` of the bar holding each position (clipped to the bars there are)."""
    i = np.searchsorted(bars.start_quarter, at_quarter, side="right") - 1
    return np.clip(i, 0, len(bars.number) - 1).astype(np.int64)


def beats_at(bars: Bars, at_quarter: Floats) -> Floats:
    """Position in beats from bar 1 beat 1; every beat of an additive bar counts one."""
    bar = bar_index(bars, at_quarter)
    into = at_quarter - bars.start_quarter[bar]
    beat = np.empty_like(into)
    for m, meter in enumerate(bars.meters):
        here = bars.meter[bar] == m
        edges = np.array([*map(float, meter.beat_starts_quarter), float(meter.bar_quarters)])
        beat[here] = np.interp(into[here], edges, np.arange(len(edges), dtype=np.float64))
        over = into[here] - edges[-1]
        beat[here] += np.where(over > 0, over / (edges[-1] - edges[-2]), 0.0)
    return np.asarray(bars.first_beat[bar] + beat, dtype=np.float64)
