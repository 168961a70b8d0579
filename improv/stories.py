"""From measures to the phrases and runs of an `Analysis`, named and placed.

Conventions: `model.Phrase`, `model.Run`. Rows are note rows; a passage is the longest
stretch of events on one subdivision (or off the grid), very short ones absorbed.
"""

from __future__ import annotations

import numpy as np

from improv.events import Events
from improv.fit import Fit
from improv.grid import ALMOST, SUBDIVISIONS, almost, row_of, straight_rates, straight_twin
from improv.hand import nearness
from improv.landing import Landings
from improv.model import Bars, Bools, Floats, Ints, Passage, Phrase, Ranked, Run, Take
from improv.places import Places
from improv.runs import GLIDING, Stretch
from improv.summaries import Calls, Measures
from improv.swing import SECOND_FROM, dotted_pairs, pairs, ratios
from improv.tempo import bar_index

SHORTEST_PASSAGE = 3
RANKED_FROM = 0.005
MOST_RANKED = 4
SAME_QUARTER = 1e-6
SWUNG_ROW = row_of("swung-unit")
MEASURED = (
    "offset_ms", "offset_se_ms", "spread_ms", "rms_ms", "in_pocket", "beat_offset_ms",
    "offbeat_offset_ms", "beat_apart_se_ms",
)  # fmt: skip
"""What `summaries.Measures` and `model.Phrase` call alike."""


def tell_phrases(
    take: Take,
    events: Events,
    phrase: Ints,
    reading: Fit,
    measures: Measures,
    calls: Calls,
    places: Places,
    first_note: Ints,
) -> tuple[Phrase, ...]:
    """All phrases in order."""
    count = len(measures.events)
    edges = np.searchsorted(phrase, np.arange(count + 1))
    swing = _swing(take, events, phrase, reading, calls, count)
    at_quarter = np.where(reading.row < 0, events.quarter, reading.quarter)
    tempo = _tempo_bpm(take.bars, at_quarter, events.quarter_ms)
    pickup = _pickups(take.bars, at_quarter, edges)
    told = []
    for p in range(count):
        start, stop = int(edges[p]), int(edges[p + 1])
        row = int(calls.row[p])
        bpm = float(tempo[start:stop].mean())
        triplet_ms = _triplet_ms(row, float(measures.beat_offset_ms[p]), float(swing[p]), bpm)
        told.append(
            Phrase(
                number=p + 1,
                start=int(first_note[start]),
                stop=int(first_note[stop]),
                events=stop - start,
                begins=places.place(start),
                ends=places.place(stop - 1),
                subdivision=places.name(row, start) if row >= 0 else None,
                per_beat=places.per_beat(row, start) if row >= 0 else None,
                swung=bool(row >= 0 and SUBDIVISIONS[row].swung),
                confidence=float(calls.confidence[p]),
                ranking=_ranking(calls.chance[p], places, start),
                off_grid_probability=float(calls.chance[p, -1]),
                pickup=bool(pickup[p]),
                passages=_passages(reading.row[start:stop], start, places, first_note),
                swing_ratio=_known(swing[p]),
                tempo_bpm=bpm,
                verdict=calls.verdict[p],
                offbeat_triplet_ms=_known(triplet_ms),
                **_measured(measures, p, bpm),
            )
        )
    return tuple(told)


def _measured(measures: Measures, phrase: int, bpm: float) -> dict[str, float | None]:
    """What of a phrase is measured, by the names of `model.Phrase`; the drift in BPM."""
    found = {name: _known(float(getattr(measures, name)[phrase])) for name in MEASURED}
    found["drift_bpm"] = _known(-float(measures.slope[phrase]) * bpm)
    found["drift_se_bpm"] = _known(float(measures.slope_se[phrase]) * bpm)
    return found


def _pickups(bars: Bars, at_quarter: Floats, edges: Ints) -> Bools:
    """Whether each phrase begins less than half a bar before a bar line that it goes on past."""
    first, last = at_quarter[edges[:-1]], at_quarter[edges[1:] - 1]
    bar = bar_index(bars, first + SAME_QUARTER)
    line = bars.start_quarter[bar + 1]
    short = line - first < (line - bars.start_quarter[bar]) / 2.0 - SAME_QUARTER
    return np.asarray(short & (last >= line - SAME_QUARTER))


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _tempo_bpm(bars: Bars, at_quarter: Floats, quarter_ms: Floats) -> Floats:
    """Tempo of the backing at every event, in the beats that a tempo counts there."""
    meter = bars.meter[bar_index(bars, at_quarter + SAME_QUARTER)]
    return np.asarray(60000.0 / (quarter_ms * bars.tempo_beat_quarter[meter]))


def _swing(
    take: Take, events: Events, phrase: Ints, reading: Fit, calls: Calls, count: int
) -> Floats:
    """Swing ratio of each phrase, over the notes on its main row where that can swing."""
    main = calls.row[phrase]
    swung = [row for row, s in enumerate(SUBDIVISIONS) if s.swung]
    start, length, place = pairs(take.bars, reading.quarter, main)
    with np.errstate(invalid="ignore"):
        late = reading.deviation_ms / (length * events.quarter_ms)
        second = place > SECOND_FROM
    able = reading.row == main
    able |= dotted_pairs(reading.row, main, place, start)
    able &= np.isin(main, swung + [straight_twin(row) for row in swung])
    able &= ~np.isnan(length) & ~np.isnan(reading.deviation_ms)
    share = np.where(able, place + late, 0.0)
    stray = np.where(able, reading.deviation_ms - reading.leaning_ms, 0.0)
    usual = nearness(stray, np.full(len(stray), reading.hand.spread_ms))
    return ratios(share, second & able, able * usual, phrase, count)


def _triplet_ms(row: int, beat_offset_ms: float, swing_ratio: float, tempo_bpm: float) -> float:
    """Lateness of swung off-beats against 2 : 1 from the backing's beats; NaN where none swing.

    Late beats shorten the player's own ratio: off-beats on the backing's last triplet after
    beats 30 ms late swing less than 2 : 1 (Nelias et al. 2022; Friberg & Sundström 2002).
    """
    if row != SWUNG_ROW:
        return float("nan")
    share = swing_ratio / (1.0 + swing_ratio)
    return beat_offset_ms + (share - 2.0 / 3.0) * 60000.0 / tempo_bpm


def _ranking(share: Floats, places: Places, event: int) -> tuple[Ranked, ...]:
    best = np.argsort(-share[:-1])[:MOST_RANKED]
    return tuple(
        Ranked(
            places.name(int(r), event),
            places.per_beat(int(r), event),
            SUBDIVISIONS[int(r)].swung,
            float(share[r]),
        )
        for r in best
        if share[r] >= RANKED_FROM
    )


def _passages(row: Ints, offset: int, places: Places, first_note: Ints) -> tuple[Passage, ...]:
    """Stretches on one row; those under `SHORTEST_PASSAGE` events join the one before.

    What is joined is told by the row most of its events are on.
    """
    cuts = [0, *(np.flatnonzero(np.diff(row)) + 1).tolist(), len(row)]
    merged: list[list[int]] = []
    for start, stop in zip(cuts[:-1], cuts[1:], strict=True):
        same = bool(merged) and merged[-1][2] == int(row[start])
        if merged and (same or stop - start < SHORTEST_PASSAGE):
            merged[-1][1] = stop
        else:
            merged.append([start, stop, int(row[start])])
    if len(merged) > 1 and merged[0][1] - merged[0][0] < SHORTEST_PASSAGE:
        merged[1][0] = merged[0][0]
        merged.pop(0)
    told: list[list[int]] = []
    for start, stop, _ in merged:
        rows, sizes = np.unique(row[start:stop], return_counts=True)
        most = int(rows[sizes.argmax()])
        if told and told[-1][2] == most:
            told[-1][1] = stop
        else:
            told.append([start, stop, most])
    return tuple(_passage(a + offset, b + offset, r, places, first_note) for a, b, r in told)


def _passage(start: int, stop: int, row: int, places: Places, first_note: Ints) -> Passage:
    on_grid = row >= 0
    return Passage(
        start=int(first_note[start]),
        stop=int(first_note[stop]),
        subdivision=places.name(row, start) if on_grid else None,
        per_beat=places.per_beat(row, start) if on_grid else None,
        swung=bool(on_grid and SUBDIVISIONS[row].swung),
        begins=places.place(start),
        ends=places.place(stop - 1),
    )


def tell_runs(
    take: Take,
    phrase: Ints,
    reading: Fit,
    runs: tuple[Stretch, ...],
    landed: Landings,
    places: Places,
    first_note: Ints,
) -> tuple[Run, ...]:
    """All runs in order."""
    at = Places.of(take, take.onset_sec[first_note[landed.event]], landed.quarter, landed.row)
    told = []
    for i, s in enumerate(runs):
        chance = float(reading.row_probability[s.start : s.stop, -1].mean())
        off = s.off_grid
        told.append(
            Run(
                start=int(first_note[s.start]),
                stop=int(first_note[s.stop]),
                events=s.stop - s.start,
                phrase=int(phrase[s.start]) + 1,
                begins=places.place(s.start),
                ends=places.place(s.stop - 1),
                off_grid=off,
                notes_per_beat=s.notes_per_beat,
                between=_between(s, places) if off else None,
                kind=s.kind,
                lands_ms=float(landed.late_ms[i]) if off else None,
                lands_beat=float(landed.late_beat[i]) if off else None,
                confidence=chance if off else 1.0 - chance,
                near=_near(s, places) if off else None,
                lands_at=at.place(i) if off else None,
                lands_on=bool(landed.met[i]) and off,
            )
        )
    return tuple(told)


def _between(run: Stretch, places: Places) -> tuple[str, str] | None:
    """The straight subdivisions whose rates enclose a run's, or `None` beyond them all."""
    rates = straight_rates(places.meter_at(run.start), places.meters[0])
    below = [row for rate, row in rates if rate <= run.notes_per_beat]
    above = [row for rate, row in rates if rate > run.notes_per_beat]
    if not below or not above:
        return None
    return places.name(below[-1], run.start), places.name(above[0], run.start)


def _near(run: Stretch, places: Places) -> tuple[str, float] | None:
    """The straight subdivision whose rate a run almost has, and by what share it is faster (+).

    A run that glides has no one rate.
    """
    if run.kind in GLIDING:
        return None
    away, row = almost(run.notes_per_beat, places.meter_at(run.start), places.meters[0])
    return (places.name(row, run.start), away) if abs(away) < ALMOST else None
