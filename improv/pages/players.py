"""The sound of the flagged passages, inside the page and within its budget of bytes.

MP3 through soundfile where it is installed (any browser plays it); otherwise WAV, at the
best of `WAV_STEPS` that fits. Solo and click lie in the middle, one channel: the page is
opened on a phone as often as not. Where even the smallest does not fit, passages are
left out, the least telling first, and any so long that it would crowd out the others.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from improv.listening.on_grid import Placed
from improv.listening.program import GRID, PLAYED, SLOW, Hearing, Section, plan, version_text
from improv.listening.writing import Sounding, program_blocks
from improv.model import Analysis
from improv.pages.flagged import Flag, most_telling
from improv.sound.encode import can_encode, encode

MOST_PASSAGES = 6
BUDGET_BYTES = 2_600_000
"""The most sound takes of a page of 4 MB, counted as base64: 4/3 of the sound itself."""
WAV_STEPS = ((16000, 2), (11025, 2), (11025, 1))
"""Sample rate and bytes per sample, best first."""
_MP3_BYTES_PER_SEC = 9000.0
"""More than MP3 of one channel takes at the quality libsndfile sets out with."""

Told = Callable[[float], None]


@dataclass(frozen=True)
class Clip:
    """One player: what is heard, and the sound as a data URI."""

    version: str
    uri: str
    length_sec: float


@dataclass(frozen=True)
class Passage:
    """A flagged passage with its players."""

    flag: Flag
    clips: tuple[Clip, ...]


@dataclass(frozen=True)
class _Coding:
    form: str
    rate: int
    width: int

    @property
    def bytes_per_sec(self) -> float:
        """How much a second of sound takes, at most."""
        return _MP3_BYTES_PER_SEC if self.form == "mp3" else float(self.rate * self.width)


def passages(
    analysis: Analysis,
    placed: Placed,
    flags: tuple[Flag, ...],
    share: float,
    drums: bool,
    room_bytes: float = BUDGET_BYTES,
    told: Told | None = None,
) -> tuple[tuple[Passage, ...], tuple[Flag, ...]]:
    """The passages that fit into the room with their players, and the flags left without."""
    kept, coding = _fitting(analysis, flags, share, min(room_bytes, BUDGET_BYTES))
    sounding = Sounding(Hearing(mixed=True, drums=drums))
    made = []
    for i, flag in enumerate(kept):
        clips = tuple(
            _clip(analysis, placed, section, sounding, coding)
            for section in _sections(analysis, flag, share)
        )
        made.append(Passage(flag, clips))
        if told is not None:
            told((i + 1) / len(kept))
    return tuple(made), tuple(f for f in flags if f not in kept)


def _sections(analysis: Analysis, flag: Flag, share: float) -> tuple[Section, ...]:
    return tuple(
        section
        for version in (PLAYED, SLOW, GRID)
        for section in plan(analysis, [flag.excerpt], (version,), share)
    )


def _fitting(
    analysis: Analysis, flags: tuple[Flag, ...], share: float, room_bytes: float
) -> tuple[tuple[Flag, ...], _Coding]:
    """How many of the most telling flags fit, and in which coding."""
    codings: Sequence[_Coding] = [_Coding("wav", *step) for step in WAV_STEPS]
    if can_encode("mp3"):
        codings = [_Coding("mp3", 44100, 2)]
    top, _ = most_telling(flags, MOST_PASSAGES)
    needed = sum(_seconds(analysis, flag, share) for flag in top) * 4 / 3
    fitting = [c for c in codings if needed * c.bytes_per_sec <= room_bytes]
    if fitting:
        return top, fitting[0]
    kept: list[Flag] = []
    for flag in sorted(flags, key=lambda f: -f.weight):
        needed = _seconds(analysis, flag, share) * 4 / 3 * codings[-1].bytes_per_sec
        if len(kept) < MOST_PASSAGES and needed <= room_bytes:
            kept.append(flag)
            room_bytes -= needed
    return tuple(f for f in flags if f in kept), codings[-1]


def _seconds(analysis: Analysis, flag: Flag, share: float) -> float:
    return sum(section.length_sec for section in _sections(analysis, flag, share))


def _clip(
    analysis: Analysis, placed: Placed, section: Section, sounding: Sounding, coding: _Coding
) -> Clip:
    parts = program_blocks(analysis, placed, (section,), sounding, rate=coding.rate)
    data = encode(parts, coding.form, coding.rate, mono=True, sample_bytes=coding.width)
    kind = "audio/mpeg" if coding.form == "mp3" else "audio/wav"
    uri = f"data:{kind};base64,{b64encode(data).decode('ascii')}"
    return Clip(version_text(section.version, section.share), uri, section.length_sec)
