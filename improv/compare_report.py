"""A Comparison as words and a table.

The order is always: the single clearest change, the other changes, what cannot be shown,
what has too few notes. Chance is Holm's probability as a percentage. Where chance was
counted by takes of one day or by phrases, the text says what that cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from improv.compare import (
    BETTER,
    CHANGED,
    NO_DIFFERENCE,
    TOO_FEW,
    WORSE,
    Comparison,
    Finding,
)
from improv.compare_figures import (
    chance,
    change_figure,
    figure,
    interval_figure,
    short_verdict,
    subdivision_and_notes,
    too_few,
)
from improv.contrasts import FEWEST_DAYS, FEWEST_NOTES, FEWEST_OVER_TIME
from improv.counting import counted
from improv.tables import wrapped
from improv.wording import bpm_text, listed, number_word

_OVER_TIME, _A_SIDE = number_word(FEWEST_OVER_TIME), number_word(FEWEST_DAYS)
LEAST_TO_NAME = 12
"""Notes a side from which a difference that cannot be told yet is worth naming (our choice)."""


# --- words -------------------------------------------------------------------


def text_report(comparison: Comparison) -> str:
    """The comparison for a musician, in 80 columns."""
    lines = wrapped(what(comparison))
    lines += ["", *wrapped(clearest_sentence(comparison))]
    others = [f for f in comparison.findings if is_change(f) and f is not comparison.clearest]
    for finding in sorted(others, key=lambda f: f.raw_probability or 1.0):
        lines += wrapped(f"Also: {sentence(finding, comparison)}")
    for verdict in (NO_DIFFERENCE, TOO_FEW):
        if verdict == TOO_FEW and _nothing_told(comparison):
            continue  # the sentence above has said so of all
        said = _grouped([f for f in comparison.findings if f.verdict == verdict])
        if said:
            short = f"Too few notes or {comparison.block}s to tell"
            head = short if verdict == TOO_FEW else verdict.capitalize()
            lines += wrapped(f"{head}: {said}.")
    lines += ["", *table(comparison), "", *wrapped(reading(comparison))]
    return "\n".join(lines) + "\n"


def clearest_sentence(comparison: Comparison) -> str:
    """The single clearest change, or that there is none."""
    if comparison.clearest is not None:
        return f"The clearest change: {sentence(comparison.clearest, comparison)}"
    if _nothing_told(comparison):
        return (
            f"{_what_is_short(comparison)} Record more of the same, a few takes on several days, "
            "and compare again."
        )
    open_rows = [f for f in comparison.findings if f.verdict == TOO_FEW]
    told = [f for f in comparison.findings if f.verdict != TOO_FEW]
    widest = _widest_open(open_rows)
    if widest is None and len(open_rows) <= len(told):
        return "No change can be shown: what differs is no more than chance would do."
    return (
        f"No change can be shown {_told_of(told, open_rows)}: what differs there is no more than "
        f"chance would do. {_open_sentence(widest, comparison)}"
    )


def _told_of(told: Sequence[Finding], open_rows: Sequence[Finding]) -> str:
    """Where something can be told; subdivisions by name if of none of them only a part can."""
    names = list(dict.fromkeys(f.subdivision for f in told))
    if not names or not set(names).isdisjoint(f.subdivision for f in open_rows):
        return "where enough was played to tell"
    return f"in {listed(names)}"


def _widest_open(findings: Sequence[Finding]) -> Finding | None:
    """The widest difference that too little was played to tell of; `None` if none is wide."""

    def width(finding: Finding) -> float:
        before, after, measure = finding.before, finding.after, finding.measure
        if before is None or after is None or min(finding.notes) < LEAST_TO_NAME:
            return 0.0
        change = math.log(after / before) if measure.ratio else after - before
        return abs(change) / measure.coarse

    widest = max(findings, key=width, default=None)
    return None if widest is None or width(widest) < 1.0 else widest


def _open_sentence(widest: Finding | None, comparison: Comparison) -> str:
    """What the rest is short of, and the difference in it that is worth another recording."""
    if widest is None:
        return f"The rest can't be told: too few notes or {comparison.block}s."
    before, after = (figure(widest, v) for v in (widest.before, widest.after))
    first, second = _sides(comparison)
    return (
        f"The rest can't be told yet, wide as it differs: {widest.subdivision}, "
        f"{widest.measure.title} {before} {first} and {after} {second}, over "
        f"{too_few(widest, comparison.block)}. "
        "Record more of the same."
    )


def _nothing_told(comparison: Comparison) -> bool:
    return all(f.verdict == TOO_FEW for f in comparison.findings)


def _what_is_short(comparison: Comparison) -> str:
    """Notes, or, where there are notes enough, days, takes or phrases."""
    rich = any(min(f.notes) >= FEWEST_NOTES for f in comparison.findings)
    if not rich or any(f.low is not None for f in comparison.findings):
        return "Too few notes to tell: no subdivision has enough on both sides."
    unit = f"{comparison.block}s"
    if comparison.span_days is not None:
        where = "on" if comparison.block == "day" else "in"
        return f"Too few {unit} to tell: no subdivision was played {where} {_OVER_TIME} {unit}."
    return f"Too few {unit} to tell: no subdivision has {_A_SIDE} {unit} on both sides."


def sentence(finding: Finding, comparison: Comparison) -> str:
    """One change in words, with its interval and how likely chance would do as much."""
    before, after = (figure(finding, v) for v in (finding.before, finding.after))
    changes = [change_figure(finding, v) for v in (finding.change, finding.low, finding.high)]
    if finding.measure.ratio:
        changes = [c.removeprefix("x") for c in changes]
        told = f"{changes[0]} times what it was"
    else:
        unit = "ms" if finding.measure.key == "offset" else "points"
        told = f"a change of {changes[0]} {unit}"
    first, second = _sides(comparison)
    return (
        f"{finding.subdivision}: {_effect(finding)}. {finding.measure.title.capitalize()} "
        f"{before} {first}, {after} {second}{_leading(finding, comparison)}{told} "
        f"(95 % interval {changes[1]} to {changes[2]}; chance {chance(finding)})."
    )


def _sides(comparison: Comparison) -> tuple[str, str]:
    """What the figures of the two sides are of."""
    if comparison.span_days is None:
        return "before", "after"
    return "in the first half", "in the second"


def _leading(finding: Finding, comparison: Comparison) -> str:
    """From the figures as played to the change, which need not be their difference."""
    tempo = "at equal tempo " if _tempo_matters(finding) else ""
    if comparison.span_days is not None:
        return f", as played; along a straight line from the first day to the last {tempo}"
    return f", as played; {tempo}" if tempo else ": "


def is_change(finding: Finding) -> bool:
    """Whether a change could be shown."""
    return finding.verdict in (BETTER, WORSE, CHANGED)


def _effect(finding: Finding) -> str:
    key, verdict = finding.measure.key, finding.verdict
    change = finding.change or 0.0
    if key == "offset":
        return "played later than before" if change > 0 else "played earlier than before"
    if key == "swing":
        return "swung more" if change > 1 else "swung less"
    if key == "drift":
        way = "rushing" if change > 0 else "dragging"
        return f"holds the tempo {verdict}" + ("" if verdict == BETTER else f", {way} more")
    words = {
        ("spread", BETTER): "tighter", ("spread", WORSE): "looser",
        ("pocket", BETTER): "more in the pocket", ("pocket", WORSE): "less in the pocket",
        ("off_grid", BETTER): "leaves the grid less",
        ("off_grid", WORSE): "leaves the grid more",
    }  # fmt: skip
    return f"{verdict}, {words[(key, verdict)]}"


def what(comparison: Comparison) -> str:
    """What is compared with what."""
    takes, tempo = comparison.takes, comparison.tempo_bpm
    first, second = counted(takes[0], "take"), counted(takes[1], "take")
    at = [f"{bpm_text(round(t, 1))} BPM" for t in tempo]
    if comparison.span_days is not None:
        return (
            f"{counted(sum(takes), 'take')} over {counted(comparison.span_days, 'day')}, along a "
            f"straight line from the first day to the last ({first} in the first half, mean "
            f"tempo {at[0]}; {second} in the second, {at[1]})."
        )
    mean = ["" if count == 1 else "mean tempo " for count in takes]
    return f"Before: {first}, {mean[0]}{at[0]}. After: {second}, {mean[1]}{at[1]}."


def reading(comparison: Comparison) -> str:
    """How to read the figures, and what they cannot say."""
    unit = {
        "day": "Chance is counted from day to day.",
        "take": "Chance is counted from take to take; a good or a bad day shows as a change "
        "unless each side holds takes of three days or more.",
        "phrase": "Chance is counted from phrase to phrase: this says that these takes differ, "
        "not yet that the player does. Three takes a side, on several days, say more.",
    }[comparison.block]
    if comparison.span_days is not None and comparison.block == "take":
        unit = "Chance is counted from take to take."
    return (
        f"{unit} {_what_stands_where(comparison)}; spread and swing as a ratio (1 is no "
        f"change), pocket (within {comparison.tolerance_ms:g} ms of the take's constant offset) "
        "and off grid in points of per cent, drift in per cent of the tempo, offset in ms "
        f"(late +). {_chance_words(_tested(comparison))}Offset and swing are style: they change, "
        "they do not get better."
    )


def _chance_words(tested: int) -> str:
    if tested == 0:
        return ""
    if tested == 1:
        return "'Chance' is that of the one comparison made here. "
    return (
        f"'Chance' allows for all {number_word(tested)} comparisons made here (Holm), an interval "
        "for its own row only. "
    )


def _what_stands_where(comparison: Comparison) -> str:
    """What the columns of the table hold: figures as played, and a change that is another thing."""
    if comparison.span_days is not None:
        return (
            "'Before' and 'after' are the means of the first and the second half, as played; "
            "'change' is from the first day to the last along a straight line, at equal tempo"
        )
    if comparison.equal_tempo:
        return "'Change' is between takes of equal tempo"
    return "'Before' and 'after' are as played, 'change' is at equal tempo"


def _tested(comparison: Comparison) -> int:
    return sum(f.probability is not None for f in comparison.findings)


def _tempo_matters(finding: Finding) -> bool:
    share = finding.tempo_share
    if share is None:
        return False
    return abs(share - 1.0) > 0.02 if finding.measure.ratio else abs(share) > 1e-9


def _grouped(findings: Sequence[Finding]) -> str:
    """`eighths (spread, offset), sixteenths (spread)`."""
    names: dict[str, list[str]] = {}
    for finding in findings:
        names.setdefault(finding.subdivision, []).append(finding.measure.title)
    return "; ".join(f"{name} ({', '.join(measures)})" for name, measures in names.items())


# --- the table ---------------------------------------------------------------------


def table(comparison: Comparison) -> list[str]:
    """One line per subdivision and measure, at most 80 columns."""
    head = ("", "before", "after", "change", "95 % interval", "chance", "verdict")
    lines = []
    current = None
    rows: list[tuple[str, ...]] = []
    for f in comparison.findings:
        if f.subdivision != current:
            current = f.subdivision
            rows.append((subdivision_and_notes(f),))
        rows.append(
            (f"  {f.measure.title}", figure(f, f.before), figure(f, f.after),
             change_figure(f, f.change), interval_figure(f), chance(f), short_verdict(f))
        )  # fmt: skip
    widths = (15, 9, 9, 8, 19, 8, 10)
    for row in [head, *rows]:
        if len(row) == 1:
            lines.append(row[0][:80])
            continue
        cells = [row[0].ljust(widths[0])]
        cells += [c.rjust(w) for c, w in zip(row[1:6], widths[1:6], strict=True)]
        lines.append(("".join(cells) + "  " + row[6]).rstrip())
    return lines
