"""The log under bad conditions: one clear line, and the file stays as it was."""

from __future__ import annotations

import errno
import os
import resource
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from benchmarks.log_kills import Stage
from improv.errors import LogError
from improv.log import migrations, opening, schema
from improv.log.entries import Filter
from improv.log.exchange import export_folder
from improv.log.store import Log
from tests.log_material import entry_of

VERSIONS = sorted((Path(__file__).parent / "log_versions").glob("version_*.sql"))


def full_log(path: Path, takes: int = 12) -> Path:
    """A closed log with some takes."""
    with Log.open(path, create=True) as log:
        log.add_many([entry_of(i) for i in range(takes)])
    return path


def stamped(path: Path, offset: int, value: int) -> None:
    """Writes a big-endian number into a file's header."""
    data = bytearray(path.read_bytes())
    data[offset : offset + 4] = value.to_bytes(4, "big")
    path.write_bytes(bytes(data))


def foreign(path: Path) -> None:
    """A database of somebody else."""
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE stamps (value INTEGER)")
    connection.commit()
    connection.close()


def newer(path: Path) -> None:
    """A log of a version this program does not know."""
    full_log(path)
    stamped(path, 60, schema.VERSION + 1)


def no_version(path: Path) -> None:
    """A log that states version 0."""
    full_log(path)
    stamped(path, 60, 0)


def scrambled(path: Path) -> None:
    """A log with every page after the first overwritten."""
    full_log(path)
    data = path.read_bytes()
    path.write_bytes(data[:4096] + bytes((i * 37) % 251 for i in range(len(data) - 4096)))


def cut(path: Path) -> None:
    """A log of which the second half is missing."""
    full_log(path)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])


BAD: dict[str, tuple[Callable[[Path], object], str]] = {
    "empty": (lambda p: p.write_bytes(b""), "not a practice log"),
    "a take": (lambda p: p.write_bytes(b"MThd" + bytes(200)), "not a practice log"),
    "a header only": (lambda p: p.write_bytes(b"SQLite format 3\0"), "not a practice log"),
    "foreign": (foreign, "a database of another program"),
    "newer": (newer, "written by a newer improv"),
    "no version": (no_version, "the log is damaged"),
    "scrambled": (scrambled, "damaged|cannot be"),
    "cut": (cut, "damaged|cannot be"),
    "a directory": (lambda p: p.mkdir(), "is a directory"),
    "a pipe": (lambda p: os.mkfifo(p), "not a regular file"),
    "nothing": (lambda p: None, "there is no practice log yet"),
}


@pytest.mark.parametrize(("make", "message"), BAD.values(), ids=list(BAD))
def test_what_is_no_log_is_refused_and_left_alone(
    tmp_path: Path, make: Callable[[Path], object], message: str
) -> None:
    """Listing and adding say one line naming the file; not a byte of it changes."""
    path = tmp_path / "it.db"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    for action in ("rows", "add"):
        with pytest.raises(LogError, match=message) as told:
            with Log.open(path, writing=action == "add") as log:
                if action == "rows":
                    for row in log.rows():
                        log.whole(row.id)
                else:
                    log.add(entry_of(99))
                    for row in log.rows():
                        log.whole(row.id)
        assert str(path) in str(told.value) and "\n" not in str(told.value)
    if before is not None and make not in (scrambled, cut):
        assert path.read_bytes() == before


def test_a_damaged_log_is_found_after_a_crash(tmp_path: Path) -> None:
    """A left-over write-ahead log has the whole file checked before anything is read."""
    path = full_log(tmp_path / "log.db", 30)
    data = bytearray(path.read_bytes())
    data[5 * 4096 : 6 * 4096] = bytes(4096)
    path.write_bytes(bytes(data))
    (tmp_path / "log.db-wal").write_bytes(b"left over by a crash" * 50)
    with pytest.raises(LogError, match="damaged"):
        Log.open(path)


@pytest.mark.parametrize("fixture", VERSIONS, ids=lambda p: p.stem)
def test_every_earlier_version_is_brought_up_to_date(tmp_path: Path, fixture: Path) -> None:
    """A log of any earlier version opens with all its takes and everything said of them."""
    path = tmp_path / "old.db"
    connection = sqlite3.connect(path)
    connection.executescript(fixture.read_text(encoding="utf-8"))
    connection.close()
    with Log.open(path) as log:
        rows = log.rows()
        assert [(r.id, r.player, r.tune, r.day) for r in rows] == [
            (1, "Ana", "Late Bus", "2026-01-05"), (2, "", "", None),
        ]  # fmt: skip
        assert rows[0].tags == ("class", "warm") and rows[0].subdivisions
        assert len(log.material().cells) >= 4
        assert log.whole(1).midi.startswith(b"MThd")
        assert log.add(entry_of(1)).new
    check = sqlite3.connect(path)
    assert check.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
    fresh = sqlite3.connect(full_log(tmp_path / "new.db", 0))
    for one in ("kind", "played", "staged", "analysis", "take", "tag", "file"):
        columns = [c.execute(f"PRAGMA table_info({one})").fetchall() for c in (check, fresh)]
        assert columns[0] == columns[1], one
    check.close()
    fresh.close()


def as_version_2(path: Path, parts: dict[int, str]) -> None:
    """Makes a log one of version 2: parts are the words they were asked for with."""
    raw = sqlite3.connect(path)
    for take, words in parts.items():
        raw.execute("UPDATE take SET part = ? WHERE id = ?", (words, take))
    raw.execute("PRAGMA user_version = 2")
    raw.commit()
    raw.close()


def test_takes_kept_twice_by_an_earlier_version_all_stay(tmp_path: Path) -> None:
    """Which of them is the take from now on is settled; nothing is taken away."""
    path = tmp_path / "log.db"
    one = entry_of(1)
    with Log.open(path, create=True) as log:
        log.add_many([one, entry_of(2)])
    as_version_2(path, {1: "[null, null]", 2: "[null, null]"})
    raw = sqlite3.connect(path)
    columns = "file, backing, file_name, player, tune, day, note, added"
    for track in ("solo", "flute"):
        raw.execute(
            f"INSERT INTO take (part, settings, {columns}) SELECT ?, replace(settings, "
            f"'\"track\": null', ?), {columns} FROM take WHERE id = 1",
            (f'["{track}", null]', f'"track": "{track}"'),
        )
    raw.execute("INSERT INTO analysis SELECT id, made_by, made, tempo_bpm, meter, notes, offset_ms,"
                " spread_ms, in_pocket, off_grid, cells, document FROM analysis, take"
                " WHERE analysis.take = 1 AND id > 2")  # fmt: skip
    raw.commit()
    raw.close()
    with Log.open(path) as log:
        assert [row.id for row in log.rows()] == [1, 2, 3, 4]
        assert log.add(one).id == 1 and log.add(entry_of(2)).id == 2
        assert all(log.whole(take).document for take in (1, 2, 3, 4))
    raw = sqlite3.connect(path)
    kept = raw.execute("SELECT id, part FROM take ORDER BY id").fetchall()
    raw.close()
    assert kept == [(1, "[2, [1]]"), (2, "[2, [1]]"), (3, '["solo", null]'), (4, '["flute", null]')]


def test_a_log_of_version_2_is_looked_at_where_it_cannot_be_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its tables are the same; only the next one who may write brings it up to date."""
    path = full_log(tmp_path / "log.db", 2)
    as_version_2(path, {1: "[null, null]"})
    before = path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(opening, "_writable", lambda _: False)
        with Log.open(path, writing=False) as log:
            assert len(log.rows()) == 2
    assert path.read_bytes() == before


def test_there_is_a_fixture_for_every_earlier_version() -> None:
    """Raising the version means keeping the text of the one left behind."""
    assert [p.stem for p in VERSIONS] == [f"version_{v}" for v in range(1, schema.VERSION)]
    assert sorted(migrations.MIGRATIONS) == list(range(1, schema.VERSION))


def tables_of(path: Path) -> set[str]:
    """The definitions in a log, spaces tidied."""
    raw = sqlite3.connect(path)
    found = raw.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    raw.close()
    return {" ".join(sql.replace('"', "").split()) for (sql,) in found}


@pytest.mark.parametrize("text", VERSIONS, ids=lambda path: path.stem)
def test_a_migration_makes_its_own_versions_tables(
    tmp_path: Path, text: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An old log comes to have today's tables, and none of them by way of today's text."""
    Log.open(tmp_path / "new.db", create=True).close()
    connection = sqlite3.connect(tmp_path / "old.db")
    connection.executescript(text.read_text(encoding="utf-8"))
    connection.close()
    monkeypatch.setattr(schema, "TABLES", "")
    Log.open(tmp_path / "old.db").close()

    assert len(tables_of(tmp_path / "new.db")) >= 8
    assert tables_of(tmp_path / "old.db") == tables_of(tmp_path / "new.db")


def test_a_migration_that_fails_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever goes wrong on the way, the old log stays the old log."""
    path = tmp_path / "old.db"
    connection = sqlite3.connect(path)
    connection.executescript(VERSIONS[0].read_text(encoding="utf-8"))
    connection.close()
    step = migrations.MIGRATIONS[1]

    def fails(open_connection: sqlite3.Connection) -> None:
        step(open_connection)
        raise sqlite3.DatabaseError("no")

    monkeypatch.setitem(migrations.MIGRATIONS, 1, fails)
    before = path.read_bytes()
    with pytest.raises(LogError, match="cannot be used"):
        Log.open(path)
    assert path.read_bytes() == before


def test_a_busy_log_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While another program holds the log for writing, adding waits, then says busy."""
    monkeypatch.setattr(opening, "BUSY_SEC", 0.1)
    path = full_log(tmp_path / "log.db")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Log.open(path) as log:
        with pytest.raises(LogError, match="the log is busy"):
            log.add(entry_of(50))
        assert len(log.rows()) == 12, "reading goes on"
        other.execute("ROLLBACK")
        other.close()
        assert log.add(entry_of(50)).new


def test_two_writers_both_succeed(tmp_path: Path) -> None:
    """Two at once, forty takes each: all eighty are there in the end."""
    path = full_log(tmp_path / "log.db", 0)
    failed: list[Exception] = []

    def write(first: int) -> None:
        try:
            with Log.open(path) as log:
                for i in range(first, first + 40):
                    log.add(entry_of(i))
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=write, args=(first,)) for first in (0, 1000)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with Log.open(path) as log:
        assert len(log.rows()) == 80


def test_two_programs_make_one_log(tmp_path: Path) -> None:
    """Both create at the same moment: one log, and both write to it."""
    path = tmp_path / "log.db"
    opening.create(path)
    first = Log.open(path, create=True)
    first.add(entry_of(1))
    opening.create(path)  # the other, which had seen no file
    assert len(first.rows()) == 1
    first.close()
    assert [p.name for p in tmp_path.iterdir()] == ["log.db"]


SCRIPT = """
import sys
from tests.log_material import entry_of
from improv.errors import LogError
from improv.log.store import Log
entry_of(0)
{before}
try:
    with Log.open(sys.argv[1], create=True) as log:
        for i in range(100, 200):
            log.add(entry_of(i))
except LogError as error:
    print(error)
"""


def said_by(script: str, path: Path) -> str:
    """What a script said that was run in another process on a log; it must not complain."""
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        capture_output=True, text=True, cwd=Path(__file__).parent.parent, check=True,
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout.strip()


def run_limited(path: Path, before: str) -> str:
    """Adds a hundred takes in another process under some limit; what it said."""
    return said_by(SCRIPT.format(before=before), path)


def test_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    """When no file may grow any further: one line, what was kept is there, and it goes on later."""
    path = full_log(tmp_path / "log.db")
    size = path.stat().st_size + 60_000
    limit = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))"
    told = run_limited(path, limit)
    assert "cannot be written" in told and str(path) in told and "\n" not in told
    with Log.open(path) as log:
        kept = len(log.rows())
        assert kept >= 12 and all(log.whole(row.id).document for row in log.rows())
        assert log.add(entry_of(500)).new
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != size


LOOK = """
import resource, sys
from improv.errors import LogError
from improv.log.store import Log
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
try:
    with Log.open(sys.argv[1], writing=False) as log:
        print(len(log.rows()), len(log.whole(1).document["notes"]))
except LogError as error:
    print(error)
"""


def looked_at_without_room(path: Path) -> str:
    """What a program says that lists a log while no file may grow at all."""
    return said_by(LOOK, path)


def test_a_full_disk_can_still_be_looked_at(tmp_path: Path) -> None:
    """Listing needs no room; after a crash it does, and says what for."""
    path = full_log(tmp_path / "log.db")
    before = path.read_bytes()
    assert looked_at_without_room(path) == "12 32"
    as_version_2(path, {1: "[null, null]"})
    assert looked_at_without_room(path) == "12 32"
    with Log.open(path) as log:
        log.add(entry_of(50))
        (tmp_path / "kept-wal").write_bytes((tmp_path / "log.db-wal").read_bytes())
    path.write_bytes(before)
    for beside in tmp_path.glob("log.db-*"):
        beside.unlink()
    (tmp_path / "kept-wal").rename(tmp_path / "log.db-wal")
    told = looked_at_without_room(path)
    assert "log.db: was not closed properly, and there is no room to put that right" in told


def test_a_read_only_place_is_named_as_the_user_did(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is built beside a place, and cannot be, is nobody's business."""
    path = full_log(tmp_path / "log.db", 1)

    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    with Log.open(path, writing=False) as log, monkeypatch.context() as patch:
        patch.setattr(os, "open", refused)
        patch.setattr(os, "unlink", refused)
        patch.setattr(os, "mkdir", refused)
        with pytest.raises(LogError, match=r"^.*/copy\.db: cannot be written \(read-only file"):
            log.backup(tmp_path / "copy.db")
        with pytest.raises(LogError, match=r"^.*/new\.db: cannot be written .* with --log FILE$"):
            opening.create(tmp_path / "new.db")
        with pytest.raises(LogError, match=r"^.*/out: cannot be written .* another place$"):
            export_folder(log, Filter(), tmp_path / "out")


def test_a_full_disk_under_an_export_is_named_as_the_user_did(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor is the half-made folder's name, and it does not stay."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    with Log.open(full_log(tmp_path / "log.db", 1), writing=False) as log:
        monkeypatch.setattr(Path, "write_bytes", full)
        with pytest.raises(LogError, match=r"^.*/out: cannot be written \(no space left"):
            export_folder(log, Filter(), tmp_path / "out")
    assert not [p for p in tmp_path.iterdir() if p.name.endswith(".part")]


def test_a_backup_of_a_damaged_log_names_the_log(tmp_path: Path) -> None:
    """What is wrong with the copy is wrong with the log; the older backup stays."""
    path, target = full_log(tmp_path / "log.db", 30), full_log(tmp_path / "copy.db", 1)
    data, kept = bytearray(path.read_bytes()), target.read_bytes()
    data[5 * 4096 : 9 * 4096] = bytes(4 * 4096)
    path.write_bytes(bytes(data))
    with Log.open(path, writing=False) as log:
        with pytest.raises(LogError, match=r"^.*/log\.db: the log is damaged"):
            log.backup(target)
    assert target.read_bytes() == kept


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="only where users differ")
def test_a_read_only_place_can_still_be_looked_at(tmp_path: Path) -> None:
    """Listing works where nothing may be written; adding says so; nothing changes."""
    path = full_log(tmp_path / "log.db")
    before = path.read_bytes()
    path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        if os.access(path, os.W_OK):
            pytest.skip("this user may write everywhere; see the next test")
        with Log.open(path, writing=False) as log:
            assert len(log.rows()) == 12
        with pytest.raises(LogError, match="write-protected"):
            Log.open(path)
    finally:
        tmp_path.chmod(0o755)
    assert path.read_bytes() == before


def test_a_place_said_to_be_read_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same where the system says that nothing may be written."""
    path = full_log(tmp_path / "log.db")
    before = path.read_bytes()
    monkeypatch.setattr(opening, "_writable", lambda _: False)
    with Log.open(path, writing=False) as log:
        assert len(log.rows()) == 12
    with pytest.raises(LogError, match="write-protected; choose another log"):
        Log.open(path)
    assert path.read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["log.db"]


def test_a_log_cannot_be_made_nowhere(tmp_path: Path) -> None:
    """A directory that is not there is not made for a misspelt name."""
    with pytest.raises(LogError, match="its directory does not exist"):
        Log.open(tmp_path / "nowhere" / "log.db", create=True)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["add", "refresh", "import", "migrate", "create"])
def test_killed_at_any_moment(tmp_path: Path, kind: str) -> None:
    """Two of the benchmark's kills each: nothing told is lost, and the log opens whole."""
    stage = Stage(tmp_path)
    row = stage.series(kind, 2, seed=7).split()
    assert row[0] == kind and row[1] == "2"
    assert (row[4], row[5]) == ("0", "2")
