"""A Comparison as words and a table.

The order is always: the single clearest change, the other changes, what cannot be shown,
what has too few notes. Chance is Holm's probability as a percentage. Where chance was
counted by takes of one day or by phrases, the text says what that cannot tell.
"""

from __future__ import annotations

import textwrap
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
from improv.contrasts import FEWEST_DAYS, FEWEST_NOTES, FEWEST_OVER_TIME
from improv.wording import bpm_text, counted, number_word

_OVER_TIME, _A_SIDE = number_word(FEWEST_OVER_TIME), number_word(FEWEST_DAYS)
_SHORT = {NO_DIFFERENCE: "none shown", TOO_FEW: "too few"}


# --- words -------------------------------------------------------------------


def text_report(comparison: Comparison) -> str:
    """The comparison for a musician, in 80 columns."""
    lines = _wrapped(what(comparison))
    lines += ["", *_wrapped(clearest_sentence(comparison))]
    others = [f for f in comparison.findings if is_change(f) and f is not comparison.clearest]
    for finding in sorted(others, key=lambda f: f.raw_probability or 1.0):
        lines += _wrapped(f"Also: {sentence(finding, comparison)}")
    for verdict in (NO_DIFFERENCE, TOO_FEW):
        if verdict == TOO_FEW and _nothing_told(comparison):
            continue  # the sentence above has said so of all
        said = _grouped([f for f in comparison.findings if f.verdict == verdict])
        if said:
            short = f"Too few notes or {comparison.block}s to tell"
            head = short if verdict == TOO_FEW else verdict.capitalize()
            lines += _wrapped(f"{head}: {said}.")
    lines += ["", *table(comparison), "", *_wrapped(reading(comparison))]
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
    return "No change can be shown: what differs is no more than chance would do."


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
    at = "at equal tempo " if _tempo_matters(finding) else ""
    if finding.measure.ratio:
        changes = [c.removeprefix("x") for c in changes]
        told = f"{at}{changes[0]} times what it was"
    else:
        unit = "ms" if finding.measure.key == "offset" else "points"
        told = f"{at}a change of {changes[0]} {unit}"
    return (
        f"{finding.subdivision}: {_effect(finding)}. {finding.measure.title.capitalize()} "
        f"{before} before, {after} after: {told} (95 % interval {changes[1]} to {changes[2]}; "
        f"chance {chance(finding)})."
    )


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
        f"{unit} 'Change' is {_tempo_words(comparison)}; spread and swing as a ratio (1 is no "
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


def _tempo_words(comparison: Comparison) -> str:
    if comparison.equal_tempo:
        return "between takes of equal tempo"
    return "at equal tempo"


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


# --- figures -------------------------------------------------------------------


def figure(finding: Finding, value: float | None) -> str:
    """A value of the finding's measure with its unit."""
    if value is None:
        return "-"
    key = finding.measure.key
    if key == "spread":
        return f"{value:.1f} ms"
    if key == "offset":
        return f"{value:+.1f} ms"
    if key == "swing":
        return f"{value:.2f}:1"
    return (
        f"{100 * value + 0.0:+.1f} %".replace("-0.0", "+0.0")
        if key == "drift"
        else (f"{100 * value:.0f} %")
    )


def change_figure(finding: Finding, value: float | None) -> str:
    """A change of the finding's measure: a factor, milliseconds, or points of per cent.

    Without its unit, which the text beside the table gives.
    """
    if value is None:
        return "-"
    key = finding.measure.key
    if finding.measure.ratio:
        return f"x{value:.2f}"
    digits = 0 if key in ("pocket", "off_grid") else 1
    text = f"{value if key == 'offset' else 100 * value:+.{digits}f}"
    return text.replace("-", "+") if not text.strip("+-0.") else text  # never -0


def interval_figure(finding: Finding) -> str:
    """The interval of a change, from its lower to its upper end."""
    if finding.low is None or finding.high is None:
        return "-"
    return f"{change_figure(finding, finding.low)} to {change_figure(finding, finding.high)}"


def chance(finding: Finding) -> str:
    """Holm's probability as a percentage."""
    if finding.probability is None:
        return "-"
    if finding.probability < 0.001:
        return "< 0.1 %"
    if finding.probability > 0.995:
        return "100 %"
    return f"{100 * finding.probability:.1f} %"


def subdivision_and_notes(finding: Finding) -> str:
    """`eighths (81 and 87 notes)`, `eighths (2 a beat; 81 and 87 notes)`."""
    notes = f"{finding.notes[0]} and {finding.notes[1]} notes)"
    name = finding.subdivision
    return f"{name[:-1]}; {notes}" if name.endswith(")") else f"{name} ({notes}"


def short_verdict(finding: Finding) -> str:
    """The verdict in a table's width."""
    return _SHORT.get(finding.verdict, finding.verdict)


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


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 80) or [""]
