"""What a reading rests on: do the notes fit the tempo and the start that were stated?

Method: how well the notes fit (`tempo_fit`) at the stated tempo and start, at any other start, at
the tempo the file itself states, at tempi a little faster and slower, and far off at those that the
notes keep very firmly. A take that fits one of those far better was very likely stated wrongly,
or else the player is far off throughout: the sentences say both. Other tempi are tried only for
takes that fit badly: it takes some time. Other starts must fit better than any that a player's
habit could make of this one: who lies 40 ms ahead of sixteenths lies near two starts.

Measured on human takes to a click: at the right tempo no other gains more than 0.02 nats a note;
one per cent off loses about 1, the tempo of another file 0.3 to 1.7. Other starts gain up to 0.14
over all within a habit's reach, four bars at a time, and 0.2 in one or two; wrong ones in sparse
playing up to 1, in dense playing often nothing: they cannot be told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv.model import Doubt, Take
from improv.tempo import quarter_sec_at
from improv.tempo_fit import (
    MOST_JUMPS,
    NEAR,
    TEMPO_GAIN,
    Folded,
    firmness,
    tempi_far_off,
    tempo_nearby,
)

FILE_TEMPO_GAIN = 0.3
"""Nats a note; the file's tempo is one candidate, of those nearby the best of hundreds is taken."""
START_GAIN, FEWEST_FOR_START = 0.35, 32
LEAST_SHIFT_SEC = 0.06
"""No player is this far from the beat by habit (`hand.CENTER_PRIOR_MS`)."""
OFFBEAT = 0.4
"""A shift of about half a pulse is playing on the offbeats, not a wrong start."""


def suspicion(take: Take, fits_badly: bool) -> Doubt | None:
    """A tempo or a start that the notes speak against; `None` for most takes."""
    notes = Folded.of(take)
    if notes is None:
        return None
    if fits_badly and (written := _file_tempo(take, notes)):
        return Doubt(
            "tempo",
            f"The notes fit the file's own tempo of {written} BPM far better than "
            f"{take.tempo_bpm:.4g}: if that was the backing's tempo, state no other; if not, make "
            "sure of the one stated.",
        )
    factors = _other_tempi(take, notes) if fits_badly else ()
    if factors:
        return Doubt("tempo", _other_tempi_words(take.tempo_bpm, factors))
    shift_pulse, shift_sec, gain = other_start(notes)
    enough = len(notes.quarter) >= FEWEST_FOR_START and gain > START_GAIN
    if enough and abs(shift_sec) > LEAST_SHIFT_SEC and abs(shift_pulse) < OFFBEAT:
        return Doubt(
            "start",
            f"The notes lie steadily {abs(shift_sec) * 1000:.0f} ms "
            f"{'behind' if shift_sec > 0 else 'ahead of'} every beat: bar 1 probably begins "
            "elsewhere. State the start, or have it found.",
        )
    return None


def _other_tempi(take: Take, notes: Folded) -> tuple[float, ...]:
    """Steady tempi that the notes fit far better than the stated one, as multiples of it."""
    fits = firmness(take.onset_sec, take.tempo_map, notes.meter)
    far = tempi_far_off(notes, take.onset_sec, 60.0 / notes.quarter_sec, fits)
    factor, gain = tempo_nearby(notes)
    if far and max(notes.best(f) for f in far) > notes.best(factor) + TEMPO_GAIN:
        return far
    if gain > TEMPO_GAIN and notes.jumps(factor) < MOST_JUMPS and not notes.catches_up():
        return (factor,)
    return far


def _other_tempi_words(stated_bpm: float, factors: tuple[float, ...]) -> str:
    tempi = " or ".join(f"{stated_bpm * factor:.1f}" for factor in factors)
    if abs(factors[0] - 1.0) <= NEAR:
        playing = f"the playing {'rushes' if factors[0] > 1.0 else 'drags'} throughout"
    else:
        playing = "the playing is at another tempo throughout"
    return (
        f"The notes fit a steady {tempi} BPM far better than {stated_bpm:.4g}: if that was "
        f"the backing's tempo, state it; if not, {playing}."
    )


def _file_tempo(take: Take, notes: Folded) -> str | None:
    """The tempo in the take's own file in words, where another is used and fits far worse."""
    if take.file_tempo_map is None:
        return None
    written = Folded.of(replace(take, tempo_map=take.file_tempo_map))
    if written is None or written.jumps(1.0) >= MOST_JUMPS:
        return None
    if written.best() - notes.best() <= FILE_TEMPO_GAIN:
        return None
    used_sec = quarter_sec_at(take.file_tempo_map, written.quarter)
    bpm = 60.0 / (used_sec * float(notes.meter.tempo_beat_quarter))
    low, high = f"{bpm.min():.4g}", f"{bpm.max():.4g}"
    return low if low == high else f"{low} to {high}"


def other_start(notes: Folded) -> tuple[float, float, float]:
    """How much later beats would lie at the likeliest start, in pulses (half a one at most either
    way) and seconds, and how much better that fits than any start within a player's habit of the
    stated one, in nats a note."""
    likelihood = notes.fit().max(axis=0)
    best, meter = int(likelihood.argmax()), notes.meter
    bar, pulse = (
        float(meter.bar_quarters),
        float(meter.unit_quarter if meter.additive else min(meter.beat_quarters)),
    )
    shift = (best * bar / notes.steps / pulse + 0.5) % 1.0 - 0.5
    around = np.minimum(np.arange(notes.steps), notes.steps - np.arange(notes.steps))
    habit = around * bar / notes.steps * notes.quarter_sec <= LEAST_SHIFT_SEC
    gain = float(likelihood[best] - likelihood[habit].max())
    return shift, shift * pulse * notes.quarter_sec, gain
