"""Takes for the tests of the log, made once: files' bytes, entries, histories."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from benchmarks.histories import Player, Side, two_sides
from improv.log.entries import About, Entry
from improv.log.refresh import read_entry
from improv.material import Material
from improv.midi import OutPart, write_parts, write_take
from improv.model import Reading, Settings
from improv.synth import Hand, Line, Rest, Stretch, play

READING = Reading(start_sec=1.0)


@cache
def midi_bytes(seed: int = 1, tempo_bpm: float = 96.0) -> bytes:
    """A short take as a file: eighths, then sixteenths."""
    line = Line((Stretch("eighths", 8), Rest(4), Stretch("sixteenths", 4)), tempo_bpm=tempo_bpm)
    take, _ = play(line, Hand(spread_ms=10.0), seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.mid"
        write_take(take, path)
        return path.read_bytes()


@cache
def two_part_bytes() -> bytes:
    """A file of two players on tracks of their own, `solo` on channel 1 and `bass` on 2."""
    line = Line((Stretch("eighths", 8), Rest(4), Stretch("sixteenths", 4)), tempo_bpm=96.0)
    takes = [play(line, Hand(spread_ms=10.0), seed=seed)[0] for seed in (1, 2)]
    parts = [
        OutPart(name, t.onset_sec, t.release_sec, t.pitch, t.velocity, channel)
        for name, channel, t in zip(("solo", "bass"), (1, 2), takes, strict=True)
    ]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "two.mid"
        write_parts(path, parts, takes[0].tempo_map, takes[0].bars)
        return path.read_bytes()


def take_file(folder: Path, name: str = "solo.mid", seed: int = 1, bpm: float = 96.0) -> Path:
    """The short take on disk."""
    path = folder / name
    path.write_bytes(midi_bytes(seed, bpm))
    return path


@cache
def entry(seed: int = 1, tempo_bpm: float = 96.0) -> Entry:
    """The short take, read and analyzed."""
    with tempfile.TemporaryDirectory() as folder:
        path = take_file(Path(folder), f"solo-{seed}.mid", seed, tempo_bpm)
        return read_entry(path, READING, Settings(), About())[0]


def entry_of(
    number: int, player: str = "Ana", tune: str = "Late Bus", day: str | None = "2026-03-01",
    tags: tuple[str, ...] = (), tempo_bpm: float = 96.0,
) -> Entry:  # fmt: skip
    """One of many different takes: the same analysis, other bytes."""
    base = entry(1, tempo_bpm)
    about = About(player, tune, day, tags)
    return replace(base, midi=base.midi + f"take {number}".encode(), about=about)


def history(
    seed: int, before: Side, after: Side, player: Player | None = None
) -> tuple[Material, Material]:
    """Two simulated sides."""
    return two_sides(player or Player(), before, after, np.random.default_rng(seed))
