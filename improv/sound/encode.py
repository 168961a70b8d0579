"""Sound to the bytes of a file: WAV always, compressed forms through soundfile if installed.

soundfile is optional (`pip install improv[report]`); it carries libsndfile, whose
MP3 (from version 1.1 on), Ogg Vorbis and FLAC encoders are used.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterable
from functools import cache

from improv.errors import UsageError
from improv.sound.mix import RATE
from improv.sound.voices import Samples
from improv.sound.wave import wav_bytes

COMPRESSED = {
    "mp3": ("MP3", "MPEG_LAYER_III"),
    "ogg": ("OGG", "VORBIS"),
    "flac": ("FLAC", "PCM_16"),
}
FORMS = ("wav", *COMPRESSED)


@cache
def can_encode(form: str) -> bool:
    """Whether this form can be written here."""
    if form == "wav":
        return True
    if form not in COMPRESSED:
        return False
    try:
        import soundfile
    except (ImportError, OSError):
        return False
    container, coding = COMPRESSED[form]
    return bool(soundfile.check_format(container, coding))


def encode(
    parts: Iterable[Samples], form: str, rate: int = RATE, mono: bool = False, sample_bytes: int = 2
) -> bytes:
    """The bytes of a sound file; `parts`, `mono` and `sample_bytes` (WAV only) as for `wav_bytes`.

    Raises `UsageError` for a form that needs soundfile where it is missing.
    """
    if form == "wav":
        return wav_bytes(parts, rate, mono, sample_bytes)
    if not can_encode(form):
        raise UsageError(
            f"writing .{form} needs the soundfile library: pip install 'improv[report]', "
            "or write .wav"
        )
    import soundfile

    container, coding = COMPRESSED[form]
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with soundfile.SoundFile(
            buffer, "w", rate, 1 if mono else 2, coding, format=container
        ) as file:
            for part in parts:
                file.write(part.mean(axis=1) if mono else part)
    return buffer.getvalue()
