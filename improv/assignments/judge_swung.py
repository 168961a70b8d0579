"""Bar by bar: were the pairs swung where swung notes are asked for?

A swung subdivision and its straight twin have the same positions, so that the grid alone
cannot tell them apart: their pairs are measured. A bar's own pairs decide where they are
sure, else those of all bars in which the same is due. Bars without pairs, of coarser notes,
stay as they are. Where an alternation asks for both, straight turns must be straight too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv.assignments import defaults
from improv.assignments.judge_case import Case
from improv.assignments.judge_grid import due_in
from improv.assignments.judge_measure import (
    Measured,
    beat_quarter,
    pairs_to_beat,
    swing_pairs,
    swing_ratio,
)
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, SURE, BarVerdict
from improv.grid import SUBDIVISIONS, find, straight_twin
from improv.model import Floats, Ints

SURE_BROKEN = 3.0
"""Standard errors beyond the limit from which a bar is broken: one of many strays beyond two."""
UNCLEAR = "swung or straight: too close to call"
FEW_PAIRS = "too few pairs to tell swung from straight"


def heard_swung(case: Case, judged: tuple[BarVerdict, ...]) -> tuple[BarVerdict, ...]:
    """The bars, those met by their grid looked at once more for swing."""
    wanted = {bar.bar: _wanted(case, bar.bar) for bar in judged}
    found = list(judged)
    for want in dict.fromkeys(w for w in wanted.values() if w is not None):
        text, key, swung = want
        pairs = swing_pairs(case.seen, key)
        numbers = [bar for bar, w in wanted.items() if w == want]
        whole = _state(_measure(case, pairs, key, numbers), swung)
        for i, verdict in enumerate(found):
            if wanted[verdict.bar] != want or verdict.state != MET:
                continue
            if (case.seen.bar[pairs[1]] == verdict.bar).any():
                own = _state(_measure(case, pairs, key, [verdict.bar]), swung)
                found[i] = _told(verdict, own if own in (MET, NOT_MET) else whole, text, swung)
    return tuple(found)


def _wanted(case: Case, bar: int) -> tuple[str, str, bool] | None:
    """Of what is due: the name, the row whose notes pair, and whether they are to swing.

    `None` where either will do.
    """
    meters, turns = case.assignment.meter, case.section.alternate
    due = {t: find(t, meters) for t in due_in(case.section, bar, case.part)}
    for text, row in due.items():
        twin = straight_twin(row)
        if twin != row and twin not in due.values():
            return text, SUBDIVISIONS[twin].key, True
    others = {find(t, meters) for t in case.section.asked} - set(due.values())
    for text, row in due.items():
        if turns is not None and any(straight_twin(other) == row for other in others):
            return text, SUBDIVISIONS[row].key, False
    return None


def _measure(
    case: Case, pairs: tuple[Ints, Ints, Floats], key: str, bars: list[int]
) -> Measured | None:
    """The ratio over some bars, its error never below that of the take's own scatter."""
    firsts, seconds, share = pairs
    seen = case.seen
    first, second = (rows[np.isin(seen.bar[rows], bars)] for rows in (firsts, seconds))
    found = swing_ratio(first, second, share)
    if found is None:
        return None
    meter = seen.meter_of(int(second[0]))
    pair_ms = float((beat_quarter(seen) * seen.quarter_ms)[second].mean())
    pair_ms /= pairs_to_beat(key, meter)
    # d(ratio) is (1 + ratio)^2 times d(share); a share has a first and a second note.
    least = float(seen.spread_ms.mean()) / pair_ms * np.sqrt(2.0 / found.notes)
    return replace(found, doubt=max(found.doubt, float(least) * (1.0 + found.value) ** 2))


def _state(ratio: Measured | None, swung: bool) -> str:
    """Met, not met, or why it can't be told."""
    if ratio is None:
        return FEW_PAIRS
    above = (ratio.value - defaults.LEAST_SWING) * (1 if swung else -1)
    if above >= SURE * ratio.doubt:
        return MET
    return NOT_MET if above < -SURE_BROKEN * ratio.doubt else UNCLEAR


def _told(verdict: BarVerdict, state: str, text: str, swung: bool) -> BarVerdict:
    if state == MET:
        return verdict
    if state == NOT_MET:
        other = f"straight {text.removeprefix('swung ')}" if swung else f"swung {text}"
        return replace(verdict, state=NOT_MET, found=other)
    return replace(verdict, state=CANT_TELL, reason=state)
