"""Strokes to samples: every stroke laid at its sample, one gain over all, nothing clipped.

Conventions: `improv.sound`. Sound is (samples, 2) float32. A stroke begins at the sample
nearest its onset (11 µs off at most at 44.1 kHz). A note is damped at its end by a
ramp of `RELEASE_SEC`, never cut. The whole sound is scaled by one gain so that its
largest sample is `PEAK`: no limiter, no distortion, no clipping.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Protocol

import numpy as np

from improv.sound.score import CLICK, DRUM, PLUCKED, Score
from improv.sound.voices import Samples, click, drum, pluck

RATE = 44100
PEAK = 0.5
"""-6 dB full scale: room for what players and converters add."""
RELEASE_SEC = 0.02
TAIL_SEC = 0.3
BLOCK_SEC = 20.0

Told = Callable[[float], None]


def render(score: Score, rate: int = RATE) -> Samples:
    """The whole score as (samples, 2) float32 with peak `PEAK`; silence stays silence."""
    parts = list(blocks(score, rate))
    return np.concatenate(parts) if parts else np.zeros((0, 2), dtype=np.float32)


class Source(Protocol):
    """Something that plays samples [start, stop), asked for in order; 0 begins it anew."""

    samples: int

    def play(self, start: int, stop: int) -> Samples:
        """(stop - start, 2) samples, a full single stroke peaking at about 1."""


def blocks(
    score: Score,
    rate: int = RATE,
    block_sec: float = BLOCK_SEC,
    told: Told | None = None,
    beside: Source | None = None,
) -> Iterator[Samples]:
    """The same, a block of at most `block_sec` at a time, so that memory stays small.

    `told` is called with the share done, from 0 to 1. `beside` is mixed in.
    """
    sources: list[Source] = [_Player(score, rate), *([beside] if beside is not None else [])]
    total = max(source.samples for source in sources)
    size = max(int(block_sec * rate), 1)
    ranges = [(start, min(start + size, total)) for start in range(0, total, size)]
    peak = 0.0
    for i, (start, stop) in enumerate(ranges):
        peak = max(peak, float(np.abs(_sum(sources, start, stop)).max(initial=0.0)))
        if told is not None:
            told((i + 1) / (2 * len(ranges)))
    gain = np.float32(PEAK / peak if peak > 0 else 0.0)
    for i, (start, stop) in enumerate(ranges):
        part = _sum(sources, start, stop) * gain
        if told is not None:
            told((len(ranges) + i + 1) / (2 * len(ranges)))
        yield np.clip(part, -PEAK, PEAK)  # Only rounding of the product can exceed it.


def _sum(sources: list[Source], start: int, stop: int) -> Samples:
    total = sources[0].play(start, stop)
    for source in sources[1:]:
        total += source.play(start, stop)
    return total


class _Player:
    """A score with its waveforms made, played from any sample to any other."""

    def __init__(self, score: Score, rate: int) -> None:
        self._rate = rate
        self._first = np.round(score.onset_sec * rate).astype(np.int64)
        self._sounding = np.maximum(np.round(score.duration_sec * rate), 1).astype(np.int64)
        self._release = max(int(RELEASE_SEC * rate), 1)
        ramp = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, self._release + 1) / self._release)
        self._ramp = ramp.astype(np.float32)
        self._kind = np.stack([score.voice, score.pitch], axis=1)
        angle = (np.clip(score.side, -1, 1) + 1) * np.pi / 4
        gains = np.stack([np.cos(angle), np.sin(angle)], axis=1) * score.level[:, None]
        self._gain = gains.astype(np.float32)
        self._waves = self._make(score)
        length = np.array([len(self._waves[v, p]) for v, p in self._kind.tolist()], dtype=np.int64)
        self._stop = self._first + np.minimum(self._sounding + self._release, length)
        self._longest = int((self._stop - self._first).max(initial=0))
        end = int(round(score.end_sec * rate))
        self.samples = max(int(self._stop.max(initial=0)) + int(TAIL_SEC * rate), end)
        if not len(score):
            self.samples = end

    def _make(self, score: Score) -> dict[tuple[int, int], Samples]:
        """One waveform per voice and pitch, as long as its longest stroke needs."""
        needed: dict[tuple[int, int], float] = {}
        lengths = (self._sounding + self._release) / self._rate
        for (voice, pitch), length in zip(self._kind.tolist(), lengths.tolist(), strict=True):
            needed[voice, pitch] = max(needed.get((voice, pitch), 0.0), length)
        return {key: self._wave(*key, length) for key, length in needed.items()}

    def _wave(self, voice: int, pitch: int, length_sec: float) -> Samples:
        makers: dict[int, Callable[[], Samples]] = {
            PLUCKED: lambda: pluck(pitch, length_sec, self._rate),
            DRUM: lambda: drum(pitch, self._rate),
            CLICK: lambda: click(pitch, self._rate),
        }
        return makers[voice]()

    def play(self, start: int, stop: int) -> Samples:
        """Samples [start, stop), before any gain over all."""
        out = np.zeros((stop - start, 2), dtype=np.float32)
        low = int(np.searchsorted(self._first, start - self._longest, side="left"))
        high = int(np.searchsorted(self._first, stop, side="left"))
        for i in range(low, high):
            first, last = int(self._first[i]), int(self._stop[i])
            if last <= start:
                continue
            wave = self._stroke(i, last - first)
            a, b = max(first, start), min(last, stop)
            out[a - start : b - start] += wave[a - first : b - first, None] * self._gain[i]
        return out

    def _stroke(self, i: int, length: int) -> Samples:
        """One stroke's waveform, damped where its note ends."""
        voice, pitch = self._kind[i].tolist()
        wave = self._waves[voice, pitch][:length]
        damped_from = int(self._sounding[i])
        if damped_from >= length:
            return wave
        damped = wave.copy()
        damped[damped_from:] *= self._ramp[: length - damped_from]
        return damped
