"""Checking takes from files: one, or a whole class over several cores.

A `Job` says how to read and judge; `check_file` turns one path into a `Checked`, which is
a verdict or, for a file that cannot be read, the reason. Results come back in the order
of the paths whatever the number of cores.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from improv.analysis import analyze
from improv.assignments.clickfiles import GapMark, gap_marks
from improv.assignments.clicktrack import click_track
from improv.assignments.gaps import Silence, gap_drifts, silences_of
from improv.assignments.judge import judge
from improv.assignments.model import Assignment
from improv.assignments.tempo_claims import (
    SAME_TEMPO,
    assumed_doubt,
    claim,
    differ,
    option_text,
    stated_doubt,
)
from improv.assignments.verdict import Verdict
from improv.errors import ImprovError, UsageError
from improv.files import printable, shown
from improv.meter import Meter
from improv.midi import read_smf, read_take, take_from_smf
from improv.midi_tempo import FileTime, file_time
from improv.model import Doubt, Reading, Settings, Take, TempoMap
from improv.tempo import constant_tempo, quarter_sec_at

PLAYER = "PLAYER"
FEWEST_PER_CORE = 4
SUFFIXES = (".mid", ".midi", ".smf")


@dataclass(frozen=True)
class Naming:
    """Where a player's name comes from: the `file` name or the `track` name.

    `pattern` is how such a name looks, PLAYER standing for the player, `*` for anything.
    """

    source: str = "file"
    pattern: str | None = None

    def player(self, path: str, take: Take | None) -> str:
        """The player of a take; the whole name where the pattern does not fit."""
        name = Path(path).stem if self.source == "file" or take is None else take.track
        if self.pattern is None:
            return printable(name)
        pieces = [re.escape(p) for p in re.split(rf"({PLAYER}|\*)", self.pattern)]
        form = "".join({PLAYER: "(.+?)", r"\*": ".*"}.get(p, p) for p in pieces)
        found = re.fullmatch(form, name)
        return printable(found[1].strip() or name) if found else printable(name)


def check_naming(naming: Naming) -> None:
    """Raises `UsageError` for a pattern that names no player."""
    if naming.pattern is not None and naming.pattern.count(PLAYER) != 1:
        raise UsageError(
            f"name pattern '{naming.pattern}': write {PLAYER} once where the player's name "
            "stands, like 'week3-PLAYER-*'"
        )


@dataclass(frozen=True)
class Job:
    """How every take of one call is read and judged.

    `count_in` `None`: as the assignment says. `gaps` are the backing's, in file seconds;
    without a backing the assignment's own click is taken.
    """

    assignment: Assignment
    reading: Reading
    settings: Settings
    part: int = 1
    count_in: int | None = None
    gaps: tuple[GapMark, ...] = ()
    naming: Naming = Naming()


@dataclass(frozen=True)
class Checked:
    """One file's result: a verdict, or why there is none. Times in seconds."""

    path: str
    player: str
    verdict: Verdict | None
    error: str = ""
    reading_sec: float = 0.0
    analysis_sec: float = 0.0
    judging_sec: float = 0.0


def job_for(
    assignment: Assignment,
    reading: Reading,
    settings: Settings,
    part: int = 1,
    count_in: int | None = None,
    naming: Naming | None = None,
) -> Job:
    """A job with the gaps of its backing; raises `ImprovError` for a backing or values amiss."""
    check_naming(naming or Naming())
    turns = any(section.alternate is not None for section in assignment.sections)
    if part != 1 and not turns:
        raise UsageError(f"part {part}: this assignment has no alternation, so only one part")
    gaps = gap_marks(reading.backing) if reading.backing is not None else ()
    return Job(assignment, reading, settings, part, count_in, gaps, naming or Naming())


def read_for(job: Job, path: str) -> tuple[Take, Doubt | None]:
    """The take as the assignment says it was recorded, and why it can't be judged, if so.

    What the job states wins; a doubt is about the tempo (`tempo_claims`).
    """
    assignment, stated = job.assignment, job.reading
    count_in = assignment.count_in_bars if job.count_in is None else job.count_in
    reading = replace(stated, meter=stated.meter or assignment.meter, count_in_bars=count_in)
    smf, name, meters = read_smf(path), shown(path), ((0.0, assignment.meter),)
    asked = _asked_time(assignment, count_in)
    if reading.backing is not None:
        take = read_take(path, reading)
    elif reading.tempo_bpm is not None:
        take = take_from_smf(smf, name, reading)
    elif len(assignment.tempo_bpm) > 1:
        take = take_from_smf(smf, name, reading, FileTime(480, asked, meters, True, True))
    else:
        take = take_from_smf(smf, name, replace(reading, tempo_bpm=assignment.tempo_bpm[0]))
    own = None if smf.kind == 2 else file_time(smf, name)
    why = _tempo_doubt(job, take, own, asked)
    return take, Doubt("tempo", why) if why else None


def _tempo_doubt(job: Job, take: Take, own: FileTime | None, asked: TempoMap) -> str:
    """Why the take's tempo makes a verdict void; empty where it does not."""
    onset, meter = take.onset_sec, take.bars.meters[0]
    option = "--backing" if job.reading.backing is not None else "--tempo"
    stated = job.reading.backing is not None or job.reading.tempo_bpm is not None
    used = claim(take.tempo_map, onset, meter)
    if stated and differ(used.time, asked, onset):
        other, remedy = claim(asked, onset, meter), f"without {option}"
        doubt = stated_doubt(used, other, "the assignment asks", remedy, take)
        if doubt:
            return doubt
    if own is None or not own.states_tempo or not differ(used.time, own.tempo_map, onset):
        return ""
    filed = claim(own.tempo_map, onset, _own_meter(own, take))
    if not stated:
        return assumed_doubt(used, filed, take)
    return stated_doubt(used, filed, "its file says", option_text(filed, used), take)


def _own_meter(own: FileTime, take: Take) -> Meter:
    """The file's own meter; the take's where it states none, or either changes meter.

    A file cannot say how an additive meter is grouped: 9/8 may be 2+2+2+3/8.
    """
    read = take.bars.meters[0]
    meters = {meter for _, cycle in own.changes for meter in cycle}
    if not own.states_meter or len(meters) > 1 or len(take.bars.meters) > 1:
        return read
    stated = meters.pop()
    same = (stated.unit, sum(stated.groups)) == (read.unit, sum(read.groups))
    return read if same else stated


def _asked_time(assignment: Assignment, count_in: int) -> TempoMap:
    """The assignment's tempo, or its steps as if its own track had been the backing."""
    if len(assignment.tempo_bpm) == 1:
        beat = float(assignment.meter[0].tempo_beat_quarter)
        return constant_tempo(assignment.tempo_bpm[0] * beat)
    track = click_track(replace(assignment, count_in_bars=count_in))
    first = track.tempo_map.start_quarter[0]
    return replace(track.tempo_map, start_quarter=track.tempo_map.start_quarter - first)


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
        if job.gaps:
            silences = tuple(
                Silence(g.first_bar, g.last_bar, g.start_sec, g.stop_sec) for g in job.gaps
            )
        else:
            silences = silences_of(job.assignment, analysis)
        drifts, warnings = gap_drifts(analysis, silences), _warnings(job, take, doubt)
        verdict = judge(job.assignment, analysis, job.part, drifts, warnings, doubt)
    except ImprovError as error:
        return Checked(path, job.naming.player(path, None), None, printable(str(error)))
    done = time.perf_counter()
    player = job.naming.player(path, take)
    return Checked(path, player, verdict, "", read - started, analyzed - read, done - analyzed)


def _warnings(job: Job, take: Take, doubt: Doubt | None) -> tuple[str, ...]:
    """What of the take's tempo is not what the assignment asks."""
    if doubt:
        return ()
    if job.reading.tempo_bpm is None and any(
        w.startswith("The file says") and "quarter notes per minute" in w for w in take.warnings
    ):
        return ("The notes keep the assignment's tempo, whatever the file says.",)
    asked = job.assignment.tempo_at(1)
    wanted, meter = job.assignment.meter[0], take.bars.meters[0]
    quarter = float(quarter_sec_at(take.tempo_map, take.tempo_map.start_quarter[:1] * 0 + 1e-6)[0])
    played = 60.0 / (quarter * float(meter.tempo_beat_quarter))
    if meter != wanted:
        return (
            f"Played over {meter} at {played:.4g} BPM; the assignment asks for {wanted} at "
            f"{asked:g} BPM.",
        )
    if abs(played / asked - 1.0) <= SAME_TEMPO:
        return ()
    return (f"Played over {played:.4g} BPM; the assignment asks for {asked:g} BPM.",)


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
            raise UsageError(f"{shown(path)}: no MIDI files in this folder (.mid, .midi)")
        found += inside
    return found
