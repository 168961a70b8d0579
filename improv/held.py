"""Which subdivisions a player holds, and how fast the next denser one would be safe.

Conventions
-----------
* Spread, as the phrase table has it: standard deviation in ms about each phrase's own center
  and, where it is sure, its drift; fumbled notes hardly count (`scatter`). Several phrases'
  squares are pooled.
* Held: at least `ENOUGH_NOTES` events on the grid (two bars of eighths; our choice), called
  with `SURE_ON_THE_WHOLE` confidence in the mean, spread at most the tolerance, neighbours at least
  `HELD_SPREADS` spreads apart where it was played (a note then stays nearer its own place
  than a neighbour's 19 times of 20: two standard deviations of a normal scatter), and on the
  grid at least `HELD_SHARE` of the attempts at it *and* of all their notes.
* Attempted: a run off the grid was an attempt at one subdivision, and an attempt is a phrase
  or sixteen beats of a long one (`attempts`; played: enough to be judged).
* In a row: half of the events, or `ENOUGH_NOTES`, lie beside another one on the same
  subdivision, at most `NEXT_STEPS` steps away (a swung long note, but no note left out).
  Dotted eighths lie on the grid of sixteenths, and show no hand that plays sixteenths.
* Safe: neighbours at least `SAFE_SPREADS` spreads apart (a note then strays nearer to a
  neighbour's place 3 times in 1000: three standard deviations), and at least `CLOSEST_MS`
  apart (Repp 2006: synchronisation fails beyond 8 to 10 notes a second), or as close as the
  player holds them already, down to `TRAINED_MS` (Polak 2017: 80 to 100 ms in trained hands).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from improv.attempts import attempted, attempts_in
from improv.cells import PLAYED_NOTES
from improv.grid import SUBDIVISIONS, common, name, offered
from improv.meter import Meter
from improv.model import Analysis, Bools, Floats, Ints
from improv.scatter import pooled_spread_ms, scatter_on_grid
from improv.tempo import quarter_sec_at, quarters_at

ENOUGH_NOTES = PLAYED_NOTES
HELD_SHARE = 0.8
SURE_ON_THE_WHOLE = 0.8
HELD_SPREADS = 4.0
NEXT_STEPS = 1.75
SAFE_SPREADS = 6.0
CLOSEST_MS = 100.0
TRAINED_MS = 80.0


@dataclass(frozen=True)
class Played:
    """One subdivision as it was played: how often, how widely, how close, how often failed.

    `step_ms` is the time between neighbours, `off_grid_events` the events of runs that
    were attempts at it and left the grid, `confidence` the mean over its events, `failed` how
    many of the `attempts` at it left the grid, `in_a_row` whether it was played step by step.
    """

    subdivision: str
    per_beat: float
    events: int
    spread_ms: float
    off_grid_events: int
    step_ms: float
    confidence: float = 1.0
    attempts: int = 0
    failed: int = 0
    in_a_row: bool = True

    @property
    def notes_share(self) -> float:
        """Share of the notes of all attempts at it that lie on the grid."""
        return self.events / (self.events + self.off_grid_events)

    @property
    def attempts_share(self) -> float:
        """Share of the attempts at it that stayed on the grid; 1 where none was long enough."""
        return (self.attempts - self.failed) / self.attempts if self.attempts else 1.0

    @property
    def stays(self) -> bool:
        """Whether it keeps to the grid: of its attempts and of their notes enough."""
        return min(self.notes_share, self.attempts_share) >= HELD_SHARE

    @property
    def apart(self) -> bool:
        """Whether neighbours lie far enough apart for this spread to be told from each other."""
        return self.step_ms >= HELD_SPREADS * self.spread_ms


@dataclass(frozen=True)
class FailedRun:
    """A run off the grid, and what it was an attempt at; `take` and `phrase` say whose."""

    subdivision: str
    per_beat: float
    events: int
    take: int
    phrase: int


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
        and played.stays
        and played.apart
    )


def rate_stays(played: Played, every: Iterable[Played]) -> bool:
    """Whether what has a subdivision's rate stays on the grid, straight and swung together.

    A run off the grid at that rate was meant for either; who falls off one does not hold the other.
    """
    alike = [p for p in every if p.per_beat == played.per_beat]
    together = replace(
        played,
        events=sum(p.events for p in alike),
        off_grid_events=sum(p.off_grid_events for p in alike),
        attempts=sum(p.attempts for p in alike),
        failed=sum(p.failed for p in alike),
    )
    return together.stays


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
    for number, analysis in enumerate(analyses):
        _add(found, analysis, number)
    judged = {called for called, sums in found.items() if sums.events >= ENOUGH_NOTES}
    for run in failed_runs(analyses, judged):
        if run.subdivision in found:
            sums = found[run.subdivision]
            sums.off_grid_events += run.events
            sums.notes[run.take, run.phrase] += run.events
            sums.failed[run.take, run.phrase] += 1
    return tuple(sorted((sums.played() for sums in found.values()), key=lambda p: p.per_beat))


def failed_runs(analyses: Iterable[Analysis], judged: Collection[str]) -> list[FailedRun]:
    """The runs off the grid with what they were attempts at.

    `judged` are the subdivisions played enough to be judged.
    """
    found = []
    for number, analysis in enumerate(analyses):
        rates, usual, own = _rates(analysis)
        played = {called: rate for called, rate in rates.items() if called in judged}
        off = analysis.notes.off_grid & analysis.notes.counted
        for run in analysis.runs:
            called = attempted(run.notes_per_beat, played, usual) if run.off_grid else None
            if called is not None:
                events = int(off[run.start : run.stop].sum())
                found.append(FailedRun(called, own[called], events, number, run.phrase))
    return found


def _rates(analysis: Analysis) -> tuple[dict[str, float], dict[str, float], dict[str, float]]:
    """Notes to the stated beat of every subdivision, and of the straight ones commonly met.

    The third has those of every one to its own meter's beat.
    """
    bars = analysis.take.bars
    shares = bars.stated_beat_quarter / bars.tempo_beat_quarter
    every: dict[str, float] = {}
    usual: dict[str, float] = {}
    own: dict[str, float] = {}
    for meter, share in zip(bars.meters, shares.tolist(), strict=True):
        every = {**_named(meter, offered(meter), share), **every}
        usual = {**_named(meter, common(meter), share), **usual}
        own = {**_named(meter, {*offered(meter), *common(meter)}), **own}
    return every, usual, own


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
    in_a_row: int = 0
    notes: Counter[tuple[int, int]] = field(default_factory=Counter)
    failed: Counter[tuple[int, int]] = field(default_factory=Counter)

    def played(self) -> Played:
        """The sums as means."""
        spread = pooled_spread_ms(self.squares, self.freedom)
        notes = np.array(list(self.notes.values()), dtype=np.int64)
        attempts = attempts_in(notes, np.full(len(notes), self.per_beat))
        failed = np.minimum(attempts, [self.failed[key] for key in self.notes])
        return Played(
            self.subdivision, self.per_beat, self.events, spread, self.off_grid_events,
            self.step_ms / self.events, self.confidence / self.events, int(attempts.sum()),
            int(failed.sum()), self.in_a_row >= min(ENOUGH_NOTES, self.events / 2),
        )  # fmt: skip


def _add(found: dict[str, _Sums], analysis: Analysis, number: int) -> None:
    """Add the events on the grid of the take of this number to what is gathered."""
    notes = analysis.notes
    scatter = scatter_on_grid(analysis)
    rows, squares = scatter.row, scatter.square_ms2
    step_ms = _beat_ms(analysis, rows) / notes.per_beat[rows]
    beside = _beside(analysis, rows, step_ms)
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
        sums.in_a_row += int(beside[here].sum())
        sums.notes.update((number, phrase) for phrase in notes.phrase[mine].tolist())


def _beside(analysis: Analysis, rows: Ints, step_ms: Floats) -> Bools:
    """Which events have another one on the same subdivision a step before or after them."""
    notes = analysis.notes
    same = np.diff(notes.phrase[rows]) == 0
    same &= np.diff(notes.subdivision[rows]) == 0
    same &= 1000.0 * np.diff(notes.onset_sec[rows]) <= NEXT_STEPS * step_ms[:-1]
    return np.asarray(np.append(same, False) | np.append(False, same))


def _beat_ms(analysis: Analysis, rows: Ints) -> Floats:
    """Length of the beat of their meter at some notes, at the tempo there."""
    take, bars = analysis.take, analysis.take.bars
    quarter = quarters_at(take.tempo_map, analysis.notes.onset_sec[rows])
    bar = np.clip(analysis.notes.bar[rows] - bars.number[0], 0, len(bars.number) - 1)
    beat_quarter = bars.tempo_beat_quarter[bars.meter[bar]]
    return np.asarray(1000.0 * quarter_sec_at(take.tempo_map, quarter) * beat_quarter)
