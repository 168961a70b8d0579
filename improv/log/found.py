"""The takes a filter finds as material for comparisons: their cells out of the log's tables."""

from __future__ import annotations

import sqlite3
from datetime import date
from pathlib import Path

import numpy as np

from improv.cells import CELL, Kind
from improv.errors import LogError
from improv.files import shown
from improv.log.entries import Filter
from improv.log.queries import FROM, where
from improv.material import Material


def material(connection: sqlite3.Connection, path: Path, which: Filter) -> Material:
    """By day, then in the order they were added; raises `LogError` for cells that are none."""
    clause, values = where(which)
    found = connection.execute(
        "SELECT take.id, take.day, analysis.tempo_bpm, analysis.cells"
        f"{FROM}{clause} ORDER BY take.day IS NULL, take.day, take.id",
        values,
    ).fetchall()
    table = connection.execute("SELECT id, name, per_beat, swung FROM kind ORDER BY id").fetchall()
    sizes = [len(row[3]) for row in found]
    if any(size % CELL.itemsize for size in sizes):
        raise _unreadable(path)
    cells = np.frombuffer(b"".join(row[3] for row in found), dtype=CELL).copy()
    index = np.zeros(max((row[0] for row in table), default=0) + 1, dtype=np.int64)
    for number, row in enumerate(table):
        index[row[0]] = number
    if len(cells) and cells["subdivision"].max() >= len(index):
        raise _unreadable(path)
    cells["subdivision"] = index[cells["subdivision"]]
    return Material(
        cells,
        np.repeat(np.arange(len(found)), np.array(sizes, dtype=np.int64) // CELL.itemsize),
        tuple(Kind(name, per_beat, bool(swung)) for _, name, per_beat, swung in table),
        np.array([_day_number(row[1]) for row in found], dtype=np.int64),
        np.array([row[2] for row in found], dtype=np.float64),
        tuple(f"log:{row[0]}" for row in found),
    )


def _unreadable(path: Path) -> LogError:
    return LogError(
        f"{shown(path)}: its summaries cannot be read; 'improv log refresh' makes them again"
    )


def _day_number(day: str | None) -> int:
    return -1 if day is None else date.fromisoformat(day).toordinal()
