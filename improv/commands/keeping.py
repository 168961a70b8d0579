"""What several commands do with the practice log: open or make it, keep a take."""

from __future__ import annotations

import os
from dataclasses import replace as changed
from datetime import date
from pathlib import Path
from types import TracebackType

from improv.files import printable
from improv.log.entries import About, Added
from improv.log.place import log_path, make_room
from improv.log.refresh import read_entry
from improv.log.store import Log
from improv.model import Analysis, Reading, Settings


def opened(log_file: str | None) -> Log:
    """The log meant, made where there is none yet."""
    path = log_path(log_file)
    make_room(path)
    return Log.open(path, create=True)


class Keeper:
    """Keeps takes in the log one after another, and tells what became of each.

    The log is opened with the first take that could be read: a misspelt call makes none.
    """

    def __init__(self, log_file: str | None, about: About, replace: bool = False) -> None:
        self._log_file, self._about, self._replace = log_file, about, replace
        self._log: Log | None = None

    def __enter__(self) -> Keeper:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._log is not None:
            self._log.close()

    def keep(self, path: str, reading: Reading, settings: Settings) -> tuple[str, Analysis]:
        """Analyzes and keeps one take; one sentence about it, and the analysis."""
        about, replace = self._about, self._replace
        guessed = about.day is None and "day" not in about.cleared
        # On --replace a day nobody stated stays as it was.
        dated = (
            about if not guessed or replace else changed(about, day=_day_of(path), day_guessed=True)
        )
        entry, analysis = read_entry(path, reading, settings, dated)
        if self._log is None:
            self._log = opened(self._log_file)
        added = self._log.add(entry, replace=replace)
        name = printable(os.path.basename(path))
        return _told(name, added, dated.day if guessed else None), analysis


def _day_of(path: str) -> str:
    """The day a file was last written; today for one that cannot be read, told when it is."""
    try:
        written = Path(path).stat().st_mtime
    except OSError:
        return date.today().isoformat()
    return date.fromtimestamp(written).isoformat()


def _told(name: str, added: Added, guessed_day: str | None) -> str:
    if added.replaced:
        return f"{name}: take {added.id}, read anew."
    if added.new:
        day = f", played on {guessed_day} (the day of the file)" if guessed_day else ""
        return f"{name}: kept as take {added.id}{day}."
    if not added.differs:
        return f"{name}: already in the log as take {added.id}; nothing changed."
    differs = "; ".join(added.differs)
    return (
        f"{name}: already in the log as take {added.id}, kept otherwise ({printable(differs)}); "
        "nothing changed, 'improv log add FILE --replace' takes what is said here."
    )
