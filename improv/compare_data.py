"""A Comparison as JSON-ready data and CSV rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from improv.compare import Comparison
from improv.compare_report import sentence
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
