"""One take's verdict as text for a musician: asked, met or not and why, what to change.

80 columns. Signs repeat the words: "+" met, "x" not met, "?" can't tell.
"""

from __future__ import annotations

from improv.assignments.gaps import gap_text
from improv.assignments.model import Assignment
from improv.assignments.saying import breaches_text, places_text
from improv.assignments.verdict import (
    CANT_TELL,
    MEASURED,
    MET,
    NOT_MET,
    BarVerdict,
    Outcome,
    Verdict,
    Why,
)
from improv.files import printable
from improv.tables import wrapped
from improv.wording import bars_text, bpm_text

SIGN = {MET: "+", NOT_MET: "x", CANT_TELL: "?"}
LEGEND = "+ met   x not met   ? can't tell"
BAR_LEGEND = f"{LEGEND}   . met, no notes"
BARS_TO_A_LINE = 8


def verdict_text(verdict: Verdict, assignment: Assignment) -> str:
    """One take's check, ending in a newline."""
    title = printable(verdict.title) or "Assignment"
    lines = [f"{title}: {_headline(verdict)}"]
    if verdict.doubt:
        lines += ["", *wrapped(printable(verdict.doubt.sentence))]
    part = f", part {verdict.part}" if _has_turns(assignment) else ""
    take = printable(verdict.take)
    lines += [
        "",
        *wrapped(f"Take {take} at {verdict.tempi or bpm_text(verdict.tempo_bpm)} BPM{part}."),
    ]
    section = 0
    for outcome in verdict.outcomes:
        if outcome.section != section:
            section = outcome.section
            where = bars_text(outcome.first_bar, outcome.last_bar)
            name = f" ({printable(outcome.name)})" if outcome.name else ""
            lines += ["", f"{where[:1].upper()}{where[1:]}{name}"]
        lines += (
            wrapped(_asked(outcome), "  ", "    ") if verdict.doubt else _outcome_lines(outcome)
        )
    if not verdict.doubt:
        lines += _judged_lines(verdict)
    for warning in verdict.warnings:
        lines += ["", *wrapped(f"Note: {printable(warning)}")]
    return "\n".join(lines) + "\n"


def _judged_lines(verdict: Verdict) -> list[str]:
    """The bar table, the gaps, and what to do next."""
    lines = _bar_lines(verdict)
    if verdict.gaps:
        lines += ["", "Across the gaps"]
        lines += [line for gap in verdict.gaps for line in wrapped(gap_text(gap), "  ")]
    lines += ["", *wrapped(f"Next: {verdict.next_step}")]
    if verdict.caution:
        lines += wrapped(verdict.caution)
    return lines


def _headline(verdict: Verdict) -> str:
    counts = {state: sum(o.state == state for o in verdict.outcomes) for state in SIGN}
    told = [f"{n} {state}" for state, n in counts.items() if n]
    return f"{verdict.state} ({', '.join(told)})"


def _has_turns(assignment: Assignment) -> bool:
    return any(section.alternate is not None for section in assignment.sections)


def _outcome_lines(outcome: Outcome) -> list[str]:
    """The requirement, and below it why it is met or not and how far from it."""
    lines = wrapped(_asked(outcome), "  ", "    ")
    said = outcome.reason.rstrip(".")
    if outcome.state == CANT_TELL and outcome.count(CANT_TELL) and outcome.value is None:
        doubted = breaches_text([b for b in outcome.bars if b.notes], CANT_TELL)
        said = f"{said}. {doubted}" if doubted else said
    if outcome.how_far and outcome.state != MET:
        said = f"{said}. {outcome.how_far[:1].upper()}{outcome.how_far[1:]}"
    return lines + (wrapped(f"{said[:1].upper()}{said[1:]}.", "    ") if said else [])


def _asked(outcome: Outcome) -> str:
    return f"{SIGN[outcome.state]} {outcome.asked}: {outcome.state}"


def _bar_lines(verdict: Verdict) -> list[str]:
    """Bar by bar, one row per requirement, eight bars to a line of the table."""
    lines: list[str] = []
    sections = dict.fromkeys(o.section for o in verdict.outcomes)
    for section in sections:
        own = [o for o in verdict.outcomes if o.section == section]
        first, last = own[0].first_bar, own[0].last_bar
        wide = max(len(o.kind) for o in own)
        for start in range(first, last + 1, BARS_TO_A_LINE):
            bars = range(start, min(start + BARS_TO_A_LINE, last + 1))
            if any(_interesting(o, bars) for o in own):
                lines += ["", f"  {'bar'.ljust(wide)}  " + " ".join(f"{b:>4}" for b in bars)]
                for outcome in own:
                    signs = " ".join(f"{_sign(outcome, b):>4}" for b in bars)
                    lines.append(f"  {outcome.kind.ljust(wide)}  {signs}")
    return ["", f"Bar by bar   {BAR_LEGEND}", *lines, *_mark_lines(verdict)] if lines else []


def _mark_lines(verdict: Verdict) -> list[str]:
    """What the marks of the bar table say that the sentences above have not said."""
    told: list[str] = []
    for kind in dict.fromkeys(o.kind for o in verdict.outcomes if o.kind in MEASURED):
        alone = "the phrases in its bar" if kind == "most-drift" else "its bar alone"
        told.append(f"{kind}: a mark goes by {alone}, the verdict by all of them together.")
    for outcome in verdict.outcomes:
        if outcome.state == CANT_TELL and outcome.value is None:
            continue
        bars: dict[str, list[BarVerdict]] = {}
        for bar in outcome.bars:
            if bar.state == CANT_TELL:
                bars.setdefault(_why(outcome, bar), []).append(bar)
        told += [
            f"? {outcome.kind}, {places_text(b, CANT_TELL)}: {why}." for why, b in bars.items()
        ]
    return ["", *(line for text in told for line in wrapped(text, "  ", "    "))] if told else []


def _why(outcome: Outcome, bar: BarVerdict) -> str:
    """Why a bar can't be told; of one that was measured the value is beside the point."""
    if outcome.kind in MEASURED and bar.why is not Why.UNMEASURED:
        return "too close to the limit"
    return bar.reason or "too close to call"


def _interesting(outcome: Outcome, bars: range) -> bool:
    """Lines in which everything is met are left out."""
    return any(b.state != MET and b.bar in bars for b in outcome.bars)


def _sign(outcome: Outcome, bar: int) -> str:
    one = outcome.bars[bar - outcome.first_bar]
    return "." if one.state == MET and one.notes == 0 else SIGN[one.state]
