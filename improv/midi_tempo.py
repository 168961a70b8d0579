"""Tempo and meter of a MIDI file, from events on any track and at any place.

Conventions
-----------
A MIDI tempo counts quarter notes whatever the meter: microseconds per quarter, 500 000
(120 quarters per minute) until an event says otherwise; 4/4 until a time signature does
(Standard MIDI Files 1.0). The clocks-per-click byte of a signature is a matter of the
metronome and says nothing of the meter; a marker in a click file of ours does (`ClickMark`).
Quarter 0 here is the start of the file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from improv.errors import TakeError, UsageError
from improv.meter import Meter, meter_of, meter_text, parse_meter
from improv.model import Floats, Ints, TempoMap
from improv.smf import Smf, SmfTrack
from improv.tempo import MOST_BARS, Change, seconds_at, tempo_from_quarters

DEFAULT_TEMPO_US = 500_000
COMMON_TIME = Meter((1, 1, 1, 1), 4)
FASTEST_FILE_QUARTER_BPM = 2000.0
"""Above this a file's tempo is a unit of measurement or damage, not music (no source)."""

_CLICK = re.compile(r"click: (\S{1,200}), count-in (\d{1,3})")


@dataclass(frozen=True, eq=False)
class FileTime:
    """The tempo map and the meters of one file, quarter 0 at its start.

    `states_tempo` and `states_meter` say whether the file holds such events at all;
    `tempo_warnings` are about its tempo, to be told where that is used.
    """

    ticks_per_quarter: int
    tempo_map: TempoMap
    changes: tuple[Change, ...]
    states_tempo: bool
    states_meter: bool
    warnings: tuple[str, ...] = ()
    tempo_warnings: tuple[str, ...] = ()

    def quarters(self, tick: Ints) -> Floats:
        """Ticks to quarter notes from the start of the file."""
        return np.asarray(tick / self.ticks_per_quarter, dtype=np.float64)

    def seconds(self, tick: Ints) -> Floats:
        """Ticks to seconds from the start of the file."""
        return seconds_at(self.tempo_map, self.quarters(tick))


def file_time(smf: Smf, name: str, sequence: int | None = None) -> FileTime:
    """Merge the tempo and meter events of all tracks (of one, in a type 2 file).

    `sequence` is the track number (from 1) that a type 2 file is read for. Raises
    `TakeError` for a tempo that stops time.
    """
    tracks = smf.tracks
    if smf.kind == 2 and sequence is not None:
        tracks = (smf.tracks[sequence - 1],)
    tick, tempo_us = _tempo_events(tracks, name)
    states_tempo = len(tick) > 0
    tempo_map = _tempo_map(*_merged(tick, tempo_us), smf.ticks_per_quarter)
    changes, states_meter, warnings = _meter_changes(tracks, smf.ticks_per_quarter, name)
    unsafe = _contradictions(tick, tempo_us) if states_tempo else _elsewhere(smf)
    return FileTime(
        smf.ticks_per_quarter, tempo_map, changes, states_tempo, states_meter, warnings, unsafe
    )


def _tempo_events(tracks: tuple[SmfTrack, ...], name: str) -> tuple[Ints, Ints]:
    """(tick, microseconds) of all tracks in time order: of each track the last at each tick.

    A tempo of 0 is refused even where another track overrules it: which of the two holds is
    the file's own muddle, and nothing may be divided by it.
    """
    each = [_merged(t.tempo_tick, t.tempo_us) for t in tracks]
    tick, tempo_us = (np.concatenate(column) for column in zip(*each, strict=True))
    if (tempo_us == 0).any():
        raise TakeError(
            f"{name}: a tempo event of 0 microseconds per quarter note, where time stands still; "
            "correct the tempo track and export again"
        )
    order = np.argsort(tick, kind="stable")
    return tick[order], tempo_us[order]


def _contradictions(tick: Ints, tempo_us: Ints) -> tuple[str, ...]:
    """A sentence where tracks state different tempi for one moment; the last track's is used."""
    apart = np.flatnonzero((np.diff(tick) == 0) & (np.diff(tempo_us) != 0))
    if not len(apart):
        return ()
    at = int(tick[apart[0]])
    here = 60e6 / tempo_us[tick == at]
    where = "at its start" if at == 0 else "at the same moment"
    others = len(np.unique(tick[apart])) - 1
    more = f" and {others} times more" if others else ""
    return (
        f"The tracks of the file contradict each other {where}{more}: "
        f"{' and '.join(f'{bpm:.4g}' for bpm in dict.fromkeys(here.tolist()))} quarter notes per "
        f"minute; {here[-1]:.4g}, of the last of them, is used. State the tempo to be sure.",
    )


def _elsewhere(smf: Smf) -> tuple[str, ...]:
    """A sentence where other tracks of a type 2 file, each in its own time, state a tempo."""
    said = [(n, us) for n, t in enumerate(smf.tracks, 1) for us in t.tempo_us[:1] if us > 0]
    if not said:
        return ()
    number, tempo_us = said[0]
    bpm = f"{60e6 / int(tempo_us):.4g}"
    return (
        f"Track {number} states {bpm} quarter notes per minute, the solo's own track no tempo; "
        "in a type 2 file each track keeps its own time, so 120 is assumed, as the MIDI file "
        f"standard says. State {bpm} if that was the backing's tempo.",
    )


@dataclass(frozen=True)
class ClickMark:
    """What a click file of ours says of itself: the cycle of meters, and bars before bar 1.

    A time signature can say neither how a bar is grouped nor where bar 1 is.
    """

    meter: tuple[Meter, ...]
    count_in_bars: int

    @property
    def text(self) -> str:
        """The marker at the start of the file."""
        return f"click: {meter_text(self.meter)}, count-in {self.count_in_bars}"


def click_mark(smf: Smf) -> ClickMark | None:
    """The mark at the start of a click file of ours; `None` in any other file."""
    for track in smf.tracks:
        for tick, text in track.markers:
            found = _CLICK.fullmatch(text)
            if found is None or tick > 0:
                continue
            try:
                return ClickMark(parse_meter(found[1]), int(found[2]))
            except UsageError:  # Somebody else's words, or written over.
                continue
    return None


def _merged(tick: Ints, value: Ints) -> tuple[Ints, Ints]:
    """Events in time order, the last of each tick only."""
    order = np.argsort(tick, kind="stable")
    tick, value = tick[order], value[order]
    last = np.append(tick[1:] != tick[:-1], True)[: len(tick)]
    return tick[last], value[last]


def _tempo_map(tick: Ints, tempo_us: Ints, tpq: int) -> TempoMap:
    """The map of merged tempo events; 120 quarters a minute until the first of them."""
    if not len(tick) or tick[0] > 0:
        tick, tempo_us = np.append(0, tick), np.append(DEFAULT_TEMPO_US, tempo_us)
    changed = np.append(True, tempo_us[1:] != tempo_us[:-1])
    tick, tempo_us = tick[changed], tempo_us[changed]
    return tempo_from_quarters(tick / tpq, np.asarray(tempo_us * 1e-6, dtype=np.float64))


def _meter_changes(
    tracks: tuple[SmfTrack, ...], tpq: int, name: str
) -> tuple[tuple[Change, ...], bool, tuple[str, ...]]:
    upper = np.concatenate([t.signature for t in tracks])
    tick, packed = _merged(
        np.concatenate([t.signature_tick for t in tracks]), upper[:, 0] << 8 | upper[:, 1]
    )
    if len(tick) > MOST_BARS:
        raise TakeError(f"{name}: more than {MOST_BARS} time signatures; export the take again")
    readable = {int(p): _meter(int(p) >> 8, int(p) & 0xFF) for p in np.unique(packed)}
    changes: list[Change] = []
    for at, code in zip((tick / tpq).tolist(), packed.tolist(), strict=True):
        meter = readable[code]
        if meter is not None:
            changes.append((at, (meter,)))
    warnings = tuple(
        f"A time signature of {code >> 8}/2^{code & 0xFF} in the file is not a meter and is ignored"
        ". State the meter if the bars come out wrong."
        for code, meter in readable.items()
        if meter is None
    )
    states_meter = bool(changes)
    if not changes or changes[0][0] > 0:
        changes.insert(0, (0.0, (COMMON_TIME,)))
    return tuple(changes), states_meter, warnings[:3]


def _meter(upper: int, exponent: int) -> Meter | None:
    try:
        return meter_of(upper, 2**exponent)
    except UsageError:
        return None
