"""What a reading rests on: do the notes fit the tempo and the start that were stated?

Method: fold all onsets onto one bar and take the log likelihood of where notes usually begin
in it (`start.template`), at the stated tempo and start, at any other start, at the tempo the
file itself states, and at tempi a little faster and slower. A take that fits one of those far
better, by so many nats a note, was very likely stated wrongly, or else the player is far off
throughout: the sentences say both. Other tempi are tried only for takes that fit badly: it takes
some time. Other starts must fit better than any that a player's habit could make of this one: who
lies 40 ms ahead of sixteenths lies near two starts.

Measured on human takes to a click: at the right tempo no other gains more than 0.02 nats a note;
one per cent off loses about 1, the tempo of another file 0.3 to 1.7. Other starts gain up to 0.14
over all within a habit's reach, four bars at a time, and 0.2 in one or two; wrong ones in sparse
playing up to 1, in dense playing often nothing: they cannot be told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from improv.meter import Meter
from improv.model import Doubt, Floats, Take
from improv.start import folded, template
from improv.tempo import quarter_sec_at, quarters_at

FEWEST_NOTES = 24
MOST_NOTES = 300
"""Notes enough to tell; more would only take longer."""
WIDEST_TEMPO = 0.06
TEMPO_GAIN, FILE_TEMPO_GAIN = 0.5, 0.3
"""Nats a note; the file's tempo is one candidate, of those nearby the best of hundreds is taken."""
MOST_JUMPS, PART_NOTES = 0.3, 16
LONG_WAIT_QUARTER, FEWEST_STARTS, START_SEC, CAUGHT_UP = 1.9, 4, 0.06, 0.8
START_GAIN, FEWEST_FOR_START = 0.35, 32
LEAST_SHIFT_SEC = 0.06
"""No player is this far from the beat by habit (`hand.CENTER_PRIOR_MS`)."""
OFFBEAT = 0.4
"""A shift of about half a pulse is playing on the offbeats, not a wrong start."""
STEP_SEC = 0.004
SAME_CHORD_SEC = 0.03
DRIFT_SEC = 0.015
"""Candidate tempi are so close that notes at the end move by no more than this from one to the
next."""
MOST_TEMPI = 500
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Folded:
    """A take's onsets and how well they fit: `fit(factor)` is the log likelihood a note of every
    start within a bar, were the tempo `factor` times the stated one."""

    quarter: Floats
    quarter_sec: float
    meter: Meter
    steps: int
    usual: Complexes

    @staticmethod
    def of(take: Take) -> Folded | None:
        """`None` for too few notes, or bars that change meter."""
        quarter = quarters_at(take.tempo_map, take.onset_sec)
        fresh = np.diff(take.onset_sec, prepend=-np.inf) > SAME_CHORD_SEC
        quarter = quarter[fresh][:MOST_NOTES]
        if len(quarter) < FEWEST_NOTES or len(take.bars.meters) > 1:
            return None
        meter = take.bars.meters[0]
        quarter_sec = float(quarter_sec_at(take.tempo_map, quarter[:1])[0])
        bar_sec = float(meter.bar_quarters) * quarter_sec
        steps = int(np.clip(np.ceil(bar_sec / STEP_SEC), 256, 1 << 14))
        return Folded(quarter, quarter_sec, meter, steps, _usual(meter, steps, quarter_sec))

    def fit(self, factor: float) -> Floats:
        """See the class."""
        return self._likelihood(self._at(factor))

    def jumps(self, factor: float) -> float:
        """How much better every few bars would fit with a start of their own, in nats a note: a
        player who drags and catches up again is at no other tempo throughout."""
        parts = np.array_split(self._at(factor), max(len(self.quarter) // PART_NOTES, 1))
        apart = sum(len(part) * float(self._likelihood(part).max()) for part in parts)
        return apart / len(self.quarter) - float(self.fit(factor).max())

    def catches_up(self) -> bool:
        """Whether most phrases begin with the stated beat again, wherever the last one ended.

        Phrases that begin like one another may all fit a tempo at which each comes just half a
        beat later; a wrong tempo hardly ever has them begin on the eighths of the stated one.
        """
        wait = np.diff(self.quarter, prepend=-np.inf)
        starts = self.quarter[wait > max(LONG_WAIT_QUARTER, 2.0 * float(np.median(wait)))]
        away_sec = np.abs(starts * 2.0 - np.round(starts * 2.0)) / 2.0 * self.quarter_sec
        return len(starts) >= FEWEST_STARTS and float((away_sec < START_SEC).mean()) >= CAUGHT_UP

    def _at(self, factor: float) -> Floats:
        return np.asarray(self.quarter[0] + (self.quarter - self.quarter[0]) * factor)

    def _likelihood(self, at: Floats) -> Floats:
        counts = folded(at, float(self.meter.bar_quarters), self.steps)
        likelihood = np.fft.irfft(np.fft.rfft(counts) * self.usual, self.steps)
        return np.asarray(likelihood / len(at))


@lru_cache(maxsize=32)
def _usual(meter: Meter, steps: int, quarter_sec: float) -> Complexes:
    """Spectrum of where notes usually begin: one for all takes of a meter and a tempo."""
    return np.asarray(np.conj(np.fft.rfft(np.log(template((meter,), steps, quarter_sec)))))


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
    factor, gain = other_tempo(notes) if fits_badly else (1.0, 0.0)
    if gain > TEMPO_GAIN and notes.jumps(factor) < MOST_JUMPS and not notes.catches_up():
        return Doubt(
            "tempo",
            f"The notes fit a steady {take.tempo_bpm * factor:.1f} BPM far better than "
            f"{take.tempo_bpm:.4g}: if that was the backing's tempo, state it; if not, the playing "
            f"{'rushes' if factor > 1.0 else 'drags'} throughout.",
        )
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


def _file_tempo(take: Take, notes: Folded) -> str | None:
    """The tempo in the take's own file in words, where another is used and fits far worse."""
    if take.file_tempo_map is None:
        return None
    written = Folded.of(replace(take, tempo_map=take.file_tempo_map))
    if written is None or written.jumps(1.0) >= MOST_JUMPS:
        return None
    if float(written.fit(1.0).max() - notes.fit(1.0).max()) <= FILE_TEMPO_GAIN:
        return None
    used_sec = quarter_sec_at(take.file_tempo_map, written.quarter)
    bpm = 60.0 / (used_sec * float(notes.meter.tempo_beat_quarter))
    low, high = f"{bpm.min():.4g}", f"{bpm.max():.4g}"
    return low if low == high else f"{low} to {high}"


def other_start(notes: Folded) -> tuple[float, float, float]:
    """How much later beats would lie at the likeliest start, in pulses (half a one at most either
    way) and seconds, and how much better that fits than any start within a player's habit of the
    stated one, in nats a note."""
    likelihood = notes.fit(1.0)
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


def other_tempo(notes: Folded) -> tuple[float, float]:
    """The tempo that fits best, as a multiple of the stated one, and how much better, in nats a
    note, each at its likeliest start."""
    span_sec = float(notes.quarter[-1] - notes.quarter[0]) * notes.quarter_sec
    count = min(int(np.ceil(WIDEST_TEMPO * span_sec / DRIFT_SEC)), MOST_TEMPI)
    factor = np.exp(np.linspace(-WIDEST_TEMPO, WIDEST_TEMPO, 2 * count + 1))
    best = np.array([notes.fit(f).max() for f in factor])
    return float(factor[best.argmax()]), float(best.max() - best[count])
