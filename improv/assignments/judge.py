"""Assignment x Analysis -> Verdict: the one readable path through the check.

    analysis  -> evidence   one row per event, with its chance of leaving what was asked
    section   -> outcomes   one per requirement, each bar by bar
    outcomes  -> verdict    met, not met or can't tell; the one thing to change next

No files, no printing. A requirement judged bar by bar is not met when one bar is not,
met when no bar is and at least half of the bars played could be called; measured ones
go by all notes of the section together. Nothing played at all can't be told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from improv.assignments import judge_rate
from improv.assignments.evidence import evidence
from improv.assignments.judge_case import (
    NOTHING_PLAYED,
    Case,
    outcome_of,
    played_tempi,
    slow,
    tempi_text,
)
from improv.assignments.judge_drift import judge_drift
from improv.assignments.judge_grid import judge_grid, never_heard
from improv.assignments.judge_limits import judge_pocket, judge_swing
from improv.assignments.judge_swung import heard_swung
from improv.assignments.model import REQUIREMENTS, Assignment
from improv.assignments.saying import asked_grid_text, breaches_text, own_time_text, places_text
from improv.assignments.verdict import (
    CANT_TELL,
    MET,
    NOT_MET,
    BarVerdict,
    GapDrift,
    Outcome,
    Verdict,
    Why,
    together,
)
from improv.counting import counted
from improv.model import Analysis, Doubt
from improv.practice import CAUTION
from improv.wording import bars_text, bpm_text, capital, listed

STEP_BPM = 4
"""A raise of the tempo: 3 to 5 BPM at a time (teaching practice, low authority)."""


def judge(
    assignment: Assignment,
    analysis: Analysis,
    part: int = 1,
    gaps: tuple[GapDrift, ...] = (),
    warnings: tuple[str, ...] = (),
    doubt: Doubt | None = None,
) -> Verdict:
    """Everything an assignment asks, against one take. `part` is 1 or 2 of an alternation.

    With a `doubt` about the tempo or the start, a sentence with its remedy, nothing can be told.
    """
    seen = evidence(analysis)
    outcomes = []
    for number, section in enumerate(assignment.sections, start=1):
        case = Case(number, section, assignment, analysis, seen, part)
        found = [_JUDGES[kind](case) for kind in section.requirements()]
        outcomes += [_unjudged(outcome, doubt) for outcome in found] if doubt else found
    state = together([outcome.state for outcome in outcomes])
    tempi = played_tempi(seen, np.arange(len(seen))) or (analysis.take.tempo_bpm,)
    tempi = tempi if len(assignment.tempo_bpm) > 1 else (analysis.take.tempo_bpm,)
    next_step, caution = (doubt.sentence, "") if doubt else _next(outcomes, state, tempi, gaps)
    return Verdict(
        take=analysis.take.name,
        title=assignment.title,
        part=part,
        tempo_bpm=analysis.take.tempo_bpm,
        state=state,
        outcomes=tuple(outcomes),
        gaps=() if doubt else gaps,
        next_step=next_step,
        caution=caution,
        warnings=(*warnings, *_told(analysis, doubt)),
        doubt=doubt,
        tempi=tempi_text(tempi) if len(assignment.tempo_bpm) > 1 else "",
    )


def _told(analysis: Analysis, doubt: Doubt | None) -> tuple[str, ...]:
    """The analysis's warnings; where the take is not judged, only the doubt says why."""
    if not doubt or analysis.doubt is None:
        return analysis.warnings
    return tuple(w for w in analysis.warnings if w != analysis.doubt.sentence)


def _unjudged(outcome: Outcome, doubt: Doubt) -> Outcome:
    """What was asked, and nothing of what would have been found."""
    bars = tuple(
        BarVerdict(
            b.bar, CANT_TELL, b.notes, reason=f"the {doubt.about} is in doubt", asked=b.asked
        )
        for b in outcome.bars
    )
    return replace(
        outcome, state=CANT_TELL, bars=bars, reason=doubt.sentence, how_far="",
        next_step=doubt.sentence,
        value=None, standard_error=None,
    )  # fmt: skip


# --- bar by bar -------------------------------------------------------------


def _by_bars(
    case: Case,
    kind: str,
    asked: str,
    bars: tuple[BarVerdict, ...],
    fix: str,
    tempo_asked: bool = False,
) -> Outcome:
    """A requirement judged by its bars. `fix` is what to change, after the bars it names.

    `tempo_asked`: it asks for a tempo.
    """
    wrong = sum(bar.state == NOT_MET for bar in bars)
    doubted = sum(bar.state == CANT_TELL for bar in bars)
    played = sum(bar.state == MET and bar.notes > 0 for bar in bars)
    if wrong:
        missing = f"{wrong} of {counted(len(bars), 'bar')} not met"
        return outcome_of(
            case, kind, asked, NOT_MET, bars, reason=breaches_text(bars), how_far=missing,
            next_step=f"{capital(places_text(bars))}: {fix}.", tempo_asked=tempo_asked,
        )  # fmt: skip
    if not played and not doubted and kind != "least-notes":
        return outcome_of(
            case, kind, asked, CANT_TELL, bars, reason=NOTHING_PLAYED, why=Why.UNPLAYED
        )
    if doubted > played:
        reason = f"{doubted} of {counted(len(bars), 'bar')} too close to call"
        return outcome_of(case, kind, asked, CANT_TELL, bars, reason=reason)
    rests = sum(bar.state == MET and bar.notes == 0 for bar in bars)
    reason = f"held in {counted(played, 'bar')}" if played else "rests only, as asked"
    reason += f", {counted(rests, 'bar')} of rest" if rests and played else ""
    reason += f"; {places_text(bars, CANT_TELL)} can't be told" if doubted else ""
    late = own_time_text(bars)
    reason += f"; {late} in a time of their own" if late else ""
    return outcome_of(case, kind, asked, MET, bars, reason=reason)


def _judge_grid(case: Case, kind: str) -> Outcome:
    section, leave = case.section, ""
    bars = heard_swung(case, judge_grid(section, case.assignment, case.seen, case.part))
    if kind == "alternate":
        fix = "change with the bar line, and let each turn be heard"
    else:
        finer = sorted({b.found for b in bars if b.state == NOT_MET})
        leave = " and ".join(f for f in finer if f != "off the grid")
        fix = f"play {' or '.join(section.asked)} only"
        fix += f", leave the {leave} out" if leave else f", at {slow(case)} BPM first"
    slowed = kind != "alternate" and not leave
    outcome = _by_bars(case, kind, asked_grid_text(section, case.part), bars, fix, slowed)
    silent = never_heard(bars)
    if outcome.state == NOT_MET or outcome.why is Why.UNPLAYED or not silent:
        return outcome
    unheard = [replace(bar, state=NOT_MET) for bar in bars if bar.asked in silent]
    where, missing = places_text(unheard), listed(silent)
    return replace(
        outcome, state=CANT_TELL, reason=f"nothing was played in the turns of {missing}",
        next_step=f"{capital(where)}: play {missing}, so that the turns can be heard.",
    )  # fmt: skip


def _judge_ceiling(case: Case) -> Outcome:
    ceiling = case.section.nothing_faster_than or ""
    bars = judge_rate.judge_ceiling(case.section, case.assignment, case.seen, case.analysis)
    bars = tuple(replace(bar, asked=f"nothing faster than {ceiling}") for bar in bars)
    fix = f"leave out everything faster than {ceiling}"
    return _by_bars(case, "nothing-faster-than", f"nothing faster than {ceiling}", bars, fix)


def _judge_runs(case: Case) -> Outcome:
    bars = judge_rate.judge_runs(case.section, case.seen, case.analysis)
    first = next((b.bar for b in bars if b.state == NOT_MET), None)
    near = next(
        (
            r.between
            for r in case.analysis.runs
            if first is not None and r.off_grid and r.begins.bar <= first <= r.ends.bar
        ),
        None,
    )
    fix = f"at {slow(case)} BPM, make the run {near[0]}" if near else f"at {slow(case)} BPM first"
    fix += ", or leave it out"
    return _by_bars(case, "no-off-grid-runs", "no run off the grid", bars, fix, tempo_asked=True)


def _judge_density(case: Case) -> Outcome:
    need = case.section.least_notes or 0
    bars = judge_rate.judge_density(case.section, case.seen, case.silent)
    asked = f"at least {counted(need, 'note')} in every bar{' but the rests' * bool(case.silent)}"
    outcome = _by_bars(case, "least-notes", asked, bars, f"at least {counted(need, 'note')}")
    if outcome.state != NOT_MET:
        return outcome
    missing = sum(need - bar.notes for bar in bars if bar.state == NOT_MET)
    return replace(outcome, how_far=f"{outcome.how_far}, {counted(missing, 'note')} missing in all")


_JUDGES: dict[str, Callable[[Case], Outcome]] = {
    "stay-on": lambda case: _judge_grid(case, "stay-on"),
    "allowed": lambda case: _judge_grid(case, "allowed"),
    "alternate": lambda case: _judge_grid(case, "alternate"),
    "nothing-faster-than": _judge_ceiling,
    "no-off-grid-runs": _judge_runs,
    "least-notes": _judge_density,
    "swing": judge_swing,
    "most-drift": judge_drift,
    "pocket": judge_pocket,
}


# --- the one thing to change next -------------------------------------------


def _next(
    outcomes: list[Outcome], state: str, tempi_bpm: tuple[float, ...], gaps: tuple[GapDrift, ...]
) -> tuple[str, str]:
    """What to do next, and the caution that goes with anything fast or slow."""
    missed = [o for o in outcomes if o.state == NOT_MET]
    if missed:
        first = min(missed, key=_mend_first)
        if _by_time(first):
            return _time_step(first, gaps), ""
        return first.next_step, CAUTION if first.tempo_asked else ""
    late = next((o for o in outcomes if own_time_text(o.bars)), None)
    if state == MET and late is not None:
        return _time_step(late, gaps), ""
    if state == MET:
        faster = bpm_text(float(round(max(tempi_bpm) + STEP_BPM)))
        what = "One step more," if min(tempi_bpm) < max(tempi_bpm) else "The same"
        return f"{what} at {faster} BPM, now that all is met.", CAUTION
    doubted = next(o for o in outcomes if o.state == CANT_TELL)
    if doubted.why is Why.UNPLAYED:
        return f"Play something in {bars_text(doubted.first_bar, doubted.last_bar)}.", ""
    if doubted.kind == "alternate" and doubted.next_step:
        return doubted.next_step, ""
    return (
        f"Record {bars_text(doubted.first_bar, doubted.last_bar)} once more, longer or more "
        f"steadily: {doubted.kind} can't be told from this take.",
        "",
    )


def _by_time(outcome: Outcome) -> bool:
    """Whether more bars are off the grid by the time alone than by what was played."""
    return sum(bar.why is Why.OWN_TIME for bar in outcome.bars) > outcome.count(NOT_MET)


def _time_step(outcome: Outcome, gaps: tuple[GapDrift, ...]) -> str:
    """What to do where the right notes were played in a time of their own."""
    late = {bar.bar for bar in outcome.bars if bar.why is Why.OWN_TIME}
    where = capital(own_time_text(outcome.bars))
    if any(late & set(range(gap.first_bar, gap.last_bar + 2)) for gap in gaps):
        return f"{where}: keep the time while the click is out; shorter gaps first."
    return (
        f"{where}: the right notes in a time of their own: play with fewer clicks (on 2 and 4, "
        "or one to the bar) and meet every one."
    )


def _mend_first(outcome: Outcome) -> tuple[bool, bool, int, int]:
    """What was played is mended before what was not, unless that is most of the bars.

    Where the time explains most of what left the grid, the time is mended first.
    """
    wrong = outcome.count(NOT_MET)
    gaps = outcome.kind == "least-notes" and 2 * wrong <= len(outcome.bars)
    return gaps, _by_time(outcome), REQUIREMENTS.index(outcome.kind), -wrong
