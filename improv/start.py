"""Finding where the beat and the downbeat of a known tempo lie, from the playing alone.

Method: slide a template of where notes usually begin in a bar (beats more often than
halves of beats, those more often than quarters or thirds, every other place rarely) over
all onsets at once, and turn the log-likelihood of each shift into a probability. Loudness
counts a little: accents fall on beats. What the notes cannot decide, the fallback does:
the first strong onset near a beat is the downbeat.

Conventions: onsets are quarter notes on any constant origin; the answer is on the same
origin. The shares below are common practice, no source: only their order matters. A
player's constant lead or lag moves the answer by as much; nobody can tell the two apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from improv.meter import Meter, cycle_quarters
from improv.model import Floats

_SHARES: tuple[tuple[int, float], ...] = ((1, 0.40), (2, 0.26), (4, 0.16), (3, 0.08))
"""(parts of a beat, share of notes begun there and nowhere coarser); the rest is anywhere."""
_IN_THREES: tuple[tuple[int, float], ...] = ((1, 0.38), (3, 0.36), (2, 0.06), (6, 0.10))
"""The same of a player on triplets."""
_COMPOUND_SHARES: tuple[tuple[int, float], ...] = ((1, 0.36), (3, 0.34), (6, 0.16), (2, 0.04))
_DOWNBEAT_BONUS = 1.5
_SCATTER_SEC = 0.022
_STEP_SEC = 0.002
_MOST_STEPS = 1 << 16
_MOST_WITNESSES = 24.0
_DEPENDENCE = 0.4
"""A player repeats himself: each onset counts as 0.4 of a witness, all as 24 at most.
So a habit of playing off the beat, however long it lasts, does not pass for certainty."""
_SURE = 0.9


@dataclass(frozen=True)
class Start:
    """Where bar 1 begins, and how sure the beat and the downbeat are (probabilities)."""

    downbeat_quarter: float
    beat_confidence: float
    downbeat_confidence: float
    from_first_strong_note: bool


def find_start(
    onset_quarter: Floats, velocity: Floats, quarter_sec: float, cycle: tuple[Meter, ...]
) -> Start:
    """The bar line nearest the first onset, given the tempo and the cycle of bars.

    `onset_quarter` ascending, at least one; `quarter_sec` the length of a quarter note.
    """
    length = cycle_quarters(cycle)
    steps = int(np.clip(np.ceil(length * quarter_sec / _STEP_SEC), 256, _MOST_STEPS))
    probability = _shift_probability(onset_quarter, velocity, quarter_sec, cycle, steps)
    best = int(np.argmax(probability))
    pulse = float(min(min(m.beat_quarters) if not m.additive else m.unit_quarter for m in cycle))
    same_pulse, same_bar = _mass_near(probability, best, length, pulse, quarter_sec)
    shift = best * length / steps
    if same_bar >= _SURE * same_pulse:
        return Start(_bar_line(onset_quarter[0], shift, cycle), same_pulse, same_bar, False)
    strong = _first_strong(onset_quarter, velocity, shift, pulse, quarter_sec)
    return Start(strong, same_pulse, same_bar, True)


def _shift_probability(
    onset_quarter: Floats,
    velocity: Floats,
    quarter_sec: float,
    cycle: tuple[Meter, ...],
    steps: int,
) -> Floats:
    length = cycle_quarters(cycle)
    loudness = np.clip(velocity / max(float(np.median(velocity)), 1.0), 0.5, 1.5)
    counts = folded(onset_quarter, length, steps, loudness)
    usual = np.log(template(cycle, steps, quarter_sec))
    spectrum = np.fft.rfft(counts) * np.conj(np.fft.rfft(usual))
    witness = min(_DEPENDENCE, _MOST_WITNESSES / len(onset_quarter))
    score = witness * np.fft.irfft(spectrum, steps)
    weight = np.exp(score - score.max())
    return np.asarray(weight / weight.sum(), dtype=np.float64)


def folded(
    at_quarter: Floats, length_quarter: float, steps: int, weight: Floats | None = None
) -> Floats:
    """Onsets laid over each other, cycle upon cycle: how many, or how much, at each step of one."""
    place = np.floor(np.mod(at_quarter / length_quarter, 1.0) * steps).astype(np.int64) % steps
    return np.bincount(place, weights=weight, minlength=steps).astype(np.float64)


def template(
    cycle: tuple[Meter, ...], steps: int, quarter_sec: float, in_threes: bool = False
) -> Floats:
    """Density of onsets over one cycle of bars (mean 1), bumps as wide as human scatter.

    With `in_threes` that of a player who mostly plays triplets where beats have two halves.
    """
    length = cycle_quarters(cycle)
    shares = _place_shares(cycle, _IN_THREES if in_threes else _SHARES)
    at = np.array([float(p) for p in shares]) / length
    share = np.array(list(shares.values()))
    width = min(_SCATTER_SEC / (length * quarter_sec), 0.25)
    spikes = np.bincount(
        np.round(at * steps).astype(np.int64) % steps, weights=share, minlength=steps
    )
    around = np.minimum(np.arange(steps), steps - np.arange(steps)) / steps
    bump = np.exp(-0.5 * (around / width) ** 2)
    spread = np.fft.irfft(np.fft.rfft(spikes) * np.fft.rfft(bump / bump.sum()), steps) * steps
    anywhere = 1.0 - sum(share for _, share in _SHARES)
    return np.asarray((1.0 - anywhere) * np.maximum(spread, 0.0) + anywhere, dtype=np.float64)


def _place_shares(
    cycle: tuple[Meter, ...], simple: tuple[tuple[int, float], ...]
) -> dict[Fraction, float]:
    """Places of the cycle in quarters with their share of onsets, adding to 1.

    `simple` is the table of simple beats.
    """
    shares: dict[Fraction, float] = {}
    bar_start = Fraction(0)
    for meter in cycle:
        table = _COMPOUND_SHARES if meter.kind == "compound" else simple
        for start, beat in zip(meter.beat_starts_quarter, meter.beat_quarters, strict=True):
            three_units = meter.additive and beat == 3 * meter.unit_quarter
            for parts, share in _COMPOUND_SHARES if three_units else table:
                new = [
                    j for j in range(parts) if bar_start + start + beat * j / parts not in shares
                ]
                for j in new:
                    shares[bar_start + start + beat * j / parts] = share / len(new)
        shares[bar_start] *= _DOWNBEAT_BONUS
        bar_start += meter.bar_quarters
    total = sum(shares.values())
    return {place: share / total for place, share in shares.items()}


def _mass_near(
    probability: Floats, best: int, length: float, pulse: float, quarter_sec: float
) -> tuple[float, float]:
    """Probability within human scatter of the best shift, up to whole pulses and outright."""
    steps = len(probability)
    away = (np.arange(steps) - best) * (length / steps)
    near = min(1.5 * _SCATTER_SEC / quarter_sec, 0.25 * pulse)
    to_pulse = np.abs(np.mod(away + pulse / 2, pulse) - pulse / 2)
    to_best = np.abs(np.mod(away + length / 2, length) - length / 2)
    same_pulse = float(probability[to_pulse <= near].sum())
    return min(same_pulse, 1.0), min(float(probability[to_best <= near].sum()), 1.0)


def _bar_line(first: float, shift: float, cycle: tuple[Meter, ...]) -> float:
    """The start of a cycle nearest the first onset; notes shortly before it are a pickup."""
    length = cycle_quarters(cycle)
    return shift + length * float(np.round((first - shift) / length))


def _first_strong(
    onset_quarter: Floats, velocity: Floats, shift: float, pulse: float, quarter_sec: float
) -> float:
    """The beat under the first onset that is near a beat and no softer than the median."""
    beat = np.round((onset_quarter - shift) / pulse)
    away_sec = np.abs(onset_quarter - shift - beat * pulse) * quarter_sec
    strong = (away_sec <= 3 * _SCATTER_SEC) & (velocity >= np.median(velocity))
    first = int(np.argmax(strong)) if strong.any() else 0
    return float(shift + beat[first] * pulse)
