"""What `log_kills` kills: one program doing one thing to a log over and over.

    python -m benchmarks.log_worker add|refresh|import|migrate LOG SOURCE

Prints `ready` when it begins, and a line after each thing that is done and committed.
"""

from __future__ import annotations

import json
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from improv.log import refresh as refreshing
from improv.log.entries import About, Entry
from improv.log.exchange import import_folder
from improv.log.store import Log
from improv.model import Reading, Settings


def variants(base: Path, count: int) -> list[Entry]:
    """Different takes for as little work as possible: one analysis, other bytes."""
    midi = base.with_suffix(".mid").read_bytes()
    document: dict[str, Any] = json.loads(base.with_suffix(".json").read_text())
    first = Entry(midi, "base.mid", Reading(), Settings(), document, About("Ana"))
    return [
        replace(first, midi=midi + f"{i:08d}".encode(), file_name=f"{i}.mid") for i in range(count)
    ]


def main(arguments: list[str]) -> None:
    """Do the one thing."""
    what, log_file, source = arguments[0], Path(arguments[1]), Path(arguments[2])
    if what == "migrate":
        _say("ready")
        Log.open(log_file).close()
        _say("done")
        return
    if what == "create":
        _say("ready")
        Log.open(log_file, create=True).close()
        _say("done")
        return
    _fast_analysis(source)
    with Log.open(log_file, create=True) as log:
        _say("ready")
        if what == "add":
            for number, entry in enumerate(variants(source, 400)):
                added = log.add(entry)
                _say(f"{number} {added.id}")
        elif what == "import":
            import_folder(lambda: log, source.parent / "export")
            _say("done")
        else:
            while True:
                refreshing.refresh(log)
                _say("done")


def _fast_analysis(source: Path) -> None:
    """Kills should hit the log, not the analysis: every take 'analyzes' to the same document."""
    document = json.loads(source.with_suffix(".json").read_text())
    refreshing.analyzed = lambda *_: document


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def fresh(source: Path, target: Path) -> None:
    """A copy of a closed log."""
    shutil.copyfile(source, target)


if __name__ == "__main__":
    main(sys.argv[1:])
