"""One take into the tables of the log, within a transaction of the caller's.

A take is told from another by its file's digest and by which part of the file it is.
"""

from __future__ import annotations

import hashlib
import sqlite3
from datetime import UTC, datetime

from improv.log.entries import About, Added, Entry
from improv.log.kept_settings import differing, settings_text, shortened
from improv.log.names import fold
from improv.log.schema import Packed, put_analysis

WORDS = {
    "player": "--player", "tune": "--tune", "day": "--date", "tags": "--tags", "note": "--note",
}  # fmt: skip
"""What is said of a take, and the options that say it."""
COLUMNS = tuple(word for word in WORDS if word != "tags")
"""What of it is a column of its own."""


def put_take(
    connection: sqlite3.Connection, entry: Entry, part: str, new: Packed, replace: bool
) -> Added:
    """Writes a take with its words and its analysis, as `Log.add` tells."""
    digest = _keep_file(connection, entry.midi)
    backing = None if entry.backing is None else _keep_file(connection, entry.backing)
    text = settings_text(entry.reading, entry.settings)
    found = connection.execute(
        "SELECT id, settings, backing FROM take WHERE file = ? AND part = ?", (digest, part)
    ).fetchone()
    if found is not None and not replace:
        differs = (
            *_said_otherwise(connection, int(found[0]), entry.about.checked()),
            *differing(found[1], text),
        )
        if backing != found[2]:
            differs = (*differs, "another backing file")
        drop_loose_files(connection)
        return Added(int(found[0]), new=False, differs=differs)
    about = entry.about.checked()
    if found is None:
        take = _insert_take(connection, entry, about, digest, backing, text)
    else:
        take = int(found[0])
        _update_take(connection, take, about, backing, text)
    if about.tags or "tags" in about.cleared:
        connection.execute("DELETE FROM tag WHERE take = ?", (take,))
    for tag in about.tags:
        connection.execute("INSERT OR IGNORE INTO tag VALUES (?, ?)", (take, tag))
    put_analysis(connection, take, new)
    drop_loose_files(connection)
    return Added(take, new=found is None, replaced=found is not None)


def _said_otherwise(connection: sqlite3.Connection, take: int, about: About) -> tuple[str, ...]:
    """What is said of a take that is in the log already, where it is not what was: `was -> now`."""
    columns = connection.execute(
        f"SELECT {', '.join(COLUMNS)} FROM take WHERE id = ?", (take,)
    ).fetchone()
    was = dict(zip(COLUMNS, columns, strict=True))
    tags = connection.execute("SELECT name FROM tag WHERE take = ?", (take,)).fetchall()
    was["tags"] = ",".join(sorted((name for (name,) in tags), key=fold))
    now = {**{key: getattr(about, key) for key in WORDS}, "tags": ",".join(about.tags)}
    said = {key for key in WORDS if now[key] or key in about.cleared}
    if about.day_guessed:
        said.discard("day")
    return tuple(
        f"{option} {shortened(was[key] or None)} -> {shortened(now[key] or None)}"
        for key, option in WORDS.items()
        if key in said and fold(was[key] or "") != fold(now[key] or "")
    )


def _insert_take(
    connection: sqlite3.Connection,
    entry: Entry,
    about: About,
    digest: str,
    backing: str | None,
    text: str,
) -> int:
    cursor = connection.execute(
        "INSERT INTO take (file, part, backing, file_name, player, tune, day, note, added, "
        "settings) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            digest, entry.part, backing, entry.file_name, about.player, about.tune,
            about.day, about.note, entry.added or now_text(), text,
        ),
    )  # fmt: skip
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _update_take(
    connection: sqlite3.Connection, take: int, about: About, backing: str | None, text: str
) -> None:
    connection.execute(
        "UPDATE take SET backing = ?, settings = ? WHERE id = ?", (backing, text, take)
    )
    for column in COLUMNS:
        value = getattr(about, column)
        if value or column in about.cleared:
            connection.execute(f"UPDATE take SET {column} = ? WHERE id = ?", (value, take))


def _keep_file(connection: sqlite3.Connection, data: bytes) -> str:
    digest = hashlib.sha256(data).hexdigest()
    connection.execute("INSERT OR IGNORE INTO file VALUES (?, ?)", (digest, data))
    return digest


def drop_loose_files(connection: sqlite3.Connection) -> None:
    """Removes bytes no take refers to any more."""
    connection.execute(
        "DELETE FROM file WHERE NOT EXISTS (SELECT 1 FROM take WHERE take.file = file.digest) "
        "AND NOT EXISTS (SELECT 1 FROM take WHERE take.backing = file.digest)"
    )


def now_text() -> str:
    """This moment as the log writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds")
