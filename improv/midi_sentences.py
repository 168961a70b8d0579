"""What a user is told of how a file was read: found starts, disagreements, what was assumed.

Conventions: whole sentences, of the take's own file or, where there is one, of the backing. A
MIDI tempo counts quarter notes; where the beat is another, both are told.
"""

from __future__ import annotations

import numpy as np

from improv.counting import counted
from improv.errors import TakeError
from improv.meter import Meter, meter_text
from improv.midi_notes import TickNotes, distinct, raster_tick
from improv.midi_tempo import ClickMark, FileTime
from improv.model import Bars, Floats, Reading, TempoMap
from improv.start import Start
from improv.tempo import Change, bar_index, lay_bars, quarter_sec_at, quarters_at, seconds_at

COARSE_RASTER_SEC = 0.010
FEWEST_FOR_RASTER = 8
_SAME_TEMPO = 5e-4
_EARLY_QUARTER = 0.125
"""A note so little before a bar line may be an early one of the bar after it."""


def found_sentence(tempo_map: TempoMap, downbeat: float, found: Start) -> str:
    at_sec = float(seconds_at(tempo_map, np.array([downbeat]))[0])
    bar = (
        "where bars begin is unclear, so the first strong note counts as a downbeat"
        if found.from_first_strong_note
        else f"that it begins a bar, {_sure(found.downbeat_confidence)}"
    )
    return (
        f"The first downbeat was found from the playing at {at_sec:.3f} s (that it is a beat is "
        f"{_sure(found.beat_confidence)} sure; {bar}). A constant lead or lag of the player hides "
        "in it; state the start to be sure of both."
    )


def _sure(probability: float) -> str:
    """Whole per cent, 99 at most: what is inferred from playing is never certain."""
    return f"{min(round(100 * probability), 99)} %"


def disagreements(
    base: FileTime, reading: Reading, meter: Meter, last_onset_sec: float
) -> list[str]:
    """Sentences on what the file says and what was stated instead, where they differ."""
    found = []
    says = f"The {_source(reading)} says"
    if reading.tempo_bpm is not None and base.states_tempo:
        stated = reading.tempo_bpm * float(meter.tempo_beat_quarter)
        file_bpm = 60.0 / base.tempo_map.quarter_sec
        if np.abs(file_bpm / stated - 1.0).max() > _SAME_TEMPO:
            found.append(
                f"{says} {_span(file_bpm, meter)}; the stated "
                f"{_span(np.array([stated]), meter)} is used."
            )
    if reading.meter is not None and base.states_meter:
        end = float(quarters_at(base.tempo_map, np.array([last_onset_sec]))[0])
        written = _bars_in_file(base.changes, end)
        # A stated cycle begins with the count-in, and again with bar 1.
        parts = written[: reading.bars_before], written[reading.bars_before :]
        if not all(_alternate_as(part, reading.meter) for part in parts):
            in_file = ", ".join(sorted(set(written))[:4])
            order = (
                " in another order" if set(written) == set(map(_signature, reading.meter)) else ""
            )
            found.append(
                f"{says} {in_file}{order}; the stated {meter_text(reading.meter)} is used."
            )
    return found


def _bars_in_file(changes: tuple[Change, ...], end: float) -> list[str]:
    """The time signature of every bar the file lays out up to quarter `end`."""
    try:
        bars = lay_bars(changes, 0.0, end)
    except TakeError:  # more bars than a take can have: the signatures alone then
        return [_signature(m) for at, cycle in changes if at <= end for m in cycle]
    signatures = [_signature(meter) for meter in bars.meters]
    return [signatures[m] for m in bars.meter.tolist()]


def _alternate_as(says: list[str], cycle: tuple[Meter, ...]) -> bool:
    """Whether bars run through a stated cycle in order, begun anywhere in it."""
    stated = [_signature(meter) for meter in cycle]
    return any(
        all(bar == stated[(i + first) % len(stated)] for i, bar in enumerate(says))
        for first in range(len(stated))
    )


def own_tempo(own: FileTime, backing: FileTime, meter: Meter, reading: Reading) -> tuple[str, ...]:
    """A sentence if the take's own file states another tempo than the one it is laid on."""
    used, whose = 60.0 / backing.tempo_map.quarter_sec, "backing's"
    if reading.tempo_bpm is not None:
        used, whose = np.array([reading.tempo_bpm * float(meter.tempo_beat_quarter)]), "stated"
    own_bpm = 60.0 / own.tempo_map.quarter_sec
    same = len(own_bpm) == len(used) and np.allclose(own_bpm, used, rtol=_SAME_TEMPO)
    if not own.states_tempo or same:
        return ()
    says = f"The take's own file says {_span(own_bpm, meter)}"
    return (f"{says}; the {whose} {_span(used, meter)} is used.",)


def assumptions(base: FileTime, reading: Reading) -> tuple[str, ...]:
    """What the tempo rests on, where nobody stated it and the file does not plainly say."""
    if reading.tempo_bpm is not None:
        return ()
    if base.tempo_warnings or base.states_tempo:
        return base.tempo_warnings
    return (
        f"The {_source(reading)} states no tempo; 120 quarter notes per minute is assumed, as the "
        "MIDI file standard says. State the tempo if the backing had another.",
    )


def count_in_sentence(mark: ClickMark) -> str:
    """That bar 1 lies where the click in the take's own file says."""
    bars = counted(mark.count_in_bars, "bar")
    return (
        f"The file holds a click of 'improv click' with {bars} of count-in, so bar 1 comes after "
        f"{'it' if mark.count_in_bars == 1 else 'them'}. State the count-in if it was another."
    )


def before_bar_one(bars: Bars, at_quarter: Floats, reading: Reading) -> tuple[str, ...]:
    """A question about the count-in and the start where more than a pickup lies before bar 1."""
    if float(at_quarter[-1]) < 0.0:
        return ("Every note lies before bar 1: are the count-in and the start right?",)
    first = int(bars.number[bar_index(bars, at_quarter[:1] + _EARLY_QUARTER)[0]])
    if first >= 0:
        return ()
    count = reading.bars_before
    count_in = f"the count-in of {counted(count, 'bar')}" if count else ""
    start = "the start" if reading.start_sec is not None else ""
    asked = " and ".join(filter(None, (count_in, start))) or "the start"
    are = "are" if " and " in asked else "is"
    before = int((at_quarter < -_EARLY_QUARTER).sum())
    lie = "lies" if before == 1 else "lie"
    notes = f"{counted(before, 'note')} {lie} before bar 1"
    return (f"{notes}, from bar {first} on: {are} {asked} right?",)


def raster(notes: TickNotes, own: FileTime, onset_sec: Floats) -> tuple[str, ...]:
    """A sentence if all onsets lie on a raster too coarse to show a hand's timing.

    The raster is one of ticks: in time it is as wide as the file's tempo makes it.
    """
    if len(distinct(notes.onset_tick[notes.onset_tick > 0])) < FEWEST_FOR_RASTER:
        return ()
    step = raster_tick(notes) / own.ticks_per_quarter
    step_sec = step * quarter_sec_at(own.tempo_map, quarters_at(own.tempo_map, onset_sec))
    low, high = 1000 * float(step_sec.min()), 1000 * float(step_sec.max())
    if low < 1000 * COARSE_RASTER_SEC:
        return ()
    wide = f"{low:.0f} ms"
    if round(low) != round(high):
        wide = f"{step:.3g} of a quarter note ({low:.0f} to {high:.0f} ms, as the tempo goes)"
    return (
        f"All notes lie on a raster of {wide}: the file was quantized or recorded that coarsely, "
        "and whatever timing was finer is lost.",
    )


def _source(reading: Reading) -> str:
    """Where tempo and meter come from when they are not stated."""
    return "file" if reading.backing is None else "backing"


def _signature(meter: Meter) -> str:
    return f"{sum(meter.groups)}/{meter.unit}"


def _span(quarter_bpm: Floats, meter: Meter) -> str:
    """A tempo or a range of tempi, in beats too where the beat is not the quarter."""
    text = f"{_range(quarter_bpm)} quarter notes per minute"
    beat = float(meter.tempo_beat_quarter)
    return text if beat == 1.0 else f"{text} ({_range(quarter_bpm / beat)} beats of the meter)"


def _range(bpm: Floats) -> str:
    low, high = f"{round(float(bpm.min()), 2):g}", f"{round(float(bpm.max()), 2):g}"
    return low if low == high else f"{low} to {high}"
