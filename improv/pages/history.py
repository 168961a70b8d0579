"""A Comparison as the values of a section: what it says, and its figures by subdivision."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from improv.compare import Comparison, Finding
from improv.compare_figures import (
    chance,
    change_figure,
    figure,
    interval_figure,
    short_verdict,
    subdivision_and_notes,
)
from improv.compare_report import clearest_sentence, reading, what

WORDS = ("measure", "verdict")
NUMBERS = ("before", "after", "change", "95 % interval", "chance")
"""Heads of the columns. The verdict stands before the figures, so that a narrow screen shows it
without scrolling."""
SHORT_WORDS = "'None shown' is no difference that can be shown, 'too few' too few notes to tell."


@dataclass(frozen=True)
class Row:
    """One measure: its name, its verdict in a word, its figures in the order of `NUMBERS`."""

    measure: str
    verdict: str
    figures: tuple[str, ...]


@dataclass(frozen=True)
class Group:
    """The rows of one subdivision, under its name."""

    name: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class History:
    """The whole section: what was compared, what changed most clearly, the table, its key."""

    what: str
    clearest: str
    words: tuple[str, ...]
    numbers: tuple[str, ...]
    groups: tuple[Group, ...]
    reading: str


def history_of(comparison: Comparison) -> History:
    """The section of a comparison."""
    parts = groupby(comparison.findings, lambda f: (f.subdivision, f.per_beat))
    return History(
        what=what(comparison),
        clearest=clearest_sentence(comparison),
        words=WORDS,
        numbers=NUMBERS,
        groups=tuple(_group(list(findings)) for _, findings in parts),
        reading=f"{reading(comparison)} {SHORT_WORDS}",
    )


def _group(findings: list[Finding]) -> Group:
    rows = tuple(
        Row(
            f.measure.title,
            short_verdict(f),
            (figure(f, f.before), figure(f, f.after), change_figure(f, f.change),
             interval_figure(f), chance(f)),
        )
        for f in findings
    )  # fmt: skip
    return Group(subdivision_and_notes(findings[0]), rows)
