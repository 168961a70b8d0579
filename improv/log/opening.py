"""Opening a practice log: the only place that opens the SQLite file.

Before SQLite is let near the file, its first 100 bytes are read: a file that is no log of
ours, or a log of a newer improv, is refused and stays as it is, byte for byte. A new log is
built beside its place and linked there whole. Writes go through a write-ahead log and reach
the disk before they are called done (`synchronous=FULL`); what is removed is overwritten
(`secure_delete`); after a crash the whole file is checked before anything else.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from improv.errors import LogError
from improv.files import beside, check_writable, reason, shown
from improv.log import migrations, schema
from improv.log.names import fold

BUSY_SEC = 5.0
_HEADER_BYTES = 100
_MAGIC = b"SQLite format 3\0"


@contextlib.contextmanager
def told(path: Path) -> Iterator[None]:
    """What SQLite refuses becomes one line that names the log, the fault and the remedy."""
    try:
        yield
    except sqlite3.Error as error:
        raise LogError(f"{shown(path)}: {_why(error)}") from error


_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_NO_ROOM = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_TOOBIG)
_NO_LEAVE = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN)


def _code(error: BaseException | None) -> int:
    return (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF


def _why(error: sqlite3.Error, elsewhere: str = "choose another place with --log FILE") -> str:
    code = _code(error)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "the log is busy: another program is writing to it; try again when it is done"
    if code in _NO_ROOM:
        return f"cannot be written ({error}); make room on the disk, nothing was changed"
    if code in _NO_LEAVE:
        return f"cannot be written ({error}); {elsewhere}"
    if code in _DAMAGE:
        return _damaged(str(error))
    return f"the log cannot be used ({error})"


def _damaged(what: str) -> str:
    return (
        f"the log is damaged ({what}); it was left as it is. Put the last 'improv log backup' "
        "in its place"
    )


def exists(path: Path) -> bool:
    """Whether anything lies at the path."""
    return os.path.lexists(path)


def connect(path: Path, *, writing: bool) -> sqlite3.Connection:
    """An open, checked, current log. Raises `LogError`; makes nothing new.

    Where nothing may be written, or (to look only) there is no room to, the file is read as
    it lies there.
    """
    _inspect(path)
    if _writable(path):
        try:
            return _checked(path, locked=False)
        except LogError as error:
            if writing or _code(error.__cause__) not in (*_NO_ROOM, *_NO_LEAVE):
                raise
            if _left_over(path):
                raise LogError(
                    f"{shown(path)}: was not closed properly, and there is no room to put that "
                    f"right ({error.__cause__}); make room on the disk, nothing was changed"
                ) from error
    elif writing:
        raise LogError(f"{shown(path)}: write-protected; choose another log with --log FILE")
    elif _left_over(path):
        raise LogError(
            f"{shown(path)}: was not closed properly and is write-protected; open it once where "
            "it may be written"
        )
    return _checked(path, locked=True)


def _checked(path: Path, *, locked: bool) -> sqlite3.Connection:
    """The log opened, seen through after a crash and brought up to date, or (`locked`) as it is."""
    left_over = _left_over(path)
    with told(path):
        connection = _open(path, "mode=ro&immutable=1" if locked else "mode=rw")
    try:
        with told(path):
            if left_over:
                _check_whole(connection, path)
            _bring_up_to_date(connection, path, locked)
    except BaseException:
        connection.close()
        raise
    return connection


def _left_over(path: Path) -> bool:
    """Whether changes lie beside the log that a crash (or a program at work) left there."""
    wal = Path(f"{path}-wal")
    return wal.exists() and wal.stat().st_size > 0


def create(path: Path) -> None:
    """Makes an empty log, whole or not at all; one that another program made first is kept."""
    check_writable(path, error=LogError)
    part = beside(path)
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        with told(path):
            connection = _open(part, "mode=rw")
            try:
                connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
                schema.create(connection)
                connection.execute("PRAGMA journal_mode = WAL")
            finally:
                connection.close()
        _sync(part)
        _link(part, path)
    except OSError as fault:
        raise LogError(
            f"{shown(path)}: cannot be written ({reason(fault)}); choose another place "
            "with --log FILE"
        ) from None
    finally:
        _discard(part)


def copy(connection: sqlite3.Connection, path: Path, target: Path) -> None:
    """A consistent copy of an open log at `target`, written beside and renamed."""
    part = beside(target)
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        try:
            other = _open(part, "mode=rw")
            try:
                connection.backup(other)
                _check_whole(other, path)  # a true copy: what is wrong with it is the log's
            finally:
                other.close()
        except sqlite3.Error as error:
            whose = path if _code(error) in _DAMAGE else target
            raise LogError(f"{shown(whose)}: {_why(error, 'choose another place')}") from error
        _sync(part)
        os.replace(part, target)
        _sync(target.parent)
    except OSError as fault:
        raise LogError(
            f"{shown(target)}: cannot be written ({reason(fault)}); choose another place"
        ) from None
    finally:
        _discard(part)


def _discard(part: Path) -> None:
    """Removes what was made beside a place; where nothing could be made, nothing can be removed."""
    for extra in ("", "-wal", "-shm", "-journal"):
        with contextlib.suppress(OSError):
            os.unlink(f"{part}{extra}")


def is_log(path: Path) -> bool:
    """Whether a file looks like a practice log, of whatever version."""
    try:
        with open(path, "rb") as file:
            head = file.read(_HEADER_BYTES)
    except OSError:
        return False
    return len(head) == _HEADER_BYTES and _kind_of(head) == schema.APPLICATION_ID


def _kind_of(head: bytes) -> int:
    return int.from_bytes(head[68:72], "big") if head.startswith(_MAGIC) else -1


def _inspect(path: Path) -> None:
    """Refuses what is not a log this program can use, without touching it."""
    if path.is_dir():
        raise LogError(f"{shown(path)}: is a directory; name the log's file")
    if exists(path) and not path.is_file():
        raise LogError(f"{shown(path)}: not a regular file; name the log's file")
    try:
        with open(path, "rb") as file:
            head = file.read(_HEADER_BYTES)
    except FileNotFoundError:
        raise LogError(
            f"{shown(path)}: there is no practice log yet; 'improv log add TAKE.mid' makes one"
        ) from None
    except OSError as fault:
        raise LogError(f"{shown(path)}: cannot be read ({reason(fault)})") from None
    if not head.startswith(_MAGIC) or len(head) < _HEADER_BYTES:
        raise LogError(
            f"{shown(path)}: not a practice log; name another with --log FILE (this file was "
            "not touched)"
        )
    if _kind_of(head) != schema.APPLICATION_ID:
        raise LogError(
            f"{shown(path)}: a database of another program, not a practice log; name another "
            "with --log FILE (this file was not touched)"
        )
    _refuse_newer(path, int.from_bytes(head[60:64], "big"))


def _refuse_newer(path: Path, version: int) -> None:
    if version > schema.VERSION:
        raise LogError(
            f"{shown(path)}: written by a newer improv (log version {version}, this one knows "
            f"{schema.VERSION}); update improv (the log was not touched)"
        )
    if version < 1:
        raise LogError(f"{shown(path)}: {_damaged('it states no version')}")


def _writable(path: Path) -> bool:
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def _open(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"file:{quote(os.fsencode(os.path.abspath(path)))}?{mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_SEC, isolation_level=None)
    try:
        connection.create_function("fold", 1, fold, deterministic=True)
        for pragma in ("foreign_keys = ON", "secure_delete = ON", "synchronous = FULL"):
            connection.execute(f"PRAGMA {pragma}").fetchall()
    except BaseException:
        connection.close()
        raise
    return connection


def _check_whole(connection: sqlite3.Connection, path: Path) -> None:
    """SQLite's own check of every page; raises `LogError` for the first thing it finds."""
    found = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found is None or found[0] != "ok":
        what = "nothing" if found is None else str(found[0]).splitlines()[-1]
        raise LogError(f"{shown(path)}: {_damaged(what)}")


def _bring_up_to_date(connection: sqlite3.Connection, path: Path, locked: bool) -> None:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    _refuse_newer(path, version)
    if version == schema.VERSION or (locked and version >= schema.SAME_TABLES_SINCE):
        return
    if locked:
        raise LogError(
            f"{shown(path)}: an older log that must be brought up to date, but write-protected; "
            "copy it to a place that may be written"
        )
    migrations.migrate(connection, version)


def _link(part: Path, path: Path) -> None:
    """Puts a finished file in its place unless something lies there already."""
    try:
        os.link(part, path)
    except FileExistsError:
        return
    except OSError:  # a file system without links
        if not exists(path):
            os.replace(part, path)
    _sync(path.parent)


def _sync(path: Path) -> None:
    """Brings a file or a directory's names to the disk, where the system can."""
    try:
        descriptor = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError:
        pass
    finally:
        os.close(descriptor)
