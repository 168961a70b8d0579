"""The practice track: an assignment to timed strokes. Pure: no files, no sound.

Conventions
-----------
Positions are exact fractions of a quarter note, 0 at bar 1 beat 1; the count-in comes
before and the file begins with it. Kinds of stroke:

    downbeat, group, beat             the click: first beat, other group starts, other beats
    subdivision, other subdivision    the assigned notes; the other one for the other part
    announce                          the pickup before every change of an alternation

The count-in always clicks every beat; what the style leaves out begins with bar 1. In a
bar that drops out nothing sounds at all. A tempo is what a MIDI file can hold: whole
microseconds to the quarter note, so file and sound agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from improv.assignments import defaults
from improv.assignments.checking import place_in_beat
from improv.assignments.limits import MOST_TRACK_BARS
from improv.assignments.model import REST, Assignment, Section
from improv.grid import SUBDIVISIONS, USUAL_SWING, delayed, find, positions
from improv.meter import Meter
from improv.model import Bars, TempoMap
from improv.tempo import lay_bars, tempo_from_quarters

OPEN_END_BARS = 32
"""Length of a track whose last section goes on to the end (our choice)."""


@dataclass(frozen=True)
class Stroke:
    """One stroke: when, of which kind, in which bar (0 and below: the count-in)."""

    at_quarter: Fraction
    kind: str
    bar: int


@dataclass(frozen=True)
class Gap:
    """Bars `first_bar` to `last_bar` drop out: [start, stop) in quarter notes."""

    first_bar: int
    last_bar: int
    start_quarter: Fraction
    stop_quarter: Fraction


@dataclass(frozen=True, eq=False)
class ClickTrack:
    """All strokes in time order over their tempo map and bars; `meter` is the cycle of meters."""

    strokes: tuple[Stroke, ...]
    gaps: tuple[Gap, ...]
    tempi: tuple[tuple[Fraction, float], ...]
    tempo_map: TempoMap
    bars: Bars
    end_quarter: Fraction
    meter: tuple[Meter, ...]
    count_in_bars: int


@dataclass(frozen=True)
class _Bar:
    number: int
    start: Fraction
    meter: Meter


def click_track(assignment: Assignment, part: int | None = 1) -> ClickTrack:
    """The practice track for part 1 or 2 of an alternation, or for both (`None`)."""
    bars = _bars(assignment)
    gaps = gaps_of(assignment, bars_in(assignment))
    silent = {b for first, last in gaps for b in range(first, last + 1)}
    strokes: list[Stroke] = []
    beats_before = 0
    for bar in bars:
        strokes += _clicks(bar, assignment, beats_before)
        beats_before += bar.meter.beats if bar.number >= 1 else 0
    by_number = {bar.number: bar for bar in bars}
    for section in assignment.sections:
        strokes += _assigned(section, assignment, by_number, part)
    kept = {s for s in strokes if s.bar not in silent}
    tempi = _tempi(assignment, by_number)
    ends = {bar.number: bar.start + bar.meter.bar_quarters for bar in bars}
    return ClickTrack(
        tuple(sorted(kept, key=lambda s: (s.at_quarter, s.kind))),
        tuple(Gap(a, b, by_number[a].start, ends[b]) for a, b in gaps),
        tempi,
        _tempo_map(bars[0].start, tempi, assignment.meter[0]),
        _laid(assignment, bars),
        ends[bars[-1].number],
        assignment.meter,
        assignment.count_in_bars,
    )


def bars_in(assignment: Assignment) -> int:
    """How many bars the practice track has after the count-in."""
    length = assignment.bars or assignment.last_bar
    if length is None:
        starts = max((s.first_bar for s in assignment.sections), default=1)
        length = starts + OPEN_END_BARS - 1
    return min(length, MOST_TRACK_BARS)


def gaps_of(assignment: Assignment, bars: int) -> list[tuple[int, int]]:
    """Bars that drop out, as (first, last), both included, up to the track's end."""
    style = assignment.click
    found: list[tuple[int, int]] = []
    if style.bars_on is None or not style.bars_off:
        return found
    at = 1
    while at <= bars:
        off = style.bars_off[min(len(found), len(style.bars_off) - 1)]
        first, last = at + style.bars_on, at + style.bars_on + off - 1
        if first > bars:
            break
        found.append((first, min(last, bars)))
        at = last + 1
    return found


def _bars(assignment: Assignment) -> list[_Bar]:
    """Count-in and bars; the cycle of meters begins with both."""
    cycle = assignment.meter
    count_in = [cycle[i % len(cycle)] for i in range(assignment.count_in_bars)]
    start = -sum((m.bar_quarters for m in count_in), Fraction(0))
    meters = [*count_in, *(cycle[i % len(cycle)] for i in range(bars_in(assignment)))]
    found = []
    for i, meter in enumerate(meters):
        found.append(_Bar(i + 1 - len(count_in), start, meter))
        start += meter.bar_quarters
    return found


def _clicks(bar: _Bar, assignment: Assignment, beats_before: int) -> list[Stroke]:
    """The beats of a bar that click."""
    style, meter = assignment.click, bar.meter
    counting = bar.number < 1
    found = []
    for i, start in enumerate(meter.beat_starts_quarter):
        out = style.beats is not None and i + 1 not in style.beats
        out |= style.half_time and (beats_before + i) % 2 == 1
        if out and not counting:
            continue
        kind = _kind(meter, i) if style.accents else "beat"
        if style.place is not None and not counting:
            into = place_in_beat(style.place, meter, i)
            if into is None:  # A short group has no third unit to click on.
                continue
            start, kind = start + into, "beat"
        found.append(Stroke(bar.start + start, kind, bar.number))
    return found


def _kind(meter: Meter, beat: int) -> str:
    """Downbeat, start of a group, or any other beat."""
    if beat == 0:
        return "downbeat"
    if meter.additive:
        return "group"
    starts = np.cumsum([0, *meter.accents[:-1]]).tolist() if meter.accents else [0]
    return "group" if beat in starts else "beat"


def _assigned(
    section: Section, assignment: Assignment, bars: dict[int, _Bar], part: int | None
) -> list[Stroke]:
    """The assigned subdivision of a section, and what announces its changes."""
    last = max(bars) if section.last_bar is None else min(section.last_bar, max(bars))
    found: list[Stroke] = []
    for number in range(section.first_bar, last + 1):
        for kind, name in _due(section, number, part):
            if _sounds(assignment, section, name, number):
                found += _notes(section, name, bars[number], assignment, kind)
    if section.alternate is not None:
        for first in range(section.first_bar, last + 1, section.alternate.every):
            if first - 1 in bars:
                found += _announce(bars[first - 1])
    return found


def _due(section: Section, bar: int, part: int | None) -> list[tuple[str, str]]:
    """(kind, subdivision) that sound in a bar: one, or one for each of two parts."""
    turns = section.alternate
    if turns is None:
        return [("subdivision", section.asked[-1])] if len(section.asked) == 1 else []
    bars_in = bar - section.first_bar
    if part is None:
        named = [
            ("subdivision", turns.turn(bars_in, 1)),
            ("other subdivision", turns.turn(bars_in, 2)),
        ]
    else:
        turn = turns.turn(bars_in, part)
        named = [("other subdivision" if turn % 2 else "subdivision", turn)]
    return [
        (kind, turns.subdivisions[turn]) for kind, turn in named if turns.subdivisions[turn] != REST
    ]


def _sounds(assignment: Assignment, section: Section, name: str, bar: int) -> bool:
    """Whether the assigned notes sound: as the style says, else where that helps."""
    wanted = assignment.click.subdivision
    if wanted is not None:
        return wanted
    if section.alternate is not None:
        return True
    row = SUBDIVISIONS[find(name, assignment.meter)]
    per_beat = max(float(row.per_beat(m.kind) or 0) for m in assignment.meter)
    return per_beat > 0 and defaults.click_helps(assignment.tempo_at(bar), per_beat)


def _notes(
    section: Section, name: str, bar: _Bar, assignment: Assignment, kind: str
) -> list[Stroke]:
    row = SUBDIVISIONS[find(name, assignment.meter)]
    at = positions(row, bar.meter)
    swing = section.swing
    ratio = Fraction(USUAL_SWING)
    if swing is not None and swing.low is not None and swing.high is not None:
        ratio = Fraction((swing.low + swing.high) / 2).limit_denominator(24)
    if row.swung or swing is not None:
        at = delayed(at, ratio)
    return [Stroke(bar.start + into, kind, bar.number) for into in at]


def _announce(bar: _Bar) -> list[Stroke]:
    """The pickup sound: on the last beat of the bar before, and once more inside it."""
    start, length = bar.meter.beat_starts_quarter[-1], bar.meter.beat_quarters[-1]
    units = bar.meter.groups[-1]
    inside = length * Fraction(units - 1, units) if units > 1 else length / 2
    at = (bar.start + start, bar.start + start + inside)
    return [Stroke(a, "announce", bar.number) for a in at]


def _tempi(assignment: Assignment, bars: dict[int, _Bar]) -> tuple[tuple[Fraction, float], ...]:
    """(quarter, beats of the meter per minute) from the start on, wherever the tempo changes."""
    found = [(min(bar.start for bar in bars.values()), assignment.tempo_at(1))]
    for number in range(2, max(bars) + 1):
        if assignment.tempo_at(number) != found[-1][1]:
            found.append((bars[number].start, assignment.tempo_at(number)))
    return tuple(found)


def _tempo_map(
    first: Fraction, tempi: tuple[tuple[Fraction, float], ...], meter: Meter
) -> TempoMap:
    beat = float(meter.tempo_beat_quarter)
    quarter_sec = np.array([round(60e6 / (bpm * beat)) / 1e6 for _, bpm in tempi])
    start_quarter = np.array([float(at) for at, _ in tempi])
    assert tempi[0][0] == first
    return tempo_from_quarters(start_quarter, quarter_sec)


def _laid(assignment: Assignment, bars: list[_Bar]) -> Bars:
    end = bars[-1].start + bars[-1].meter.bar_quarters
    changes = [(0.0, assignment.meter)]
    if assignment.count_in_bars:
        changes.insert(0, (float(bars[0].start), assignment.meter))
    return lay_bars(tuple(changes), float(bars[0].start), float(end) - 1e-3)
