"""The way from every earlier version of the practice log to this one.

A migration runs inside one transaction: whoever looks sees the old log or the new one. To
change the tables, add a function to `MIGRATIONS`, raise `schema.VERSION`, and keep the text
of the version left behind in `tests/log_versions`. A migration makes the tables of the
version it leads to, in words of its own: those of `schema` go on changing.

Version 1 kept takes and documents; version 2 keeps beside them what lists and comparisons
need at once (`cells`, `kind`, `played`), and the place where a refresh lays its results;
version 3 tells the part of a file by what it is (`parts`) where the earlier ones had the
words it was asked for with. Its tables are those of version 2.
"""

from __future__ import annotations

import json
import sqlite3

from improv.errors import ImprovError
from improv.log.parts import part_of
from improv.log.schema import VERSION, Packed, put_analysis, unpack
from improv.model import Reading

_TABLES_NEW_IN_2 = (
    """
CREATE TABLE kind (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    per_beat REAL NOT NULL,
    swung INTEGER NOT NULL,
    UNIQUE (name, per_beat, swung)
)
    """,
    """
CREATE TABLE played (
    take INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    kind INTEGER NOT NULL REFERENCES kind (id),
    notes INTEGER NOT NULL,
    off_grid INTEGER NOT NULL,
    PRIMARY KEY (take, kind)
) WITHOUT ROWID
    """,
    """
CREATE TABLE staged (
    take INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    settings TEXT NOT NULL,
    made_by TEXT NOT NULL,
    made TEXT NOT NULL,
    head TEXT NOT NULL,
    kinds TEXT NOT NULL,
    cells BLOB NOT NULL,
    document BLOB NOT NULL
)
    """,
    """
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
)
    """,
)


def migrate(connection: sqlite3.Connection, version: int) -> None:
    """Brings a log of an earlier version to this one, all or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another program may have come first.
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        while version < VERSION:
            MIGRATIONS[version](connection)
            version += 1
            connection.execute(f"PRAGMA user_version = {version}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _one_to_two(connection: sqlite3.Connection) -> None:
    """Adds the compact tables and fills them from the documents."""
    connection.execute("ALTER TABLE analysis RENAME TO analysis_1")
    for statement in _TABLES_NEW_IN_2:
        connection.execute(statement)
    ids = [r[0] for r in connection.execute("SELECT take FROM analysis_1 ORDER BY take").fetchall()]
    for take in ids:
        made_by, made, packed = connection.execute(
            "SELECT made_by, made, document FROM analysis_1 WHERE take = ?", (take,)
        ).fetchone()
        put_analysis(connection, take, Packed.of(unpack(packed), made_by, made))
    connection.execute("DROP TABLE analysis_1")


def _two_to_three(connection: sqlite3.Connection) -> None:
    """Tells parts by what they are. No take goes: of several that turn out to be the same one
    the first has its part's name, and the others keep the words they had."""
    ids = [r[0] for r in connection.execute("SELECT id FROM take ORDER BY id").fetchall()]
    for take in ids:
        name, text, midi = connection.execute(
            "SELECT take.file_name, take.settings, file.bytes FROM take "
            "JOIN file ON file.digest = take.file WHERE take.id = ?",
            (take,),
        ).fetchone()
        asked = json.loads(text)
        try:  # only the part is looked at: other settings may be what an import let in
            part = part_of(midi, name, Reading(track=asked["track"], channel=asked["channel"]))
        except (ImprovError, KeyError, TypeError):
            continue
        connection.execute("UPDATE OR IGNORE take SET part = ? WHERE id = ?", (part, take))


MIGRATIONS = {1: _one_to_two, 2: _two_to_three}
