"""The requirements that are measured: pocket and swing, each judged beside its limit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from improv.assignments import defaults, judge_measure
from improv.assignments.checking import pair_key
from improv.assignments.judge_case import NOTHING_PLAYED, Case, outcome_of, slow
from improv.assignments.judge_measure import FEWEST_FOR_SHARE, Measured, rows_in
from improv.assignments.saying import limits_text, points
from improv.assignments.verdict import (
    CANT_TELL,
    GIVE_OR_TAKE,
    MET,
    TOO_FEW,
    BarVerdict,
    Outcome,
    Why,
    beside,
)
from improv.counting import counted
from improv.grid import row_of
from improv.model import Ints
from improv.wording import bars_text, capital, percent

MOST_HEARD = 0.5
"""Share of the notes above which a swing asked of no subdivision is that of the sixteenths."""


def judge_pocket(case: Case) -> Outcome:
    """Share of the notes in the pocket."""
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

    def timed(first: int, last: int) -> Ints:
        rows = rows_in(case.seen, first, last)
        return np.asarray(rows[~case.seen.untimed[rows]])

    def measure(first: int, last: int) -> Measured | None:
        rows = timed(first, last)
        return judge_measure.in_pocket(deviation, tolerance, case.analysis, rows)

    whole = measure(case.bars[0], case.bars[-1])
    bars = _measured_bars(case, measure, share, np.inf, "{:.0%}")
    if whole is None or whole.notes < FEWEST_FOR_SHARE:
        return outcome_of(case, "pocket", asked, CANT_TELL, bars, **_few(whole))
    reason = f"{percent(whole.value)} of {whole.notes} notes within {within}"
    off = int(np.isnan(deviation[timed(case.bars[0], case.bars[-1])]).sum())
    if off:  # Elsewhere a pocket is of the notes on a grid only.
        reason += f", {counted(off, 'note')} off the grid counted as outside"
    short = f"{points(share - whole.value)} short" if whole.value < share else ""
    return measured(
        case, "pocket", asked, whole, bars, share, np.inf,
        reason=reason, how_far=short, limit=share, unit="share", tempo_asked=True,
        next_step=f"Play {bars_text(case.bars[0], case.bars[-1])} at {slow(case)} BPM until "
        f"{100 * share:.0f} % lie within {within}, then come back up.",
    )  # fmt: skip


def judge_swing(case: Case) -> Outcome:
    """Swing ratio within a band."""
    swing = case.section.swing
    assert swing is not None
    key = _pair_key(case)
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
        return outcome_of(case, "swing", asked, CANT_TELL, bars, reason="too few pairs of notes")
    away = max(low - whole.value, whole.value - high)
    even = whole.value < low
    return measured(
        case, "swing", asked, whole, bars, low, high,
        reason=f"{whole.value:.2f} : 1 over {counted(whole.notes, 'pair')}",
        how_far=f"{away:.2f} {'below' if even else 'above'} the band" if away > 0 else "",
        limit=(low, high), unit="ratio",
        next_step="Stay longer on the first note of each pair." if even
        else "Even the pairs out: come off the first note sooner.",
    )  # fmt: skip


def _pair_key(case: Case) -> str:
    """Which notes' pairs are measured; where nothing is said of it, those that were played.

    Eighths of a simple meter come first; its sixteenths where eighths make too few pairs and
    most notes were heard as sixteenths, swung or straight: triplets make pairs, too, by chance.
    """
    key = pair_key(case.section, case.assignment.meter) or "unit"
    if case.section.asked or key != "unit":
        return key
    rows = rows_in(case.seen, case.bars[0], case.bars[-1])
    firsts, seconds, _ = judge_measure.swing_pairs(case.seen, key)
    pairs = min(int(np.isin(found, rows).sum()) for found in (firsts, seconds))
    sixteenths = [row_of("half-unit"), row_of("swung-half-unit")]
    heard = int(np.isin(case.seen.row[rows], sixteenths).sum())
    few = pairs < judge_measure.FEWEST_PAIRS
    return "half-unit" if few and heard > MOST_HEARD * len(rows) else key


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
            out.append(BarVerdict(bar, CANT_TELL, notes, reason=TOO_FEW, why=Why.UNMEASURED))
        else:
            state = beside(one.value, one.doubt, low, high)
            out.append(BarVerdict(bar, state, notes, reason=form.format(one.value)))
    return tuple(out)


def measured(
    case: Case,
    kind: str,
    asked: str,
    whole: Measured,
    bars: tuple[BarVerdict, ...],
    low: float,
    high: float,
    limit: float | tuple[float, float],
    tempo_asked: bool = False,
    **words: str,
) -> Outcome:
    """A requirement judged by one measured value; words about failing stay for failures."""
    state = beside(whole.value, whole.doubt, low, high)
    words["reason"] = capital(words["reason"]) + _unsure(whole, state, low, high, words["unit"])
    if state == MET:
        words["how_far"] = words["next_step"] = ""
    asks = tempo_asked and state != MET
    outcome = outcome_of(case, kind, asked, state, bars, tempo_asked=asks, **words)
    return replace(outcome, value=whole.value, standard_error=whole.doubt, limit=limit)


def _unsure(whole: Measured, state: str, low: float, high: float, unit: str) -> str:
    """What the doubt about a value means for its verdict; nothing where no limit is within it."""
    doubt = GIVE_OR_TAKE * whole.doubt
    if not any(abs(whole.value - limit) < doubt for limit in (low, high)):
        return ""
    called = {CANT_TELL: "too close to call"}.get(state, f"probably {state}, not surely")
    return f" (give or take {_doubt(doubt, unit)}: {called})"


def _doubt(doubt: float, unit: str) -> str:
    """A doubt in figures, never nought."""
    if unit == "share":
        return points(doubt)
    return f"{max(doubt, 0.01):.2f}" if unit == "ratio" else f"{max(doubt, 0.1):.1f} BPM"


def _few(whole: Measured | None) -> dict[str, object]:
    """Why too few notes cannot be judged, in words and as what hangs on it."""
    if whole is None:
        return {"reason": NOTHING_PLAYED, "why": Why.UNPLAYED}
    return {"reason": f"only {counted(whole.notes, 'note')} to judge by"}
