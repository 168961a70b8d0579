"""A verdict as text for a musician: what was asked, met or not and why, what to change.

80 columns. Signs repeat the words: "+" met, "x" not met, "?" can't tell.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from improv.assignments.classes import Checked
from improv.assignments.gaps import gap_text
from improv.assignments.model import Assignment
from improv.assignments.saying import breaches_text, places_text
from improv.assignments.verdict import (
    CANT_TELL,
    MEASURED,
    MET,
    NOT_MET,
    UNMEASURED,
    BarVerdict,
    Outcome,
    Verdict,
)
from improv.files import printable
from improv.tables import WIDTH
from improv.wording import bars_text, bpm_text, counted

SIGN = {MET: "+", NOT_MET: "x", CANT_TELL: "?"}
LEGEND = "+ met   x not met   ? can't tell"
BAR_LEGEND = f"{LEGEND}   . met, no notes"
BARS_TO_A_LINE = 8
LONGEST_PLAYER = 18


def verdict_text(verdict: Verdict, assignment: Assignment) -> str:
    """One take's check, ending in a newline."""
    title = printable(verdict.title) or "Assignment"
    lines = [f"{title}: {_headline(verdict)}"]
    if verdict.doubt:
        lines += ["", *_wrap(printable(verdict.doubt.sentence))]
    part = f", part {verdict.part}" if _has_turns(assignment) else ""
    take = printable(verdict.take)
    lines += [
        "",
        *_wrap(f"Take {take} at {verdict.tempi or bpm_text(verdict.tempo_bpm)} BPM{part}."),
    ]
    section = 0
    for outcome in verdict.outcomes:
        if outcome.section != section:
            section = outcome.section
            where = bars_text(outcome.first_bar, outcome.last_bar)
            name = f" ({printable(outcome.name)})" if outcome.name else ""
            lines += ["", f"{where[:1].upper()}{where[1:]}{name}"]
        lines += _wrap(_asked(outcome), "  ", "    ") if verdict.doubt else _outcome_lines(outcome)
    if not verdict.doubt:
        lines += _judged_lines(verdict)
    for warning in verdict.warnings:
        lines += ["", *_wrap(f"Note: {printable(warning)}")]
    return "\n".join(lines) + "\n"


def _judged_lines(verdict: Verdict) -> list[str]:
    """The bar table, the gaps, and what to do next."""
    lines = _bar_lines(verdict)
    if verdict.gaps:
        lines += ["", "Across the gaps"]
        lines += [line for gap in verdict.gaps for line in _wrap(gap_text(gap), "  ")]
    lines += ["", *_wrap(f"Next: {verdict.next_step}")]
    if verdict.caution:
        lines += _wrap(verdict.caution)
    return lines


def _headline(verdict: Verdict) -> str:
    counts = {state: sum(o.state == state for o in verdict.outcomes) for state in SIGN}
    told = [f"{n} {state}" for state, n in counts.items() if n]
    return f"{verdict.state} ({', '.join(told)})"


def _has_turns(assignment: Assignment) -> bool:
    return any(section.alternate is not None for section in assignment.sections)


def _outcome_lines(outcome: Outcome) -> list[str]:
    """The requirement, and below it why it is met or not and how far from it."""
    lines = _wrap(_asked(outcome), "  ", "    ")
    said = outcome.reason.rstrip(".")
    if outcome.state == CANT_TELL and outcome.count(CANT_TELL) and outcome.value is None:
        doubted = breaches_text([b for b in outcome.bars if b.notes], CANT_TELL)
        said = f"{said}. {doubted}" if doubted else said
    if outcome.how_far and outcome.state != MET:
        said = f"{said}. {outcome.how_far[:1].upper()}{outcome.how_far[1:]}"
    return lines + (_wrap(f"{said[:1].upper()}{said[1:]}.", "    ") if said else [])


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
    return ["", *(line for text in told for line in _wrap(text, "  ", "    "))] if told else []


def _why(outcome: Outcome, bar: BarVerdict) -> str:
    """Why a bar can't be told; of one that was measured the value is beside the point."""
    if outcome.kind in MEASURED and bar.reason not in UNMEASURED:
        return "too close to the limit"
    return bar.reason or "too close to call"


def _interesting(outcome: Outcome, bars: range) -> bool:
    """Lines in which everything is met are left out."""
    return any(b.state != MET and b.bar in bars for b in outcome.bars)


def _sign(outcome: Outcome, bar: int) -> str:
    one = outcome.bars[bar - outcome.first_bar]
    return "." if one.state == MET and one.notes == 0 else SIGN[one.state]


def _wrap(text: str, first: str = "", then: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=first if then is None else then
    )


# --- a class ----------------------------------------------------------------


def class_text(checked: Sequence[Checked], assignment: Assignment) -> str:
    """Many takes in one table, then what most players missed."""
    title = printable(assignment.title) or "Assignment"
    judged = judged_of(checked)
    met = sum(c.verdict is not None and c.verdict.state == MET for c in judged)
    share = f"{met} of {counted(len(judged), 'take')} met" if judged else "no take could be judged"
    lines = [f"{title}: {share}", ""]
    columns = requirement_columns(assignment)
    lines += _class_table(checked, columns)
    lines += ["", *_legend(columns)]
    lines += ["", *_most_missed(judged, columns)]
    for about in ("tempo", "start"):
        lines += _doubted_lines(checked, about)
    broken = [c for c in checked if c.verdict is None]
    if broken:
        lines += ["", f"Could not be checked: {counted(len(broken), 'file')}"]
        lines += [line for c in broken for line in _wrap(f"- {c.error}", "", "  ")]
    return "\n".join(lines) + "\n"


def _doubted_lines(checked: Sequence[Checked], about: str) -> list[str]:
    """The takes that were not judged because their tempo, or their start, is in doubt."""
    doubted = [
        (c.player, c.verdict.doubt.sentence.removeprefix("Not judged: "))
        for c in checked
        if c.verdict is not None and c.verdict.doubt and c.verdict.doubt.about == about
    ]
    lines = ["", f"The {about} is in doubt: {counted(len(doubted), 'take')}"] if doubted else []
    for player, why in doubted:
        lines += _wrap(f"- {player}: {printable(why)}", "", "  ")
    return lines


def judged_of(checked: Sequence[Checked]) -> list[Checked]:
    """The takes that could be read and judged: their tempo and start are in no doubt."""
    return [c for c in checked if c.verdict is not None and not c.verdict.doubt]


def requirement_columns(assignment: Assignment) -> list[tuple[int, str, str]]:
    """Every requirement as (section, kind, short head), in the assignment's order."""
    found: list[tuple[int, str, str]] = []
    for number, section in enumerate(assignment.sections, start=1):
        for kind in section.requirements():
            found.append((number, kind, chr(ord("A") + len(found) % 26) + _lap(len(found))))
    return found


def _lap(index: int) -> str:
    return str(index // 26 + 1) if index >= 26 else ""


def _class_table(checked: Sequence[Checked], columns: list[tuple[int, str, str]]) -> list[str]:
    wide = min(max([6, *(len(c.player) for c in checked)]), LONGEST_PLAYER)
    heads = " ".join(head.rjust(2) for _, _, head in columns)
    lines = [f"{'Player'.ljust(wide)}  {'Take'.ljust(10)}  {heads}"[:WIDTH]]
    lines.append("-" * min(len(lines[0]), WIDTH))
    for one in checked:
        player = _short(one.player, wide).ljust(wide)
        if one.verdict is None:
            lines.append(f"{player}  unreadable")
            continue
        by_key = {(o.section, o.kind): o.state for o in one.verdict.outcomes}
        signs = " ".join(SIGN[by_key[s, k]].rjust(2) for s, k, _ in columns)
        lines.append(f"{player}  {one.verdict.state.ljust(10)}  {signs}"[:WIDTH])
    return lines


def _short(text: str, wide: int) -> str:
    return text if len(text) <= wide else text[: wide - 1] + "…"


def _legend(columns: list[tuple[int, str, str]]) -> list[str]:
    sections = len({section for section, _, _ in columns})
    lines = [LEGEND]
    for section, kind, head in columns:
        where = f" (section {section})" if sections > 1 else ""
        lines.append(f"{head}: {kind}{where}")
    return lines


def missed_by(
    judged: Sequence[Checked], columns: list[tuple[int, str, str]]
) -> list[tuple[int, str, int, list[int]]]:
    """(section, kind, players who missed it, bars missed oftenest), most missed first."""
    found = []
    for section, kind, _ in columns:
        outcomes = [
            o
            for c in judged
            if c.verdict is not None
            for o in c.verdict.outcomes
            if (o.section, o.kind) == (section, kind) and o.state == NOT_MET
        ]
        bars: dict[int, int] = {}
        for outcome in outcomes:
            for bar in outcome.bars:
                if bar.state == NOT_MET:
                    bars[bar.bar] = bars.get(bar.bar, 0) + 1
        worst = sorted(bars, key=lambda b: (-bars[b], b))[:4]
        found.append((section, kind, len(outcomes), sorted(worst)))
    return sorted(found, key=lambda row: -row[2])


def _most_missed(judged: Sequence[Checked], columns: list[tuple[int, str, str]]) -> list[str]:
    rows = [row for row in missed_by(judged, columns) if row[2]]
    if not judged:
        return ["No take could be judged."]
    if not rows:
        return ["Nobody missed anything that could be told."]
    lines = ["Missed most"]
    for section, kind, players, bars in rows[:5]:
        where = f", section {section}" if len({s for s, _, _ in columns}) > 1 else ""
        often = f"; oftenest in {_bar_list(bars)}" if bars else ""
        lines += _wrap(
            f"{kind}{where}: {players} of {counted(len(judged), 'player')}{often}", "  ", "    "
        )
    return lines


def _bar_list(bars: list[int]) -> str:
    text = ", ".join(map(str, bars))
    return f"bar {text}" if len(bars) == 1 else f"bars {text}"
