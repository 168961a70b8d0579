"""Tables as values: columns with their heads, cells with what they say and sort by."""

from __future__ import annotations

from dataclasses import dataclass

from improv.counting import counted
from improv.document import note_rows
from improv.model import Analysis, Phrase, Run
from improv.wording import figure, others_told, percent_figure, rate_beat

MOST_NOTES = 1500
"""Rows of the table of notes: what a browser lays out at once and a page of 4 MB holds."""
UNKNOWN = "–"


@dataclass(frozen=True)
class Cell:
    """What a cell says, and what it sorts by (`None`: always last)."""

    text: str
    key: float | str | None


@dataclass(frozen=True)
class Column:
    """A column: its head, and whether it holds figures."""

    head: str
    is_number: bool = True


@dataclass(frozen=True)
class Table:
    """A table; `note` says what was left out, if anything was."""

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


def number(value: float | None, form: str) -> Cell:
    """A figure; a missing one says so and sorts last."""
    if value is None or value != value:
        return Cell(UNKNOWN, None)
    return Cell(figure(value, form).replace("-", "−"), float(value))


def share(value: float | None) -> Cell:
    """A share as whole per cent."""
    if value is None or value != value:
        return Cell(UNKNOWN, None)
    return Cell(percent_figure(value), 100.0 * value)


def text(value: str | None) -> Cell:
    """A word."""
    return Cell(value or UNKNOWN, value)


def phrase_table(analysis: Analysis) -> Table:
    """One row per phrase."""
    columns = (
        Column("Phrase"), Column("Bars"), Column("Notes"), Column("Subdivision", False),
        Column("Sure, %"), Column("Offset, ms"), Column("Spread, ms"), Column("In the pocket, %"),
        Column("Swing ratio"), Column("Drift, BPM"),
    )  # fmt: skip
    rows = tuple(_phrase(analysis, phrase) for phrase in analysis.phrases)
    return Table("phrases", "The phrases, one to a row", columns, rows)


def _phrase(analysis: Analysis, phrase: Phrase) -> tuple[Cell, ...]:
    first, last = phrase.first_bar, phrase.ends.bar
    bars = str(first) if first == last else f"{first}{'–' if first >= 0 else ' to '}{last}"
    bars += " with a pickup" if phrase.pickup else ""
    name = phrase.subdivision or phrase.verdict
    if phrase.subdivision and others_told(analysis, phrase):
        name = f"mainly {name}"
    return (
        number(phrase.number, ".0f"),
        Cell(bars, float(first)),
        number(phrase.events, ".0f"),
        text(name),
        share(phrase.confidence if phrase.subdivision else None),
        number(phrase.offset_ms, "+.0f"),
        number(phrase.spread_ms, ".0f"),
        share(phrase.in_pocket),
        number(phrase.swing_ratio if phrase.swung else None, ".2f"),
        number(phrase.drift_bpm, "+.1f"),
    )


def run_table(analysis: Analysis) -> Table:
    """One row per fast run, on the grid or off it."""
    columns = (
        Column("Bar"), Column("From", False), Column("Notes"),
        Column(f"Notes per {rate_beat(analysis.take)}"), Column("Off the grid", False),
        Column("Between", False), Column("How", False), Column("Lands", False),
        Column("by, ms"), Column("Sure, %"),
    )  # fmt: skip
    rows = tuple(_run(run) for run in analysis.runs)
    return Table("runs", "The fast runs, one to a row", columns, rows)


def _run(run: Run) -> tuple[Cell, ...]:
    return (
        number(run.begins.bar, ".0f"),
        Cell(run.begins.count, run.begins.onset_sec),
        number(run.events, ".0f"),
        number(run.notes_per_beat, ".1f"),
        text("yes" if run.off_grid else "no"),
        text(" and ".join(run.between) if run.between else None),
        text(run.kind),
        text(f"bar {run.lands_at.bar}, {run.lands_at.count}" if run.lands_at else None),
        number(run.lands_ms if run.off_grid else None, "+.0f"),
        share(run.confidence),
    )


def note_table(analysis: Analysis) -> Table:
    """One row per note, as many as a page can hold."""
    columns = (
        Column("Bar"), Column("Count", False), Column("Pitch"), Column("Subdivision", False),
        Column("Deviation, ms"), Column("Sure, %"),
    )  # fmt: skip
    rows = []
    for onset, bar, _, count, pitch, _, _, name, _, _, _, deviation, off, sure, *_ in list(
        note_rows(analysis)
    )[:MOST_NOTES]:
        rows.append(
            (
                Cell(str(bar), onset),
                Cell(count, onset),
                number(pitch, ".0f"),
                text("off the grid" if off else name),
                number(deviation, "+.0f"),
                share(sure),
            )
        )
    left_out = len(analysis.notes) - len(rows)
    note = (
        f"The first {counted(len(rows), 'note')}; {left_out} more are left out. "
        "'improv analyze --format csv' has them all."
        if left_out > 0
        else ""
    )
    return Table("notes", "The notes, one to a row", columns, tuple(rows), note)
