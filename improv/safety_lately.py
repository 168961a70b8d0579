"""What was heard last, which comes before any more speed: the latest take, the last days. Pure.

The map of safety pools all that was logged; a player who fell off the grid yesterday is not told
to go faster for last year's sake. What the latest take asks for is what its own advice asks for
(`practice`); of the last `LAST_DAYS` days at a tempo the attempts count, as in `attempts`. Of a
phrase the log knows the notes off the grid only, not in how many runs: at least one attempt failed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.attempts import attempts_in
from improv.cells import Cells, phrase_numbers
from improv.held import ENOUGH_NOTES, HELD_SPREADS
from improv.material import EQUAL_TEMPO, Material
from improv.measures import memory_of
from improv.practice import LAG_MS
from improv.runs import FEWEST_FREE
from improv.safety_kinds import failing, sums
from improv.stats import inflation
from improv.summaries import SURE_DRIFT
from improv.wording import HEARD_DRIFT_SHARE

LAST_DAYS = 3
"""Days of playing at a tempo that say how it goes there now (our choice)."""

Names = tuple[str, ...]


@dataclass(frozen=True)
class Tried:
    """The attempts at one rate in one take.

    Takes of one `day` share a number, later is more; without a date below 0, in the log's order.
    """

    per_beat: float
    tempo_bpm: float
    day: int
    attempts: int
    failed: int


@dataclass(frozen=True)
class Lately:
    """How attempts at one rate went, of late, at about one tempo.

    `days` of playing, or where not all are `dated`, takes.
    """

    tempo_bpm: float
    days: int
    attempts: int
    failed: int
    dated: bool = True

    @property
    def leaves(self) -> bool:
        """Whether more of them failed than may."""
        return bool(failing(self.attempts - self.failed, self.failed))


def lately(tried: tuple[Tried, ...], per_beat: float, about_bpm: float) -> Lately | None:
    """How `per_beat` notes to the beat went on the last days at the tempo, or just below it.

    Where nothing was played at the tempo, the next slower one that was; `None`: nothing.
    """
    rate = [t for t in tried if t.per_beat == per_beat and t.attempts]
    slower = [t for t in rate if t.tempo_bpm <= about_bpm * (1.0 + EQUAL_TEMPO)]
    if not slower:
        return None
    fastest = max(t.tempo_bpm for t in slower)
    there = [t for t in slower if t.tempo_bpm >= fastest * (1.0 - EQUAL_TEMPO)]
    days = sorted({t.day for t in there})[-LAST_DAYS:]
    last = [t for t in there if t.day in days]
    return Lately(
        float(np.median([t.tempo_bpm for t in last])),
        len(days),
        sum(t.attempts for t in last),
        sum(t.failed for t in last),
        min(days) >= 0,
    )


def attempts_by_take(material: Material) -> tuple[Tried, ...]:
    """The attempts at every rate, take by take; straight and swung in one phrase are one."""
    takes = len(material.label)
    day = np.where(material.day >= 0, material.day, np.arange(takes) - takes)
    per_beat = np.array([kind.per_beat for kind in material.kinds])[material.cells["subdivision"]]
    of = np.column_stack([material.take, phrase_numbers(material.cells), per_beat])
    phrases, which = np.unique(of, axis=0, return_inverse=True)
    on, off = (
        np.bincount(which.ravel(), material.cells[field], len(phrases)) for field in ("on", "off")
    )
    attempts = attempts_in(on + off, phrases[:, 2])
    failed = np.minimum(attempts, attempts_in(off, phrases[:, 2]))
    rows, where = np.unique(phrases[:, [0, 2]], axis=0, return_inverse=True)
    counts = (np.bincount(where.ravel(), c, len(rows)).astype(int) for c in (attempts, failed))
    return tuple(
        Tried(float(rate), float(material.tempo_bpm[int(take)]), int(day[int(take)]), tried, missed)
        for (take, rate), tried, missed in zip(rows, *(c.tolist() for c in counts), strict=True)
    )


@dataclass(frozen=True)
class Latest:
    """What the latest take has that comes before any more speed, as `practice` has it.

    `drift_bpm` is the worst drift to be heard in it, positive = rushing, 0 for none; `left` holds
    the notes to the beat of every subdivision that runs left the grid at, and how many notes did;
    `held_per_beat` those of the densest that is held in it, 0 for none; `loose` are those whose
    notes scatter too much to be held.
    """

    drift_bpm: float = 0.0
    left: tuple[tuple[float, int], ...] = ()
    held_per_beat: float = 0.0
    loose: tuple[str, ...] = ()

    def notes_left(self, per_beat: float) -> int:
        """Notes of runs that left the grid at this many to the beat, or faster.

        Or as fast as what the take itself holds: its own advice knows of no other.
        """
        dense = min(per_beat, self.held_per_beat)
        return sum(notes for rate, notes in self.left if rate >= dense)


def latest(material: Material, tolerance_ms: float) -> Latest:
    """What is to be heard in the take played last, or, of takes without a day, added last."""
    when = np.flatnonzero(material.day == material.day.max(initial=-1))
    if not len(when):
        return Latest()
    last = material.keep(np.arange(len(material.day)) == when[-1])
    cells = last.cells
    tempo = float(material.tempo_bpm[when[-1]])
    drift_bpm = _drift_share(cells, memory_of(material.cells)) * tempo
    held_per_beat, loose = _held_in(last, tolerance_ms)
    return Latest(drift_bpm, _left(material, cells), held_per_beat, loose)


def _held_in(take: Material, tolerance_ms: float) -> tuple[float, Names]:
    """The densest subdivision held in a take's cells, as `held` has it, 0 for none; the loose ones.

    What leaves the grid is not held, straight and swung at one rate together.
    """
    cells, kinds = take.cells, len(take.kinds)
    on, off, square, fitted = (
        sums(cells, field, kinds) for field in ("on", "off", "square_ms2", "fitted")
    )
    spread_ms = np.sqrt(square / np.maximum(on - fitted, 1.0))
    step_ms = np.bincount(cells["subdivision"], cells["interval_ms"] * cells["on"], kinds)
    tight = (spread_ms <= tolerance_ms) & (step_ms >= HELD_SPREADS * spread_ms * on)
    per_beat = np.array([kind.per_beat for kind in take.kinds])
    alike = per_beat[:, None] == per_beat
    gone = {t.per_beat for t in attempts_by_take(take) if failing(t.attempts - t.failed, t.failed)}
    stays = ~failing(alike @ on, alike @ off) & ~np.isin(per_beat, list(gone))
    enough = on >= ENOUGH_NOTES
    held = per_beat[enough & tight & stays].max(initial=0.0)
    loose = [take.kinds[k].name for k in np.flatnonzero(enough & ~tight)]
    return float(held), tuple(loose)


def _left(material: Material, cells: Cells) -> tuple[tuple[float, int], ...]:
    """Runs alone: a few notes beside any grid are none (`runs.FEWEST_FREE`)."""
    runs = cells[cells["off"] >= FEWEST_FREE]
    notes = sums(runs, "off", len(material.kinds)).astype(np.int64).tolist()
    return tuple((k.per_beat, n) for k, n in zip(material.kinds, notes, strict=True) if n)


def _drift_share(cells: Cells, memory: float) -> float:
    """The worst drift to be heard in a take's cells, as a share of the tempo.

    As `practice` has it: sure, heard, and at least `LAG_MS` gained or lost over the phrase.
    """
    cells = cells[~np.isnan(cells["drift"]) & (cells["span_sec2"] > 0) & (cells["on"] > 0)]
    drift, span, on = (cells[f].astype(np.float64) for f in ("drift", "span_sec2", "on"))
    scatter_ms2 = cells["square_ms2"] / np.maximum(on - 2.0, 1.0)
    error = np.sqrt(scatter_ms2 * inflation(memory) / span) / 1000.0
    # Even onsets over T seconds have n T^2 / 12 as the sum of squares about their mean.
    lag_ms = 1000.0 * np.abs(drift) * np.sqrt(12.0 * span / on)
    told = (np.abs(drift) >= HEARD_DRIFT_SHARE) & (np.abs(drift) > SURE_DRIFT * error)
    told &= lag_ms >= LAG_MS
    return float(drift[told][lag_ms[told].argmax()]) if told.any() else 0.0
