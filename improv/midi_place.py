"""Laying a take on its beats: what is stated, what the file says, and where bar 1 begins.

Conventions: the recording's own tempo map turns its ticks into seconds; that is when the
notes were played. The tempo in force (stated, the backing's, or the file's own) turns
those seconds into quarter notes. What is stated wins, and a sentence says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from improv.errors import TakeError, UsageError
from improv.meter import Meter, cycle_quarters, meter_text
from improv.midi_sentences import before_bar_one, disagreements, found_sentence
from improv.midi_tempo import FASTEST_FILE_QUARTER_BPM, FileTime
from improv.model import Bars, Floats, Reading, TempoMap
from improv.settings import FASTEST_BPM, MOST_COUNT_IN_BARS, SLOWEST_BPM
from improv.start import Start, find_start
from improv.tempo import (
    Change,
    constant_tempo,
    lay_bars,
    quarter_sec_at,
    quarters_at,
    seconds_at,
)

LATEST_START_SEC = 1e6
_AT_FILE_START_SEC = 0.05
_ROOM_QUARTER = 32.0
"""Bars are laid up to this far past the last onset, if a note is held that long."""


def check_reading(reading: Reading) -> None:
    """Raises `UsageError` for values that no recording can have."""
    tempo = reading.tempo_bpm
    if tempo is not None and not SLOWEST_BPM <= tempo <= FASTEST_BPM:
        raise UsageError(
            f"tempo {tempo:g}: state {SLOWEST_BPM:g} to {FASTEST_BPM:g} beats per minute"
        )
    if not 0 <= reading.bars_before <= MOST_COUNT_IN_BARS:
        raise UsageError(f"count-in of {reading.bars_before} bars: state 0 to {MOST_COUNT_IN_BARS}")
    start = reading.start_sec
    if start is not None and not abs(start) <= LATEST_START_SEC:
        raise UsageError(f"start {start:g}: state seconds from the start of the file")
    if start is not None and reading.find_start:
        raise UsageError("the start is stated and also to be found; give one of the two")
    if reading.meter is not None and not reading.meter:
        raise UsageError("the meter is empty; write it like 4/4 or 2+2+2+3/8")


@dataclass(frozen=True, eq=False)
class Placed:
    """A take's tempo map and bars (quarter 0 at bar 1), its tempo and meter in words."""

    tempo_map: TempoMap
    bars: Bars
    tempo_bpm: float
    meter_text: str
    warnings: tuple[str, ...]


def place(
    onset_sec: Floats,
    last_release_sec: float,
    velocity: Floats,
    base: FileTime,
    reading: Reading,
    name: str,
) -> Placed:
    """Tempo map, bars and bar 1 for notes at `onset_sec` (ascending, at least one).

    `base` is the time of the take's own file, or of its backing. Raises `TakeError`, which
    names the file `name`, where the file's time cannot carry music.
    """
    meter = _meter_at_bar_one(base, reading, float(onset_sec[0]))
    warnings = [*base.warnings, *disagreements(base, reading, meter, float(onset_sec[-1]))]
    if reading.tempo_bpm is None:
        _check_file_tempo(base, onset_sec, name)
        tempo_map = base.tempo_map
    else:
        tempo_map = constant_tempo(reading.tempo_bpm * float(meter.tempo_beat_quarter))
    changes = _changes_in(tempo_map, base, reading)
    downbeat, found = _downbeat(tempo_map, changes, onset_sec, velocity, reading)
    if found is not None:
        warnings.append(found_sentence(tempo_map, downbeat, found))
    as_written = reading.tempo_bpm is None and downbeat == 0.0
    spans = quarters_at(tempo_map, np.array([onset_sec[0], onset_sec[-1], last_release_sec]))
    last = min(float(spans[2]), float(spans[1]) + _ROOM_QUARTER)
    try:
        changes, bar_one = _anchored(
            changes, downbeat, reading.bars_before, reading.meter is not None, as_written
        )
        last_bar = max(last - bar_one, 0.0)  # bar 1 is laid even where nobody plays it
        bars = lay_bars(changes, min(float(spans[0]), downbeat) - bar_one, last_bar)
    except TakeError as fault:
        raise TakeError(f"{name}: {fault}") from None
    warnings += before_bar_one(bars, quarters_at(tempo_map, onset_sec) - bar_one, reading)
    anchored = replace(tempo_map, start_quarter=tempo_map.start_quarter - bar_one)
    return Placed(
        anchored, bars, _bpm_at_bar_one(anchored, changes), _meters_in_words(changes, reading),
        tuple(warnings),
    )  # fmt: skip


def _meter_at_bar_one(base: FileTime, reading: Reading, first_onset_sec: float) -> Meter:
    """The meter whose beats a stated tempo counts."""
    if reading.meter is not None:
        return reading.meter[0]
    start_sec = first_onset_sec if reading.find_start else reading.start_sec or 0.0
    start = float(quarters_at(base.tempo_map, np.array([start_sec]))[0])
    changes = _from(base.changes, start)
    bar_one = _bars_on(changes, 0 if reading.find_start else reading.bars_before)
    return _from(changes, bar_one)[0][1][0]


def _changes_in(tempo_map: TempoMap, base: FileTime, reading: Reading) -> tuple[Change, ...]:
    """The meters in force, at quarters of the tempo map in force."""
    if reading.meter is not None:
        return ((0.0, reading.meter),)
    if reading.tempo_bpm is None:
        return base.changes
    at_sec = seconds_at(base.tempo_map, np.array([at for at, _ in base.changes]))
    at_quarter = quarters_at(tempo_map, at_sec).tolist()
    return tuple((at, c) for at, (_, c) in zip(at_quarter, base.changes, strict=True))


def _downbeat(
    tempo_map: TempoMap,
    changes: tuple[Change, ...],
    onset_sec: Floats,
    velocity: Floats,
    reading: Reading,
) -> tuple[float, Start | None]:
    """Where the first downbeat (of the count-in, if any) lies, in quarters from the file's start.

    A found downbeat with a count-in is the first bar line in the file.
    """
    if not reading.find_start:
        start = quarters_at(tempo_map, np.array([reading.start_sec or 0.0]))
        return float(start[0]), None
    onset_quarter = quarters_at(tempo_map, onset_sec)
    quarter_sec = float(quarter_sec_at(tempo_map, onset_quarter[:1])[0])
    cycle = _from(changes, float(onset_quarter[0]))[0][1]
    found = find_start(onset_quarter, velocity, quarter_sec, cycle)
    downbeat = found.downbeat_quarter
    if reading.bars_before:
        length = cycle_quarters(cycle)
        earliest = float(quarters_at(tempo_map, np.array([-_AT_FILE_START_SEC]))[0])
        downbeat += float(np.ceil((earliest - downbeat) / length)) * length
    return downbeat, found


def _anchored(
    changes: tuple[Change, ...], downbeat: float, count_in: int, stated: bool, as_written: bool
) -> tuple[tuple[Change, ...], float]:
    """Changes counted from bar 1, and bar 1 itself, `count_in` bars after the downbeat.

    A stated cycle of meters begins with the count-in and again with bar 1. Unless the file's
    own bars are kept as written, its changes move to the nearest bar line.
    """
    here = _from(changes, downbeat)
    if not as_written:
        here = _on_bar_lines(here)
    bar_one = _bars_on(here, count_in)
    if stated and count_in:
        here = (*here, (bar_one, here[0][1]))
    return tuple((at - bar_one, cycle) for at, cycle in here), downbeat + bar_one


def _from(changes: tuple[Change, ...], start: float) -> tuple[Change, ...]:
    """The changes that matter from `start` on, counted from it; the first takes effect there."""
    governing = [cycle for at, cycle in changes if at <= start + 1e-6] or [changes[0][1]]
    later = [(at - start, cycle) for at, cycle in changes if at > start + 1e-6]
    return ((0.0, governing[-1]), *later)


def _on_bar_lines(changes: tuple[Change, ...]) -> tuple[Change, ...]:
    moved = [changes[0]]
    for at, cycle in changes[1:]:
        before, running = moved[-1]
        length = cycle_quarters(running)
        moved.append((before + max(round((at - before) / length), 1) * length, cycle))
    return tuple(moved)


def _bars_on(changes: tuple[Change, ...], count: int) -> float:
    """The bar line `count` bars after the first change."""
    longest = max(float(meter.bar_quarters) for _, cycle in changes for meter in cycle)
    near = tuple((at, cycle) for at, cycle in changes if at <= count * longest)
    bars = lay_bars(near, 0.0, count * longest)
    return float(bars.start_quarter[count])


def _check_file_tempo(base: FileTime, onset_sec: Floats, name: str) -> None:
    used = quarter_sec_at(base.tempo_map, quarters_at(base.tempo_map, onset_sec))
    fastest = 60.0 / float(used.min())
    if fastest > FASTEST_FILE_QUARTER_BPM:
        raise TakeError(
            f"{name}: the file's tempo of {fastest:.0f} quarter notes per minute is no tempo of "
            "music; state the tempo with --tempo"
        )


def _bpm_at_bar_one(tempo_map: TempoMap, changes: tuple[Change, ...]) -> float:
    meter = _from(changes, 0.0)[0][1][0]
    quarter_sec = float(quarter_sec_at(tempo_map, np.array([1e-6]))[0])
    return 60.0 / (quarter_sec * float(meter.tempo_beat_quarter))


def _meters_in_words(changes: tuple[Change, ...], reading: Reading) -> str:
    if reading.meter is not None:
        return meter_text(reading.meter)
    distinct = list(dict.fromkeys(meter_text(cycle) for _, cycle in _from(changes, 0.0)))
    return ", ".join(distinct[:4]) + (", …" if len(distinct) > 4 else "")
