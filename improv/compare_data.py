"""A Comparison as JSON-ready data, CSV rows, and a section of HTML."""

from __future__ import annotations

import html
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from improv.compare import Comparison, Finding
from improv.compare_figures import (
    chance,
    change_figure,
    figure,
    interval_figure,
    short_verdict,
    subdivision_and_notes,
)
from improv.compare_report import clearest_sentence, reading, sentence, what
from improv.spreadsheet import csv_of

VERSION = 1
CSV_HEAD = (
    "subdivision", "per_beat", "measure", "before", "after", "change", "low", "high",
    "chance", "chance_alone", "tempo_part", "notes_before", "notes_after", "blocks_before",
    "blocks_after", "verdict",
)  # fmt: skip


def document(comparison: Comparison, warnings: Sequence[str] = ()) -> dict[str, Any]:
    """The comparison as plain data, ready for JSON (version 1), with what has to be said of it."""
    return {
        "version": VERSION,
        "warnings": list(warnings),
        "takes": {"before": comparison.takes[0], "after": comparison.takes[1]},
        "tempo_bpm": {
            "before": round(comparison.tempo_bpm[0], 3),
            "after": round(comparison.tempo_bpm[1], 3),
        },
        "over_days": comparison.span_days,
        "equal_tempo": comparison.equal_tempo,
        "chance_counted_by": comparison.block,
        "memory": round(comparison.memory, 3),
        "tolerance_ms": comparison.tolerance_ms,
        "clearest": None
        if comparison.clearest is None
        else {
            "subdivision": comparison.clearest.subdivision,
            "measure": comparison.clearest.measure.key,
            "verdict": comparison.clearest.verdict,
            "text": sentence(comparison.clearest, comparison),
        },
        "findings": [
            dict(zip(CSV_HEAD, row, strict=True))
            | {"unit": f.measure.unit, "ratio": f.measure.ratio}
            for f, row in zip(comparison.findings, _rows(comparison), strict=True)
        ],
    }


def _kind_of(finding: Finding) -> dict[str, Any]:
    """How the change of a finding is told."""
    return {"unit": finding.measure.unit, "ratio": finding.measure.ratio}


def csv_text(comparison: Comparison, lead: Sequence[str] = (), header: bool = True) -> str:
    """One row per subdivision and measure; `lead` cells come first (a player's name)."""
    head = [[*(["player"] if lead else []), *CSV_HEAD]] if header else []
    return csv_of([*head, *([*lead, *row] for row in _rows(comparison))])


def _rows(comparison: Comparison) -> list[tuple[Any, ...]]:
    def digits(value: float | None) -> float | None:
        return None if value is None else round(value, 6) + 0.0

    return [
        (
            f.subdivision, f.per_beat, f.measure.key, digits(f.before), digits(f.after),
            digits(f.change), digits(f.low), digits(f.high), digits(f.probability),
            digits(f.raw_probability), digits(f.tempo_share), *f.notes, *f.blocks, f.verdict,
        )
        for f in comparison.findings
    ]  # fmt: skip


# --- a section of HTML ---------------------------------------------------------------

NUMBERS = ("before", "after", "change", "95 % interval", "chance")
SHORT_WORDS = "'None shown' is no difference that can be shown, 'too few' too few notes to tell."


def html_section(comparison: Comparison, title: str = "Compared with before") -> str:
    """A self-contained section for a report; everything from outside is escaped."""
    head = "".join(
        f'<th scope="col"{_aligned(name)}>{name}</th>' for name in ("measure", "verdict", *NUMBERS)
    )
    return (
        '<section id="history" aria-labelledby="history-head">\n'
        f'<h2 id="history-head">{html.escape(title)}</h2>\n'
        f"<p>{html.escape(what(comparison))}</p>\n"
        f'<p class="lead">{html.escape(clearest_sentence(comparison))}</p>\n'
        '<div class="scroll" role="region" aria-labelledby="history-head" tabindex="0">\n'
        f"<table>\n<thead><tr>{head}</tr></thead>\n"
        + "".join(_group(list(of)) for _, of in groupby(comparison.findings, _subdivision))
        + f"</table>\n</div>\n<p>{html.escape(reading(comparison))} {SHORT_WORDS}</p>\n</section>\n"
    )


def _subdivision(finding: Finding) -> tuple[str, float]:
    return finding.subdivision, finding.per_beat


def _group(findings: list[Finding]) -> str:
    """The rows of one subdivision, under its name. The verdict stands before the figures, so
    that a narrow screen shows it without scrolling."""
    name = html.escape(subdivision_and_notes(findings[0]))
    span = 2 + len(NUMBERS)
    rows = [f'<tr class="group"><th scope="rowgroup" colspan="{span}">{name}</th></tr>']
    for f in findings:
        cells = (figure(f, f.before), figure(f, f.after), change_figure(f, f.change),
                 interval_figure(f), chance(f))  # fmt: skip
        figures = "".join(f'<td class="n number">{html.escape(cell)}</td>' for cell in cells)
        words = html.escape(f.measure.title), html.escape(short_verdict(f))
        rows.append(
            f'<tr><th scope="row">{words[0]}</th><td class="number">{words[1]}</td>{figures}</tr>'
        )
    return "<tbody>\n" + "\n".join(rows) + "\n</tbody>\n"


def _aligned(column: str) -> str:
    return ' class="n"' if column in NUMBERS else ""
