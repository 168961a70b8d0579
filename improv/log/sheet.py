"""The log as one CSV for spreadsheets: a row per take and subdivision.

Spread, offset, drift and swing are those of a comparison: the same measures of the same
cells, under the one memory estimated from all the takes found, phrases weighted as a
comparison weights them. The shares are plain counts of notes, as in the list of takes.
"""

from __future__ import annotations

import math

import numpy as np

from improv.log.entries import Filter
from improv.log.store import Log
from improv.material import Material
from improv.measures import MEASURES, memory_of, values
from improv.spreadsheet import csv_of

CSV_HEAD = (
    "take", "day", "player", "tune", "file", "tempo_bpm", "meter", "tags", "subdivision",
    "per_beat", "notes", "spread_ms", "offset_ms", "in_pocket", "off_grid", "drift_percent",
    "swing_ratio",
)  # fmt: skip
BETWEEN_TAGS = ","
"""A tag may hold a space but no comma: `--tags` parts them at commas."""


def sheet_text(log: Log, which: Filter) -> tuple[str, int]:
    """The CSV of the takes a filter finds, and how many takes they are."""
    rows = log.rows(which)
    material = log.material(which)
    summaries = _summaries(material)
    lines: list[tuple[object, ...]] = [CSV_HEAD]
    for number, row in enumerate(rows):
        lead = (
            row.id, row.day, row.player, row.tune, row.file_name, row.tempo_bpm, row.meter,
            BETWEEN_TAGS.join(row.tags),
        )  # fmt: skip
        for index, cells in summaries.get(number, {}).items():
            kind = material.kinds[index]
            lines.append((*lead, kind.name, f"{kind.per_beat:g}", *cells))
    return csv_of(lines), len(rows)


def _summaries(material: Material) -> dict[int, dict[int, list[str]]]:
    """Per take and kind: notes, then each measure, averaged over phrases."""
    cells = material.cells
    kinds = len(material.kinds)
    group = material.take * kinds + cells["subdivision"].astype(np.int64)
    found, which = np.unique(group, return_inverse=True)
    columns = [[str(n) for n in np.bincount(which, cells["on"], len(found)).astype(int).tolist()]]
    memory = memory_of(cells)
    for measure in MEASURES:
        of = values(cells, measure.key, memory)
        share = measure.key in ("pocket", "off_grid")
        weight = of.notes if share else 1.0 / (measure.wander**2 + of.variance)
        total = np.bincount(which[of.rows], weight, len(found))
        weighted = np.bincount(which[of.rows], weight * of.value, len(found))
        columns.append(
            [
                _cell(measure.key, value / weight) if weight > 0.0 else ""
                for value, weight in zip(weighted.tolist(), total.tolist(), strict=True)
            ]
        )
    table: dict[int, dict[int, list[str]]] = {}
    for key, line in zip(found.tolist(), zip(*columns, strict=True), strict=True):
        table.setdefault(key // kinds, {})[key % kinds] = list(line)
    return table


def _cell(key: str, mean: float) -> str:
    if key in ("spread", "swing"):
        return f"{math.exp(mean):.3f}"
    return f"{100 * mean:.3f}" if key == "drift" else f"{mean:.4f}"
