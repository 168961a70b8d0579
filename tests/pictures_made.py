"""Analyses made by hand for the pictures: onsets, grid positions and deviations that agree."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import hand_made
import numpy as np
from hand_made import INDEX, phrase, run

from improv.grid import SUBDIVISIONS, name
from improv.meter import parse_meter
from improv.model import Analysis, Notes, Passage, Phrase, Place, Run, Take
from improv.tempo import beats_at, constant_tempo, lay_bars, seconds_at

Row = tuple[float, float, str | None]
"""One note: grid position in quarters (or onset, off the grid), deviation in ms, row's key."""
LEAD_SEC = 4.0


def picture(
    rows: Sequence[Row],
    meter: str = "4/4",
    bpm: float = 120.0,
    name_: str = "solo.mid",
    **more: Any,
) -> Analysis:
    """An analysis of notes in one phrase on one passage per stretch of one row.

    `more` changes the analysis: phrases, runs, constant_offset_ms, settings and so on.
    """
    take = _take(rows, meter, bpm, name_)
    phrases: tuple[Phrase, ...] = more.pop("phrases", None) or (one_phrase(rows, take),)
    runs: tuple[Run, ...] = more.pop("runs", ())
    made = hand_made.analysis(
        ["unit"] * len(rows), phrases, runs, spread_ms=10.0, take=take, constant_offset_ms=0.0
    )
    return dataclasses.replace(made, **{"notes": _placed(made.notes, rows, take), **more})


def _take(rows: Sequence[Row], meter: str, bpm: float, name_: str) -> Take:
    cycle = parse_meter(meter)
    quarter_bpm = bpm * float(cycle[0].tempo_beat_quarter)
    tempo_map = constant_tempo(quarter_bpm, LEAD_SEC)
    at = np.array([quarter for quarter, _, _ in rows])
    onset = seconds_at(tempo_map, at) + np.array([ms for _, ms, _ in rows]) / 1000.0
    return hand_made.take(
        len(rows),
        bpm,
        meter,
        name=name_,
        onset_sec=onset,
        release_sec=onset + 0.1,
        tempo_map=tempo_map,
        bars=lay_bars(((0.0, cycle),), -LEAD_SEC * quarter_bpm / 60.0, float(at.max()) + 0.01),
    )


def _placed(notes: Notes, rows: Sequence[Row], take: Take) -> Notes:
    """The same notes where the rows say they lie."""
    keys = [key for _, _, key in rows]
    off = np.array([key is None for key in keys])
    meter = take.bars.meters[0]
    kinds = [None if key is None else SUBDIVISIONS[INDEX[key]] for key in keys]
    at = np.array([quarter for quarter, _, _ in rows])
    position = beats_at(take.bars, at + 1e-9).round(8)
    return dataclasses.replace(
        notes,
        onset_sec=take.onset_sec,
        bar=np.floor(position // meter.beats).astype(np.int64) + 1,
        beat=np.floor(position % meter.beats).astype(np.int64) + 1,
        count=("1",) * len(rows),
        subdivision=np.array([-1 if k is None else INDEX[k] for k in keys], dtype=np.int64),
        subdivision_name=tuple(None if k is None else name(k, meter) for k in kinds),
        per_beat=np.array(
            [np.nan if k is None else float(k.per_beat(meter.kind) or 1) for k in kinds]
        ),
        swung=np.array([k is not None and k.swung for k in kinds]),
        position_beat=np.where(off, np.nan, position),
        deviation_ms=np.where(off, np.nan, [ms for _, ms, _ in rows]),
        off_grid=off,
    )


def one_phrase(rows: Sequence[Row], take: Take, number: int = 1, **changes: Any) -> Phrase:
    """A phrase of all the rows, its passages where the rows' keys change."""
    keys = [key for _, _, key in rows]
    cuts = [0, *(i for i in range(1, len(keys)) if keys[i] != keys[i - 1]), len(keys)]
    passages = tuple(passage(a, b, keys[a], take) for a, b in zip(cuts[:-1], cuts[1:], strict=True))
    main = next((p for p in passages if p.subdivision), None)
    bars = (int(rows[0][0] // 4) + 1, int(rows[-1][0] // 4) + 1)
    return phrase(
        number, 0, len(rows), bars, passages=passages,
        subdivision=main.subdivision if main else None, tempo_bpm=take.tempo_bpm,
        verdict="on the grid" if main else "off the grid", **changes,
    )  # fmt: skip


def passage(start: int, stop: int, key: str | None, take: Take) -> Passage:
    """A passage of note rows on the subdivision called by its key."""
    meter = take.bars.meters[0]
    kind = None if key is None else SUBDIVISIONS[INDEX[key]]
    place = Place(1, 1, "1", 0.0)
    return Passage(
        start,
        stop,
        None if kind is None else name(kind, meter),
        None if kind is None else float(kind.per_beat(meter.kind) or 1),
        bool(kind and kind.swung),
        place,
        place,
    )


def eighths(count: int, deviation_ms: float = 0.0, start: float = 0.0) -> list[Row]:
    """Straight eighths in quarters from `start`, all strayed alike."""
    return [(start + i / 2, deviation_ms, "unit") for i in range(count)]


def floating() -> Analysis:
    """Two bars of eighths, a run of eight at 5 to the beat in bar 3, and a bar of sixteenths."""
    rows: list[Row] = eighths(16)
    rows += [(8.0 + i / 5, 0.0, None) for i in range(8)]
    rows += [(12.0 + i / 4, 25.0 if i % 4 == 0 else -5.0, "half-unit") for i in range(16)]
    off = run(16, 24, 1, notes_per_beat=5.0)
    return picture(rows, runs=(off,))
