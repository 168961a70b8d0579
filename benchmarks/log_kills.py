"""Benchmark of the log's safety: programs killed at any moment, and what is left.

    python -m benchmarks log_kills [--kills N]

`--kills` seeded kills (SIGKILL, 200 by default), a fifth each while takes are added, a log
is refreshed, a folder imported, an old log migrated, a new log made. After each: the log
opens and passes SQLite's `quick_check`, everything that was told to be done is there whole,
every take has an analysis, and nothing half-made lies beside it that a next run would trip
over.
"""

from __future__ import annotations

import argparse
import json
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.goals import at_most, conclude
from benchmarks.log_worker import variants
from improv.analysis import analyze
from improv.document import document
from improv.log.entries import Filter
from improv.log.exchange import export_folder
from improv.log.schema import VERSION
from improv.log.store import Log
from improv.midi import read_take, write_take
from improv.model import Reading
from improv.synth import Hand, Line, Rest, Stretch, play

KILLS = 200
KINDS = ("add", "refresh", "import", "migrate", "create")
LONGEST_SEC = {"add": 1.2, "refresh": 1.0, "import": 0.4, "migrate": 0.25, "create": 0.06}
OLD_LOG = Path(__file__).parent.parent / "tests" / "log_versions" / "version_1.sql"


def main(arguments: list[str]) -> int:
    """Run the kills, print what came of them and the goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks log_kills")
    parser.add_argument("--kills", type=int, default=KILLS)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    print(f"Killed programs: {options.kills} seeded kills\n")
    print(f"{'while':<10}{'kills':>7}{'in time':>9}{'told done':>11}{'lost':>6}{'opens':>7}")
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(Path(folder))
        for kind in KINDS:
            print(stage.series(kind, options.kills // len(KINDS), options.seed), flush=True)
    return conclude(
        (
            at_most("takes told to be kept and lost", stage.lost, 0),
            at_most("logs that do not open whole", stage.broken, 0),
        )
    )


class Stage:
    """The folder the kills happen in, and the material they need."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lost = self.broken = 0
        self.base = folder / "base"
        line = Line((Stretch("eighths", 8), Rest(4), Stretch("sixteenths", 4)), tempo_bpm=96)
        take, _ = play(line, Hand(), seed=1)
        write_take(take, self.base.with_suffix(".mid"))
        read = read_take(self.base.with_suffix(".mid"), Reading(start_sec=1.0))
        self.base.with_suffix(".json").write_text(json.dumps(document(analyze(read))))
        self.full = folder / "full.db"
        with Log.open(self.full, create=True) as log:
            log.add_many(variants(self.base, 60))
            export_folder(log, Filter(), folder / "export")
        self.old = folder / "old.db"
        _old_log(self.old, self.full)

    def series(self, kind: str, kills: int, seed: int) -> str:
        """One row of the table."""
        rng = random.Random(f"{seed} {kind}")
        in_time = told = lost = opened = 0
        for number in range(kills):
            path = self.folder / f"{kind}-{number}.db"
            if kind in ("refresh", "migrate"):
                source = self.full if kind == "refresh" else self.old
                path.write_bytes(source.read_bytes())
            acknowledged, killed = self._kill(kind, path, rng.random() * LONGEST_SEC[kind])
            in_time += killed
            told += len(acknowledged)
            good, missing = self._after(kind, path, acknowledged)
            opened += good
            lost += missing
        self.lost += lost
        self.broken += kills - opened
        return f"{kind:<10}{kills:>7}{in_time:>9}{told:>11}{lost:>6}{opened:>7}"

    def _kill(self, kind: str, path: Path, delay_sec: float) -> tuple[list[str], bool]:
        """Runs the worker and kills it; what it had told, and whether it was still at work."""
        worker = subprocess.Popen(
            [sys.executable, "-m", "benchmarks.log_worker", kind, str(path), str(self.base)],
            stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parent.parent,
        )  # fmt: skip
        assert worker.stdout is not None
        worker.stdout.readline()
        time.sleep(delay_sec)
        running = worker.poll() is None
        worker.kill()  # SIGKILL: nothing can be tidied up
        rest = worker.stdout.read().splitlines()
        worker.stdout.close()
        if worker.wait() not in (0, -signal.SIGKILL):
            raise RuntimeError(f"{kind}: the worker failed by itself")
        return rest, running

    def _after(self, kind: str, path: Path, acknowledged: list[str]) -> tuple[bool, int]:
        """Whether the log opens whole, and how many things told to be done are missing."""
        if kind == "create" and not path.exists():
            return True, int(bool(acknowledged))
        with Log.open(path, create=kind == "add") as log:
            ids = {row.id for row in log.rows()}
            takes = {whole_id for whole_id in ids if log.whole(whole_id).document}
        check = sqlite3.connect(path)
        try:
            sound = check.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            bare = check.execute(
                "SELECT count(*) FROM take WHERE id NOT IN (SELECT take FROM analysis)"
            ).fetchone()[0]
            version = check.execute("PRAGMA user_version").fetchone()[0]
        finally:
            check.close()
        missing = 0
        if kind == "add":
            missing = sum(int(line.split()[1]) not in takes for line in acknowledged)
        elif kind in ("refresh", "migrate") or (kind == "import" and acknowledged):
            missing = 60 - len(takes)
        return bool(sound and not bare and version == VERSION), missing


def _old_log(target: Path, full: Path) -> None:
    """A log of version 1 with the takes of a full one."""
    connection = sqlite3.connect(target)
    connection.executescript(OLD_LOG.read_text(encoding="utf-8"))
    for table in ("analysis", "tag", "take", "file"):
        connection.execute(f"DELETE FROM {table}")
    connection.execute("ATTACH ? AS new", (str(full),))
    for table in ("file", "take"):
        connection.execute(f"INSERT INTO {table} SELECT * FROM new.{table}")
    columns = "take, made_by, made, document"
    connection.execute(f"INSERT INTO analysis SELECT {columns} FROM new.analysis")
    connection.commit()
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()
