"""The figures of a Comparison, each with its unit, as its words and its tables have them."""

from __future__ import annotations

from improv.compare import NO_DIFFERENCE, TOO_FEW, Finding
from improv.contrasts import FEWEST_NOTES
from improv.wording import figure as written
from improv.wording import percent

_SHORT = {NO_DIFFERENCE: "none shown", TOO_FEW: "too few"}


def figure(finding: Finding, value: float | None) -> str:
    """A value of the finding's measure with its unit."""
    if value is None:
        return "-"
    key = finding.measure.key
    if key == "spread":
        return f"{value:.1f} ms"
    if key == "offset":
        return f"{written(value, '+.1f')} ms"
    if key == "swing":
        return f"{value:.2f}:1"
    return f"{written(100 * value, '+.1f')} %" if key == "drift" else percent(value)


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


def too_few(finding: Finding, block: str) -> str:
    """What a finding is short of: `too few notes`, or, where there are enough, `too few days`."""
    return f"too few {'notes' if min(finding.notes) < FEWEST_NOTES else f'{block}s'}"


def short_verdict(finding: Finding) -> str:
    """The verdict in a table's width."""
    return _SHORT.get(finding.verdict, finding.verdict)
