"""The practice log as an object: add, find, show, remove, material for comparisons, backup.

Every change is one transaction: it is whole on the disk when the call returns, or it never
was. Two programs may write at once; the second waits up to `opening.BUSY_SEC` and then says
that the log is busy. All methods raise `LogError`; those that are asked for what there is
not, `UsageError`.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import improv
from improv.errors import LogError, UsageError
from improv.files import AnyPath, check_writable, shown
from improv.log import opening
from improv.log.entries import (
    Added,
    Entry,
    Filter,
    Row,
    Whole,
)
from improv.log.found import material
from improv.log.names import fold
from improv.log.putting import drop_loose_files, now_text, put_take
from improv.log.queries import AMONG, FROM, where
from improv.log.schema import Packed, put_analysis, stage, staged, unpack
from improv.material import Material

_ROW = (
    "take.id, take.day, take.player, take.tune, take.file_name, analysis.tempo_bpm, "
    "analysis.meter, analysis.notes, analysis.offset_ms, analysis.spread_ms, "
    "analysis.in_pocket, analysis.off_grid"
)
_ROW_FIELDS = (
    "id", "day", "player", "tune", "file_name", "tempo_bpm", "meter", "notes", "offset_ms",
    "spread_ms", "in_pocket", "off_grid",
)  # fmt: skip


class Log:
    """An open practice log; use it in a `with` block."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    @staticmethod
    def open(path: AnyPath, *, create: bool = False, writing: bool = True) -> Log:
        """Opens a log; `create` makes it where there is none. `writing` False only looks."""
        place = Path(path)
        if create and not opening.exists(place):
            opening.create(place)
        return Log(place, opening.connect(place, writing=writing))

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file."""
        self._connection.close()

    # --- in ------------------------------------------------------------------

    def add(self, entry: Entry, *, replace: bool = False) -> Added:
        """Keeps a take. One that is there already is left alone and told (`Added.new` False).

        `replace` reads it anew under the entry's settings and puts what is said of it in
        place of what was; words nobody gave stay, those said to be empty go.
        """
        return self.add_many([entry], replace=replace)[0]

    def add_many(self, entries: Sequence[Entry], *, replace: bool = False) -> list[Added]:
        """Keeps several takes, all of them or none."""
        ready = [
            Packed.of(e.document, e.made_by or improv.__version__, e.made or now_text())
            for e in entries
        ]
        parts = [e.part for e in entries]  # a file that has no such part is told first
        with self._writing():
            return [
                put_take(self._connection, e, part, new, replace)
                for e, part, new in zip(entries, parts, ready, strict=True)
            ]

    # --- out -----------------------------------------------------------------

    def rows(self, which: Filter = Filter()) -> list[Row]:  # noqa: B008 (frozen)
        """The takes a filter finds, by day, then in the order they were added."""
        clause, values = where(which)
        taken = self._all(
            f"SELECT {_ROW}{FROM}{clause} ORDER BY take.day IS NULL, take.day, take.id", values
        )
        ids = json.dumps([row[0] for row in taken])
        names = self._by_take(
            "SELECT played.take, kind.name FROM played JOIN kind ON kind.id = played.kind "
            f"WHERE played.notes > 0 AND played.take IN {AMONG} "
            "ORDER BY played.take, kind.per_beat, kind.name",
            ids,
        )
        tags = self._by_take(
            f"SELECT take, name FROM tag WHERE take IN {AMONG} ORDER BY take, name", ids
        )
        return [_row(row, names.get(row[0], []), tags.get(row[0], [])) for row in taken]

    def _by_take(self, sql: str, ids: str) -> dict[int, list[str]]:
        """The names beside each take that a query of (take, name) finds among `ids`."""
        found: dict[int, list[str]] = {}
        for take, name in self._all(sql, (ids,)):
            found.setdefault(take, []).append(name)
        return found

    def whole(self, take: int) -> Whole:
        """One take with its bytes and its document; `UsageError` for one that is not there."""
        rows = self.rows(Filter(ids=(take,)))
        if not rows:
            raise UsageError(f"{shown(self.path)}: there is no take {take}; see 'improv log list'")
        found = self._one(
            "SELECT take.note, take.added, take.file, take.settings, analysis.made_by, "
            "analysis.made, analysis.document, file.bytes, backing.bytes"
            f"{FROM} JOIN file ON file.digest = take.file "
            "LEFT JOIN file AS backing ON backing.digest = take.backing WHERE take.id = ?",
            (take,),
        )
        assert found is not None
        with self._trusting(take):
            note, added, digest, text, made_by, made, packed, midi, backing = found
            return Whole(
                rows[0], note, added, digest, text, made_by, made, unpack(packed), midi, backing
            )

    def players(self, which: Filter = Filter()) -> list[str]:  # noqa: B008 (frozen)
        """The players of the takes a filter finds, in alphabetical order.

        Names that differ in case alone are one player's, spelt as at first.
        """
        clause, values = where(which)
        unique: dict[str, str] = {}
        for (name,) in self._all(f"SELECT take.player{FROM}{clause} ORDER BY take.id", values):
            unique.setdefault(fold(name), name)
        return [unique[folded] for folded in sorted(unique)]

    def material(self, which: Filter = Filter()) -> Material:  # noqa: B008 (frozen)
        """The takes a filter finds, ready to be compared."""
        with opening.told(self.path):
            return material(self._connection, self.path, which)

    # --- away and aside ------------------------------------------------------

    def remove(self, takes: Iterable[int]) -> int:
        """Removes takes with their bytes, which are overwritten; returns how many there were.

        Deleted content is overwritten with zeros (SQLite's `secure_delete`), the emptied
        pages are given back, and the write-ahead log, which still has the old pages, is
        emptied. What a file system or a disk keeps of its own, no program can promise.
        """
        with self._writing():
            count = 0
            for take in takes:
                count += self._run("DELETE FROM take WHERE id = ?", (take,)).rowcount
            drop_loose_files(self._connection)
        with opening.told(self.path):
            self._connection.execute("PRAGMA incremental_vacuum").fetchall()
            busy = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        if busy:
            raise LogError(
                f"{shown(self.path)}: removed, but another program has the log open: old bytes "
                "stay in its write-ahead file until that program closes it"
            )
        return count

    def backup(self, target: AnyPath) -> None:
        """A consistent copy at `target`, also while others write; replaces an older backup."""
        place = Path(target)
        if opening.exists(place) and not place.is_dir():
            if self.path.exists() and place.exists() and place.samefile(self.path):
                raise LogError(f"{shown(place)}: is the log itself; give the backup another name")
            if not opening.is_log(place):
                raise LogError(
                    f"{shown(place)}: is there already and is no practice log; it was not "
                    "replaced, choose another name"
                )
        check_writable(place, error=LogError)
        opening.copy(self._connection, self.path, place)

    # --- a refresh's own part --------------------------------------------------

    def to_refresh(self, made_by: str) -> tuple[list[int], int]:
        """Takes still to be analyzed again, and how many an interrupted refresh already was."""
        with self._writing():
            self._run(
                "DELETE FROM staged WHERE made_by <> ? OR settings <> "
                "(SELECT settings FROM take WHERE take.id = staged.take)",
                (made_by,),
            )
        waiting = self._all(
            "SELECT id FROM take WHERE id NOT IN (SELECT take FROM staged) ORDER BY id"
        )
        done = self._all("SELECT count(*) FROM staged")[0][0]
        return [row[0] for row in waiting], int(done)

    def source(self, take: int) -> tuple[str, str, bytes, bytes | None] | None:
        """File name, settings and bytes of a take; `None` if it was removed meanwhile."""
        found = self._one(
            "SELECT take.file_name, take.settings, file.bytes, backing.bytes FROM take "
            "JOIN file ON file.digest = take.file "
            "LEFT JOIN file AS backing ON backing.digest = take.backing WHERE take.id = ?",
            (take,),
        )
        return None if found is None else (found[0], found[1], found[2], found[3])

    def stage(self, results: Sequence[tuple[int, str, dict[str, Any]]], made_by: str) -> None:
        """Lays new analyses (take, settings, document) aside; nothing is replaced yet."""
        now = now_text()
        ready = [
            (take, text, Packed.of(document, made_by, now)) for take, text, document in results
        ]
        with self._writing():
            for take, text, new in ready:
                stage(self._connection, take, text, new)

    def swap(self) -> int:
        """Puts all the new analyses in place of the old at once; returns how many."""
        with self._writing():
            ready = self._all(
                "SELECT staged.take FROM staged "
                "JOIN take ON take.id = staged.take AND take.settings = staged.settings"
            )
            for (take,) in ready:
                put_analysis(self._connection, take, staged(self._connection, take))
            self._run("DELETE FROM staged")
            self._run("DELETE FROM kind WHERE id NOT IN (SELECT kind FROM played)")
        return len(ready)

    # --- the machinery -------------------------------------------------------

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        with opening.told(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def _trusting(self, take: int) -> Iterator[None]:
        """A stored document that cannot be read is damage, told as such."""
        try:
            yield
        except Exception as fault:
            raise LogError(
                f"{shown(self.path)}: the analysis of take {take} cannot be read ({fault}); "
                "'improv log refresh' makes it again"
            ) from fault

    def _run(self, sql: str, values: Sequence[Any] = ()) -> sqlite3.Cursor:
        return self._connection.execute(sql, values)

    def _all(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        with opening.told(self.path):
            return self._connection.execute(sql, values).fetchall()

    def _one(self, sql: str, values: Sequence[Any] = ()) -> Any:
        with opening.told(self.path):
            return self._connection.execute(sql, values).fetchone()


def _row(row: Any, subdivisions: list[str], tags: list[str]) -> Row:
    values = dict(zip(_ROW_FIELDS, row, strict=True))
    return Row(**values, subdivisions=tuple(subdivisions), tags=tuple(tags))
