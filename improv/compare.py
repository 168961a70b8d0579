"""Is it better than before? Two sets of takes, or one set over time, with what is chance.

    cells of many takes -> blocks (phrases, takes or days) -> one robust regression per
    subdivision and measure -> intervals, verdicts under Holm's correction -> Comparison

Conventions
-----------
The unit of chance is a *block*: the day, where both sides have at least `FEWEST_DAYS` of
them (a player has good and bad days); else the take, where both sides have at least
`FEWEST_TAKES`; else the phrase. Cells are averaged within a block first, so a long take
does not shout down the others. A change is after minus before: in ms, as a share, or, for
spread and swing, as a ratio after : before. Over time, a change is from the first day to
the last along a straight line. Where the sets differ in tempo, the measure's slope with the
interval between notes is estimated along, under its prior (`measures`), and the change is
what is left at equal tempo. Pure: no files, no printing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from improv.cells import Kind
from improv.chance import Estimate, holm
from improv.contrasts import (
    FEWEST_DAYS,
    FEWEST_OVER_TIME,
    FEWEST_TAKES,
    Design,
    Draft,
    draft,
    together,
)
from improv.errors import UsageError
from improv.material import Material, at_equal_tempo, joined, told_apart
from improv.measures import MEASURES, Measure, memory_of, values
from improv.model import Bools, Floats

LEVEL = 0.95

TOGETHER = Kind("all subdivisions", 0.0, False)
"""Stands for every subdivision at once, where more than one can be compared."""

BETTER, WORSE, CHANGED = "better", "worse", "changed"
NO_DIFFERENCE = "no difference that can be shown"
TOO_FEW = "too few notes to tell"


@dataclass(frozen=True)
class Finding:
    """One subdivision and measure, compared.

    `before` and `after` are what was played, as it was (over time: in the first and in the
    second half); `change` with `low` and `high` (95 %) is at equal tempo. For ratio measures
    all five are on the plain scale (ms, long : short) and a change of 1 is none; for the
    others a change of 0 is none. `probability` is Holm's.
    `tempo_share` is the part of the plain change put down to the tempo, on the same scale.
    `None` where nothing can be said.
    """

    subdivision: str
    per_beat: float
    measure: Measure
    before: float | None
    after: float | None
    change: float | None
    low: float | None
    high: float | None
    raw_probability: float | None
    probability: float | None
    tempo_share: float | None
    notes: tuple[int, int]
    blocks: tuple[int, int]
    df: float | None
    verdict: str


@dataclass(frozen=True)
class Comparison:
    """Every finding; `clearest` is the one change to name first, `None` if none can be shown.

    `block` is "day", "take" or "phrase": what was counted as one independent piece.
    `span_days` is set when the comparison runs over time: first and last day are both counted.
    """

    findings: tuple[Finding, ...]
    clearest: Finding | None
    block: str
    memory: float
    takes: tuple[int, int]
    tempo_bpm: tuple[float, float]
    tolerance_ms: float
    span_days: int | None
    equal_tempo: bool


def compare_sets(
    before: Material,
    after: Material,
    *,
    tolerance_ms: float = 20.0,
    equal_tempo: bool = False,
) -> Comparison:
    """Two sets of takes. Raises `UsageError` where a set is empty."""
    if not len(before.label) or not len(after.label):
        raise UsageError("nothing to compare: one of the two sets holds no take")
    if equal_tempo:
        before, after = at_equal_tempo(before, after)
    both = joined(before, after)
    side = np.concatenate([np.zeros(len(before.label)), np.ones(len(after.label))])
    design = _two_sides(both, side)
    takes = (len(before.label), len(after.label))
    tempo = (float(before.tempo_bpm.mean()), float(after.tempo_bpm.mean()))
    return _compare(both, design, takes, tempo, tolerance_ms, None, equal_tempo)


def compare_over_time(material: Material, *, tolerance_ms: float = 20.0) -> Comparison:
    """One set of dated takes along a straight line from the first day to the last.

    Takes without a date are left out. Raises `UsageError` where no two days differ.
    """
    dated = material.keep(material.day >= 0)
    if not len(dated.label) or dated.day.min() == dated.day.max():
        why = _no_course(len(material.label), len(dated.label))
        raise UsageError(f"nothing to compare over time: {why}")
    first, last = int(dated.day.min()), int(dated.day.max())
    where = (dated.day - first) / (last - first)
    days = len(np.unique(dated.day))
    by_day = days >= FEWEST_OVER_TIME
    block = dated.day - first if by_day else np.arange(len(dated.label))
    design = Design(
        block[dated.take], where[dated.take], "day" if by_day else "take", over_time=True
    )
    half = where < 0.5
    tempo = tuple(float(dated.tempo_bpm[h].mean()) for h in (half, ~half))
    takes = (int(half.sum()), int((~half).sum()))
    span = last - first + 1
    return _compare(dated, design, takes, (tempo[0], tempo[1]), tolerance_ms, span, False)


def _no_course(takes: int, dated: int) -> str:
    """Why takes have no course over time, by how many there are and how many have a date."""
    if takes == 0:
        return "no takes were found"
    if takes == 1:
        return "only one take was found"
    if dated == 0:
        return "none of the takes found has a date"
    if dated == 1:
        return "only one of the takes found has a date"
    return "the takes found lie on one day" + ("" if dated == takes else " or have no date")


def _two_sides(both: Material, side: Floats) -> Design:
    before, after = side == 0, side == 1
    where = side[both.take]
    dated = both.day >= 0

    def days(mask: Bools) -> int:
        return len(np.unique(both.day[mask & dated]))

    shared = set(both.day[before].tolist()) & set(both.day[after].tolist())
    if dated.all() and not shared and min(days(before), days(after)) >= FEWEST_DAYS:
        return Design(both.day[both.take], where, "day", over_time=False)
    if min(int(before.sum()), int(after.sum())) >= FEWEST_TAKES:
        return Design(both.take, where, "take", over_time=False)
    return Design(both.phrase_block, where, "phrase", over_time=False)


def _compare(
    material: Material,
    design: Design,
    takes: tuple[int, int],
    tempo_bpm: tuple[float, float],
    tolerance_ms: float,
    span_days: int | None,
    equal_tempo: bool,
) -> Comparison:
    material = told_apart(material)
    cells = material.cells
    memory = memory_of(cells)
    drafts = []
    for number, kind in enumerate(material.kinds):
        here = np.flatnonzero(cells["subdivision"] == number)
        for measure in MEASURES:
            if measure.key == "swing" and not kind.swung:
                continue
            found = values(cells[here], measure.key, memory, tolerance_ms)
            drafts.append(draft(found, here, cells, design, measure, kind))
    if sum(any(d.estimate for d in drafts if d.kind == kind) for kind in material.kinds) > 1:
        drafts += together(cells, design, memory, tolerance_ms)
    findings = _judge(drafts)
    return Comparison(
        findings, _clearest(findings), design.kind, memory, takes, tempo_bpm,
        tolerance_ms, span_days, equal_tempo,
    )  # fmt: skip


def _judge(drafts: list[Draft]) -> tuple[Finding, ...]:
    """Verdicts, each allowing for all the others."""
    tested = [d for d in drafts if d.estimate is not None]
    raw = [d.estimate.probability for d in tested if d.estimate is not None]
    adjusted = dict(zip(map(id, tested), holm(raw), strict=True))
    return tuple(_finding(draft, adjusted.get(id(draft))) for draft in drafts if any(draft.notes))


def _finding(draft: Draft, probability: float | None) -> Finding:
    measure = draft.measure
    plain = math.exp if measure.ratio else float
    before = None if draft.before is None else plain(draft.before)
    after = None if draft.after is None else plain(draft.after)
    shared = (draft.kind.name, draft.kind.per_beat, measure, before, after)
    if draft.estimate is None or probability is None:
        return Finding(
            *shared, None, None, None, None, None, None, draft.notes, draft.blocks, None, TOO_FEW
        )
    estimate = draft.estimate
    low, high = estimate.interval(LEVEL)
    tempo = (draft.after or 0.0) - (draft.before or 0.0) - estimate.value
    return Finding(
        *shared, plain(estimate.value), plain(low), plain(high), estimate.probability,
        probability, plain(tempo), draft.notes, draft.blocks, estimate.df,
        _verdict(draft, estimate, probability, high - low),
    )  # fmt: skip


def _verdict(draft: Draft, estimate: Estimate, probability: float, width: float) -> str:
    measure = draft.measure
    if probability > 1.0 - LEVEL:
        return TOO_FEW if width / 2.0 > measure.coarse else NO_DIFFERENCE
    if measure.to_zero:
        at_first = draft.before or 0.0
        return BETTER if abs(at_first + estimate.value) < abs(at_first) else WORSE
    if measure.better == 0:
        return CHANGED
    return BETTER if estimate.value * measure.better > 0 else WORSE


def _clearest(findings: tuple[Finding, ...]) -> Finding | None:
    """The change least likely to be chance; better and worse before a change of style."""
    shown = [f for f in findings if f.verdict in (BETTER, WORSE, CHANGED)]
    if not shown:
        return None
    return min(shown, key=lambda f: (f.verdict == CHANGED, f.raw_probability))


def judged_among(comparison: Comparison, players: int) -> Comparison:
    """The comparison as one of several players': every chance times their number (Bonferroni).

    A change that no longer stands becomes no difference that can be shown.
    """
    if players <= 1:
        return comparison
    findings = tuple(_once_more(f, players) for f in comparison.findings)
    return replace(comparison, findings=findings, clearest=_clearest(findings))


def _once_more(finding: Finding, players: int) -> Finding:
    if finding.probability is None:
        return finding
    probability = min(1.0, players * finding.probability)
    fell = finding.verdict in (BETTER, WORSE, CHANGED) and probability > 1.0 - LEVEL
    verdict = NO_DIFFERENCE if fell else finding.verdict
    return replace(finding, probability=probability, verdict=verdict)
