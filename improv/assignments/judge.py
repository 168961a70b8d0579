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
from dataclasses import dataclass, replace

import numpy as np

from improv.assignments import defaults, judge_measure, judge_rate
from improv.assignments.checking import pair_key
from improv.assignments.evidence import Evidence, evidence
from improv.assignments.judge_grid import bars_of, judge_grid
from improv.assignments.judge_measure import FEWEST_FOR_SHARE, Measured, rows_in
from improv.assignments.model import REQUIREMENTS, REST, Assignment, Section
from improv.assignments.saying import (
    asked_grid_text,
    breaches_text,
    limits_text,
    places_text,
    points,
    slower,
)
from improv.assignments.verdict import (
    CANT_TELL,
    MET,
    NOT_MET,
    SURE,
    BarVerdict,
    GapDrift,
    Outcome,
    Verdict,
    beside,
    together,
)
from improv.model import Analysis
from improv.practice import BACK_OFF, CAUTION
from improv.wording import bars_text, bpm_text, counted

SURE_ALONE = 2.5
"""Standard errors from which one phrase's drift alone breaks the limit: one of many phrases
strays beyond two by chance."""
STEP_BPM = 4
"""A raise of the tempo: 3 to 5 BPM at a time (teaching practice, low authority)."""
NOTHING_PLAYED = "nothing was played here"


@dataclass(frozen=True, eq=False)
class Case:
    """What one section's judges look at."""

    number: int
    section: Section
    assignment: Assignment
    analysis: Analysis
    seen: Evidence
    part: int

    @property
    def bars(self) -> range:
        """The bars judged."""
        return bars_of(self.section, self.seen)

    @property
    def tempo_bpm(self) -> float:
        """Tempo of the backing in these bars, as the take was read."""
        here = rows_in(self.seen, self.bars[0], self.bars[-1])
        if not len(here):
            return self.analysis.take.tempo_bpm
        first = int(here[0])
        quarter = float(self.seen.meter_of(first).tempo_beat_quarter)
        return 60_000.0 / (quarter * float(self.seen.quarter_ms[first]))

    @property
    def silent(self) -> set[int]:
        """Bars whose turn is a rest."""
        turns = self.section.alternate
        if turns is None:
            return set()
        first = self.section.first_bar
        return {
            b for b in self.bars if turns.subdivisions[turns.turn(b - first, self.part)] == REST
        }


def judge(
    assignment: Assignment,
    analysis: Analysis,
    part: int = 1,
    gaps: tuple[GapDrift, ...] = (),
    warnings: tuple[str, ...] = (),
) -> Verdict:
    """Everything an assignment asks, against one take. `part` is 1 or 2 of an alternation."""
    seen = evidence(analysis)
    outcomes = []
    for number, section in enumerate(assignment.sections, start=1):
        case = Case(number, section, assignment, analysis, seen, part)
        outcomes += [_JUDGES[kind](case) for kind in section.requirements()]
    state = together([outcome.state for outcome in outcomes])
    next_step, caution = _next(assignment, outcomes, state, analysis)
    return Verdict(
        take=analysis.take.name,
        title=assignment.title,
        part=part,
        tempo_bpm=analysis.take.tempo_bpm,
        state=state,
        outcomes=tuple(outcomes),
        gaps=gaps,
        next_step=next_step,
        caution=caution,
        warnings=(*warnings, *analysis.warnings),
    )


def _outcome(
    case: Case, kind: str, asked: str, state: str, bars: tuple[BarVerdict, ...], **words: object
) -> Outcome:
    first, last = case.bars[0], case.bars[-1]
    blank = {"reason": "", "how_far": "", "next_step": ""}
    return Outcome(
        case.number, case.section.name, kind, asked, first, last, state, bars,
        **{**blank, **words},  # type: ignore[arg-type]
    )  # fmt: skip


# --- bar by bar -------------------------------------------------------------


def _by_bars(case: Case, kind: str, asked: str, bars: tuple[BarVerdict, ...], fix: str) -> Outcome:
    """A requirement judged by its bars. `fix` is what to change, after the bars it names."""
    wrong = sum(bar.state == NOT_MET for bar in bars)
    doubted = sum(bar.state == CANT_TELL for bar in bars)
    played = sum(bar.state == MET and bar.notes > 0 for bar in bars)
    if wrong:
        missing = f"{wrong} of {counted(len(bars), 'bar')} not met"
        return _outcome(
            case, kind, asked, NOT_MET, bars, reason=breaches_text(bars), how_far=missing,
            next_step=f"{_capital(places_text(bars))}: {fix}.",
        )  # fmt: skip
    if not played and not doubted and kind != "least-notes":
        return _outcome(case, kind, asked, CANT_TELL, bars, reason=NOTHING_PLAYED)
    if doubted > played:
        reason = f"{doubted} of {counted(len(bars), 'bar')} too close to call"
        return _outcome(case, kind, asked, CANT_TELL, bars, reason=reason)
    rests = sum(bar.notes == 0 for bar in bars)
    reason = f"held in {counted(played, 'bar')}" if played else "rests only, as asked"
    reason += f", {counted(rests, 'bar')} of rest" if rests and played else ""
    reason += f"; {places_text(bars, CANT_TELL)} can't be told" if doubted else ""
    return _outcome(case, kind, asked, MET, bars, reason=reason)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _judge_grid(case: Case, kind: str) -> Outcome:
    section = case.section
    bars = judge_grid(section, case.assignment, case.seen, case.part)
    if kind == "alternate":
        fix = "change with the bar line, and let each turn be heard"
    else:
        finer = sorted({b.found for b in bars if b.state == NOT_MET})
        leave = " and ".join(f for f in finer if f != "off the grid")
        fix = f"play {' or '.join(section.asked)} only"
        fix += f", leave the {leave} out" if leave else f", at {_slow(case)} BPM first"
    return _by_bars(case, kind, asked_grid_text(section, case.part), bars, fix)


def _slow(case: Case) -> str:
    return slower(case.tempo_bpm, BACK_OFF)


def _judge_ceiling(case: Case) -> Outcome:
    ceiling = case.section.nothing_faster_than or ""
    bars = judge_rate.judge_ceiling(case.section, case.assignment, case.seen, case.analysis)
    bars = tuple(replace(bar, asked=f"nothing faster than {ceiling}") for bar in bars)
    fix = f"leave out everything faster than {ceiling}"
    return _by_bars(case, "nothing-faster-than", f"nothing faster than {ceiling}", bars, fix)


def _judge_runs(case: Case) -> Outcome:
    bars = judge_rate.judge_runs(case.section, case.assignment, case.seen, case.analysis)
    first = next((b.bar for b in bars if b.state == NOT_MET), None)
    near = next(
        (
            r.between
            for r in case.analysis.runs
            if first is not None and r.off_grid and r.begins.bar <= first <= r.ends.bar
        ),
        None,
    )
    fix = f"at {_slow(case)} BPM, make the run {near[0]}" if near else f"at {_slow(case)} BPM first"
    fix += ", or leave it out"
    return _by_bars(case, "no-off-grid-runs", "no run off the grid", bars, fix)


def _judge_density(case: Case) -> Outcome:
    need = case.section.least_notes or 0
    bars = judge_rate.judge_density(case.section, case.seen, case.silent)
    asked = f"at least {counted(need, 'note')} in every bar"
    outcome = _by_bars(case, "least-notes", asked, bars, f"at least {counted(need, 'note')}")
    if outcome.state != NOT_MET:
        return outcome
    missing = sum(need - bar.notes for bar in bars if bar.state == NOT_MET)
    return replace(outcome, how_far=f"{outcome.how_far}, {counted(missing, 'note')} missing in all")


# --- measured ---------------------------------------------------------------


def _judge_pocket(case: Case) -> Outcome:
    pocket = case.section.pocket
    assert pocket is not None
    share = defaults.POCKET_SHARE if pocket.share is None else pocket.share
    deviation, step = judge_measure.deviations(case.section, case.assignment, case.seen)
    if pocket.within_percent is not None:
        tolerance = step * pocket.within_percent / 100.0
        within = f"{pocket.within_percent:g} % of the subdivision"
    elif pocket.within_ms is not None:
        tolerance = np.full(len(step), pocket.within_ms)
        within = f"{pocket.within_ms:g} ms of the grid"
    else:
        tolerance = np.array([defaults.pocket_ms(s) for s in step.tolist()])
        typical = float(np.median(tolerance)) if len(step) else defaults.TIGHT_MS
        within = f"{typical:.0f} ms of the grid"
    asked = f"{100 * share:.0f} % of the notes within {within}"

    def measure(first: int, last: int) -> Measured | None:
        rows = rows_in(case.seen, first, last)
        return judge_measure.in_pocket(deviation, tolerance, case.analysis, rows)

    whole = measure(case.bars[0], case.bars[-1])
    bars = _measured_bars(case, measure, share, np.inf, "{:.0%}")
    if whole is None or whole.notes < FEWEST_FOR_SHARE:
        return _outcome(case, "pocket", asked, CANT_TELL, bars, reason=_too_few(whole))
    reason = f"{100 * whole.value:.0f} % of {whole.notes} notes within {within}"
    short = f"{points(share - whole.value)} short" if whole.value < share else ""
    return _measured(
        case, "pocket", asked, whole, bars, share, np.inf,
        reason=reason, how_far=short, limit=f"{share:g}", unit="share",
        next_step=f"Play {bars_text(case.bars[0], case.bars[-1])} at {_slow(case)} BPM until "
        f"{100 * share:.0f} % lie within {within}, then come back up.",
    )  # fmt: skip


def _judge_swing(case: Case) -> Outcome:
    swing = case.section.swing
    assert swing is not None
    key = pair_key(case.section, case.assignment.meter) or "unit"
    pairs = judge_measure.pairs_to_beat(key, case.assignment.meter[0])
    band = defaults.swing_band(60_000.0 / case.tempo_bpm / pairs)
    low = band[0] if swing.low is None else swing.low
    high = band[1] if swing.high is None else swing.high
    firsts, seconds, share = judge_measure.swing_pairs(case.seen, key)

    def measure(first: int, last: int) -> Measured | None:
        rows = rows_in(case.seen, first, last)
        return judge_measure.swing_ratio(
            firsts[np.isin(firsts, rows)], seconds[np.isin(seconds, rows)], share
        )

    asked = f"swing of {limits_text(low, high)}"
    whole = measure(case.bars[0], case.bars[-1])
    bars = _measured_bars(case, measure, low, high, "{:.2f} : 1")
    if whole is None:
        return _outcome(case, "swing", asked, CANT_TELL, bars, reason="too few pairs of notes")
    away = max(low - whole.value, whole.value - high)
    even = whole.value < low
    return _measured(
        case, "swing", asked, whole, bars, low, high,
        reason=f"{whole.value:.2f} : 1 over {counted(whole.notes, 'pair')}",
        how_far=f"{away:.2f} {'below' if even else 'above'} the band" if away > 0 else "",
        limit=limits_text(low, high), unit="ratio",
        next_step="Stay longer on the first note of each pair." if even
        else "Even the pairs out: come off the first note sooner.",
    )  # fmt: skip


def _judge_drift(case: Case) -> Outcome:
    drift = case.section.most_drift
    assert drift is not None
    most = defaults.drift_bpm(case.tempo_bpm) if drift.most_bpm is None else drift.most_bpm
    rows = rows_in(case.seen, case.bars[0], case.bars[-1])
    rates = judge_measure.rates_of(case.section, case.assignment.meter)
    found = judge_measure.phrase_drifts(case.seen, rows, rates)
    whole = judge_measure.pooled(found)
    asked = f"drift of at most {bpm_text(most)} BPM within a phrase"
    bars = _drift_bars(case, found, most)
    if whole is None:
        reason = "no phrase is long enough to show a drift"
        return _outcome(case, "most-drift", asked, CANT_TELL, bars, reason=reason)
    worst = max(found, key=lambda d: (abs(d.drift.value) - most) / d.drift.doubt).drift
    alone = abs(worst.value) - SURE_ALONE * worst.doubt > most
    shown = worst if alone else whole
    way = "rushing" if shown.value > 0 else "dragging"
    over = abs(shown.value) - most
    outcome = _measured(
        case, "most-drift", asked, shown, bars, -most, most,
        reason=f"{way} by {bpm_text(abs(round(shown.value, 1)))} BPM"
        + (f" over {counted(len(found), 'phrase')}" if not alone else " in one phrase"),
        how_far=f"{bpm_text(round(over, 1))} BPM too much" if over > 0 else "",
        limit=bpm_text(most), unit="BPM",
        next_step=f"You are {way}: play it at {bpm_text(case.tempo_bpm)} BPM with fewer clicks "
        "(on 2 and 4, or one to the bar) and meet every one.",
    )  # fmt: skip
    return replace(outcome, state=NOT_MET) if alone else outcome


def _drift_bars(
    case: Case, found: list[judge_measure.PhraseDrift], most: float
) -> tuple[BarVerdict, ...]:
    """A bar has the verdict of the phrases in it."""
    out = []
    for bar in case.bars:
        notes = int((case.seen.bar == bar).sum())
        here = [d.drift for d in found if d.first_bar <= bar <= d.last_bar]
        states = [beside(d.value, d.doubt, -most, most) for d in here]
        told = ", ".join(f"{d.value:+.1f} BPM" for d in here)
        out.append(BarVerdict(bar, together(states), notes, reason=told or "too few notes"))
    return tuple(out)


def _measured_bars(
    case: Case,
    measure: Callable[[int, int], Measured | None],
    low: float,
    high: float,
    form: str,
) -> tuple[BarVerdict, ...]:
    """Every bar measured by itself."""
    out = []
    for bar in case.bars:
        notes = int((case.seen.bar == bar).sum())
        one = measure(bar, bar)
        if one is None:
            out.append(BarVerdict(bar, CANT_TELL, notes, reason="too few notes"))
        else:
            state = beside(one.value, one.doubt, low, high)
            out.append(BarVerdict(bar, state, notes, reason=form.format(one.value)))
    return tuple(out)


def _measured(
    case: Case,
    kind: str,
    asked: str,
    whole: Measured,
    bars: tuple[BarVerdict, ...],
    low: float,
    high: float,
    **words: str,
) -> Outcome:
    """A requirement judged by one measured value; words about failing stay for failures."""
    state = beside(whole.value, whole.doubt, low, high)
    unsure = f" (give or take {_doubt(whole, words['unit'])}: too close to call)"
    words["reason"] = _capital(words["reason"]) + (unsure if state == CANT_TELL else "")
    if state == MET:
        words["how_far"] = words["next_step"] = ""
    outcome = _outcome(case, kind, asked, state, bars, **words)
    return replace(outcome, value=whole.value, standard_error=whole.doubt)


def _doubt(whole: Measured, unit: str) -> str:
    if unit == "share":
        return points(SURE * whole.doubt)
    return f"{SURE * whole.doubt:.2f}" if unit == "ratio" else f"{SURE * whole.doubt:.1f} BPM"


def _too_few(whole: Measured | None) -> str:
    return NOTHING_PLAYED if whole is None else f"only {counted(whole.notes, 'note')} to judge by"


_JUDGES: dict[str, Callable[[Case], Outcome]] = {
    "stay-on": lambda case: _judge_grid(case, "stay-on"),
    "allowed": lambda case: _judge_grid(case, "allowed"),
    "alternate": lambda case: _judge_grid(case, "alternate"),
    "nothing-faster-than": _judge_ceiling,
    "no-off-grid-runs": _judge_runs,
    "least-notes": _judge_density,
    "swing": _judge_swing,
    "most-drift": _judge_drift,
    "pocket": _judge_pocket,
}


# --- the one thing to change next -------------------------------------------


def _next(
    assignment: Assignment, outcomes: list[Outcome], state: str, analysis: Analysis
) -> tuple[str, str]:
    """What to do next, and the caution that goes with anything fast or slow."""
    missed = [o for o in outcomes if o.state == NOT_MET]
    if missed:
        first = min(missed, key=lambda o: (REQUIREMENTS.index(o.kind), -o.count(NOT_MET)))
        return first.next_step, CAUTION if "BPM" in first.next_step else ""
    if state == MET:
        tempo = bpm_text(float(round(analysis.take.tempo_bpm + STEP_BPM)))
        return f"All met. Next, the same at {tempo} BPM.", CAUTION
    doubted = next(o for o in outcomes if o.state == CANT_TELL)
    if doubted.reason == NOTHING_PLAYED:
        return f"Play something in {bars_text(doubted.first_bar, doubted.last_bar)}.", ""
    return (
        f"Record {bars_text(doubted.first_bar, doubted.last_bar)} once more, longer or more "
        f"steadily: {doubted.kind} can't be told from this take.",
        "",
    )
