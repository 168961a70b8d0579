"""Verdicts as data: a JSON document (version 1) and CSV rows, for one take or a class.

Keys may be added, never taken away or renamed. States are "met", "not met" and "can't
tell", that of a file that cannot be read "unreadable"; what cannot be known is `null` (an
empty CSV field). A `limit` is the number its `value` is judged by, a band of swing two.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from improv.assignments.class_report import judged_of, missed_by, requirement_columns
from improv.assignments.classes import Checked
from improv.assignments.model import Assignment
from improv.assignments.saying import limits_text
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, GapDrift, Outcome, Verdict
from improv.files import printable
from improv.meter import meter_text
from improv.spreadsheet import csv_of

VERSION = 1
UNREADABLE = "unreadable"
GAP = "gap"
"""In the place of a requirement: a drift across bars without click, of which none is asked."""
CSV_KEYS = (
    "file", "player", "state", "section", "first_bar", "last_bar", "requirement", "asked",
    "requirement_state", "value", "standard_error", "unit", "limit", "bars_met",
    "bars_not_met", "bars_cant_tell", "reason", "how_far", "error",
)  # fmt: skip


def json_text(checked: Sequence[Checked], assignment: Assignment) -> str:
    """The document, one take to a line."""
    takes = ",\n  ".join(json.dumps(_take(one), allow_nan=False) for one in checked)
    columns = requirement_columns(assignment)
    judged = judged_of(checked)
    missed = [
        {
            "section": row.section,
            "requirement": row.kind,
            "players": row.players,
            "bars": list(row.bars),
            "takes": row.takes,
        }
        for row in missed_by(judged, columns)
    ]
    head = {
        "title": printable(assignment.title),
        "note": printable(assignment.note),
        "tempo_bpm": list(assignment.tempo_bpm),
        "meter": meter_text(assignment.meter),
    }
    return (
        f'{{"version": {VERSION},\n "assignment": {json.dumps(head)},\n "takes": [\n  {takes}\n ],'
        f'\n "missed": {json.dumps(missed)}}}\n'
    )


def _take(one: Checked) -> dict[str, Any]:
    found: dict[str, Any] = {"file": printable(one.path), "player": one.player}
    verdict = one.verdict
    if verdict is None:
        return {**found, "state": UNREADABLE, "error": one.error}
    return {**found, **_verdict(verdict), "error": None}


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "state": verdict.state,
        "part": verdict.part,
        "tempo_bpm": _rounded(verdict.tempo_bpm),
        "doubt": printable(verdict.doubt.sentence) if verdict.doubt else None,
        "requirements": [_outcome(outcome) for outcome in verdict.outcomes],
        "gaps": [_gap(gap) for gap in verdict.gaps],
        "next": verdict.next_step,
        "caution": verdict.caution,
        "warnings": [printable(w) for w in verdict.warnings],
    }


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "section": outcome.section,
        "name": printable(outcome.name),
        "first_bar": outcome.first_bar,
        "last_bar": outcome.last_bar,
        "requirement": outcome.kind,
        "asked": outcome.asked,
        "state": outcome.state,
        "reason": outcome.reason,
        "how_far": outcome.how_far,
        "next": outcome.next_step,
        "value": _rounded(outcome.value),
        "standard_error": _rounded(outcome.standard_error),
        "unit": outcome.unit,
        "limit": _limit(outcome),
        "bars": [
            {
                "bar": bar.bar,
                "state": bar.state,
                "notes": bar.notes,
                "asked": bar.asked,
                "found": bar.found,
                "from": bar.count,
                "reason": bar.reason,
            }
            for bar in outcome.bars
        ],
    }


def _gap(gap: GapDrift) -> dict[str, Any]:
    return {
        "first_bar": gap.first_bar,
        "last_bar": gap.last_bar,
        "drift_ms": _rounded(gap.drift_ms),
        "standard_error_ms": _rounded(gap.standard_error_ms),
        "notes": gap.notes,
        "reason": gap.reason,
    }


def _gap_row(gap: GapDrift) -> dict[str, Any]:
    return {
        "first_bar": gap.first_bar,
        "last_bar": gap.last_bar,
        "requirement": GAP,
        "value": _rounded(gap.drift_ms),
        "standard_error": _rounded(gap.standard_error_ms),
        "unit": "ms",
        "reason": gap.reason,
    }


def _limit(outcome: Outcome) -> float | list[float] | None:
    if isinstance(outcome.limit, tuple):
        return [round(end, 4) for end in outcome.limit]
    return _rounded(outcome.limit)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def csv_text(checked: Sequence[Checked]) -> str:
    """One row per requirement and per gap of every take; one for a file that could not be read."""
    rows: list[dict[str, Any]] = []
    for one in checked:
        base = {"file": printable(one.path), "player": one.player}
        if one.verdict is None:
            rows.append({**base, "state": UNREADABLE, "error": one.error})
            continue
        for outcome in one.verdict.outcomes:
            rows.append({**base, "state": one.verdict.state, **_row(outcome)})
        for gap in one.verdict.gaps:
            rows.append({**base, "state": one.verdict.state, **_gap_row(gap)})
    return csv_of([CSV_KEYS, *([row.get(key) for key in CSV_KEYS] for row in rows)])


def _row(outcome: Outcome) -> dict[str, Any]:
    def bars(state: str) -> str:
        return " ".join(str(b.bar) for b in outcome.bars if b.state == state)

    limit = _limit(outcome)
    return {
        "section": outcome.section,
        "first_bar": outcome.first_bar,
        "last_bar": outcome.last_bar,
        "requirement": outcome.kind,
        "asked": outcome.asked,
        "requirement_state": outcome.state,
        "value": _rounded(outcome.value),
        "standard_error": _rounded(outcome.standard_error),
        "unit": outcome.unit,
        "limit": limits_text(*limit) if isinstance(limit, list) else limit,
        "bars_met": bars(MET),
        "bars_not_met": bars(NOT_MET),
        "bars_cant_tell": bars(CANT_TELL),
        "reason": outcome.reason,
        "how_far": outcome.how_far,
    }
