"""Takes as an assignment says they were recorded, and whether they can be judged as such.

A take is read at the assignment's tempo unless another is stated. Whether that was played is
asked of the notes (`tempo_claims`, `tempo_search`).
"""

from __future__ import annotations

from dataclasses import replace

from improv.assignments.clicktrack import click_track
from improv.assignments.jobs import Job
from improv.assignments.judge_case import tempi_text
from improv.assignments.model import Assignment
from improv.assignments.tempo_claims import (
    assumed_doubt,
    claim,
    differ,
    option_text,
    stated_doubt,
)
from improv.assignments.tempo_search import unstated_doubt
from improv.files import shown
from improv.meter import Meter
from improv.midi import read_smf, read_take, take_from_smf
from improv.midi_tempo import FileTime, file_time
from improv.model import Doubt, Take, TempoMap
from improv.tempo import constant_tempo, quarter_sec_at
from improv.tempo_fit import SAME_TEMPO


def read_for(job: Job, path: str) -> tuple[Take, Doubt | None]:
    """The take as the assignment says it was recorded, and why it can't be judged, if so.

    What the job states wins; a doubt is about the tempo (`tempo_claims`).
    """
    assignment, stated, before = job.assignment, job.reading, job.count_in_bars
    reading = replace(stated, meter=stated.meter or assignment.meter, count_in_bars=before)
    smf, name, meters = read_smf(path), shown(path), ((0.0, assignment.meter),)
    asked = _asked_time(assignment, before)
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
    if own is not None and not own.states_tempo and not stated:
        first_bpm = job.assignment.tempo_bpm[0] * float(meter.tempo_beat_quarter)
        return unstated_doubt(used, first_bpm, take)
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


def _asked_time(assignment: Assignment, count_in_bars: int) -> TempoMap:
    """The assignment's tempo, or its steps as if its own track had been the backing."""
    if len(assignment.tempo_bpm) == 1:
        beat = float(assignment.meter[0].tempo_beat_quarter)
        return constant_tempo(assignment.tempo_bpm[0] * beat)
    track = click_track(replace(assignment, count_in_bars=count_in_bars))
    first = track.tempo_map.start_quarter[0]
    return replace(track.tempo_map, start_quarter=track.tempo_map.start_quarter - first)


def warnings_of(job: Job, take: Take, doubt: Doubt | None) -> tuple[str, ...]:
    """What of the take's tempo is not what the assignment asks."""
    if doubt:
        return ()
    one = len(job.assignment.tempo_bpm) == 1
    as_asked = one and job.reading.tempo_bpm is None and job.reading.backing is None
    own = take.file_tempo_map
    if as_asked and own is not None and differ(take.tempo_map, own, take.onset_sec):
        return ("The notes keep the assignment's tempo, whatever the file says.",)
    asked = job.assignment.tempo_at(1)
    wanted, meter = job.assignment.meter[0], take.bars.meters[0]
    quarter = float(quarter_sec_at(take.tempo_map, take.tempo_map.start_quarter[:1] * 0 + 1e-6)[0])
    played = 60.0 / (quarter * float(meter.tempo_beat_quarter))
    if meter != wanted:
        return (
            f"Played over {meter} at {played:.4g} BPM; the assignment asks for {wanted} at "
            f"{tempi_text(job.assignment.tempo_bpm)} BPM.",
        )
    if not one:
        return _steps_warning(job, take)
    if abs(played / asked - 1.0) <= SAME_TEMPO:
        return ()
    return (f"Played over {played:.4g} BPM; the assignment asks for {asked:g} BPM.",)


def _steps_warning(job: Job, take: Take) -> tuple[str, ...]:
    """The same where the assignment's tempo steps, and the take's may."""
    asked, meter = _asked_time(job.assignment, job.count_in_bars), take.bars.meters[0]
    if not differ(take.tempo_map, asked, take.onset_sec):
        return ()
    played = claim(take.tempo_map, take.onset_sec, meter).bpm
    wanted = tempi_text(job.assignment.tempo_bpm)
    return (f"Played over {played} BPM; the assignment asks for {wanted} BPM.",)
