"""Bytes from and to disk, safely: bounded reading, all-or-nothing writing, printable names.

Reading opens nothing but regular files, so a pipe or a device never hangs it, and stops
at a stated size. Writing puts a new file beside the old one and renames it, so whoever
looks sees the old contents or the new, never half of either.
"""

from __future__ import annotations

import os
import stat
from os import PathLike
from pathlib import Path

from improv.errors import ImprovError, OutputError, TakeError

AnyPath = str | PathLike[str]


def printable(text: str) -> str:
    """The text as any terminal can show it: undecodable and control characters become `\\ufffd`."""
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def shown(path: AnyPath) -> str:
    """A path as it is named in messages."""
    return printable(os.fspath(path))


def read_bytes(path: AnyPath, largest_bytes: int, error: type[ImprovError] = TakeError) -> bytes:
    """The whole of a regular file of at most `largest_bytes`; raises `error` otherwise."""
    try:
        descriptor = os.open(path, os.O_RDONLY | _flags("O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
    except FileNotFoundError:
        raise error(f"{shown(path)}: there is no such file") from None
    except (OSError, ValueError) as fault:
        raise error(f"{shown(path)}: cannot be opened ({reason(fault)})") from None
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise error(f"{shown(path)}: not a regular file; name a file that holds the data")
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            data = file.read(largest_bytes + 1)
    except OSError as fault:
        raise error(f"{shown(path)}: cannot be read ({reason(fault)})") from None
    finally:
        os.close(descriptor)
    if len(data) > largest_bytes:
        raise error(
            f"{shown(path)}: larger than {largest_bytes // 2**20} MB, "
            "which no take needs; cut it or name the right file"
        )
    return data


def write_bytes(path: AnyPath, data: bytes, *, private: bool = False) -> None:
    """Write all of `data` to `path` or leave what was there; raises `OutputError`.

    A new file is as open as the user's other files, or (`private`) the user's alone; one that
    is replaced stays as open as it was.
    """
    try:
        target = Path(os.path.realpath(path))
        if target.exists() and not target.is_file() and not target.is_dir():
            target.write_bytes(data)  # A pipe or a device takes bytes; it cannot be renamed over.
            return
        check_writable(target, path)
        _write_beside(target, data, 0o600 if private else 0o666)
    except (OSError, ValueError) as fault:
        raise OutputError(
            f"{shown(path)}: cannot be written ({reason(fault)}); choose another place"
        ) from None


def write_text(path: AnyPath, text: str, *, private: bool = False) -> None:
    """Write `text` as UTF-8, all of it or nothing; see `write_bytes`."""
    write_bytes(path, text.encode("utf-8", "replace"), private=private)


def check_writable(
    target: Path, path: AnyPath | None = None, error: type[ImprovError] = OutputError
) -> None:
    """Raises `error` where no file can come to lie at `target`, which messages call `path`."""
    path = target if path is None else path
    if target.is_dir():
        raise error(f"{shown(path)}: is a directory; name a file in it")
    if not target.parent.is_dir():
        raise error(
            f"{shown(path)}: its directory does not exist; create it or choose another place"
        )
    if target.exists() and not os.access(target, os.W_OK):
        raise error(f"{shown(path)}: is write-protected; choose another name")


def beside(path: Path) -> Path:
    """A name of nobody's in the same folder, to build a file under until it is whole."""
    return path.with_name(f".{os.urandom(8).hex()}.part")


def _write_beside(target: Path, data: bytes, fresh_mode: int) -> None:
    mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else None
    part = beside(target)
    descriptor = os.open(
        part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _flags("O_CLOEXEC", "O_BINARY"), fresh_mode
    )
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if mode is not None:
            os.chmod(part, mode)
        os.replace(part, target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _flags(*names: str) -> int:
    """The open flags this system knows, combined."""
    total = 0
    for name in names:
        total |= getattr(os, name, 0)
    return total


def reason(fault: Exception) -> str:
    """Why the system refused, in its own words, as they stand within a sentence."""
    return (getattr(fault, "strerror", None) or str(fault)).lower()
