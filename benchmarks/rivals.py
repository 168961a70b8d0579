"""Other ways to recover notation from the same onsets, for comparison.

Each takes what was `Played` and returns a position in beats per note. All are told tempo,
meter and bar lines, and all have the take's constant offset removed first (the median
deviation from the nearest sixteenth or triplet), so none is beaten by an offset alone.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from benchmarks.corpus import meter
from benchmarks.hand import Played
from improv.grid import SUBDIVISIONS, positions
from improv.meter import Meter
from improv.model import Floats
from improv.tempo import beats_at, quarter_sec_at, quarters_at

MUSIC21_DIVISORS = ((4, 3), (8, 6), (8, 3), (2, 3), (4, 3, 5, 7), (4, 6))
_NEAREST_ROWS = ("half-unit", "triplet")


@cache
def _union(m: Meter) -> Floats:
    """Sixteenths and triplets of a bar (in compound meters sixteenths and duplets), in quarters."""
    rows = [s for s in SUBDIVISIONS if s.key in _NEAREST_ROWS]
    return np.array(sorted({float(p) for s in rows for p in positions(s, m)}))


def _snap(into: Floats, grid: Floats, bar_quarters: float) -> Floats:
    """Nearest point of a bar's grid, the next bar line included."""
    closed = np.append(grid, bar_quarters)
    return closed[np.abs(into[:, None] - closed).argmin(axis=1)]


def _nearest_quarter(played: Played, quarter: Floats) -> Floats:
    bars = played.take.bars
    bar = np.clip(
        np.searchsorted(bars.start_quarter, quarter, side="right") - 1, 0, len(bars.number) - 1
    )
    out = np.empty_like(quarter)
    for b in np.unique(bar):
        m, here = bars.meters[bars.meter[b]], bar == b
        line = bars.start_quarter[b]
        out[here] = line + _snap(quarter[here] - line, _union(m), float(m.bar_quarters))
    return out


def centred_quarter(played: Played) -> Floats:
    """Onsets in quarters from bar 1 with the median deviation from sixteenths and triplets out."""
    quarter = quarters_at(played.take.tempo_map, played.take.onset_sec)
    return quarter - float(np.median(quarter - _nearest_quarter(played, quarter)))


def centred_beats(played: Played) -> Floats:
    """The same in beats from bar 1 beat 1."""
    return beats_at(played.take.bars, centred_quarter(played))


def nearest_point(played: Played) -> Floats:
    """The nearest sixteenth or triplet of each note."""
    return beats_at(played.take.bars, _nearest_quarter(played, centred_quarter(played)) + 1e-9)


@cache
def _beat_rows(m: Meter, k: int) -> tuple[tuple[float, Floats], ...]:
    """(points in the beat, grid in beats with the next beat) of every straight row with points."""
    start, length = m.beat_starts_quarter[k], m.beat_quarters[k]
    rows, seen = [], set()
    for s in SUBDIVISIONS:
        here = tuple(
            float((p - start) / length) for p in positions(s, m) if start <= p < start + length
        )
        if s.swung or not here or here in seen:
            continue
        seen.add(here)
        rows.append((float(len(here)), np.array([*here, 1.0])))
    return tuple(rows)


def penalised_grid(played: Played, charge_ms2: float) -> Floats:
    """Each beat's own best grid: squared error (ms²) plus a charge for every point it offers.

    A grid that puts two notes of the beat on one point is passed over while another remains.
    The next beat's first point is open to early notes.
    """
    bars = played.take.bars
    quarter = centred_quarter(played)
    at_beat = beats_at(bars, quarter)
    bar = np.clip(
        np.searchsorted(bars.start_quarter, quarter, side="right") - 1, 0, len(bars.number) - 1
    )
    number = np.floor(at_beat).astype(int)
    out = np.empty_like(at_beat)
    for beat in np.unique(number):
        here = np.flatnonzero(number == beat)
        b = bar[here[0]]
        m = bars.meters[bars.meter[b]]
        k = min(max(int(beat - bars.first_beat[b]), 0), m.beats - 1)
        sec = float(quarter_sec_at(played.take.tempo_map, quarter[here[:1]])[0])
        beat_ms = 1000.0 * float(m.beat_quarters[k]) * sec
        into = at_beat[here] - beat
        best = (np.inf, np.inf)
        for points, grid in _beat_rows(m, k):
            index = np.abs(into[:, None] - grid).argmin(axis=1)
            clash = float(len(index) - len(set(index.tolist())))
            error = float((((into - grid[index]) * beat_ms) ** 2).sum())
            score = (clash, error + charge_ms2 * points)
            if score < best:
                best = score
                out[here] = beat + grid[index]
    return out


def told_grid(played: Played, points_of: list[Floats]) -> Floats:
    """Snapping with the true grid known: `points_of[i]` are note i's choices in its own beat.

    No rival but a ceiling: it is told every beat's notated subdivision, and which beat.
    """
    at_beat = centred_beats(played)
    out = np.empty_like(at_beat)
    for i, points in enumerate(points_of):
        out[i] = played.beat[i] + points[np.abs(at_beat[i] - played.beat[i] - points).argmin()]
    return out


def music21_quantiser(played: Played, divisors: tuple[int, ...]) -> Floats:
    """music21's `Stream.quantize` on offsets, each bar laid on a whole number of quarters."""
    from music21 import note, stream

    bars = played.take.bars
    quarter = centred_quarter(played)
    bar = np.clip(
        np.searchsorted(bars.start_quarter, quarter, side="right") - 1, 0, len(bars.number) - 1
    )
    line = bars.start_quarter[bar]
    room = int(np.ceil(max(float(meter(t).bar_quarters) for t in played.tune.meters))) + 1
    shift = bar * room + 1
    s = stream.Stream()
    notes = [note.Note(quarterLength=0.25) for _ in quarter]
    for n, at in zip(notes, quarter - line + shift, strict=True):
        s.coreInsert(float(at), n)
    s.coreElementsChanged()
    s.quantize(divisors, processOffsets=True, processDurations=False, inPlace=True)
    found = np.array([float(n.getOffsetBySite(s)) for n in notes])
    return beats_at(bars, found - shift + line + 1e-9)
