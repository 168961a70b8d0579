"""The tables of the practice log as they are now, and an analysis put into them.

A log carries its kind in `application_id` and its version in `user_version`. To change the
tables, raise `VERSION` and add the way there to `migrations`.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from improv.cells import CELL, Cells, Kind, from_document

APPLICATION_ID = 0x696D7076  # "impv"
VERSION = 3
SAME_TABLES_SINCE = 2
"""The oldest version that can be looked at as it is, where nothing may be written."""

TABLES = """
CREATE TABLE file (
    digest TEXT PRIMARY KEY,
    bytes BLOB NOT NULL
) WITHOUT ROWID;
CREATE TABLE take (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    file TEXT NOT NULL REFERENCES file (digest),
    part TEXT NOT NULL,
    backing TEXT REFERENCES file (digest),
    file_name TEXT NOT NULL,
    player TEXT NOT NULL COLLATE NOCASE,
    tune TEXT NOT NULL COLLATE NOCASE,
    day TEXT,
    note TEXT NOT NULL,
    added TEXT NOT NULL,
    settings TEXT NOT NULL,
    UNIQUE (file, part)
);
CREATE INDEX take_by_player ON take (player, day);
CREATE INDEX take_by_backing ON take (backing);
CREATE TABLE tag (
    take INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    name TEXT NOT NULL COLLATE NOCASE,
    PRIMARY KEY (take, name)
) WITHOUT ROWID;
CREATE TABLE analysis (
    take INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    made_by TEXT NOT NULL,
    made TEXT NOT NULL,
    tempo_bpm REAL NOT NULL,
    meter TEXT NOT NULL,
    notes INTEGER NOT NULL,
    offset_ms REAL,
    spread_ms REAL,
    in_pocket REAL,
    off_grid REAL NOT NULL,
    cells BLOB NOT NULL,
    document BLOB NOT NULL
);
CREATE TABLE kind (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    per_beat REAL NOT NULL,
    swung INTEGER NOT NULL,
    UNIQUE (name, per_beat, swung)
);
CREATE TABLE played (
    take INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    kind INTEGER NOT NULL REFERENCES kind (id),
    notes INTEGER NOT NULL,
    off_grid INTEGER NOT NULL,
    PRIMARY KEY (take, kind)
) WITHOUT ROWID;
CREATE TABLE staged (
    take INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    settings TEXT NOT NULL,
    made_by TEXT NOT NULL,
    made TEXT NOT NULL,
    head TEXT NOT NULL,
    kinds TEXT NOT NULL,
    cells BLOB NOT NULL,
    document BLOB NOT NULL
);
"""


def create(connection: sqlite3.Connection) -> None:
    """Makes an empty log of this version in an empty database."""
    connection.executescript(
        f"BEGIN; {TABLES} PRAGMA application_id = {APPLICATION_ID}; "
        f"PRAGMA user_version = {VERSION}; COMMIT;"
    )


# --- one analysis into its tables --------------------------------------------


def pack(document: dict[str, Any]) -> bytes:
    """A document as it is kept."""
    return zlib.compress(json.dumps(document, separators=(",", ":")).encode("ascii"), 6)


def unpack(packed: bytes) -> dict[str, Any]:
    """The document that was packed."""
    document = json.loads(zlib.decompress(packed))
    assert isinstance(document, dict)
    return document


@dataclass(frozen=True, eq=False)
class Packed:
    """One analysis, ready to be written: the document, and what is drawn from it."""

    made_by: str
    made: str
    head: dict[str, Any]
    kinds: tuple[Kind, ...]
    cells: Cells
    document: bytes

    @staticmethod
    def of(document: dict[str, Any], made_by: str, made: str) -> Packed:
        """From a document."""
        return Packed(made_by, made, document["take"], *from_document(document), pack(document))


def put_analysis(connection: sqlite3.Connection, take: int, new: Packed) -> None:
    """Writes a take's analysis, in place of the one it had. Call inside a transaction."""
    kinds, cells, head = new.kinds, new.cells, new.head
    number = [_kind(connection, kind) for kind in kinds]
    kept = cells.copy()
    if len(kept):
        kept["subdivision"] = [number[i] for i in cells["subdivision"].tolist()]
    on, off = int(cells["on"].sum()), int(cells["off"].sum())
    connection.execute("DELETE FROM analysis WHERE take = ?", (take,))
    connection.execute("DELETE FROM played WHERE take = ?", (take,))
    connection.execute(
        "INSERT INTO analysis VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            take, new.made_by, new.made, head["tempo_bpm"], head["meter"], head["notes"],
            head["constant_offset_ms"], head["spread_ms"], head["in_pocket"],
            off / max(on + off, 1), kept.tobytes(), new.document,
        ),
    )  # fmt: skip
    for i, kind in enumerate(number):
        mine = cells[cells["subdivision"] == i]
        connection.execute(
            "INSERT INTO played VALUES (?, ?, ?, ?)",
            (take, kind, int(mine["on"].sum()), int(mine["off"].sum())),
        )


def _kind(connection: sqlite3.Connection, kind: Kind) -> int:
    row = (kind.name, kind.per_beat, int(kind.swung))
    connection.execute(
        "INSERT INTO kind (name, per_beat, swung) SELECT ?, ?, ? WHERE NOT EXISTS "
        "(SELECT 1 FROM kind WHERE name = ? AND per_beat = ? AND swung = ?)",
        row + row,
    )
    found = connection.execute(
        "SELECT id FROM kind WHERE name = ? AND per_beat = ? AND swung = ?", row
    ).fetchone()
    return int(found[0])


def stage(connection: sqlite3.Connection, take: int, settings: str, new: Packed) -> None:
    """Lays an analysis aside, unless the take is gone. Call inside a transaction."""
    connection.execute(
        "INSERT OR REPLACE INTO staged SELECT ?, ?, ?, ?, ?, ?, ?, ? "
        "WHERE EXISTS (SELECT 1 FROM take WHERE id = ?)",
        (
            take, settings, new.made_by, new.made, json.dumps(new.head),
            json.dumps([asdict(kind) for kind in new.kinds]), new.cells.tobytes(), new.document,
            take,
        ),
    )  # fmt: skip


def staged(connection: sqlite3.Connection, take: int) -> Packed:
    """What was laid aside for a take."""
    made_by, made, head, kinds, cells, document = connection.execute(
        "SELECT made_by, made, head, kinds, cells, document FROM staged WHERE take = ?", (take,)
    ).fetchone()
    return Packed(
        made_by, made, json.loads(head), tuple(Kind(**k) for k in json.loads(kinds)),
        np.frombuffer(cells, dtype=CELL), document,
    )  # fmt: skip
