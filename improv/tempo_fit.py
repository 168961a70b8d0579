"""How well a take's notes fit a tempo, the stated one or another.

Two measures. *Fit*: fold all onsets onto one bar and take the log likelihood of where notes usually
begin in it (`start.template`, of a player on halves or on thirds of the beat), at the likeliest
start. *Firmness*: how firmly the notes keep step with a tempo, whatever they play: the log
likelihood of where in the beat each falls, by a kernel density of all the others (leave one
out: Silverman 1986, *Density Estimation*, 3.4), against falling anywhere alike. Eighths lie in two
places of a right beat, and in eight or anywhere of a wrong one; notes that are eighths at one
tempo and triplets at another are as firm in both, and cannot tell.

Conventions: tempi as multiples of the stated one; fit in nats a note, firmness in nats.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from improv.meter import Meter
from improv.model import Floats, Take, TempoMap
from improv.start import folded, template
from improv.tempo import constant_tempo, quarter_sec_at, quarters_at

FEWEST_NOTES = 24
MOST_NOTES = 300
"""Notes enough to tell; more would only take longer."""
NEAR = 0.06
"""How far a tempo nearby may lie from the stated one, either way."""
WIDEST = 1.4
"""Farthest tempo looked for, as a multiple either way: no two are then double and half."""
FEW_NOTES = 96
"""Notes that are looked at to find one so far off: more only take longer."""
TEMPO_GAIN = 0.5
"""Nats a note: of all tempi nearby the best of hundreds is taken."""
MOST_JUMPS, PART_NOTES = 0.3, 16
LONG_WAIT_QUARTER, FEWEST_STARTS, START_SEC, CAUGHT_UP = 1.9, 4, 0.06, 0.8
STEP_SEC, MOST_STEPS = 0.004, 2048
"""Bars longer than eight seconds are laid out more coarsely: scatter is wider than 8 ms."""
SAME_CHORD_SEC = 0.03
DRIFT_SEC = 0.015
"""Candidate tempi are so close that notes at the end move by no more than this from one to the
next."""
MOST_TEMPI, MOST_FAR_TEMPI = 500, 900
RATIOS = (2 / 3, 3 / 4, 4 / 5, 5 / 6, 6 / 5, 5 / 4, 4 / 3, 3 / 2)
"""Even notes that keep step with a tempo keep step with these multiples of it too."""
SAME_TEMPO = 5e-3
NO_CHANCE = 8.0
"""Nats of firmness that notes at random reach about once in a thousand takes (measured)."""
FIRM_EACH, LOOSE_EACH = 0.5, 0.15
"""Nats a note with which a tempo nobody named must be kept, and the most with which the stated one
may be: notes at random reach 0.1 at the likeliest of all tempi, steady players 0.7 to 1.7."""
MANY_KEPT, MANY_EACH = 80.0, 0.1
"""Nats in all, and nats a note, that do as well in a long take of loose or dense playing: phrases
each at a rate of its own reach 12 in all, and at one rate but beginning anywhere 58 (measured)."""
FIVES, FIVES_GAIN = (4 / 5, 5 / 6, 6 / 5, 5 / 4), 1.2
"""Even notes at these tempi keep step with the stated one as every second or third of quintuplets
would, which nobody plays throughout; the gain tells them from plain quintuplets."""
KERNEL_MS = 20.0
"""Width of the kernel: about a player's spread."""
PLACES = 512
"""Places of the beat told apart."""
ANYWHERE = 0.1
"""Share of notes taken to fall anywhere (our choice)."""
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Folded:
    """A take's onsets and how well they fit: `fit(factor)` is the log likelihood a note of every
    start within a bar, were the tempo `factor` times the stated one: (kinds of playing, starts)."""

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
        steps = int(np.clip(np.ceil(bar_sec / STEP_SEC), 256, MOST_STEPS))
        return Folded(quarter, quarter_sec, meter, steps, _usual(meter, steps, quarter_sec))

    def fit(self, factor: float = 1.0) -> Floats:
        """See the class."""
        return self._likelihood(self._at(factor))

    def best(self, factor: float = 1.0) -> float:
        """The fit at the likeliest start, of the likeliest kind of playing."""
        return float(self.fit(factor).max())

    def jumps(self, factor: float) -> float:
        """How much better every few bars would fit with a start of their own, in nats a note: a
        player who drags and catches up again is at no other tempo throughout."""
        whole = self.fit(factor).max(axis=1)
        kind = int(whole.argmax())
        parts = np.array_split(self._at(factor), max(len(self.quarter) // PART_NOTES, 1))
        apart = sum(len(part) * float(self._likelihood(part)[kind].max()) for part in parts)
        return apart / len(self.quarter) - float(whole[kind])

    def catches_up(self) -> bool:
        """Whether most phrases begin with the stated beat again, wherever the last one ended.

        Phrases that begin like one another may all fit a tempo at which each comes just half a
        beat later; a wrong tempo hardly ever has them begin on the eighths of the stated one.
        """
        wait = np.diff(self.quarter, prepend=-np.inf)
        starts = self.quarter[wait > max(LONG_WAIT_QUARTER, 2.0 * float(np.median(wait)))]
        away_sec = np.abs(starts * 2.0 - np.round(starts * 2.0)) / 2.0 * self.quarter_sec
        return len(starts) >= FEWEST_STARTS and float((away_sec < START_SEC).mean()) >= CAUGHT_UP

    def first(self, notes: int) -> Folded:
        """The same of the first notes only."""
        return replace(self, quarter=self.quarter[:notes])

    @property
    def span_sec(self) -> float:
        """From the first note to the last."""
        return float(self.quarter[-1] - self.quarter[0]) * self.quarter_sec

    def _at(self, factor: float) -> Floats:
        return np.asarray(self.quarter[0] + (self.quarter - self.quarter[0]) * factor)

    def _likelihood(self, at: Floats) -> Floats:
        counts = folded(at, float(self.meter.bar_quarters), self.steps)
        likelihood = np.fft.irfft(np.fft.rfft(counts) * self.usual, self.steps)
        return np.asarray(likelihood / len(at))


@lru_cache(maxsize=32)
def _usual(meter: Meter, steps: int, quarter_sec: float) -> Complexes:
    """Spectra of where notes usually begin, one row for each kind of playing: one for all takes
    of a meter and a tempo."""
    # Beats that go in threes anyway have one template.
    every = (False,) if meter.kind == "compound" else (False, True)
    kinds = [template((meter,), steps, quarter_sec, in_threes) for in_threes in every]
    return np.asarray(np.conj(np.fft.rfft(np.log(kinds))))


def firmness(onset_sec: Floats, time: TempoMap, meter: Meter) -> float:
    """How firmly the notes keep step with a tempo, in nats; free of where the beat begins."""
    # The notes of a chord agree with each other at any tempo.
    onset = onset_sec[np.diff(onset_sec, prepend=-np.inf) > SAME_CHORD_SEC]
    if len(onset) < 2:
        return 0.0
    quarter = quarters_at(time, onset)
    beat = float(meter.tempo_beat_quarter)
    beat_ms = 1000.0 * beat * float(np.median(quarter_sec_at(time, quarter)))
    place = np.floor(np.mod(quarter / beat, 1.0) * PLACES).astype(np.int64) % PLACES
    away = np.minimum(np.arange(PLACES), PLACES - np.arange(PLACES)) / PLACES * beat_ms
    kernel = np.exp(-0.5 * (away / KERNEL_MS) ** 2)
    kernel /= kernel.mean()
    counts = np.bincount(place, minlength=PLACES)
    heaped = np.fft.irfft(np.fft.rfft(counts) * np.fft.rfft(kernel), PLACES)
    others = np.maximum(heaped[place] - kernel[0], 0.0) / (len(onset) - 1)
    # Some notes fall anywhere, in any playing.
    return float(np.log(ANYWHERE + (1.0 - ANYWHERE) * others).sum())


def tempo_nearby(notes: Folded) -> tuple[float, float]:
    """The tempo nearby that fits best, as a multiple of the stated one, and how much better, in
    nats a note, each at its likeliest start."""
    count = min(int(np.ceil(NEAR * notes.span_sec / DRIFT_SEC)), MOST_TEMPI)
    factor = np.exp(np.linspace(-NEAR, NEAR, 2 * count + 1))
    best = np.array([notes.best(f) for f in factor])
    return float(factor[best.argmax()]), float(best.max() - best[count])


def tempi_far_off(
    notes: Folded, onset_sec: Floats, quarter_bpm: float, fits: float
) -> tuple[float, ...]:
    """A tempo that the notes keep very firmly, farther from the stated one than players stray.

    As a multiple of the stated one, `quarter_bpm` quarter notes a minute, with which the notes
    keep step by `fits` nats; a second one, nearer to that, where they may be even notes of either.
    Mostly none.
    """
    found, gain = _likeliest(notes)
    kept = _firmness_of_shared(found, notes, onset_sec, quarter_bpm)
    firmest = max(kept, key=lambda factor: kept[factor])
    if abs(firmest - 1.0) < NEAR:
        return ()
    in_fives = gain >= FIVES_GAIN and any(abs(firmest / f - 1.0) <= SAME_TEMPO for f in FIVES)
    if fits >= max(NO_CHANCE, LOOSE_EACH * len(onset_sec)) and not in_fives:
        return ()
    if not _kept(notes, kept[firmest], len(onset_sec), gain, notes.jumps(firmest)):
        return ()
    as_firm = [f for f in kept if kept[f] > kept[firmest] / 2.0 and abs(f - 1.0) >= NEAR]
    nearest = min(as_firm, key=lambda factor: abs(np.log(factor)))
    return (firmest,) if nearest == firmest else (firmest, nearest)


def _kept(notes: Folded, kept: float, count: int, gain: float, jumps: float) -> bool:
    """Whether a tempo is kept too firmly for chance, by few notes or, loosely, by many."""
    if jumps >= MOST_JUMPS or notes.catches_up():
        return False
    closely = gain >= TEMPO_GAIN and kept >= max(2.0 * NO_CHANCE, FIRM_EACH * count)
    by_many = kept >= max(MANY_KEPT, MANY_EACH * count) and jumps < gain / 2.0
    return closely or (by_many and gain * len(notes.quarter) >= MANY_KEPT)


def _likeliest(notes: Folded) -> tuple[float, float]:
    """The tempo that fits best, as a multiple of the stated one, and how much better."""
    few = notes.first(FEW_NOTES)
    count = min(int(np.ceil(np.log(WIDEST) * few.span_sec / DRIFT_SEC)), MOST_FAR_TEMPI)
    factors = np.exp(np.linspace(-np.log(WIDEST), np.log(WIDEST), 2 * count + 1))
    rough = float(factors[np.argmax([few.best(f) for f in factors])])
    # Over all notes a smaller difference tells.
    step = (factors[1] / factors[0] - 1.0) * len(few.quarter) / len(notes.quarter)
    near = rough * (1.0 + step * np.arange(-8, 9))
    best = np.array([notes.best(f) for f in near])
    return float(near[best.argmax()]), float(best.max() - notes.best())


def _firmness_of_shared(
    likeliest: float, notes: Folded, onset_sec: Floats, quarter_bpm: float
) -> dict[float, float]:
    """How firmly the likeliest tempo is kept, and those that even notes share with it."""
    fit = notes.best(likeliest)
    return {
        factor: firmness(onset_sec, constant_tempo(quarter_bpm * factor), notes.meter)
        for factor in (likeliest, *(likeliest * ratio for ratio in RATIOS))
        if factor == likeliest
        or (abs(np.log(factor)) <= np.log(WIDEST) and notes.best(factor) > fit - TEMPO_GAIN)
    }
