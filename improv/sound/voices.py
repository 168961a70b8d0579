"""What one stroke sounds like: a plucked string, a few drums, wooden clicks. numpy only.

Conventions: waveforms are float32, peak 1, starting at the stroke and near 0 within the
first sample, so that no stroke begins with a step. Every partial lies below `TOP_SHARE`
of the sample rate (band-limited: nothing folds back). The same stroke gives the same samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]

TOP_SHARE = 0.45
TOP_HZ = 5000.0
"""No partial above: softer on the ear through headphones."""
RING_SEC = 4.0
ATTACK_SEC = 0.001
CLICK_SEC = 0.08
PLUCK_AT = 0.18
"""Where the string is plucked, as a share of its length: mutes every partial near 1/0.18."""
MOST_PARTIALS = 40
PICK_LEVEL = 0.35
PICK_SEC = 0.0015


@dataclass(frozen=True)
class Click:
    """One kind of click: its pitch, how fast it dies away, its share of hiss, its level.

    In MIDI files it is the General MIDI percussion sound nearest to it, struck at `velocity`.
    """

    kind: str
    pitch_hz: float
    decay_sec: float
    hiss: float
    level: float
    drum: int
    velocity: int


CLICKS: tuple[Click, ...] = (
    Click("downbeat", 1760.0, 0.016, 0.10, 1.00, 76, 112),
    Click("group", 1480.0, 0.014, 0.08, 0.85, 76, 96),
    Click("beat", 1110.0, 0.013, 0.06, 0.70, 77, 80),
    Click("subdivision", 780.0, 0.009, 0.04, 0.32, 37, 56),
    Click("other subdivision", 2350.0, 0.005, 0.60, 0.32, 42, 56),
    Click("announce", 2640.0, 0.030, 0.00, 0.60, 56, 72),
)
"""Add a row to add a click. Drums: high and low wood block, side stick, closed hi-hat, cowbell.
Levels: accents stand out by about 3 dB, subdivisions stay under."""

CLICK_ROW = {click.kind: row for row, click in enumerate(CLICKS)}


def pluck(pitch: int, length_sec: float, rate: int) -> Samples:
    """A plucked string at a MIDI pitch: decaying partials, the higher the sooner gone.

    A touch of hiss, gone after some 5 ms, is the pick: it makes the onset plain to the ear.
    A pitch too high for the sample rate sounds in the next lower octave that fits.
    """
    pitch_hz = 440.0 * 2.0 ** ((pitch - 69) / 12)
    while pitch_hz > TOP_SHARE * rate:
        pitch_hz /= 2
    time = _time(min(length_sec, RING_SEC), rate)
    fitting = int(min(TOP_HZ, TOP_SHARE * rate) / pitch_hz)
    number = np.arange(1, min(max(fitting, 1), MOST_PARTIALS) + 1)
    fade = 1.6 * (pitch_hz / 220.0) ** 0.35
    wave = np.zeros(len(time))
    for k in number.tolist():
        strength = np.sin(np.pi * k * PLUCK_AT) / k
        rate_of_decay = fade * (1 + 0.35 * (k - 1))
        heard = min(len(time), int(9.0 / rate_of_decay * rate) + 1)
        t = time[:heard]
        wave[:heard] += strength * np.exp(-rate_of_decay * t) * np.sin(2 * np.pi * k * pitch_hz * t)
    wave /= np.abs(wave).max()
    wave += PICK_LEVEL * _hiss(len(time), pitch) * np.exp(-time / PICK_SEC)
    return _shaped(wave, rate)


def click(row: int, rate: int) -> Samples:
    """A click of `CLICKS[row]`: a short wooden tone with a little hiss."""
    kind = CLICKS[row]
    time = _time(CLICK_SEC, rate)
    tone = np.sin(2 * np.pi * kind.pitch_hz * time)
    if 2.7 * kind.pitch_hz < TOP_SHARE * rate:
        tone += 0.3 * np.sin(2 * np.pi * 2.7 * kind.pitch_hz * time) * np.exp(-time / 0.004)
    tone = (1 - kind.hiss) * tone + kind.hiss * _hiss(len(time), row)
    return _shaped(tone * np.exp(-time / kind.decay_sec), rate)


_KICKS, _SNARES, _HATS = (35, 36), (37, 38, 39, 40), (42, 44, 54, 69, 70, 82)
_CYMBALS, _TOMS = (46, 49, 51, 52, 53, 55, 57, 59), (41, 43, 45, 47, 48, 50)


def drum(pitch: int, rate: int) -> Samples:
    """A drum of General MIDI's percussion table, in a few families; others knock like wood."""
    if pitch in _KICKS:
        return _skin(120.0, 48.0, 0.09, 0.05, pitch, rate)
    if pitch in _SNARES:
        return _skin(230.0, 185.0, 0.05, 0.75, pitch, rate)
    if pitch in _TOMS:
        hz = 80.0 * 2.0 ** ((pitch - 41) / 12)
        return _skin(1.5 * hz, hz, 0.16, 0.08, pitch, rate)
    if pitch in _HATS or pitch in _CYMBALS:
        time = _time(0.09 if pitch in _HATS else 0.9, rate)
        decay_sec = 0.018 if pitch in _HATS else 0.22
        return _shaped(_hiss(len(time), pitch) * np.exp(-time / decay_sec), rate)
    hz = 400.0 * 2.0 ** ((pitch % 24) / 12)
    time = _time(0.12, rate)
    return _shaped(np.sin(2 * np.pi * hz * time) * np.exp(-time / 0.02), rate)


def _skin(
    start_hz: float, end_hz: float, decay_sec: float, hiss: float, seed: int, rate: int
) -> Samples:
    """A struck skin: a tone that falls to its pitch, with some hiss."""
    time = _time(6 * decay_sec, rate)
    sinking = 2 * np.pi * (end_hz * time - (start_hz - end_hz) * 0.02 * np.expm1(-time / 0.02))
    tone = (1 - hiss) * np.sin(sinking) + hiss * _hiss(len(time), seed)
    return _shaped(tone * np.exp(-time / decay_sec), rate)


def _time(length_sec: float, rate: int) -> NDArray[np.float64]:
    return np.arange(max(int(np.ceil(length_sec * rate)), 2), dtype=np.float64) / rate


def _hiss(count: int, seed: int) -> NDArray[np.float64]:
    """Seeded noise without its low part, within about -1 to 1."""
    noise = np.random.default_rng(seed).uniform(-1.0, 1.0, count + 1)
    return np.asarray(np.diff(noise) / 2)


def _shaped(wave: NDArray[np.float64], rate: int) -> Samples:
    """A soft start and end, and peak 1."""
    rise = max(int(ATTACK_SEC * rate), 1)
    fall = min(len(wave) // 2, int(0.01 * rate))
    wave = wave.copy()
    rise = min(rise, len(wave))
    wave[:rise] *= _ramp(rise)
    if fall:
        wave[-fall:] *= _ramp(fall)[::-1]
    return np.asarray(wave / max(float(np.abs(wave).max()), 1e-12), dtype=np.float32)


def _ramp(count: int) -> NDArray[np.float64]:
    """Rises from 0 to 1 without a corner."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.arange(count) / count))
