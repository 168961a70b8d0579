"""The take as a whole in plain sentences: what was played, how its runs went, its constant part.

The constant offset is told once, for the take: one take cannot tell a keyboard's delay from
a player's feel.
"""

from __future__ import annotations

from collections import Counter

from improv.model import Analysis
from improv.wording import (
    asked_for,
    drift_text,
    listed,
    offset_doubt_ms,
    offset_is_told,
    percent,
    signed_ms,
    spread_band,
    spread_text,
)

STREWN = "The notes keep to no grid: strewn at random they would lie as near to one."
MAIN_SHARE = 0.55
TOLD_SHARE = 0.1
MOST_ASKED = 3


def headline(analysis: Analysis) -> str:
    """The take in one or two sentences."""
    if analysis.strewn:
        return STREWN
    notes = analysis.notes
    judged = [p for p in analysis.phrases if p.verdict.judged]
    if not judged:
        return "Nothing here is long and clear enough to name a subdivision."
    heard = notes.counted.tolist()
    named = Counter(
        name
        for phrase in judged
        for row in range(phrase.start, phrase.stop)
        if heard[row] and (name := notes.subdivision_name[row]) is not None
    )
    if not named:
        return "No subdivision could be heard with any safety."
    text = _main_subdivisions(named.most_common(3), sum(heard))
    if analysis.spread_ms is not None:
        text += f", {spread_text(analysis.spread_ms)}{spread_band(analysis.spread_ms)}"
    if analysis.in_pocket is not None:
        pocket = analysis.settings.tolerance_ms
        text += f", {percent(analysis.in_pocket)} within {pocket:g} ms of the grid"
    return f"{text}. {_runs_in_short(analysis)}".strip()


def _main_subdivisions(ranked: list[tuple[str, int]], notes: int) -> str:
    """`All eighths`, `Mostly eighths (62 % of the notes)`, `Eighths (40 %), sixteenths (38 %)`."""
    main, count = ranked[0]
    if count == notes:
        return f"All {main}"
    if count >= MAIN_SHARE * notes:
        return f"Mostly {main} ({percent(count / notes)} of the notes)"
    told = [f"{n} ({percent(c / notes)})" for n, c in ranked if c >= TOLD_SHARE * notes]
    text = ", ".join(told) or f"{main} ({percent(count / notes)})"
    return text[0].upper() + text[1:]


def _runs_in_short(analysis: Analysis) -> str:
    runs = len(analysis.runs)
    off = sum(run.off_grid for run in analysis.runs)
    if not runs:
        return ""
    every = {1: "The one run", 2: "Both runs"}.get(runs, f"All {runs} runs")
    one = "s" if runs == 1 else ""
    if not off:
        return f"{every} stay{one} on the grid."
    grid = _grid_text(asked_for(analysis))
    if off == runs:
        return f"{every} leave{one} {grid}."
    return f"{off} of {runs} runs leave{'s' if off == 1 else ''} {grid}."


def _grid_text(asked: tuple[str, ...]) -> str:
    """The grid that runs leave, and whether only some subdivisions were in question."""
    if not asked:
        return "the grid"
    names = f" ({listed(asked)})" if len(asked) <= MOST_ASKED else ""
    return f"the grid of the subdivisions asked for{names}"


def constant_offset(analysis: Analysis) -> str | None:
    """The part of every deviation that never changes, told once, with its doubt (about 95 %)."""
    offset = analysis.constant_offset_ms
    if offset is None or analysis.doubt is not None or analysis.strewn:
        return None
    if analysis.take.start_found:
        return "Bar 1 was found from the playing, so no constant offset can be told."
    doubt_ms = offset_doubt_ms(analysis)
    if not offset_is_told(analysis):
        return (
            "No constant offset can be told: on the whole the notes lie on the backing, give or "
            f"take {doubt_ms:.0f} ms."
        )
    drifting = [p for p in analysis.phrases if drift_text(p)]
    apart = "Drift apart" if 2 * len(drifting) > len(analysis.phrases) else "On the whole"
    return (
        f"{apart} the notes lie {signed_ms(offset)} (give or take {doubt_ms:.0f} ms). Whether "
        "that constant offset is the equipment's delay or the player's feel, one take cannot "
        "tell; spread and pocket are free of it."
    )
