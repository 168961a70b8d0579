"""Samples to a WAV file in memory: 16-bit PCM, one channel or two."""

from __future__ import annotations

import io
import wave
from collections.abc import Iterable

import numpy as np

from improv.sound.mix import RATE
from improv.sound.voices import Samples

FULL_SCALE = 32767


def wav_bytes(parts: Iterable[Samples], rate: int = RATE, mono: bool = False) -> bytes:
    """A 16-bit WAV file of sound given block by block, each (samples, 2) within -1 to 1.

    `mono` writes one channel, the mean of both sides.
    """
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1 if mono else 2)
        file.setsampwidth(2)
        file.setframerate(rate)
        for part in parts:
            sound = part.mean(axis=1) if mono else part
            whole = np.round(sound * FULL_SCALE).astype("<i2")
            file.writeframesraw(whole.tobytes())
    return buffer.getvalue()
