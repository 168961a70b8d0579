"""Takes as long as asked for: random solos set one after another on bar lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np

from benchmarks.material import rhythm_pool
from improv.meter import parse_meter
from improv.model import Take
from improv.synth import Hand, Line, Notated, Piece, Rest, Stretch, play, steady_run
from improv.synth_solos import Rhythm
from improv.take import NOTE_COLUMNS
from improv.tempo import constant_tempo, lay_bars

BPM = 100.0
BAR_SEC = 4 * 60.0 / BPM
DIFFERENT = 40
"""Solos made before they come round again: enough that no two neighbours are alike."""
FILLED = ("eighths", "eighth triplets", "sixteenths", "swung eighths", "quarters", "sextuplets")


@cache
def _written() -> tuple[Rhythm, ...]:
    """The written rhythms in 4/4 that sixteenths hold."""
    found = (rhythm for rhythm in rhythm_pool() if rhythm.meter == "4/4")
    return tuple(r for r in found if all(float(4 * at).is_integer() for at in r.onsets_quarter))


def _phrase(rng: np.random.Generator) -> Iterator[Piece]:
    """A written rhythm, or one to three filled stretches, or those and a free run; then a rest.

    Every phrase begins on a bar line.
    """
    if rng.random() < 0.4:
        rhythm = _written()[int(rng.integers(len(_written())))]
        yield Notated(rhythm.onsets_quarter, rhythm.quarters)
    else:
        for _ in range(int(rng.integers(1, 4))):
            name = FILLED[int(rng.integers(len(FILLED)))]
            yield Stretch(name, 2.0 * float(rng.integers(1, 4)), filled=float(rng.uniform(0.7, 1)))
        if rng.random() < 0.3:
            yield steady_run(int(rng.integers(6, 14)), float(rng.uniform(3.2, 5.4)))
    yield Rest(float(rng.integers(1, 4)), "bar")


@cache
def _solo(seed: int) -> Take:
    """About two hundred notes in a dozen phrases."""
    rng = np.random.default_rng(seed)
    pieces = tuple(piece for _ in range(12) for piece in _phrase(rng))
    line = Line(pieces, tempo_bpm=BPM, chords=0.05, graces=0.02)
    hand = Hand(float(rng.normal(4, 10)), float(rng.uniform(8, 20)), fumbles=0.02)
    return play(line, hand, seed)[0]


def long_take(notes: int, first_seed: int = 1) -> Take:
    """The first `notes` notes of solos in a row, each beginning with a bar."""
    columns: dict[str, list[np.ndarray]] = {row: [] for row in NOTE_COLUMNS}
    count, bars = 0, 0
    while count < notes:
        solo = _solo(first_seed + len(columns["pitch"]) % DIFFERENT)
        begin = float(solo.tempo_map.start_sec[0]) - bars * BAR_SEC - BAR_SEC
        for row in NOTE_COLUMNS:
            moved = getattr(solo, row) - begin if row.endswith("_sec") else getattr(solo, row)
            columns[row].append(moved)
        count += len(solo)
        bars += int(np.ceil((solo.release_sec.max() - solo.tempo_map.start_sec[0]) / BAR_SEC)) + 1
    whole = {row: np.concatenate(parts) for row, parts in columns.items()}
    order = np.argsort(whole["onset_sec"], kind="stable")[:notes]
    rows = {row: values[order] for row, values in whole.items()}
    quarters = float(rows["release_sec"].max()) * BPM / 60.0
    return replace(
        _solo(first_seed),
        name="long.mid",
        tempo_map=constant_tempo(BPM, BAR_SEC),
        bars=lay_bars(((0.0, parse_meter("4/4")),), -4.0, quarters),
        **rows,
    )
