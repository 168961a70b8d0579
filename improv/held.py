"""Which subdivisions a player holds, and how fast the next denser one would be safe.

Conventions
-----------
* Spread, as the phrase table has it: standard deviation in ms about each phrase's own center
  and, where it is sure, its drift; fumbled notes hardly count (`scatter`). Several phrases'
  squares are pooled.
* Held: at least `ENOUGH_NOTES` events on the grid (two bars of eighths; our choice), called
  with `SURE_ON_THE_WHOLE` confidence in the mean, spread at most the tolerance, neighbours at least
  `HELD_SPREADS` spreads apart where it was played (a note then stays nearer its own place
  than a neighbour's 19 times of 20: two standard deviations of a normal scatter), and at
  least `HELD_SHARE` of all attempts at that rate on the grid rather than in a run off it.
* Attempted: a run off the grid was an attempt at one subdivision (`attempts`; played: enough
  to be judged).
* Safe: neighbours at least `SAFE_SPREADS` spreads apart (a note then strays nearer to a
  neighbour's place 3 times in 1000: three standard deviations), and at least `CLOSEST_MS`
  apart (Repp 2006: synchronisation fails beyond 8 to 10 notes a second), or as close as the
  player holds them already, down to `TRAINED_MS` (Polak 2017: 80 to 100 ms in trained hands).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from improv.attempts import attempted
from improv.cells import PLAYED_NOTES
from improv.grid import SUBDIVISIONS, common, name, offered
from improv.meter import Meter
from improv.model import Analysis, Floats, Ints
from improv.scatter import pooled_spread_ms, scatter_on_grid
from improv.tempo import quarter_sec_at, quarters_at

ENOUGH_NOTES = PLAYED_NOTES
HELD_SHARE = 0.8
SURE_ON_THE_WHOLE = 0.8
HELD_SPREADS = 4.0
SAFE_SPREADS = 6.0
CLOSEST_MS = 100.0
TRAINED_MS = 80.0


@dataclass(frozen=True)
class Played:
    """One subdivision as it was played: how often, how widely, how close, how often failed.

    `step_ms` is the time between neighbours, `off_grid_events` the events of runs that
    were attempts at it and left the grid, `confidence` the mean over its events.
    """

    subdivision: str
    per_beat: float
    events: int
    spread_ms: float
    off_grid_events: int
    step_ms: float
    confidence: float = 1.0

    @property
    def held_share(self) -> float:
        """Share of the attempts at this rate that stayed on the grid."""
        return self.events / (self.events + self.off_grid_events)

    @property
    def apart(self) -> bool:
        """Whether neighbours lie far enough apart for this spread to be told from each other."""
        return self.step_ms >= HELD_SPREADS * self.spread_ms


@dataclass(frozen=True)
class Step:
    """A subdivision that may come next."""

    subdivision: str
    per_beat: float


def is_held(played: Played, tolerance_ms: float) -> bool:
    """Whether a subdivision counts as held; see the module's conventions."""
    return (
        played.events >= ENOUGH_NOTES
        and played.confidence >= SURE_ON_THE_WHOLE
        and played.spread_ms <= tolerance_ms
        and played.held_share >= HELD_SHARE
        and played.apart
    )


def closest_safe_ms(held_step_ms: float = CLOSEST_MS) -> float:
    """How near notes may lie by speed alone, for a player who holds them `held_step_ms` apart."""
    return min(max(held_step_ms, TRAINED_MS), CLOSEST_MS)


def safe_tempo_bpm(per_beat: float, spread_ms: float, held_step_ms: float = CLOSEST_MS) -> float:
    """Fastest tempo, in beats per minute, at which `per_beat` notes are safe for a spread."""
    spacing_ms = max(SAFE_SPREADS * spread_ms, closest_safe_ms(held_step_ms))
    return 60_000.0 / (per_beat * spacing_ms)


def main_meter(analysis: Analysis) -> Meter | None:
    """The meter most bars are in."""
    bars = analysis.take.bars
    return bars.meters[int(np.bincount(bars.meter).argmax())] if len(bars.meter) else None


def denser(analysis: Analysis, above: float) -> list[Step]:
    """The commonly met straight subdivisions denser than `above`, coarsest first."""
    meter = main_meter(analysis)
    if meter is None:
        return []
    rates = _named(meter, common(meter))
    steps = (Step(called, rate) for called, rate in rates.items() if rate > above * 1.01)
    return sorted(steps, key=lambda s: s.per_beat)


def _named(meter: Meter, rows: Iterable[int], share: float = 1.0) -> dict[str, float]:
    """Notes to the beat of rows by their name, times `share`."""
    subdivisions = [SUBDIVISIONS[i] for i in rows]
    return {
        name(row, meter) or row.key: share * float(row.per_beat(meter.kind) or 0)
        for row in subdivisions
    }


def subdivisions_played(analyses: Sequence[Analysis]) -> tuple[Played, ...]:
    """Every subdivision of the takes with its events, spread and failed attempts, densest last."""
    found: dict[str, _Sums] = {}
    for analysis in analyses:
        _add(found, analysis)
    judged = {called for called, sums in found.items() if sums.events >= ENOUGH_NOTES}
    for called, events in attempts(analyses, judged).items():
        if called in found:
            found[called].off_grid_events += events
    return tuple(sorted((sums.played() for sums in found.values()), key=lambda p: p.per_beat))


def attempts(
    analyses: Iterable[Analysis], judged: Collection[str], faster_than: float = 0.0
) -> Counter[str]:
    """Events off the grid in runs, by the subdivision that these were attempts at.

    `judged` are those played enough to be judged; runs of up to `faster_than` notes to the
    beat are left out.
    """
    counts: Counter[str] = Counter()
    for analysis in analyses:
        rates, usual = _rates(analysis)
        played = {called: rate for called, rate in rates.items() if called in judged}
        off = analysis.notes.off_grid & analysis.notes.counted
        for run in analysis.runs:
            called = attempted(run.notes_per_beat, played, usual) if run.off_grid else None
            if called is not None and run.notes_per_beat > faster_than:
                counts[called] += int(off[run.start : run.stop].sum())
    return counts


def _rates(analysis: Analysis) -> tuple[dict[str, float], dict[str, float]]:
    """Notes to the stated beat of every subdivision, and of the straight ones commonly met."""
    bars = analysis.take.bars
    shares = bars.stated_beat_quarter / bars.tempo_beat_quarter
    every: dict[str, float] = {}
    usual: dict[str, float] = {}
    for meter, share in zip(bars.meters, shares.tolist(), strict=True):
        every = {**_named(meter, offered(meter), share), **every}
        usual = {**_named(meter, common(meter), share), **usual}
    return every, usual


@dataclass
class _Sums:
    """What is gathered of one subdivision, over phrases and takes."""

    subdivision: str
    per_beat: float
    events: int = 0
    off_grid_events: int = 0
    step_ms: float = 0.0
    confidence: float = 0.0
    squares: float = 0.0
    freedom: float = 0.0

    def played(self) -> Played:
        """The sums as means."""
        spread = pooled_spread_ms(self.squares, self.freedom)
        return Played(
            self.subdivision, self.per_beat, self.events, spread, self.off_grid_events,
            self.step_ms / self.events, self.confidence / self.events,
        )  # fmt: skip


def _add(found: dict[str, _Sums], analysis: Analysis) -> None:
    """Add one take's events on the grid to what is gathered."""
    notes = analysis.notes
    scatter = scatter_on_grid(analysis)
    rows, squares = scatter.row, scatter.square_ms2
    step_ms = _beat_ms(analysis, rows) / notes.per_beat[rows]
    for index in np.unique(notes.subdivision[rows]):
        here = notes.subdivision[rows] == index
        mine = rows[here]
        called = notes.subdivision_name[mine[0]] or SUBDIVISIONS[int(index)].key
        per_beat = float(notes.per_beat[mine[0]])
        sums = found.setdefault(called, _Sums(called, per_beat))
        sums.events += len(mine)
        sums.step_ms += float(step_ms[here].sum())
        sums.confidence += float(notes.confidence[mine].sum())
        sums.squares += float(squares[here].sum())
        sums.freedom += float(scatter.freedom[here].sum())


def _beat_ms(analysis: Analysis, rows: Ints) -> Floats:
    """Length of the beat of their meter at some notes, at the tempo there."""
    take, bars = analysis.take, analysis.take.bars
    quarter = quarters_at(take.tempo_map, analysis.notes.onset_sec[rows])
    bar = np.clip(analysis.notes.bar[rows] - bars.number[0], 0, len(bars.number) - 1)
    beat_quarter = bars.tempo_beat_quarter[bars.meter[bar]]
    return np.asarray(1000.0 * quarter_sec_at(take.tempo_map, quarter) * beat_quarter)
