"""Reading bounded, writing all or nothing, names any terminal can show."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from improv import files
from improv.errors import LogError, OutputError, TakeError
from improv.files import (
    beside,
    check_writable,
    printable,
    read_bytes,
    shown,
    write_bytes,
    write_text,
)

as_root = hasattr(os, "geteuid") and os.geteuid() == 0


def test_what_is_written_is_read(tmp_path: Path) -> None:
    """Bytes and text come back; nothing else is left in the directory."""
    write_bytes(tmp_path / "a", b"\0\1")
    write_text(tmp_path / "b", "é\n")

    assert read_bytes(tmp_path / "a", 10) == b"\0\1"
    assert (tmp_path / "b").read_bytes() == "é\n".encode()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


def test_reading_stops_at_the_limit(tmp_path: Path) -> None:
    """A file at the limit is read; one byte more is refused."""
    (tmp_path / "a").write_bytes(b"x" * 2**20)

    assert len(read_bytes(tmp_path / "a", 2**20)) == 2**20
    with pytest.raises(TakeError, match="a: larger than 0 MB"):
        read_bytes(tmp_path / "a", 2**20 - 1)


def test_what_is_no_file_is_not_read(tmp_path: Path) -> None:
    """Directories, pipes without a writer and devices without end are refused at once."""
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe", Path("/dev/zero")):
        with pytest.raises(TakeError, match=f"{path}: not a regular file"):
            read_bytes(path, 10)


@pytest.mark.parametrize("name", ["none", "none/none", "a\0b", "n" * 5000])
def test_what_is_not_there_is_said(name: str, tmp_path: Path) -> None:
    """Missing and impossible paths raise the one error, naming the path."""
    with pytest.raises(TakeError, match="no such file|cannot be opened"):
        read_bytes(f"{tmp_path}/{name}", 10)


def test_a_link_to_itself_is_said(tmp_path: Path) -> None:
    """A circle of links is an unreadable file, not a hang."""
    (tmp_path / "loop").symlink_to("loop")

    with pytest.raises(TakeError, match="loop: cannot be opened"):
        read_bytes(tmp_path / "loop", 10)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("", "is a directory"),
        ("none/file", "its directory does not exist"),
        ("file/file", "its directory does not exist|cannot be written"),
        ("n" * 5000, "cannot be written"),
        ("a\0b", "cannot be written"),
    ],
)
def test_unwritable_places(name: str, words: str, tmp_path: Path) -> None:
    """A place that takes no file is refused with the reason, and nothing appears."""
    (tmp_path / "file").write_bytes(b"old")

    with pytest.raises(OutputError, match=words):
        write_bytes(f"{tmp_path}/{name}", b"new")

    assert [p.name for p in tmp_path.iterdir()] == ["file"]
    assert (tmp_path / "file").read_bytes() == b"old"


@pytest.mark.skipif(as_root, reason="the superuser may write anywhere")
def test_write_protected_files_stay(tmp_path: Path) -> None:
    """Renaming over a protected file would work and is not done."""
    (tmp_path / "file").write_bytes(b"old")
    (tmp_path / "file").chmod(0o400)

    with pytest.raises(OutputError, match="write-protected"):
        write_bytes(tmp_path / "file", b"new")


@pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_an_interrupted_write_leaves_the_old_file(
    fault: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk or an impatient user: the old contents stand, no leftovers beside them."""
    (tmp_path / "file").write_bytes(b"old")

    def fail(_: int) -> None:
        raise fault

    monkeypatch.setattr(files.os, "fsync", fail)
    words = "no space left" if isinstance(fault, OSError) else None
    with pytest.raises((OutputError, KeyboardInterrupt), match=words):
        write_bytes(tmp_path / "file", b"new")

    assert [p.name for p in tmp_path.iterdir()] == ["file"]
    assert (tmp_path / "file").read_bytes() == b"old"


def test_mode_and_links_are_kept(tmp_path: Path) -> None:
    """An existing file keeps its permissions; a link still points at the file that changed."""
    (tmp_path / "file").write_bytes(b"old")
    (tmp_path / "file").chmod(0o640)
    (tmp_path / "link").symlink_to("file")

    write_bytes(tmp_path / "link", b"new")

    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "file").read_bytes() == b"new"
    assert (tmp_path / "file").stat().st_mode & 0o777 == 0o640


def test_a_device_is_written_to_and_not_replaced() -> None:
    """`--output /dev/null` discards, as everywhere."""
    write_bytes("/dev/null", b"x")

    assert Path("/dev/null").is_char_device()


def test_names_that_are_not_utf8(tmp_path: Path) -> None:
    """A path with bytes of another encoding works, and is shown with replacement marks."""
    path = os.fsdecode(os.fsencode(tmp_path) + b"/s\xf6lo.mid")

    write_bytes(path, b"x")

    assert read_bytes(path, 10) == b"x"
    assert shown(path).endswith("/s\ufffdlo.mid")
    shown(path).encode("utf-8")


@pytest.mark.parametrize(
    ("text", "clean"),
    [("Söló 1", "Söló 1"), ("a\x1b[31mb", "a\ufffd[31mb"), ("a\nb\tc", "a\ufffdb\ufffdc"),
     ("\ud800x", "\ufffdx"), ("\udcff", "\ufffd"), ("\u202eab", "\ufffdab")],
)  # fmt: skip
def test_printable(text: str, clean: str) -> None:
    """No control character, escape sequence or lone surrogate reaches a terminal."""
    assert printable(text) == clean


def test_what_cannot_be_written_is_told_as_the_callers_fault(tmp_path: Path) -> None:
    """One check serves every writer, each with an error of its own kind and its own name."""
    with pytest.raises(LogError, match="its directory does not exist"):
        check_writable(tmp_path / "none" / "file", error=LogError)
    with pytest.raises(OutputError, match="^as said: is a directory"):
        check_writable(tmp_path, "as said")
    check_writable(tmp_path / "new")


def test_a_file_is_built_under_a_name_of_nobodys(tmp_path: Path) -> None:
    """In the same folder, hidden, and another name every time."""
    one, other = beside(tmp_path / "log.db"), beside(tmp_path / "log.db")

    assert one != other and one.parent == tmp_path
    assert one.name.startswith(".") and one.suffix == ".part"
