"""Plain text, 80 columns wide: lines, and tables of one row per phrase or per run off the grid.

Columns are as wide as what they hold; where a table would grow too wide the names of
note values are written in figures (`16ths`). Notes are what a listener counts: a chord
once, a grace note not at all (`report` says so below the table where it matters).
"""

from __future__ import annotations

import re
import textwrap

from improv.grid import short_name
from improv.model import Analysis, Phrase, Run, Verdict
from improv.wording import figure, others_told, percent_figure

WIDTH = 80
PICKUP = "p "
"""Before the bars of a phrase that has a pickup to them."""
MOST_ROWS = 40

Row = tuple[str, ...]


_FIGURE_AND_UNIT = re.compile(r"(?<=\d) (?=%|ms\b|BPM\b|: \d)|(?<=\d :) (?=\d)")


def wrapped(text: str, first: str = "", then: str | None = None, width: int = WIDTH) -> list[str]:
    """Lines of `width` columns at most, indented by `first`, then by `then`; none of no text.

    A figure and its unit stay on one line, and so does a ratio; a word longer than a line, a
    file's path, stays whole.
    """
    lines = textwrap.wrap(
        _FIGURE_AND_UNIT.sub("\xa0", text),
        width,
        initial_indent=first,
        subsequent_indent=first if then is None else then,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace("\xa0", " ") for line in lines]


def layout(heads: tuple[Row, Row], rows: list[Row], left: tuple[int, ...]) -> list[str]:
    """Lines of a table: two head lines, a rule, the rows. Columns in `left` are left-aligned."""
    every = [*heads, *rows]
    widths = [max(len(row[i]) for row in every) for i in range(len(heads[0]))]
    gap = "  " if sum(widths) + 2 * len(widths) <= WIDTH else " "

    def line(row: Row) -> str:
        cells = [
            c.ljust(w) if i in left else c.rjust(w)
            for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        return gap.join(cells).rstrip()

    rule = gap.join("-" * w for w in widths)
    return [line(heads[0]), line(heads[1]), rule, *map(line, rows)]


def _figure(value: float | None, form: str) -> str:
    return "-" if value is None else figure(value, form)


def _share(value: float | None) -> str:
    return "-" if value is None else percent_figure(value)


def _bars(phrase: Phrase) -> str:
    first, last = phrase.first_bar, phrase.ends.bar
    mark = PICKUP if phrase.pickup else ""
    if first == last:
        return f"{mark}{first}"
    return f"{mark}{first}{' to ' if first < 0 else '-'}{last}"


PHRASE_HEADS: tuple[Row, Row] = (
    ("No", "Bars", "Notes", "Subdivision", "Sure", "Offset", "Spread", "Pocket", "Swing", "Drift"),
    ("", "", "", "", "%", "ms", "ms", "%", ": 1", "BPM"),
)
_NO_ANSWER = {Verdict.TOO_CLOSE: "(too close)", Verdict.TOO_SHORT: "(too short)"}


def phrase_table(analysis: Analysis, full: bool = False) -> tuple[list[str], int]:
    """The table of phrases and how many of them it leaves out."""
    shown = analysis.phrases if full else analysis.phrases[:MOST_ROWS]
    rows = [_phrase_row(analysis, phrase, shorten=False) for phrase in shown]
    lines = layout(PHRASE_HEADS, rows, left=(3,))
    if max(map(len, lines)) > WIDTH:
        rows = [_phrase_row(analysis, phrase, shorten=True) for phrase in shown]
        lines = layout(PHRASE_HEADS, rows, left=(3,))
    return lines, len(analysis.phrases) - len(shown)


def _phrase_row(analysis: Analysis, phrase: Phrase, shorten: bool) -> Row:
    name = phrase.subdivision or _NO_ANSWER.get(phrase.verdict, f"({phrase.verdict})")
    if phrase.subdivision and others_told(analysis, phrase):
        name += " +"
    sure = _share(phrase.confidence) if phrase.subdivision else "-"
    # One or two notes on a grid beside a run say nothing of the phrase.
    few = phrase.verdict == Verdict.OFF_GRID and phrase.spread_ms is None
    return (
        str(phrase.number),
        _bars(phrase),
        str(phrase.events),
        short_name(name) if shorten else name,
        sure,
        _figure(None if few else phrase.offset_ms, "+.0f"),
        _figure(phrase.spread_ms, ".0f"),
        _share(None if few else phrase.in_pocket),
        _figure(phrase.swing_ratio if phrase.swung else None, ".2f"),
        _figure(phrase.drift_bpm, "+.1f"),
    )


RUN_HEADS: tuple[Row, Row] = (
    ("From", "Notes", "Rate", "Between", "How", "Lands", ""),
    ("", "", "/beat", "", "", "beat", "ms"),
)


def run_table(runs: list[Run], full: bool = False) -> tuple[list[str], int]:
    """The table of runs off the grid and how many of them it leaves out."""
    shown = runs if full else runs[:MOST_ROWS]
    return layout(RUN_HEADS, [_run_row(r) for r in shown], left=(0, 3, 4)), len(runs) - len(shown)


def _run_row(run: Run) -> Row:
    between = " / ".join(short_name(n) for n in run.between) if run.between else "-"
    return (
        f"bar {run.begins.bar}, {run.begins.count}",
        str(run.events),
        f"{run.notes_per_beat:.1f}",
        between,
        run.kind,
        _figure(run.lands_beat, "+.2f"),
        _figure(run.lands_ms, "+.0f"),
    )
