"""Readings of an Analysis that several pictures share.

Conventions: one row per rhythmic event (a chord is one, its ornaments left out);
positions in quarter notes from bar 1 beat 1; deviations in ms, positive = late; NaN
where there is no grid or no timing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np

from improv.counting import counted
from improv.files import printable
from improv.grid import short_name
from improv.model import Analysis, Bars, Floats, Ints, Phrase, _Frozen
from improv.tempo import quarter_sec_at, quarters_at
from improv.wording import has_one_tempo, offset_is_told, signed_ms, take_tempo

SURE_AT = 0.55
"""Chance of a note's row below which it is drawn open: too close to call."""

_CUT = {"quintuplets": "quint.", "sextuplets": "sext.", "septuplets": "sept.",
        "quadruplets": "quad."}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Events(_Frozen):
    """One row per rhythmic event in time order; `row` is its main note's row.

    `row` indexes `Notes`, `kind` indexes `grid.SUBDIVISIONS` (-1: off the grid),
    `grid_quarter` is the grid position, `quarter_sec` the backing's quarter there.
    """

    row: Ints
    onset_sec: Floats
    quarter: Floats
    grid_quarter: Floats
    deviation_ms: Floats
    quarter_sec: Floats
    kind: Ints
    phrase: Ints
    confidence: Floats

    def __len__(self) -> int:
        return len(self.row)


def events_of(analysis: Analysis) -> Events:
    """The events of an analysis, each told by its first note that is no ornament."""
    notes, take = analysis.notes, analysis.take
    plain = np.flatnonzero(~notes.grace)
    _, first = np.unique(notes.event[plain], return_index=True)
    row = plain[np.sort(first)]
    quarter = quarters_at(take.tempo_map, notes.onset_sec[row])
    grid_quarter = quarters_of(take.bars, notes.position_beat[row])
    at = np.where(np.isnan(grid_quarter), quarter, grid_quarter)
    return Events(
        row=row,
        onset_sec=notes.onset_sec[row],
        quarter=quarter,
        grid_quarter=grid_quarter,
        deviation_ms=np.array(notes.deviation_ms[row]),
        quarter_sec=quarter_sec_at(take.tempo_map, at),
        kind=np.array(notes.subdivision[row]),
        phrase=np.array(notes.phrase[row]),
        confidence=np.array(notes.confidence[row]),
    )


def beat_starts(bars: Bars) -> tuple[Floats, Ints]:
    """Where every beat begins, in quarters, and which bar (index) it belongs to."""
    starts, owners = [], []
    last = np.append(bars.first_beat[1:], bars.first_beat[-1:] + 10**6)
    for m, meter in enumerate(bars.meters):
        here = np.flatnonzero(bars.meter == m)
        into = np.array([float(s) for s in meter.beat_starts_quarter])
        count = np.minimum(last[here] - bars.first_beat[here], len(into))
        beat = np.arange(len(into))
        held = beat[None, :] < count[:, None]
        starts.append((bars.start_quarter[here][:, None] + into[None, :])[held])
        owners.append(np.broadcast_to(here[:, None], held.shape)[held])
    start, owner = np.concatenate(starts), np.concatenate(owners)
    order = np.argsort(start, kind="stable")
    return start[order], owner[order].astype(np.int64)


def quarters_of(bars: Bars, at_beat: Floats) -> Floats:
    """Positions in beats from bar 1 beat 1 as quarters: the inverse of `tempo.beats_at`."""
    start, _ = beat_starts(bars)
    edges = np.append(start, bars.start_quarter[-1])
    first = float(bars.first_beat[0])
    numbers = first + np.arange(len(edges), dtype=np.float64)
    before = np.minimum(at_beat - first, 0.0) * (edges[1] - edges[0])
    after = np.maximum(at_beat - numbers[-1], 0.0) * (edges[-1] - edges[-2])
    return np.asarray(np.interp(at_beat, numbers, edges) + before + after)


def scribbled_name(name: str) -> str:
    """A subdivision's name as it is scribbled over a part: `8ths`, `swung 16ths`, `quint.`."""
    return _CUT.get(name, short_name(name))


def title_of(analysis: Analysis) -> str:
    """The take's own name, without folders, safe to print."""
    return printable(PurePath(analysis.take.name).name or analysis.take.name).strip() or "take"


def main_subdivision(analysis: Analysis) -> tuple[str, float] | None:
    """The commonest subdivision and its share of the notes."""
    named = Counter(name for name in analysis.notes.subdivision_name if name is not None)
    if not named:
        return None
    name, count = named.most_common(1)[0]
    return name, count / len(analysis.notes)


def facts_of(analysis: Analysis) -> str:
    """Meter, tempo, size, lean and spread of a take in one line."""
    events = len(set(analysis.notes.event.tolist()))
    parts = [f"{analysis.take.meter_text} at {take_tempo(analysis)}"]
    parts.append(f"{counted(events, 'note')} (a chord counts once)")
    if analysis.spread_ms is not None:
        parts.append(f"spread {analysis.spread_ms:.0f} ms")
    if analysis.constant_offset_ms is not None and offset_is_told(analysis):
        parts.append(f"on the whole {signed_ms(analysis.constant_offset_ms)}")
    return ", ".join(parts)


def backing_bpm(analysis: Analysis, phrase: Phrase) -> float:
    """The backing's tempo under a phrase, in the beats that a stated tempo counts."""
    return analysis.take.tempo_bpm if has_one_tempo(analysis) else phrase.tempo_bpm
