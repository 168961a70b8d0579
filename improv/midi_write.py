"""Takes and other parts to a type 1 MIDI file; the only module that imports mido.

Conventions: file time 0 is 0 seconds. Times are rounded to the nearest tick of the
tempo as written (whole microseconds per quarter note), so every note reads back within
half a tick; at 960 ticks and 96 quarters per minute that is 0.33 ms. A bar line stands
as a time signature event where the meter changes or a bar is cut short. A signature
holds no grouping: 2+2+2+3/8 is written 9/8, and is stated again on reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np

from improv.errors import OutputError
from improv.files import AnyPath, write_bytes
from improv.meter import Meter
from improv.model import Bars, Bools, Floats, Ints, Take, TempoMap
from improv.tempo import quarters_at, tempo_from_quarters

TICKS_PER_QUARTER = 960
_LARGEST_TEMPO_US = 2**24 - 1
_LARGEST_DELTA_TICK = 2**28 - 1


@dataclass(frozen=True, eq=False)
class OutPart:
    """One track to write. Arrays as in `Take`; `channel` counts from 1, 10 is percussion.

    `program` is the General MIDI sound from 0, or `None` for none; `markers` are
    (seconds, text). A note whose `released` is False gets no note-off.
    """

    name: str
    onset_sec: Floats
    release_sec: Floats
    pitch: Ints
    velocity: Ints
    channel: int = 1
    program: int | None = None
    released: Bools | None = None
    markers: tuple[tuple[float, str], ...] = ()


def write_take(
    take: Take, path: AnyPath, ticks_per_quarter: int = TICKS_PER_QUARTER, channel: int = 1
) -> None:
    """Write a take with its tempo and meters. Read it back with the same start or count-in.

    Raises `OutputError` if it cannot be written; then nothing is.
    """
    part = OutPart(
        take.track, take.onset_sec, take.release_sec, take.pitch, take.velocity,
        channel=channel, released=take.released,
    )  # fmt: skip
    write_parts(path, (part,), take.tempo_map, take.bars, ticks_per_quarter)


def write_parts(
    path: AnyPath,
    parts: Sequence[OutPart],
    tempo_map: TempoMap,
    bars: Bars,
    ticks_per_quarter: int = TICKS_PER_QUARTER,
) -> None:
    """Write several parts over one tempo map and its bars; see `write_take`."""
    import mido

    clock = _Clock(tempo_map, ticks_per_quarter)
    file = mido.MidiFile(type=1, ticks_per_beat=ticks_per_quarter, charset="utf-8")
    file.tracks.append(_track(_conductor(clock, bars), path))
    for part in parts:
        file.tracks.append(_track(_part_events(part, clock), path))
    buffer = BytesIO()
    file.save(file=buffer)
    write_bytes(path, buffer.getvalue())


class _Clock:
    """Ticks from the start of the file under the tempo map as it can be written."""

    def __init__(self, tempo_map: TempoMap, ticks_per_quarter: int) -> None:
        self.origin = float(quarters_at(tempo_map, np.zeros(1))[0])
        self.ticks_per_quarter = ticks_per_quarter
        starts = np.maximum(tempo_map.start_quarter - self.origin, 0.0)
        keep = np.append(starts[1:] > 0.0, True)
        starts[np.argmax(keep)] = 0.0  # the tempo in force at the start is written there
        self.tempo_us = np.clip(
            np.round(tempo_map.quarter_sec[keep] * 1e6), 1, _LARGEST_TEMPO_US
        ).astype(np.int64)
        self.tempo_tick = np.round(starts[keep] * ticks_per_quarter).astype(np.int64)
        at_quarter = self.tempo_tick / ticks_per_quarter
        self.written = tempo_from_quarters(at_quarter, self.tempo_us * 1e-6)

    def of_sec(self, at_sec: Floats) -> Ints:
        quarters = quarters_at(self.written, np.maximum(at_sec, 0.0))
        return np.round(quarters * self.ticks_per_quarter).astype(np.int64)

    def of_quarter(self, at_quarter: Floats) -> Ints:
        return np.round((at_quarter - self.origin) * self.ticks_per_quarter).astype(np.int64)


Event = tuple[int, int, Any]
"""Tick, rank among the events of a tick, message without its time."""


def _conductor(clock: _Clock, bars: Bars) -> list[Event]:
    import mido

    events: list[Event] = [
        (tick, 1, mido.MetaMessage("set_tempo", tempo=tempo))
        for tick, tempo in zip(clock.tempo_tick.tolist(), clock.tempo_us.tolist(), strict=True)
    ]
    length = np.array([float(bars.meters[m].bar_quarters) for m in range(len(bars.meters))])
    cut = np.abs(np.diff(bars.start_quarter) - length[bars.meter]) > 1e-6
    restart = np.append(True, (bars.meter[1:] != bars.meter[:-1]) | cut[:-1])
    tick = clock.of_quarter(bars.start_quarter[:-1])
    restart[max(int(np.searchsorted(tick, 0, side="right")) - 1, 0)] = True
    for i in np.flatnonzero(restart).tolist():
        if i + 1 == len(tick) or tick[i + 1] > 0:
            events.append((max(int(tick[i]), 0), 0, _signature(bars.meters[int(bars.meter[i])])))
    return events


def _signature(meter: Meter) -> Any:
    import mido

    return mido.MetaMessage(
        "time_signature",
        numerator=sum(meter.groups),
        denominator=meter.unit,
        clocks_per_click=min(max(round(24 * float(meter.tempo_beat_quarter)), 1), 255),
        notated_32nd_notes_per_beat=8,
    )


def _part_events(part: OutPart, clock: _Clock) -> list[Event]:
    import mido

    channel = part.channel - 1
    name = part.name.encode("utf-8", "replace").decode("utf-8")
    events: list[Event] = [(0, 0, mido.MetaMessage("track_name", name=name))]
    if part.program is not None:
        events.append((0, 1, mido.Message("program_change", channel=channel, program=part.program)))
    markers = clock.of_sec(np.array([at for at, _ in part.markers], dtype=np.float64))
    for tick, (_, text) in zip(markers.tolist(), part.markers, strict=True):
        events.append((tick, 2, mido.MetaMessage("marker", text=text)))
    on, off = clock.of_sec(part.onset_sec).tolist(), clock.of_sec(part.release_sec).tolist()
    pitch, velocity = part.pitch.tolist(), part.velocity.tolist()
    ends = [True] * len(on) if part.released is None else part.released.tolist()
    for i in range(len(on)):
        note = {"channel": channel, "note": pitch[i]}
        events.append((on[i], 4, mido.Message("note_on", velocity=velocity[i], **note)))
        if ends[i]:
            # Releases of earlier notes come before a stroke, its own release after it.
            rank = 3 if off[i] > on[i] else 5
            events.append((max(off[i], on[i]), rank, mido.Message("note_off", velocity=64, **note)))
    return events


def _track(events: list[Event], path: AnyPath) -> Any:
    """Events in time order as a track; equal ticks keep rank, then the order given."""
    import mido

    track = mido.MidiTrack()
    now = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        if tick - now > _LARGEST_DELTA_TICK:
            raise OutputError(f"{path}: a silence is too long for a MIDI file; cut the take")
        message.time = tick - now
        track.append(message)
        now = tick
    return track
