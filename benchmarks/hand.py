"""A simulated hand: plays a notated line at the tempo of its trade, straying as people stray.

The hand is late or early by a constant of its own, N(0, 12 ms); around it the deviations
remember each other (AR(1), rho 0.5) and one note in fifty strays three times as far. The
onset order never changes: a note follows the one before by at least 15 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from benchmarks.corpus import Tune, meter
from improv.meter import Meter
from improv.model import Bars, Floats, Ints, Take
from improv.tempo import constant_tempo, lay_bars, seconds_at

RHO = 0.5
OFFSET_SD_MS = 12.0
FUMBLE_SHARE, FUMBLE_FACTOR = 0.02, 3.0
CLOSEST_SEC = 0.015

# Beats of the meter per minute, as each is played: common practice, no source.
# Dances in 2/2 and 2/4 are counted in two, in 4/4 in four.
_DANCE_IN_TWO = {"reel": (100, 112), "hornpipe": (70, 90), "strathspey": (60, 70), "rag": (80, 100)}
_BEATS = {"jig": (100, 125), "slip jig": (100, 125), "chorale": (60, 90)}
_BY_BEAT = {  # length of the counted beat in quarters: range
    Fraction(1, 2): (100, 140),
    Fraction(1): (80, 120),
    Fraction(3, 2): (60, 90),
    Fraction(2): (60, 90),
    Fraction(3): (40, 60),
}


@dataclass(frozen=True)
class Played:
    """A take and what was notated: per note its bar, its beat in the bar, its exact place in it.

    `beat` numbers beats from bar 1 beat 1; `in_beat` is the fraction of that beat.
    """

    tune: Tune
    take: Take
    bar: Ints
    beat: Ints
    in_beat: tuple[Fraction, ...]

    @property
    def position_beat(self) -> Floats:
        """Notated positions in beats from bar 1 beat 1."""
        return self.beat + np.array([float(f) for f in self.in_beat])


def beats_per_minute(genre: str, m: Meter) -> tuple[float, float]:
    """Range of tempi, in the beats a tempo counts in this meter."""
    if genre in _DANCE_IN_TWO:
        low, high = _DANCE_IN_TWO[genre]
        return (2 * low, 2 * high) if m.beats == 4 else (low, high)
    if genre in _BEATS:
        return _BEATS[genre]
    if m.additive:
        return (100, 150)
    return _BY_BEAT.get(m.tempo_beat_quarter, (60, 100))


def bar_lines(tune: Tune) -> Bars:
    """The bars under a tune; bar 0 holds its pickup."""
    meters = [meter(text) for text in tune.meters]
    at = -meters[0].bar_quarters if tune.pickup else Fraction(0)
    changes = []
    for i, m in enumerate(meters):
        if i == 0 or (i == 1 and tune.pickup) or m != meters[i - 1]:
            changes.append((float(at), (m,)))
        at += m.bar_quarters
    return lay_bars(tuple(changes), changes[0][0], float(at))


def straying_ms(count: int, spread_ms: float, rng: np.random.Generator) -> Floats:
    """Deviations with memory and heavy tails around a constant of the hand's own."""
    step = spread_ms * np.sqrt(1.0 - RHO**2)
    noise = rng.normal(0.0, step, count)
    out = np.empty(count)
    before = rng.normal(0.0, spread_ms)
    for i in range(count):
        before = RHO * before + noise[i]
        out[i] = before
    fumbled = rng.random(count) < FUMBLE_SHARE
    out[fumbled] += rng.normal(0.0, FUMBLE_FACTOR * spread_ms, int(fumbled.sum()))
    return out + rng.normal(0.0, OFFSET_SD_MS)


def play(tune: Tune, spread_ms: float, rng: np.random.Generator) -> Played:
    """One performance of a tune."""
    bars = bar_lines(tune)
    bar, beat, in_beat, quarter = _notated(tune, bars)
    m = meter(tune.main_meter)
    bpm = rng.uniform(*beats_per_minute(tune.genre, m))
    lead_in_sec = 1.0 - float(bars.start_quarter[0]) * 60.0 / (bpm * float(m.tempo_beat_quarter))
    tempo_map = constant_tempo(bpm * float(m.tempo_beat_quarter), lead_in_sec)
    onset = seconds_at(tempo_map, quarter) + straying_ms(len(quarter), spread_ms, rng) / 1000.0
    for i in range(1, len(onset)):
        onset[i] = max(onset[i], onset[i - 1] + CLOSEST_SEC)
    release = onset + 0.9 * np.diff(onset, append=onset[-1] + 0.3)
    n = len(onset)
    take = Take(
        name=tune.source, track="line", onset_sec=onset, release_sec=release,
        pitch=np.full(n, 67), velocity=np.full(n, 80), released=np.ones(n, dtype=np.bool_),
        tempo_map=tempo_map, bars=bars, meter_text=tune.main_meter, tempo_bpm=bpm,
    )  # fmt: skip
    return Played(tune, take, bar, beat, in_beat)


def _notated(tune: Tune, bars: Bars) -> tuple[Ints, Ints, tuple[Fraction, ...], Floats]:
    """Bar index, beat number, place in the beat and quarter position of every onset."""
    bar, beat, in_beat, quarter = [], [], [], []
    for b, onsets in enumerate(tune.onsets):
        m = meter(tune.meters[b])
        for t in onsets:
            k = max(i for i, start in enumerate(m.beat_starts_quarter) if start <= t)
            bar.append(b)
            beat.append(int(bars.first_beat[b]) + k)
            in_beat.append((t - m.beat_starts_quarter[k]) / m.beat_quarters[k])
            quarter.append(float(bars.start_quarter[b]) + float(t))
    return np.array(bar), np.array(beat), tuple(in_beat), np.array(quarter)
