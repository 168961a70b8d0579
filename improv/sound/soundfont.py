"""The solo on a sampled instrument: FluidSynth through pyfluidsynth, a soundfont of your choice.

Optional: `pip install improv[soundfont]`, and the FluidSynth library of the system
(Debian and Ubuntu: libfluidsynth3; macOS: fluid-synth; Windows: its own download). Notes begin
within one of its blocks of 64 samples, 1.5 ms at 44.1 kHz, of their onset.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from improv.errors import TakeError, UsageError
from improv.files import AnyPath, shown
from improv.midi_parts import PERCUSSION_CHANNEL
from improv.model import Floats, Ints
from improv.sound.mix import RATE, TAIL_SEC
from improv.sound.score import CLICK, DRUM, Score
from improv.sound.voices import Samples

CARRIED = "carried"
"""Name of the small soundfont that the pretty_midi package carries."""
_GAIN = 0.5
_FULL_STROKE = 5600.0
"""About the peak of one loud note at this gain, in 16-bit steps: makes it a stroke of level 1."""
_DRUM_CHANNEL = PERCUSSION_CHANNEL - 1


def soundfont_path(wanted: str) -> Path:
    """The soundfont file meant; raises `UsageError` where there is none."""
    if wanted != CARRIED:
        path = Path(wanted)
    else:
        spec = find_spec("pretty_midi")
        if spec is None or spec.origin is None:
            raise UsageError("no soundfont is carried along: pip install 'improv[soundfont]'")
        path = Path(spec.origin).parent / "TimGM6mb.sf2"
    if not path.is_file():
        raise UsageError(f"{shown(path)}: there is no such soundfont; name an .sf2 file")
    with path.open("rb") as file:
        head = file.read(12)
    if head[:4] != b"RIFF" or head[8:] != b"sfbk":
        raise TakeError(f"{shown(path)}: not a soundfont; name an .sf2 file")
    return path


class SoundfontSource:
    """Plays the notes and drums of a score, its clicks left out; a `mix.Source`.

    `program` counts General MIDI sounds from 0. Raises `UsageError` where FluidSynth is
    missing, `TakeError` for a file it cannot use.
    """

    def __init__(self, score: Score, path: AnyPath, program: int, rate: int = RATE) -> None:
        self._rate, self._program = rate, program
        self._synth, self._font = _open(path, rate)
        here = score.voice != CLICK
        self._events = _events(score, here, rate)
        self._gain = _pan(score, here)
        last = float((score.onset_sec + score.duration_sec)[here].max(initial=0.0))
        end = max(last + 1.0, score.end_sec) + TAIL_SEC
        self.samples = int(end * rate)
        self._next = 0

    def play(self, start: int, stop: int) -> Samples:
        """Samples [start, stop); from 0 on in order."""
        if start == 0:
            self._begin()
        parts, now = [], start
        tick = self._events[0]
        while now < stop:
            while self._next < len(tick) and tick[self._next] <= now:
                self._strike(self._next)
                self._next += 1
            until = int(min(tick[self._next], stop)) if self._next < len(tick) else stop
            parts.append(self._synth.get_samples(until - now))
            now = until
        both = np.concatenate(parts).reshape(-1, 2).astype(np.float32) / _FULL_STROKE
        return np.asarray(both.mean(axis=1, keepdims=True) * self._gain, dtype=np.float32)

    def _begin(self) -> None:
        self._synth.system_reset()
        for channel, bank in ((0, 0), (_DRUM_CHANNEL, 128)):
            self._synth.program_select(channel, self._font, bank, self._program if not bank else 0)
        self._next = 0

    def _strike(self, i: int) -> None:
        _, channel, pitch, velocity = (column[i] for column in self._events)
        if velocity:
            self._synth.noteon(int(channel), int(pitch), int(velocity))
        else:
            self._synth.noteoff(int(channel), int(pitch))


def _open(path: AnyPath, rate: int) -> tuple[Any, int]:
    try:
        import fluidsynth
    except (ImportError, OSError, AttributeError) as error:
        raise UsageError(
            "a soundfont needs pyfluidsynth (pip install 'improv[soundfont]') and the FluidSynth "
            "library of your system; leave --soundfont away for the built-in sound"
        ) from error
    # Dry: an echo would blur the very timing that is to be heard.
    dry = {"synth.reverb.active": 0, "synth.chorus.active": 0}
    synth = fluidsynth.Synth(gain=_GAIN, samplerate=float(rate), **dry)
    font = synth.sfload(str(path))
    if font < 0:
        raise TakeError(f"{shown(path)}: cannot be used as a soundfont; choose another")
    return synth, int(font)


def _events(score: Score, here: np.ndarray, rate: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Strokes and releases in time order: sample, channel, pitch, velocity (0 releases)."""
    onset = np.round(score.onset_sec[here] * rate).astype(np.int64)
    length = np.maximum(np.round(score.duration_sec[here] * rate), 1).astype(np.int64)
    channel = np.where(score.voice[here] == DRUM, _DRUM_CHANNEL, 0)
    velocity = np.clip(np.round(127 * score.level[here]), 1, 127).astype(np.int64)
    pitch = score.pitch[here]
    at = np.concatenate([onset + length, onset])
    off_first = np.concatenate([np.zeros(len(onset)), np.ones(len(onset))])
    order = np.lexsort((off_first, at))
    columns = (
        at,
        np.concatenate([channel, channel]),
        np.concatenate([pitch, pitch]),
        np.concatenate([np.zeros_like(velocity), velocity]),
    )
    a, b, c, d = (column[order].astype(np.int64) for column in columns)
    return a, b, c, d


def _pan(score: Score, here: np.ndarray) -> Floats:
    """Gains of both sides, of the first stroke's side: one instrument stands in one place."""
    side = float(score.side[here][0]) if here.any() else 0.0
    angle = (side + 1) * np.pi / 4
    return np.array([np.cos(angle), np.sin(angle)])
