"""Seconds to quarter notes to bar and beat, and back: pure arithmetic on arrays.

Conventions: see `model.TempoMap` and `model.Bars`. Quarter 0 is bar 1 beat 1. All
functions take and return float64 arrays of the same shape; nothing is rounded.
"""

from __future__ import annotations

import numpy as np

from improv.errors import TakeError
from improv.meter import Meter
from improv.model import Bars, Floats, Ints, Take, TempoMap

Change = tuple[float, tuple[Meter, ...]]

MOST_BARS = 200_000
"""More bars than this (four days of 4/4 at 140) are a broken file, not a take."""

_SAME_QUARTER = 1e-6
"""Positions closer than this are one: below a microsecond at any tempo, far above rounding."""


def constant_tempo(quarter_bpm: float, first_downbeat_sec: float = 0.0) -> TempoMap:
    """One tempo throughout, in quarter notes per minute, quarter 0 at `first_downbeat_sec`."""
    return TempoMap(np.array([first_downbeat_sec]), np.zeros(1), np.array([60.0 / quarter_bpm]))


def tempo_from_quarters(start_quarter: Floats, quarter_sec: Floats) -> TempoMap:
    """Tempi that take effect at ascending quarters, the first of them at 0 seconds."""
    into = np.cumsum(np.diff(start_quarter) * quarter_sec[:-1])
    return TempoMap(np.append(0.0, into), start_quarter, quarter_sec)


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


def tempo_range_bpm(take: Take, onset_sec: Floats) -> tuple[float, float]:
    """The slowest and the fastest tempo under some onsets, in the beat that the take's counts."""
    if not len(onset_sec) or len(take.tempo_map.quarter_sec) < 2:
        return take.tempo_bpm, take.tempo_bpm
    quarter_sec = quarter_sec_at(take.tempo_map, quarters_at(take.tempo_map, onset_sec))
    bpm = 60.0 / (quarter_sec * take.bars.stated_beat_quarter)
    return float(bpm.min()), float(bpm.max())


def lay_bars(changes: tuple[Change, ...], first_quarter: float, last_quarter: float) -> Bars:
    """Bar lines covering [first_quarter, last_quarter].

    `changes` is [(quarter where it takes effect, cycle of meters)], ascending; the bar line
    nearest quarter 0 begins bar 1. Before the first change its cycle runs backwards. A
    change inside a bar cuts that bar short, as a notated meter change does. Raises
    `TakeError` for more than `MOST_BARS` bars.
    """
    in_force = [cycle for at, cycle in changes if at <= _SAME_QUARTER] or [changes[0][1]]
    order = (in_force[-1], *(cycle for _, cycle in changes))
    meters = tuple(dict.fromkeys(meter for cycle in order for meter in cycle))
    number_of = {meter: m for m, meter in enumerate(meters)}
    lines: list[Floats] = []
    which: list[Ints] = []
    laid = 0
    for i, (begin, cycle) in enumerate(changes):
        is_last = i + 1 == len(changes)
        stop = max(last_quarter, begin) + 2 * _SAME_QUARTER if is_last else changes[i + 1][0]
        start = min(first_quarter, begin) if i == 0 else begin
        at, step = _cycle_lines(begin, cycle, start, stop, is_last)
        laid += len(at)
        if laid > MOST_BARS:
            raise TakeError(_too_many_bars())
        lines.append(at)
        index = np.array([number_of[meter] for meter in cycle], dtype=np.int64)
        which.append(index[step[:-1] if is_last else step])
    return _number(np.concatenate(lines), np.concatenate(which), meters)


def _cycle_lines(
    begin: float, cycle: tuple[Meter, ...], start: float, stop: float, closing: bool
) -> tuple[Floats, Ints]:
    """Bar lines of one cycle from the last at or before `start` up to `stop`, and their steps.

    `closing` adds the first line at or after `stop`.
    """
    ends = np.cumsum([float(meter.bar_quarters) for meter in cycle])
    whole = float(ends[-1])
    rounds_before = int(np.ceil(max(begin - start, 0.0) / whole))
    rounds_after = int(np.ceil(max(stop - begin, 0.0) / whole)) + 1
    if (rounds_before + rounds_after - 2) * len(cycle) > MOST_BARS:
        raise TakeError(_too_many_bars())
    rounds = np.arange(-rounds_before, rounds_after, dtype=np.float64)
    into = np.concatenate([[0.0], ends[:-1]])
    at = (begin + rounds[:, None] * whole + into[None, :]).ravel()
    first = max(int(np.searchsorted(at, start + _SAME_QUARTER, side="right")) - 1, 0)
    last = int(np.searchsorted(at, stop - _SAME_QUARTER, side="left"))
    last = last + 1 if closing else last
    step = np.arange(len(at), dtype=np.int64) % len(cycle)
    return at[first:last], step[first:last]


def _too_many_bars() -> str:
    return (
        f"the notes span more than {MOST_BARS} bars; a stray event far from the music, "
        "a wrong tempo or a wrong meter does that"
    )


def _number(lines: Floats, meter: Ints, meters: tuple[Meter, ...]) -> Bars:
    """Number the bars and count their beats; a bar cut short has only the beats that began."""
    beats = np.empty(len(meter), dtype=np.int64)
    for m, one in enumerate(meters):
        here = meter == m
        starts = np.array([float(s) for s in one.beat_starts_quarter])
        length = np.diff(lines)[here]
        beats[here] = np.searchsorted(starts, length - _SAME_QUARTER, side="left")
    bar_one = int(np.argmin(np.abs(lines[:-1])))
    first_beat = np.concatenate([np.zeros(1, np.int64), np.cumsum(beats)[:-1]])
    number = np.arange(len(meter), dtype=np.int64) - bar_one + 1
    return Bars(lines, number, meter, first_beat - first_beat[bar_one], meters)


def bar_index(bars: Bars, at_quarter: Floats) -> Ints:
    """Index into `bars` of the bar holding each position (clipped to the bars there are)."""
    i = np.searchsorted(bars.start_quarter, at_quarter, side="right") - 1
    return np.clip(i, 0, len(bars.number) - 1).astype(np.int64)


def beats_at(bars: Bars, at_quarter: Floats) -> Floats:
    """Position in beats from bar 1 beat 1; every beat of an additive bar counts one.

    Outside the bars there are, the first and the last beat go on at their own length.
    """
    bar = bar_index(bars, at_quarter)
    into = at_quarter - bars.start_quarter[bar]
    beat = np.empty_like(into)
    for m, meter in enumerate(bars.meters):
        here = bars.meter[bar] == m
        edges = np.array([*map(float, meter.beat_starts_quarter), float(meter.bar_quarters)])
        inside = into[here]
        before = np.minimum(inside, 0.0) / (edges[1] - edges[0])
        over = np.maximum(inside - edges[-1], 0.0) / (edges[-1] - edges[-2])
        beat[here] = np.interp(inside, edges, np.arange(len(edges), dtype=np.float64))
        beat[here] += before + over
    return np.asarray(bars.first_beat[bar] + beat, dtype=np.float64)
