"""A program to listen to: excerpts in several versions, one after another, as a score.

Each section has a little silence before it, so that a note played ahead of its first beat
is not lost, and after it, so that the ear can rest. Slowing stretches every time by
one factor and leaves pitches alone: from notes that is exact.

Conventions: output times are seconds from the start of the sound; `share` is the speed
as a share of the played one (0.6: 60 %).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from improv.errors import TakeError, UsageError
from improv.listening.click_track import BEATS, Clicks, clicks_for
from improv.listening.excerpts import Excerpt
from improv.listening.on_grid import Placed
from improv.model import Analysis, Floats
from improv.sound import (
    LEFT,
    MIDDLE,
    RIGHT,
    Score,
    click_strokes,
    drum_strokes,
    note_strokes,
    together,
)
from improv.tempo import seconds_at

PLAYED, SLOW, GRID, SLOW_GRID = "played", "slow", "grid", "slow-grid"
VERSIONS = (PLAYED, SLOW, GRID, SLOW_GRID)
LEAD_SEC = 0.4
REST_SEC = 1.0
LONGEST_SEC = 15 * 60.0
QUIETEST = 0.15


@dataclass(frozen=True)
class Section:
    """One excerpt in one version, from `begins_sec` of the output on.

    Its first beat, at `excerpt.start_quarter`, sounds `LEAD_SEC` later.
    """

    excerpt: Excerpt
    version: str
    share: float
    begins_sec: float
    length_sec: float

    @property
    def on_grid(self) -> bool:
        """Whether the notes are moved onto the grid."""
        return self.version in (GRID, SLOW_GRID)

    @property
    def title(self) -> str:
        """What is heard, in words."""
        return f"{self.excerpt.title}: {version_text(self.version, self.share)}"


@dataclass(frozen=True)
class Hearing:
    """How a program sounds: which click, both mixed or side by side, drums or strings."""

    click: str = BEATS
    mixed: bool = False
    drums: bool = False


def version_text(version: str, share: float) -> str:
    """`as played`, `slowed to 60 %`, `on the grid`."""
    slowed = f"slowed to {100 * share:.0f} %"
    named = {PLAYED: "as played", SLOW: slowed, GRID: "on the grid"}
    return named.get(version, f"on the grid, {slowed}")


def plan(
    analysis: Analysis,
    excerpts: Sequence[Excerpt],
    versions: Sequence[str],
    share: float,
) -> tuple[Section, ...]:
    """Every excerpt in every version, in that order."""
    tempo_map = analysis.take.tempo_map
    sections: list[Section] = []
    begins = 0.0
    for excerpt in excerpts:
        ends = np.array([excerpt.start_quarter, excerpt.stop_quarter])
        first, last = seconds_at(tempo_map, ends).tolist()
        for version in versions:
            speed = share if version in (SLOW, SLOW_GRID) else 1.0
            length = LEAD_SEC + (last - first) / speed + REST_SEC
            sections.append(Section(excerpt, version, speed, begins, length))
            begins += length
    return tuple(sections)


def check_length(sections: Sequence[Section]) -> None:
    """Raises `UsageError` for a program too long to be made into sound."""
    length = sum(section.length_sec for section in sections)
    if length > LONGEST_SEC:
        raise UsageError(
            f"that would be {length / 60:.0f} minutes of sound, and {LONGEST_SEC / 60:.0f} is the "
            "most: name bars, like --bars 1-32, a phrase, or a MIDI file to write"
        )


@dataclass(frozen=True)
class Timed:
    """Notes and clicks of one section in output seconds."""

    rows: np.ndarray
    onset_sec: Floats
    release_sec: Floats
    click_sec: Floats
    click_kind: tuple[str, ...]


def timed(analysis: Analysis, placed: Placed, clicks: Clicks, section: Section) -> Timed:
    """When everything in a section sounds. The click stands on the beat exactly."""
    take, excerpt, rows = analysis.take, section.excerpt, section.excerpt.rows
    start, stop = seconds_at(
        take.tempo_map, np.array([excerpt.start_quarter, excerpt.stop_quarter])
    ).tolist()
    zero = section.begins_sec + LEAD_SEC
    played = analysis.notes.onset_sec[rows]
    onset = placed.onset_sec[rows] if section.on_grid else played
    # What is held past the end of an excerpt stops with it.
    held = np.minimum(take.release_sec[rows] - played, np.maximum(stop - played, 0.05))
    at = zero + (onset - start) / section.share
    at = np.maximum(at, section.begins_sec)
    edge = 1e-6
    in_click = (clicks.quarter >= excerpt.start_quarter - edge) & (
        clicks.quarter < excerpt.stop_quarter - edge
    )
    click_sec = (
        zero + (seconds_at(take.tempo_map, clicks.quarter[in_click]) - start) / section.share
    )
    kinds = tuple(clicks.kind[i] for i in np.flatnonzero(in_click))
    return Timed(rows, at, at + np.maximum(held, 0.03) / section.share, click_sec, kinds)


def program_score(
    analysis: Analysis, placed: Placed, sections: Sequence[Section], hearing: Hearing
) -> Score:
    """The sections as strokes: the solo left and the click right, or both in the middle.

    Raises `TakeError` where there is no note to sound.
    """
    solo = solo_score(analysis, placed, sections, hearing)
    return together(solo, click_score(analysis, placed, sections, hearing))


def solo_score(
    analysis: Analysis, placed: Placed, sections: Sequence[Section], hearing: Hearing
) -> Score:
    """The solo alone."""
    side = MIDDLE if hearing.mixed else LEFT
    none = Clicks(np.zeros(0), ())
    scores = []
    for section in sections:
        heard = timed(analysis, placed, none, section)
        pitch = analysis.notes.pitch[heard.rows]
        level = stroke_level(analysis.notes.velocity[heard.rows])
        if hearing.drums:
            scores.append(drum_strokes(heard.onset_sec, pitch, level, side))
        else:
            length = heard.release_sec - heard.onset_sec
            scores.append(note_strokes(heard.onset_sec, length, pitch, level, side))
    if not sum(map(len, scores)):
        raise TakeError(f"{analysis.take.name}: there are no notes to sound")
    return together(*scores, end_sec=sections[-1].begins_sec + sections[-1].length_sec)


def click_score(
    analysis: Analysis, placed: Placed, sections: Sequence[Section], hearing: Hearing
) -> Score:
    """The click alone."""
    clicks = clicks_for(analysis, placed, hearing.click)
    side = MIDDLE if hearing.mixed else RIGHT
    scores = []
    for section in sections:
        heard = timed(analysis, placed, clicks, section)
        scores.append(click_strokes(heard.click_sec, heard.click_kind, side=side))
    return together(*scores)


def stroke_level(velocity: np.ndarray) -> Floats:
    """Level of a stroke: rises with velocity, and the softest can still be heard."""
    share = np.clip(velocity / 127.0, 0.0, 1.0)
    return np.asarray(QUIETEST + (1 - QUIETEST) * share**1.5, dtype=np.float64)
