"""An Analysis as data: the JSON document (version 1) and the CSV rows.

Key order is part of the contract; keys may be added, never taken away or renamed.
What cannot be known is `null` (an empty CSV field). Deviations are positive = late.
Numbers are rounded to what they can bear: seconds and beats to 1e-6, ms to 1e-3.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np

from improv.files import printable
from improv.model import Analysis, Bools, Floats, Passage, Phrase, Place, Ranked, Run
from improv.practice import advise
from improv.spreadsheet import csv_of
from improv.tempo import tempo_range_bpm
from improv.wording import rate_beat

VERSION = 1
NOTE_KEYS = (
    "onset_sec", "bar", "beat", "count", "pitch", "velocity", "phrase", "subdivision",
    "per_beat", "swung", "position_beat", "deviation_ms", "off_grid", "confidence",
    "event", "grace",
)  # fmt: skip


def document(analysis: Analysis) -> dict[str, Any]:
    """The whole analysis as plain dicts and lists, ready for JSON."""
    return {
        "version": VERSION,
        "take": _take(analysis),
        "notes": [dict(zip(NOTE_KEYS, row, strict=True)) for row in note_rows(analysis)],
        "phrases": [_phrase(phrase) for phrase in analysis.phrases],
        "runs": [_run(run) for run in analysis.runs],
        "practice": _practice(analysis),
    }


def json_text(analysis: Analysis) -> str:
    """The document as JSON text: ASCII, one note, phrase or run to a line."""
    whole = document(analysis)
    parts = []
    for key, value in whole.items():
        rows = _lines(value) if isinstance(value, list) else json.dumps(value, allow_nan=False)
        parts.append(f'"{key}": {rows}')
    return "{" + ",\n ".join(parts) + "}"


def csv_text(analysis: Analysis, *, header: bool = True, with_file: bool = False) -> str:
    """One row per note played; `with_file` puts the take's name first."""
    lead = [printable(analysis.take.name)] if with_file else []
    rows: list[list[Any]] = []
    if header:
        rows.append([*(["file"] if with_file else []), *NOTE_KEYS])
    words = {True: "true", False: "false"}
    swung, off_grid, grace = (NOTE_KEYS.index(k) for k in ("swung", "off_grid", "grace"))
    for row in note_rows(analysis):
        cells = list(row)
        for i in (swung, off_grid, grace):
            cells[i] = words[cells[i]]
        rows.append(lead + cells)
    return csv_of(rows)


def note_rows(analysis: Analysis) -> Iterator[tuple[Any, ...]]:
    """One tuple per note in the order of `NOTE_KEYS`, as plain Python values."""
    notes = analysis.notes
    return zip(
        np.round(notes.onset_sec, 6).tolist(),
        notes.bar.tolist(),
        notes.beat.tolist(),
        notes.count,
        notes.pitch.tolist(),
        notes.velocity.tolist(),
        notes.phrase.tolist(),
        notes.subdivision_name,
        _optional(notes.per_beat, 6, whole=True),
        notes.swung.tolist(),
        _optional(notes.position_beat, 6),
        _optional(notes.deviation_ms, 3),
        _flags(notes.off_grid),
        np.round(notes.confidence, 4).tolist(),
        notes.event.tolist(),
        _flags(notes.grace),
        strict=True,
    )


def _flags(values: Bools) -> list[bool]:
    return [bool(v) for v in values.tolist()]


def _optional(values: Floats, digits: int, whole: bool = False) -> list[float | int | None]:
    """Rounded values with NaN as `None`; `whole` writes 4.0 as 4."""
    rounded = (np.round(values, digits) + 0.0).tolist()  # never -0.0
    if whole:
        return [None if v != v else int(v) if v == int(v) else v for v in rounded]
    return [None if v != v else v for v in rounded]


def _number(value: float | None, digits: int) -> float | int | None:
    if value is None or value != value:
        return None
    rounded = round(float(value), digits)
    return rounded + 0.0  # never -0.0


def _per_beat(value: float | None) -> float | int | None:
    number = _number(value, 6)
    return int(number) if number is not None and number == int(number) else number


def _lines(rows: list[dict[str, Any]]) -> str:
    """A JSON list with one row to a line.

    Encoding the list at once is ten times faster than row by row; no string of ours holds
    the separator that is broken here, so each break falls between two rows.
    """
    if not rows:
        return "[]"
    if "ranking" in rows[0] or "kind" in rows[0]:
        body = ",\n  ".join(json.dumps(row, allow_nan=False) for row in rows)
        return f"[\n  {body}]"
    text = json.dumps(rows, allow_nan=False).replace("}, {", "},\n  {")
    return f"[\n  {text[1:]}"


def _take(analysis: Analysis) -> dict[str, Any]:
    take, settings = analysis.take, analysis.settings
    low, high = tempo_range_bpm(take, analysis.notes.onset_sec)
    return {
        "file": printable(take.name),
        "track": printable(take.track),
        "notes": len(analysis.notes),
        "tempo_bpm": _number(take.tempo_bpm, 6),
        "meter": take.meter_text,
        "constant_offset_ms": _number(analysis.constant_offset_ms, 3),
        "spread_ms": _number(analysis.spread_ms, 3),
        "in_pocket": _number(analysis.in_pocket, 4),
        "constant_offset_se_ms": _number(analysis.constant_offset_se_ms, 3),
        "tolerance_ms": _number(settings.tolerance_ms, 3),
        "warnings": [printable(w) for w in all_warnings(analysis)],
        "lowest_tempo_bpm": _number(low, 6),
        "highest_tempo_bpm": _number(high, 6),
        "rate_beat": rate_beat(take),
    }


def all_warnings(analysis: Analysis) -> tuple[str, ...]:
    """What the reader and the analysis had to say, each sentence once."""
    return tuple(dict.fromkeys((*analysis.take.warnings, *analysis.warnings)))


def _place(place: Place) -> dict[str, Any]:
    return {
        "bar": place.bar,
        "beat": place.beat,
        "count": place.count,
        "onset_sec": _number(place.onset_sec, 6),
    }


def _called(one: Phrase | Passage | Ranked) -> dict[str, Any]:
    """The subdivision that something is on."""
    return {
        "subdivision": one.subdivision,
        "per_beat": _per_beat(one.per_beat),
        "swung": bool(one.swung),
    }


def _phrase(phrase: Phrase) -> dict[str, Any]:
    return {
        "number": phrase.number,
        "start": _place(phrase.begins),
        "end": _place(phrase.ends),
        "notes": phrase.stop - phrase.start,
        **_called(phrase),
        "confidence": _number(phrase.confidence, 4),
        "ranking": [
            {**_called(r), "probability": _number(r.probability, 4)} for r in phrase.ranking
        ],
        "offset_ms": _number(phrase.offset_ms, 3),
        "spread_ms": _number(phrase.spread_ms, 3),
        "rms_ms": _number(phrase.rms_ms, 3),
        "in_pocket": _number(phrase.in_pocket, 4),
        "swing_ratio": _number(phrase.swing_ratio, 4),
        "drift_bpm": _number(phrase.drift_bpm, 4),
        "verdict": phrase.verdict,
        "drift_se_bpm": _number(phrase.drift_se_bpm, 4),
        "tempo_bpm": _number(phrase.tempo_bpm, 4),
        "events": phrase.events,
        "offset_se_ms": _number(phrase.offset_se_ms, 3),
        "passages": [
            {
                "start": _place(p.begins),
                "end": _place(p.ends),
                "notes": p.stop - p.start,
                **_called(p),
            }
            for p in phrase.passages
        ],
        "beat_offset_ms": _number(phrase.beat_offset_ms, 3),
        "offbeat_offset_ms": _number(phrase.offbeat_offset_ms, 3),
        "beat_apart_se_ms": _number(phrase.beat_apart_se_ms, 3),
        "offbeat_triplet_ms": _number(phrase.offbeat_triplet_ms, 3),
        "off_grid_probability": _number(phrase.off_grid_probability, 4),
        "pickup": bool(phrase.pickup),
    }


def _run(run: Run) -> dict[str, Any]:
    return {
        "start": _place(run.begins),
        "end": _place(run.ends),
        "notes": run.stop - run.start,
        "off_grid": bool(run.off_grid),
        "notes_per_beat": _number(run.notes_per_beat, 4),
        "between": list(run.between) if run.between else None,
        "kind": run.kind,
        "lands_ms": _number(run.lands_ms, 3),
        "lands_beat": _number(run.lands_beat, 4),
        "events": run.events,
        "lands_at": _place(run.lands_at) if run.lands_at else None,
        "lands_on": bool(run.lands_on) if run.off_grid else None,
        "phrase": run.phrase,
        "confidence": _number(run.confidence, 4),
    }


def _practice(analysis: Analysis) -> dict[str, Any]:
    advice = advise(analysis)
    return {
        "hold": advice.hold,
        "next": advice.next,
        "tempo_bpm": _number(advice.tempo_bpm, 4),
        "text": advice.text,
        "caution": advice.caution,
    }
