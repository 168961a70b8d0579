"""Where a run off the grid lands: the note it ends on, and the place that note was meant for.

Conventions
-----------
A run flows into the note after it where that follows at the run's own pace; where there is a
pause, its own last note is where it lands. A note that the reading has on a grid was meant for
its position there; one off the grid for the beat if it meets one, else for the nearest beat or
unit (eighths in 4/4). A steady run that begins on a subdivision and goes at almost its rate is
that one, too fast or too slow: there the place is counted off from its first note. To meet a place
is to lie within `NEAR_SPREADS` of the hand's spread or `NEAR_BEAT` of it; else it is early or
late. Lateness is in ms against the backing, the take's constant offset taken out, positive =
late: words and figures are of the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.events import Events
from improv.fit import Fit
from improv.grid import ALMOST, SUBDIVISIONS, almost, positions, row_of
from improv.meter import Meter
from improv.model import Bars, Bools, Floats, Ints
from improv.runs import STEADY, Stretch, steps_gone
from improv.tempo import bar_index

PAUSE = 1.6
"""A wait longer than so many of the run's own steps ends it (our choice)."""
NEAR_SPREADS = 2.0
NEAR_BEAT = 0.06
BEAT_ROW, UNIT_ROW = row_of("beat"), row_of("unit")


@dataclass(frozen=True, eq=False)
class Landings:
    """One row per run: the event that lands, the place it was meant for, how late it is.

    `row` is the subdivision whose position lies at `quarter`; `met` is False where the note
    is plainly beside it.
    """

    event: Ints
    quarter: Floats
    row: Ints
    late_ms: Floats
    late_beat: Floats
    met: Bools


def landings(
    runs: tuple[Stretch, ...],
    events: Events,
    phrase: Ints,
    reading: Fit,
    bars: Bars,
    constant_offset_ms: float = 0.0,
) -> Landings:
    """Where every run lands."""
    start = np.array([run.start for run in runs], dtype=np.int64)
    stop = np.array([run.stop for run in runs], dtype=np.int64)
    event = _arrivals(start, stop, events, phrase)
    at, quarter_ms = events.quarter[event], events.quarter_ms[event]
    meter = bars.meter[bar_index(bars, at)]
    beat_ms = bars.tempo_beat_quarter[meter] * quarter_ms
    reach_ms = np.maximum(NEAR_SPREADS * reading.hand.spread_ms, NEAR_BEAT * beat_ms)
    meant = at - constant_offset_ms / quarter_ms
    beat, unit = (_nearest(meant, bars, row) for row in (BEAT_ROW, UNIT_ROW))

    def late(quarter: Floats) -> Floats:
        return np.asarray((meant - quarter) * quarter_ms)

    on_beat = (np.abs(late(beat)) <= reach_ms) | (np.abs(late(beat)) <= np.abs(late(unit)))
    on_grid = reading.row[event] >= 0
    quarter = np.where(on_grid, reading.quarter[event], np.where(on_beat, beat, unit))
    row = np.where(on_grid, reading.row[event], np.where(on_beat, BEAT_ROW, UNIT_ROW))
    for i in np.flatnonzero(~on_grid).tolist():
        late_quarter = constant_offset_ms / quarter_ms[i]
        found = _counted_off(
            runs[i], int(event[i]), events.quarter - late_quarter, reach_ms[i] / quarter_ms[i], bars
        )
        if found is not None:
            quarter[i], row[i] = found
    late_ms = late(quarter)
    return Landings(event, quarter, row, late_ms, late_ms / beat_ms, np.abs(late_ms) <= reach_ms)


def _counted_off(
    run: Stretch, event: int, meant_quarter: Floats, reach_quarter: float, bars: Bars
) -> tuple[float, int] | None:
    """Where the landing event would lie had the run kept the subdivision it almost has, and which.

    `None` where it has the rate of none, glides or scatters, or begins beside its places.
    """
    if run.kind != STEADY:
        return None
    first = meant_quarter[run.start]
    meter = bars.meters[bars.meter[bar_index(bars, meant_quarter[[run.start]])[0]]]
    away, row = almost(run.notes_per_beat, meter, bars.meters[0])
    step = np.diff(_places(row, meter))
    if abs(away) >= ALMOST or np.ptp(step) > 1e-6:
        return None
    place = float(_nearest(meant_quarter[[run.start]], bars, row)[0])
    if abs(first - place) > reach_quarter:
        return None
    gone = steps_gone(meant_quarter[run.start : run.stop])[-1] + (event - run.stop + 1)
    return place + float(gone * step[0]), row


def _arrivals(start: Ints, stop: Ints, events: Events, phrase: Ints) -> Ints:
    """The event each run lands on: the one after it, or its own last."""
    last = stop - 1
    after = np.minimum(stop, len(events) - 1)
    onset = events.onset_sec
    step_sec = (onset[last] - onset[start]) / np.maximum(last - start, 1)
    flows = (onset[after] - onset[last] <= PAUSE * step_sec) & (after > last)
    return np.asarray(np.where(flows & (phrase[after] == phrase[last]), after, last))


def _nearest(at_quarter: Floats, bars: Bars, row: int) -> Floats:
    """The position of a row nearest each quarter."""
    bar = bar_index(bars, at_quarter)
    into = at_quarter - bars.start_quarter[bar]
    found = np.zeros(len(at_quarter))
    for m, meter in enumerate(bars.meters):
        here = bars.meter[bar] == m
        places = _places(row, meter)
        found[here] = places[np.abs(into[here, None] - places).argmin(axis=1)]
    return np.asarray(bars.start_quarter[bar] + found)


def _places(row: int, meter: Meter) -> Floats:
    """A row's positions in quarters from the bar line, the next bar line included."""
    inside = positions(SUBDIVISIONS[row], meter)
    return np.array([*map(float, inside), float(meter.bar_quarters)])
