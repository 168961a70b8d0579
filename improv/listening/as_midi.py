"""A program as MIDI: the solo, the click, and markers, for any player or sequencer.

The same sections in the same order as the sound, but on whole bars: every section
begins on the bar line at or before its first note, and a bar of rest follows it, so that a
sequencer's bars are the take's. A slowed section is a slower tempo. Markers name the
sections and the runs off the grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from improv.listening.click_track import clicks_for
from improv.listening.on_grid import Placed
from improv.listening.program import LEAD_SEC, Hearing, Section, Timed, timed
from improv.midi_parts import PERCUSSION_CHANNEL
from improv.midi_write import OutPart
from improv.model import Analysis, Bars, Floats, Ints, TempoMap
from improv.sound import CLICKS
from improv.sound.voices import CLICK_ROW
from improv.tempo import seconds_at
from improv.wording import rate_beat, rate_text

PLUCKED_PROGRAM = 24
"""Acoustic guitar with nylon strings, in General MIDI counted from 0."""
CLICK_LENGTH_SEC = 0.05


@dataclass(frozen=True)
class _Laid:
    """A section on bars of its own: bar lines [low, high] of the take, and where they go."""

    section: Section
    lines: Floats
    meter: Ints
    begins_sec: float
    begins_quarter: float


def program_parts(
    analysis: Analysis, placed: Placed, sections: Sequence[Section], hearing: Hearing
) -> tuple[tuple[OutPart, ...], TempoMap, Bars]:
    """Parts, tempo map and bars for `midi_write.write_parts`."""
    laid = _lay(analysis, placed, sections)
    clicks = clicks_for(analysis, placed, hearing.click)
    heard = [timed(analysis, placed, clicks, one.section) for one in laid]
    solo = _solo(analysis, heard, hearing, _markers(analysis, laid, heard))
    parts = (solo, _click(heard)) if len(clicks.kind) else (solo,)
    return parts, _tempo_map(analysis, laid), _bars(analysis, laid)


def _lay(analysis: Analysis, placed: Placed, sections: Sequence[Section]) -> list[_Laid]:
    take = analysis.take
    lines, meters = _more_bars(take.bars)
    laid: list[_Laid] = []
    at_sec = at_quarter = 0.0
    for section in sections:
        excerpt = section.excerpt
        onset = (placed.onset_sec if section.on_grid else analysis.notes.onset_sec)[excerpt.rows]
        line_sec = seconds_at(take.tempo_map, lines)
        start_sec = min(
            float(seconds_at(take.tempo_map, np.array([excerpt.start_quarter]))[0]),
            float(onset.min()),
        )
        low = max(int(np.searchsorted(line_sec, start_sec + 1e-6, side="right")) - 1, 0)
        high = int(np.searchsorted(lines, excerpt.stop_quarter - 1e-6)) + 1
        high = min(max(high, low + 1), len(lines) - 1)
        own = lines[low : high + 1]
        ends = seconds_at(take.tempo_map, np.array([own[0], own[-1], excerpt.start_quarter]))
        zero = at_sec + (ends[2] - ends[0]) / section.share
        moved = replace(section, begins_sec=float(zero) - LEAD_SEC)
        laid.append(_Laid(moved, own, meters[low:high], at_sec, at_quarter))
        at_sec += float(ends[1] - ends[0]) / section.share
        at_quarter += float(own[-1] - own[0])
    return laid


def _more_bars(bars: Bars) -> tuple[Floats, Ints]:
    """The take's bar lines with a bar more before and two more after, and each bar's meter."""
    first = float(bars.meters[int(bars.meter[0])].bar_quarters)
    last = float(bars.meters[int(bars.meter[-1])].bar_quarters)
    lines = bars.start_quarter
    after = lines[-1] + last * np.array([1.0, 2.0])
    meter = np.concatenate([bars.meter[:1], bars.meter, bars.meter[-1:], bars.meter[-1:]])
    return np.concatenate([lines[:1] - first, lines, after]), meter


def _solo(
    analysis: Analysis,
    heard: Sequence[Timed],
    hearing: Hearing,
    markers: tuple[tuple[float, str], ...],
) -> OutPart:
    rows = np.concatenate([h.rows for h in heard])
    return OutPart(
        analysis.take.track or "solo",
        np.concatenate([h.onset_sec for h in heard]),
        np.concatenate([h.release_sec for h in heard]),
        analysis.notes.pitch[rows],
        np.clip(analysis.notes.velocity[rows], 1, 127),
        channel=PERCUSSION_CHANNEL if hearing.drums else 1,
        program=None if hearing.drums else PLUCKED_PROGRAM,
        markers=markers,
    )


def _click(heard: Sequence[Timed]) -> OutPart:
    onset = np.concatenate([h.click_sec for h in heard])
    row = np.array([CLICK_ROW[k] for h in heard for k in h.click_kind], dtype=np.int64)
    pitch = np.array([c.drum for c in CLICKS])[row]
    velocity = np.array([c.velocity for c in CLICKS])[row]
    return OutPart(
        "click", onset, onset + CLICK_LENGTH_SEC, pitch, velocity, channel=PERCUSSION_CHANNEL
    )


def _markers(
    analysis: Analysis, laid: Sequence[_Laid], heard: Sequence[Timed]
) -> tuple[tuple[float, str], ...]:
    """Where each section begins, and where each run off the grid does in it."""
    marks: list[tuple[float, str]] = []
    off = [run for run in analysis.runs if run.off_grid]
    for one, times in zip(laid, heard, strict=True):
        title = one.section.title
        marks.append((one.section.begins_sec + LEAD_SEC, title[:1].upper() + title[1:]))
        for number, run in enumerate(off, 1):
            inside = np.flatnonzero((times.rows >= run.start) & (times.rows < run.stop))
            if len(inside):
                rate = rate_text(run.notes_per_beat, rate_beat(analysis.take))
                marks.append((float(times.onset_sec[inside].min()), f"Run {number}: {rate}"))
                marks.append((float(times.release_sec[inside].max()), f"End of run {number}"))
    return tuple(sorted(marks))


def _tempo_map(analysis: Analysis, laid: Sequence[_Laid]) -> TempoMap:
    """The take's tempo under each section, slower where the section is."""
    source = analysis.take.tempo_map
    quarter: list[Floats] = []
    second: list[Floats] = []
    length: list[Floats] = []
    for one in laid:
        low, high = float(one.lines[0]), float(one.lines[-1])
        inside = (source.start_quarter > low + 1e-9) & (source.start_quarter < high - 1e-9)
        at = np.concatenate([[low], source.start_quarter[inside]])
        which = np.maximum(np.searchsorted(source.start_quarter, at + 1e-9, side="right") - 1, 0)
        at_sec = seconds_at(source, at)
        quarter.append(one.begins_quarter + at - low)
        second.append(one.begins_sec + (at_sec - at_sec[0]) / one.section.share)
        length.append(source.quarter_sec[which] / one.section.share)
    return TempoMap(np.concatenate(second), np.concatenate(quarter), np.concatenate(length))


def _bars(analysis: Analysis, laid: Sequence[_Laid]) -> Bars:
    starts = [one.begins_quarter + one.lines[:-1] - one.lines[0] for one in laid]
    end = laid[-1].begins_quarter + laid[-1].lines[-1] - laid[-1].lines[0]
    meter = np.concatenate([one.meter for one in laid])
    meters = analysis.take.bars.meters
    beats = np.array([m.beats for m in meters], dtype=np.int64)[meter]
    first_beat = np.concatenate([[0], np.cumsum(beats)[:-1]]).astype(np.int64)
    number = np.arange(1, len(meter) + 1, dtype=np.int64)
    return Bars(np.concatenate([*starts, [end]]), number, meter, first_beat, meters)
