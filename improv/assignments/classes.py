"""Checking takes from files: one, or a whole class over several cores.

`check_file` turns one path into a `Checked`, which is a verdict or, for a file that cannot be
read, the reason. Results come back in the order of the paths whatever the number of cores.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

from improv.analysis import analyze
from improv.assignments import count_in
from improv.assignments.gaps import Silence, gap_drifts, silences_of
from improv.assignments.jobs import Job
from improv.assignments.judge import judge
from improv.assignments.takes import read_for, warnings_of
from improv.assignments.verdict import Verdict
from improv.errors import ImprovError, UsageError
from improv.files import printable, shown
from improv.model import Analysis, Doubt

FEWEST_PER_CORE = 4
SUFFIXES = (".mid", ".midi", ".smf")


@dataclass(frozen=True)
class Checked:
    """One file's result: a verdict, or why there is none. Times in seconds.

    `named`: whether the player's name was found as the pattern says, if there is one.
    """

    path: str
    player: str
    verdict: Verdict | None
    error: str = ""
    reading_sec: float = 0.0
    analysis_sec: float = 0.0
    judging_sec: float = 0.0
    named: bool = True


def check_file(job: Job, path: str) -> Checked:
    """One file, read, analyzed and judged; what cannot be read is told, not raised."""
    started = time.perf_counter()
    try:
        take, doubt = read_for(job, path)
        read = time.perf_counter()
        analysis = analyze(take, job.settings)
        if doubt is None and analysis.doubt is not None and analysis.doubt.about == "start":
            doubt = replace(analysis.doubt, sentence=f"Not judged: {analysis.doubt.sentence}")
        analyzed = time.perf_counter()
        verdict = _verdict(job, analysis, doubt)
        if doubt is None:
            verdict = _with_count_in(job, path, analysis, verdict)
    except ImprovError as error:
        return Checked(path, job.naming.player(path, None), None, printable(str(error)))
    done = time.perf_counter()
    player = job.naming.player(path, take)
    spent = (read - started, analyzed - read, done - analyzed)
    return Checked(path, player, verdict, "", *spent, named=job.naming.fits(path, take))


def _verdict(
    job: Job, analysis: Analysis, doubt: Doubt | None, more: tuple[str, ...] = ()
) -> Verdict:
    """The verdict on a take that was read, with `more` to warn of."""
    if job.gaps:
        silences = tuple(
            Silence(g.first_bar, g.last_bar, g.start_sec, g.stop_sec) for g in job.gaps
        )
    else:
        silences = silences_of(job.assignment, analysis)
    drifts, warnings = gap_drifts(analysis, silences), warnings_of(job, analysis.take, doubt)
    return judge(job.assignment, analysis, job.part, drifts, (*more, *warnings), doubt)


def _with_count_in(job: Job, path: str, analysis: Analysis, verdict: Verdict) -> Verdict:
    """The verdict, in view of playing that starts in the count-in."""
    bars = job.count_in_bars
    early = count_in.bars_too_early(analysis.take, bars)
    if not early:
        return verdict
    if count_in.wrong_bars(verdict) >= count_in.FEWEST_BARS:
        shorter = replace(job, count_in=bars - early)
        take, doubt = read_for(shorter, path)
        other = None if doubt else _verdict(shorter, analyze(take, job.settings), None)
        if other is not None and count_in.far_better(other, verdict):
            return _verdict(job, analysis, count_in.doubt(bars, early))
    return _verdict(job, analysis, None, (count_in.note(bars, early),))


def check_files(
    job: Job,
    paths: Sequence[str],
    cores: int | None = None,
    told: Callable[[int, str], None] | None = None,
) -> list[Checked]:
    """All files, over at most `cores` processes (`None`: as many as pay), in the order given.

    `told` is called with the number done and the path after each.
    """
    most = max(1, len(paths) // FEWEST_PER_CORE)
    workers = min(cores or os.cpu_count() or 1, most)
    found = []
    for number, checked in enumerate(_each(job, paths, workers), start=1):
        found.append(checked)
        if told is not None:
            told(number, checked.path)
    return found


def _each(job: Job, paths: Sequence[str], workers: int) -> Iterator[Checked]:
    if workers <= 1:
        for path in paths:
            yield check_file(job, path)
        return
    chunk = max(1, min(16, len(paths) // (4 * workers)))
    with ProcessPoolExecutor(max_workers=workers) as pool:
        yield from pool.map(check_file, [job] * len(paths), paths, chunksize=chunk)


def takes_in(paths: Sequence[str]) -> tuple[list[str], list[str]]:
    """The files themselves and the MIDI files of the folders named, each once; then the repeats.

    Folders in name order. A file is the same by whatever way it is named. Raises `UsageError`
    for a folder without one.
    """
    once: dict[str, str] = {}
    again: dict[str, str] = {}
    for path in _every_take(paths):
        real = os.path.realpath(path)
        (again if real in once else once).setdefault(real, path)
    return list(once.values()), list(again.values())


def folders_inside(paths: Sequence[str]) -> list[str]:
    """Folders in the folders named, in name order: what is in them is not read."""
    return [
        inside
        for path in paths
        if os.path.isdir(path)
        for inside in sorted(entry.path for entry in os.scandir(path) if entry.is_dir())
    ]


def _every_take(paths: Sequence[str]) -> list[str]:
    found: list[str] = []
    for path in paths:
        if not os.path.isdir(path):
            found.append(path)
            continue
        inside = sorted(
            entry.path
            for entry in os.scandir(path)
            if entry.is_file() and entry.name.lower().endswith(SUFFIXES)
        )
        if not inside:
            deeper = "; the folders inside it are not looked into" * bool(folders_inside([path]))
            known = ", ".join(SUFFIXES)
            raise UsageError(f"{shown(path)}: no MIDI files in this folder ({known}){deeper}")
        found += inside
    return found
