"""Samples to a WAV file in memory: PCM of 16 bit (or of 8, where size matters most)."""

from __future__ import annotations

import io
import wave
from collections.abc import Iterable

import numpy as np

from improv.sound.mix import RATE
from improv.sound.voices import Samples

FULL_SCALE = 32767


def wav_bytes(
    parts: Iterable[Samples], rate: int = RATE, mono: bool = False, sample_bytes: int = 2
) -> bytes:
    """A WAV file of sound given block by block, each (samples, 2) within -1 to 1.

    `mono` writes one channel, the mean of both sides; `sample_bytes` is 2 (16 bit, signed)
    or 1 (8 bit, unsigned, as the format has it).
    """
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1 if mono else 2)
        file.setsampwidth(sample_bytes)
        file.setframerate(rate)
        for part in parts:
            sound = part.mean(axis=1) if mono else part
            file.writeframesraw(_whole(sound, sample_bytes).tobytes())
    return buffer.getvalue()


def _whole(sound: Samples, sample_bytes: int) -> np.ndarray:
    if sample_bytes == 1:
        return np.round(sound * 127 + 128).astype(np.uint8)
    return np.round(sound * FULL_SCALE).astype("<i2")
