"""From strokes to sound: a score of timed strokes, voices of pure numpy, WAV out.

    score = together(
        note_strokes(onset_sec, duration_sec, pitch, level, side=LEFT),
        click_strokes(beat_sec, ["downbeat", "beat", "beat", "beat"], side=RIGHT),
    )
    sound = render(score)                      # (samples, 2) float32, peak at most PEAK
    data = wav_bytes(blocks(score))            # the same as a 16-bit WAV file, bounded memory

    score, mix       strokes in time, with a side and a level; strokes to samples
    voices           notes, drums and clicks of pure numpy
    soundfont        the solo on a sampled instrument, where FluidSynth is installed
    wave, encode     WAV; the bytes of a file, compressed where soundfile is installed

Conventions: times are seconds from the start of the sound; a `level` of 1 is a full stroke; a
`side` runs from -1 (left) over 0 (middle) to 1 (right). Nothing here knows takes or meters.
"""

from improv.sound.mix import PEAK, RATE, blocks, render
from improv.sound.score import (
    LEFT,
    MIDDLE,
    RIGHT,
    Score,
    click_strokes,
    drum_strokes,
    note_strokes,
    together,
)
from improv.sound.voices import CLICKS
from improv.sound.wave import wav_bytes

__all__ = [
    "CLICKS",
    "LEFT",
    "MIDDLE",
    "PEAK",
    "RATE",
    "RIGHT",
    "Score",
    "blocks",
    "click_strokes",
    "drum_strokes",
    "note_strokes",
    "render",
    "together",
    "wav_bytes",
]
