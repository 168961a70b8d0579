"""A filter as SQL; every value travels as a parameter, never as text."""

from __future__ import annotations

import json
from typing import Any

from improv.errors import UsageError
from improv.log.entries import Filter


def where(which: Filter) -> tuple[str, list[Any]]:
    """The WHERE clause (or nothing) and its values; raises `UsageError`."""
    if which.tempo_low_bpm is not None and which.tempo_high_bpm is not None:
        if which.tempo_low_bpm > which.tempo_high_bpm:
            raise UsageError("the tempo range ends below where it begins")
    tests: list[tuple[str, Any]] = [
        ("take.player = ?", which.player),
        ("take.tune = ?", which.tune),
        ("take.day >= ?", which.since),
        ("take.day <= ?", which.until),
        ("analysis.tempo_bpm >= ?", which.tempo_low_bpm),
        ("analysis.tempo_bpm <= ?", which.tempo_high_bpm),
        (
            "EXISTS (SELECT 1 FROM played JOIN kind ON kind.id = played.kind WHERE "
            "played.take = take.id AND kind.name = ?)",
            which.subdivision,
        ),
        *(
            ("EXISTS (SELECT 1 FROM tag WHERE tag.take = take.id AND tag.name = ?)", tag)
            for tag in which.tags
        ),
    ]
    said = [(sql, value) for sql, value in tests if value is not None]
    values = [value for _, value in said]
    clauses = [sql for sql, _ in said]
    if which.ids is not None:
        clauses.append("take.id IN (SELECT value FROM json_each(?))")
        values.append(json.dumps(list(which.ids)))
    return (" WHERE " + " AND ".join(clauses) if clauses else ""), values
