"""Which part of a file is the solo: playable parts, click tracks, the choice by name.

A **part** is a track with at least one note; in a type 0 file, whose single track may
carry several instruments, a part is a channel. Parts and channels are numbered from 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.counting import counted
from improv.errors import TakeError, UsageError
from improv.files import printable
from improv.model import Bools, Ints, Reading
from improv.smf import Smf, SmfTrack

CLICK_PITCHES = (33, 34, 37, 56, 75, 76, 77)
"""Metronome click and bell, side stick, cowbell, claves, wood blocks: General MIDI's
percussion names, and the click and bell of its later extension."""

PERCUSSION_CHANNEL = 10
"""General MIDI (level 1): channel 10 is the drum kit's."""

MOST_CLICK_PITCHES = 3
LONGEST_NAME = 60


@dataclass(frozen=True)
class Part:
    """One playable part: its track (from 1), its channels, how many notes, whether it is a click.

    `by_channel` is true in a type 0 file of several channels, where channels are the parts.
    """

    number: int
    name: str
    channels: tuple[int, ...]
    notes: int
    is_click: bool
    by_channel: bool = False

    @property
    def label(self) -> str:
        """What the part is called in reports."""
        if self.by_channel:
            return f"channel {self.channels[0]}"
        return self.name or f"track {self.number}"

    def __str__(self) -> str:
        notes = counted(self.notes, "note")
        click = ", a click by its pitches" if self.is_click else ""
        if self.by_channel:
            return f"channel {self.channels[0]} ({notes}{click})"
        return f"{self.number} '{self.name}' ({notes}{click})"


def playable_parts(smf: Smf, channel: int | None = None) -> tuple[Part, ...]:
    """The parts that hold notes, in file order; only those on `channel` if one is given."""
    parts: list[Part] = []
    for number, track in enumerate(smf.tracks, start=1):
        on = track.note_velocity > 0
        channels = _values(track.note_channel[on])
        wanted = tuple(c for c in channels if channel in (None, c))
        if smf.kind == 0 and len(channels) > 1:
            parts.extend(
                _part(number, track, on & (track.note_channel == c), (c,), True) for c in wanted
            )
        elif wanted:
            parts.append(_part(number, track, on & np.isin(track.note_channel, wanted), wanted))
    return tuple(parts)


def _part(
    number: int, track: SmfTrack, on: Bools, channels: tuple[int, ...], by_channel: bool = False
) -> Part:
    pitches = _values(track.note_pitch[on])
    is_click = len(pitches) <= MOST_CLICK_PITCHES and set(pitches) <= set(CLICK_PITCHES)
    name = printable(track.name.strip("\0 \t\r\n"))[:LONGEST_NAME]
    return Part(number, name, channels, int(on.sum()), is_click, by_channel)


def _values(small: Ints) -> tuple[int, ...]:
    """The different values of an array of small numbers, ascending."""
    return tuple(np.flatnonzero(np.bincount(small)).tolist())


def choose_part(smf: Smf, name: str, reading: Reading) -> tuple[Part, tuple[str, ...]]:
    """The part to read and what to tell the user about the choice.

    `name` is the file's. Raises `TakeError` listing the parts when the choice is the user's.
    """
    parts = playable_parts(smf)
    if not parts:
        raise TakeError(f"{name}: no notes in this file; export the track that holds the solo")
    candidates = parts
    if reading.track is not None:
        candidates = _named(smf, name, parts, reading.track, reading.channel)
    elif reading.channel is not None:
        candidates = playable_parts(smf, reading.channel)
    if not candidates:
        raise TakeError(f"{name}: no notes on channel {reading.channel}. {_listing(parts)}")
    if len(candidates) == 1:
        return candidates[0], ()
    playing = [part for part in candidates if not part.is_click]
    if len(playing) == 1:
        set_aside = ", ".join(part.label for part in candidates if part.is_click)
        return playing[0], (
            f"Read {playing[0].label} as the solo and set {set_aside} aside as a click by its "
            "pitches; name another track if that is wrong.",
        )
    raise TakeError(f"{name}: which part is the solo? {_listing(candidates)}")


def _named(
    smf: Smf, name: str, parts: tuple[Part, ...], wanted: str, channel: int | None
) -> tuple[Part, ...]:
    """The one part of the track called `wanted`: its name first, then its number."""
    tracks = [printable(track.name.strip("\0 \t\r\n"))[:LONGEST_NAME] for track in smf.tracks]
    fold = printable(wanted).strip().casefold()
    found = [i for i, track in enumerate(tracks, start=1) if track and track.casefold() == fold]
    if not found and fold.isdecimal() and len(fold) <= 6 and 1 <= int(fold) <= len(tracks):
        found = [int(fold)]
    holding = [n for n in found if any(part.number == n for part in parts)]
    if len(holding) > 1:
        raise TakeError(
            f"{name}: {len(holding)} tracks are called '{printable(wanted)}'; "
            f"choose by number. {_listing(parts)}"
        )
    if not holding:
        fault = "holds no notes" if found else "is not in this file"
        raise TakeError(f"{name}: track '{printable(wanted)}' {fault}. {_listing(parts)}")
    return _whole_track(smf, holding[0], channel)


def _whole_track(smf: Smf, number: int, channel: int | None) -> tuple[Part, ...]:
    track = smf.tracks[number - 1]
    on = track.note_velocity > 0
    if channel is not None:
        on &= track.note_channel == channel
    channels = _values(track.note_channel[on])
    return (_part(number, track, on, channels),) if channels else ()


def _listing(parts: tuple[Part, ...]) -> str:
    if parts[0].by_channel:
        return (
            f"The file has {', '.join(map(str, parts))}. "
            "Choose with --channel NUMBER, or --track 1 for all of them together"
        )
    shown = parts[:30]
    more = f" and {len(parts) - len(shown)} more" if len(parts) > len(shown) else ""
    tracks = "track" if len(parts) == 1 else "tracks"
    return (
        f"The file has {tracks} {', '.join(map(str, shown))}{more}. Choose with --track NAME|NUMBER"
    )


def check_channel(channel: int | None) -> None:
    """Raises `UsageError` for a channel no MIDI file has."""
    if channel is not None and not 1 <= channel <= 16:
        raise UsageError(f"channel {channel} does not exist; MIDI channels are 1 to 16")
