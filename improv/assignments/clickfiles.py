"""A practice track as a MIDI file and as sound, and the gaps found again in a MIDI file.

A marker at the start says the meter, grouping and all, and the bars of count-in (`ClickMark`).
A gap survives in the MIDI file as two markers, "click out: bars 4 to 5" where the click
stops and "click in: bar 6" where it comes back, so that a take recorded against the
file can be checked for drift across it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from improv.assignments.clicktrack import ClickTrack
from improv.errors import UsageError
from improv.files import AnyPath, shown
from improv.midi import read_smf
from improv.midi_parts import PERCUSSION_CHANNEL
from improv.midi_tempo import ClickMark, file_time
from improv.midi_write import OutPart, write_parts
from improv.model import Floats
from improv.sound.voices import CLICK_ROW, CLICKS
from improv.tempo import seconds_at
from improv.wording import bars_text

TICKS_PER_QUARTER = 3360
"""Divisible by every count of notes the subdivisions put to a quarter, fives and sevens too."""
STROKE_SEC = 0.02
LONGEST_WAV_SEC = 3600.0

SUBDIVIDING = ("subdivision", "other subdivision")
"""Clicks that have a track of their own, so that they can be muted."""
_OUT = re.compile(r"click out: bars? (\d+)(?: to (\d+))?")


def stroke_sec(track: ClickTrack) -> Floats:
    """When each stroke sounds, in seconds from the start of the file."""
    at = np.array([float(s.at_quarter) for s in track.strokes], dtype=np.float64)
    return seconds_at(track.tempo_map, at)


def write_click_midi(track: ClickTrack, path: AnyPath) -> None:
    """The practice track as a type 1 MIDI file; raises `OutputError` if it cannot be written."""
    onset = stroke_sec(track)
    clicks = [CLICKS[CLICK_ROW[stroke.kind]] for stroke in track.strokes]
    parts = []
    for name in ("click", "subdivision"):
        own = name == "subdivision"
        rows = [i for i, click in enumerate(clicks) if (click.kind in SUBDIVIDING) == own]
        if not rows and name != "click":
            continue
        parts.append(
            OutPart(
                name,
                onset[rows],
                onset[rows] + STROKE_SEC,
                np.array([clicks[i].drum for i in rows], dtype=np.int64),
                np.array([clicks[i].velocity for i in rows], dtype=np.int64),
                channel=PERCUSSION_CHANNEL,
                markers=_markers(track) if name == "click" else (),
            )
        )
    write_parts(path, parts, track.tempo_map, track.bars, TICKS_PER_QUARTER)


def _markers(track: ClickTrack) -> tuple[tuple[float, str], ...]:
    found = [(0.0, ClickMark(track.meter, track.count_in_bars).text)]
    for gap in track.gaps:
        edges = np.array([float(gap.start_quarter), float(gap.stop_quarter)])
        start, stop = seconds_at(track.tempo_map, edges).tolist()
        found.append((start, f"click out: {bars_text(gap.first_bar, gap.last_bar)}"))
        found.append((stop, f"click in: bar {gap.last_bar + 1}"))
    return tuple(found)


def click_wav(track: ClickTrack) -> bytes:
    """The practice track as a 16-bit WAV file, from the count-in to its last bar line.

    Raises `UsageError` for one longer than `LONGEST_WAV_SEC`.
    """
    from improv.sound import blocks, click_strokes, together, wav_bytes

    end = float(seconds_at(track.tempo_map, np.array([float(track.end_quarter)]))[0])
    if end > LONGEST_WAV_SEC:
        raise UsageError(
            f"a track of {end / 60:.0f} minutes is too long for a WAV file here "
            f"({LONGEST_WAV_SEC / 60:.0f} at most): state fewer bars, or write MIDI"
        )
    score = click_strokes(stroke_sec(track), [s.kind for s in track.strokes])
    return wav_bytes(blocks(together(score, end_sec=end)))


@dataclass(frozen=True)
class GapMark:
    """A gap found in a backing file: its bars as marked, and [start, stop) in file seconds."""

    first_bar: int
    last_bar: int
    start_sec: float
    stop_sec: float


def gap_marks(path: AnyPath) -> tuple[GapMark, ...]:
    """The gaps marked in a MIDI file, in order; raises `TakeError` if it cannot be read."""
    smf = read_smf(path)
    time = file_time(smf, shown(path))
    found = []
    for track in smf.tracks:
        starts = [(tick, _OUT.match(text)) for tick, text in track.markers]
        stops = sorted(tick for tick, text in track.markers if text.startswith("click in: bar "))
        for tick, marked in starts:
            after = [stop for stop in stops if stop > tick]
            if marked is None or not after:
                continue
            start, stop = time.seconds(np.array([tick, after[0]])).tolist()
            found.append(GapMark(int(marked[1]), int(marked[2] or marked[1]), start, stop))
    return tuple(sorted(found, key=lambda gap: gap.start_sec))
