"""Bar by bar: nothing faster than a ceiling, no run off the grid, enough notes.

A note is faster than the ceiling when it follows the one before it more closely than
the ceiling's notes lie apart: by the positions it used, and surely by the clock. In a run
off the grid the run's own rate decides.
"""

from __future__ import annotations

import numpy as np

from improv.assignments.evidence import Evidence
from improv.assignments.judge_grid import MOST_DOUBTED, bars_of
from improv.assignments.leaving import DOUBTED_FROM, as_swung_pairs, asked_grid, pairs_may_swing
from improv.assignments.model import Assignment, Section
from improv.assignments.own_time import keeps_asked
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, BarVerdict
from improv.counting import counted
from improv.grid import SUBDIVISIONS, find, name, offered
from improv.model import Analysis, Floats, Ints, Run, Verdict
from improv.wording import rate_beat, rate_text

SURE_FASTER_Z, DOUBTED_Z = 3.0, 1.5
FASTER_SHARE = 0.06
"""A run's rate counts as faster from 6 % above the ceiling on: two standard errors and more
of a rate regressed over six notes with a scatter of a tenth of a step (derived)."""
SURE_RUN, DOUBTED_RUN = 0.75, 0.5
SHORT_RUN = 5
SAME_RATE, STAYS_SHARE = 0.03, 0.85
"""Notes at random lie within a quarter step of a grid half of the time (derived)."""
BAR_LINE_SPREADS = 3.0
UNITS = ("eighths",)
"""What may drift and be no run where no subdivision is asked for."""


def judge_ceiling(
    section: Section, assignment: Assignment, seen: Evidence, analysis: Analysis
) -> tuple[BarVerdict, ...]:
    """The verdict of every bar under `nothing-faster-than`."""
    surely, maybe = _faster(section, assignment, seen, analysis)
    judged = []
    for bar in bars_of(section, seen):
        events = np.flatnonzero(seen.bar == bar)
        fast = events[surely[events]]
        doubted = events[maybe[events]]
        if len(fast):
            found = _rate_words(seen, int(fast[0]), analysis)
            count = seen.count[max(int(fast[0]) - 1, 0)].removeprefix("near ")
            judged.append(
                BarVerdict(bar, NOT_MET, len(events), found, count, f"{len(fast)} faster")
            )
        elif len(doubted) > MOST_DOUBTED * max(len(events), 1):
            count = seen.count[int(doubted[0])].removeprefix("near ")
            judged.append(BarVerdict(bar, CANT_TELL, len(events), "", count, "too close to call"))
        else:
            judged.append(BarVerdict(bar, MET, len(events), reason="" if len(events) else "rest"))
    return tuple(judged)


def _rate_words(seen: Evidence, event: int, analysis: Analysis) -> str:
    run = _run_at(analysis, float(seen.onset_sec[event]))
    if run is not None and run.off_grid:
        return _run_words(run, analysis)
    return seen.names[event] or "faster notes"


def _run_words(run: Run, analysis: Analysis) -> str:
    return f"a run at {rate_text(run.notes_per_beat, rate_beat(analysis.take))}"


def _run_at(analysis: Analysis, onset_sec: float) -> Run | None:
    onset = analysis.notes.onset_sec
    for run in analysis.runs:
        if onset[run.start] <= onset_sec <= onset[run.stop - 1]:
            return run
    return None


def _faster(
    section: Section, assignment: Assignment, seen: Evidence, analysis: Analysis
) -> tuple[np.ndarray, np.ndarray]:
    """Per event: surely closer to the one before than the ceiling lets it be; perhaps so."""
    surely, maybe = np.zeros(len(seen), dtype=np.bool_), np.zeros(len(seen), dtype=np.bool_)
    ceiling = section.nothing_faster_than
    if len(seen) < 2 or ceiling is None:
        return surely, maybe
    per_beat = _ceiling_per_beat(ceiling, assignment, seen)
    used = seen.straight_quarter
    if pairs_may_swing((ceiling,), assignment.meter):
        used = as_swung_pairs(seen)
    # Ornaments lie close to their main note by nature, whatever was asked.
    kept = np.flatnonzero(~seen.ornament)
    after, before = kept[1:], kept[:-1]
    beat_quarter = seen.bars.tempo_beat_quarter
    step_quarter = beat_quarter[seen.meter[after]] / per_beat[after]
    closer = used[after] - used[before] < step_quarter - 1e-3
    step_ms = step_quarter * seen.quarter_ms[after]
    interval_ms = (seen.onset_sec[after] - seen.onset_sec[before]) * 1000.0
    z = (step_ms - interval_ms) / (np.sqrt(2.0) * seen.spread_ms[after])
    both = seen.on_grid[after] & seen.on_grid[before]
    called = np.minimum(seen.confidence[after], seen.confidence[before]) >= DOUBTED_FROM
    surely[after] = both & closer & called & (z >= SURE_FASTER_Z)
    maybe[after] = both & closer & (z >= DOUBTED_Z)
    # Called inside by position, yet far too close by the clock: swing may do that.
    swung = np.array([s.swung for s in SUBDIVISIONS] + [False])[seen.row[after]]
    maybe[after] |= both & ~closer & ~swung & (z >= SURE_FASTER_Z + 1)
    stated = per_beat * seen.bars.stated_beat_quarter / beat_quarter[seen.meter]
    _add_runs(surely, maybe, seen, analysis, stated)
    maybe[after] |= ~both & (z >= SURE_FASTER_Z) & ~surely[after]
    return surely, maybe


def _ceiling_per_beat(ceiling: str, assignment: Assignment, seen: Evidence) -> Floats:
    row = SUBDIVISIONS[find(ceiling, assignment.meter)]
    return np.array([float(row.per_beat(m.kind) or 1) for m in seen.bars.meters])[seen.meter]


def _add_runs(
    surely: np.ndarray, maybe: np.ndarray, seen: Evidence, analysis: Analysis, per_beat: Floats
) -> None:
    """Notes of runs off the grid, by the run's rate; both are told to the tempo's beat."""
    onset = analysis.notes.onset_sec
    for run in analysis.runs:
        if not run.off_grid:
            continue
        low, high = onset[run.start], onset[run.stop - 1]
        inside = np.flatnonzero((seen.onset_sec > low) & (seen.onset_sec <= high))
        if not len(inside):
            continue
        limit = float(per_beat[inside].min())
        if run.notes_per_beat > limit * (1 + FASTER_SHARE):
            surely[inside] |= run.confidence >= DOUBTED_RUN
            maybe[inside] = True
        elif run.notes_per_beat > limit * (1 - FASTER_SHARE):
            surely[inside] = False
            maybe[inside] = True
        else:
            surely[inside] = maybe[inside] = False


def judge_runs(section: Section, seen: Evidence, analysis: Analysis) -> tuple[BarVerdict, ...]:
    """The verdict of every bar under `no-off-grid-runs`.

    What was asked for, kept in a time of its own, is no run off the grid but a drift.
    """
    free = [r for r in analysis.runs if r.off_grid]
    in_time = keeps_asked(seen, section.asked or UNITS) if free else np.zeros(0)
    off = [
        run
        for run in free
        if in_time[_rows_of(run, seen, analysis)].sum() < STAYS_SHARE * run.events
        and not _keeps_a_grid(run, seen, analysis)
    ]
    spans = [_bars_played(run, seen, analysis) for run in off]
    doubtful = _doubtful_bars(analysis)
    judged = []
    for bar in bars_of(section, seen):
        notes = int((seen.bar == bar).sum())
        here = [run for run, played in zip(off, spans, strict=True) if bar in played]
        sure = [r for r in here if r.confidence >= SURE_RUN and r.events >= SHORT_RUN]
        if sure:
            run = max(sure, key=lambda r: r.events)
            found = _run_words(run, analysis)
            count = "1" if bar != _bars_played(run, seen, analysis)[0] else ""
            if run.begins.bar == bar:
                count = run.begins.count.removeprefix("near ")
            judged.append(BarVerdict(bar, NOT_MET, notes, found, count, f"{run.events} notes"))
        elif [r for r in here if r.confidence >= DOUBTED_RUN] or (notes and bar in doubtful):
            judged.append(BarVerdict(bar, CANT_TELL, notes, reason="too close to call"))
        else:
            judged.append(BarVerdict(bar, MET, notes, reason="" if notes else "rest"))
    return tuple(judged)


def _bars_played(run: Run, seen: Evidence, analysis: Analysis) -> range:
    """The bars in which notes of a run begin: those that every other requirement counts.

    Its last note, just before a bar line, is told as near the next bar's first beat.
    """
    bars = seen.bar[_rows_of(run, seen, analysis)]
    if not len(bars):
        return range(run.begins.bar, run.ends.bar + 1)
    return range(int(bars.min()), int(bars.max()) + 1)


def _rows_of(run: Run, seen: Evidence, analysis: Analysis) -> Ints:
    onset = analysis.notes.onset_sec
    inside = (seen.onset_sec >= onset[run.start]) & (seen.onset_sec <= onset[run.stop - 1])
    return np.flatnonzero(inside)


def _keeps_a_grid(run: Run, seen: Evidence, analysis: Analysis) -> bool:
    """Whether a run called off the grid moves at a subdivision's rate and stays on its places.

    A run truly off the grid slides along it: 3 % off the rate, twenty notes slide over more
    than half a step.
    """
    rows = _rows_of(run, seen, analysis)
    if not len(rows):
        return False
    meter = seen.meter_of(int(rows[0]))
    share = seen.bars.stated_beat_quarter / float(meter.tempo_beat_quarter)
    for index in offered(meter):
        row = SUBDIVISIONS[index]
        per_beat = float(row.per_beat(meter.kind) or 1) * share
        if row.swung or abs(run.notes_per_beat / per_beat - 1.0) > SAME_RATE:
            continue
        grid = asked_grid((name(row, meter) or "",), meter, seen.bars.meters)
        into = seen.onset_quarter[rows] - seen.bar_start[rows]
        into -= seen.lean_ms[rows] / seen.quarter_ms[rows]
        step = grid[-1] / (len(grid) - 1)
        away = np.abs(into[:, None] - grid[None, :]).min(axis=1)
        if (away < step / 4).mean() >= STAYS_SHARE:
            return True
    return False


def _doubtful_bars(analysis: Analysis) -> set[int]:
    """Bars of phrases that could not be called."""
    return {
        bar
        for phrase in analysis.phrases
        if phrase.verdict == Verdict.TOO_CLOSE
        for bar in range(phrase.begins.bar, phrase.ends.bar + 1)
    }


def judge_density(section: Section, seen: Evidence, silent: set[int]) -> tuple[BarVerdict, ...]:
    """The verdict of every bar under `least-notes`; bars in `silent` are turns of rest."""
    need = section.least_notes or 0
    judged = []
    for bar in bars_of(section, seen):
        notes = int((seen.bar == bar).sum())
        if bar in silent:
            judged.append(BarVerdict(bar, MET, notes, reason="its turn is a rest"))
            continue
        unsure_in, unsure_out = _at_bar_line(seen, bar)
        if notes - unsure_in >= need:
            judged.append(BarVerdict(bar, MET, notes))
        elif notes + unsure_out < need:
            found = "silence" if not notes else counted(notes, "note")
            judged.append(BarVerdict(bar, NOT_MET, notes, found, "", f"{need - notes} missing"))
        else:
            reason = "a note on the bar line may belong to either bar"
            judged.append(BarVerdict(bar, CANT_TELL, notes, reason=reason))
    return tuple(judged)


def _at_bar_line(seen: Evidence, bar: int) -> tuple[int, int]:
    """Notes counted in this bar, and outside it, that might be on the other side of the line.

    Only notes without a grid position are in doubt: the others say which beat they meant.
    """
    near = BAR_LINE_SPREADS * seen.spread_ms / seen.quarter_ms
    free = ~seen.on_grid
    starts = seen.bars.start_quarter
    at = np.flatnonzero(seen.bars.number == bar)
    if not len(at):
        return 0, 0
    low, high = starts[at[0]], starts[at[0] + 1]
    edge = np.minimum(np.abs(seen.onset_quarter - low), np.abs(seen.onset_quarter - high)) < near
    inside = seen.bar == bar
    return int((inside & free & edge).sum()), int((~inside & free & edge).sum())
