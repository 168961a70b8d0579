"""A filter as SQL; every value travels as a parameter, never as text.

`fold` in the SQL is `names.fold`, which `opening` makes known to every connection.
"""

from __future__ import annotations

import json
from typing import Any

from improv.errors import UsageError
from improv.log.entries import Filter
from improv.log.names import fold, subdivision_called

MIDI_STEP_SEC = 1e-6
"""A MIDI file states its tempo as whole microseconds to the quarter: 90 BPM reads 89.999955."""

FROM = " FROM take JOIN analysis ON analysis.take = take.id"

AMONG = "(SELECT value FROM json_each(?))"
"""Takes by their numbers: a JSON list as one parameter, for SQLite counts parameters."""


def where(which: Filter) -> tuple[str, list[Any]]:
    """The WHERE clause (or nothing) and its values.

    Raises `UsageError` for a range that holds nothing and a subdivision there is not.
    """
    low, high = which.tempo_low_bpm, which.tempo_high_bpm
    if low is not None and high is not None and low > high:
        raise UsageError("the tempo range ends below where it begins")
    if which.since is not None and which.until is not None and which.since > which.until:
        raise UsageError(
            f"no day lies between {which.since} and {which.until}: the first is the later one"
        )
    played = which.subdivision
    tests: list[tuple[str, Any]] = [
        ("fold(take.player) = ?", _folded(which.player)),
        ("fold(take.tune) = ?", _folded(which.tune)),
        ("take.day >= ?", which.since),
        ("take.day <= ?", which.until),
        ("analysis.tempo_bpm >= ?", None if low is None else low - _tempo_step(low)),
        ("analysis.tempo_bpm <= ?", None if high is None else high + _tempo_step(high)),
        (
            "EXISTS (SELECT 1 FROM played JOIN kind ON kind.id = played.kind WHERE "
            "played.take = take.id AND kind.name = ?)",
            None if played is None else subdivision_called(played),
        ),
        *(
            ("take.id IN (SELECT tag.take FROM tag WHERE fold(tag.name) = ?)", fold(tag))
            for tag in which.tags
        ),
    ]
    said = [(sql, value) for sql, value in tests if value is not None]
    values = [value for _, value in said]
    clauses = [sql for sql, _ in said]
    if which.ids is not None:
        clauses.append(f"take.id IN {AMONG}")
        values.append(json.dumps(list(which.ids)))
    return (" WHERE " + " AND ".join(clauses) if clauses else ""), values


def _folded(name: str | None) -> str | None:
    return None if name is None else fold(name)


def _tempo_step(tempo_bpm: float) -> float:
    """How far two tempi may lie apart that a MIDI file cannot tell, in BPM.

    Two steps of the file's: one of them is a beat of two quarters.
    """
    return 2.0 * MIDI_STEP_SEC * tempo_bpm**2 / 60.0
