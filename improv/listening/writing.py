"""A program to files: sound or MIDI, in one file or one for each section."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from improv.files import write_bytes
from improv.listening.as_midi import program_parts
from improv.listening.on_grid import Placed
from improv.listening.program import (
    Hearing,
    Section,
    check_length,
    click_score,
    program_score,
    solo_score,
)
from improv.midi_write import write_parts
from improv.model import Analysis
from improv.sound import RATE, blocks
from improv.sound.encode import FORMS, can_encode, encode
from improv.sound.soundfont import SoundfontSource, soundfont_path
from improv.sound.voices import Samples

MIDI_SUFFIXES = (".mid", ".midi")
SUFFIXES = (*(f".{form}" for form in FORMS), *MIDI_SUFFIXES)

Told = Callable[[float], None]


@dataclass(frozen=True)
class Sounding:
    """How a program is turned into sound; `program` counts General MIDI sounds from 0."""

    hearing: Hearing
    soundfont: str | None = None
    program: int = 24


@dataclass(frozen=True)
class Written:
    """One file written, and what is heard in it from when on."""

    path: Path
    length_sec: float
    contents: tuple[tuple[float, str], ...]
    is_sound: bool


def write_program(
    target: Path,
    analysis: Analysis,
    placed: Placed,
    sections: Sequence[Section],
    sounding: Sounding,
    apart: bool,
    told: Told | None = None,
) -> tuple[Written, ...]:
    """Write the sections to `target`, or with `apart` each to a name of its own beside it.

    What is wrong is found before the first file is written: nothing is left half done.
    """
    is_sound = target.suffix.lower() not in MIDI_SUFFIXES
    if is_sound:
        check_length(sections)
        _check_form(target)
    files = files_of(target, sections, apart)
    written = []
    for i, (path, own) in enumerate(files):
        part_told = _share_of(told, i, len(files))
        if is_sound:
            write_bytes(path, _sound(path, analysis, placed, own, sounding, part_told))
        else:
            parts, tempo_map, bars = program_parts(analysis, placed, own, sounding.hearing)
            write_parts(path, parts, tempo_map, bars)
        length = own[-1].begins_sec + own[-1].length_sec
        contents = tuple((s.begins_sec, s.title) for s in own)
        written.append(Written(path, length, contents, is_sound))
    return tuple(written)


def _check_form(target: Path) -> None:
    form = target.suffix.lower().removeprefix(".")
    if not can_encode(form):
        encode((), form)


def files_of(
    target: Path, sections: Sequence[Section], apart: bool
) -> list[tuple[Path, tuple[Section, ...]]]:
    """The names to write and the sections in each."""
    if not apart:
        return [(target, tuple(sections))]
    return [
        (
            target.with_name(f"{target.stem}-{s.excerpt.slug}-{s.version}{target.suffix}"),
            (replace(s, begins_sec=0.0),),
        )
        for s in sections
    ]


def _share_of(told: Told | None, number: int, count: int) -> Told | None:
    return None if told is None else lambda share: told((number + share) / count)


def _sound(
    path: Path,
    analysis: Analysis,
    placed: Placed,
    sections: Sequence[Section],
    sounding: Sounding,
    told: Told | None,
) -> bytes:
    parts = program_blocks(analysis, placed, sections, sounding, told)
    return encode(parts, path.suffix.lower().removeprefix("."), mono=sounding.hearing.mixed)


def program_blocks(
    analysis: Analysis,
    placed: Placed,
    sections: Sequence[Section],
    sounding: Sounding,
    told: Told | None = None,
    rate: int = RATE,
) -> Iterator[Samples]:
    """The samples of the sections, block by block."""
    hearing = sounding.hearing
    if sounding.soundfont is None:
        score = program_score(analysis, placed, sections, hearing)
        return blocks(score, rate, told=told)
    solo = solo_score(analysis, placed, sections, hearing)
    sampled = SoundfontSource(solo, soundfont_path(sounding.soundfont), sounding.program, rate)
    clicks = click_score(analysis, placed, sections, hearing)
    return blocks(clicks, rate, told=told, beside=sampled)
