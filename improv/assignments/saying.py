"""Requirements and verdicts in a musician's words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from improv.assignments.model import Section
from improv.assignments.verdict import NOT_MET, BarVerdict, Why
from improv.counting import counted
from improv.wording import bars_text, bpm_text, capital, count_text, listed

MOST_STRETCHES = 4


def asked_grid_text(section: Section, part: int) -> str:
    """What a section asks of the subdivision."""
    if section.stay_on is not None:
        return f"{section.stay_on}, nothing finer"
    if section.alternate is None:
        return listed(section.allowed, "or")
    turns = section.alternate
    shift = (part - 1) % len(turns.subdivisions)
    order = turns.subdivisions[shift:] + turns.subdivisions[:shift]
    every = "every bar" if turns.every == 1 else f"every {turns.every} bars"
    return f"{listed(order)} in turn, changing {every}"


def stretches(bars: Iterable[BarVerdict], state: str) -> list[tuple[BarVerdict, BarVerdict]]:
    """Neighbouring bars in one state for one reason: the first and the last of each stretch."""
    found: list[tuple[BarVerdict, BarVerdict]] = []
    for bar in bars:
        if bar.state != state:
            continue
        if found:
            first, last = found[-1]
            if bar.bar == last.bar + 1 and (bar.found, bar.asked) == (first.found, first.asked):
                found[-1] = (first, bar)
                continue
        found.append((bar, bar))
    return found


def stretch_text(first: BarVerdict, last: BarVerdict) -> str:
    """`bars 13 to 14: sixteenths from the & of 3; asked for eighths`."""
    where = bars_text(first.bar, last.bar)
    what = first.found or first.reason or "too close to call"
    start = f" from {count_text(first.count)}" if first.count else ""
    asked = f"; asked for {first.asked}" if first.asked else ""
    return f"{where}: {what}{start}{asked}"


def breaches_text(bars: Iterable[BarVerdict], state: str = NOT_MET) -> str:
    """All stretches of a state, the first few in words."""
    told = stretches(bars, state)
    texts = [stretch_text(*pair) for pair in told[:MOST_STRETCHES]]
    more = len(told) - len(texts)
    return ". ".join(capital(t) for t in texts) + (f". {counted(more, 'more place')}" * (more > 0))


def places_text(bars: Iterable[BarVerdict], state: str = NOT_MET) -> str:
    """`bars 3 to 4 and 7`: where a state holds."""
    told = stretches([BarVerdict(b.bar, b.state, b.notes) for b in bars], state)
    pieces = [
        str(a.bar) if a.bar == b.bar else f"{a.bar} to {b.bar}" for a, b in told[:MOST_STRETCHES]
    ]
    if len(told) > MOST_STRETCHES:
        pieces.append("others")
    single = len(told) == 1 and told[0][0].bar == told[0][1].bar
    return f"{'bar' if single else 'bars'} {listed(pieces)}"


def own_time_text(bars: Iterable[BarVerdict]) -> str:
    """`bars 4 to 5`: where the asked steps were kept in a time of their own; empty for none."""
    late = [replace(bar, state=NOT_MET) for bar in bars if bar.why is Why.OWN_TIME]
    return places_text(late) if late else ""


def points(distance: float) -> str:
    """A distance between shares in points of a hundred."""
    return counted(max(round(100 * abs(distance)), 1), "point")


def limits_text(low: float, high: float) -> str:
    """A band of ratios."""
    return f"{low:.2f} to {high:.2f} : 1"


def slower(tempo_bpm: float, share: float) -> str:
    """A slower tempo to practise at."""
    return bpm_text(float(int(tempo_bpm * share)))
