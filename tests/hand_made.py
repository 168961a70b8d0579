"""Analyses made by hand, so that reports and documents are tested without the core."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from improv.grid import SUBDIVISIONS
from improv.meter import parse_meter
from improv.model import Analysis, Notes, Phrase, Place, Ranked, Run, Settings, Take, Verdict
from improv.tempo import constant_tempo, lay_bars

INDEX = {row.key: i for i, row in enumerate(SUBDIVISIONS)}
NAMES = {
    "unit": ("eighths", 2.0), "half-unit": ("sixteenths", 4.0), "triplet": ("eighth triplets", 3.0),
    "swung-unit": ("swung eighths", 2.0), "quintuplet": ("quintuplets", 5.0),
}  # fmt: skip


def take(notes: int, bpm: float = 96.0, meter: str = "4/4", **changes: Any) -> Take:
    """A take of `notes` notes, a quarter of a beat apart, over a steady backing."""
    cycle = parse_meter(meter)
    quarter_bpm = bpm * float(cycle[0].tempo_beat_quarter)
    onset = np.arange(notes) * 60.0 / quarter_bpm / 4
    made = Take(
        name="solo.mid",
        track="Solo",
        onset_sec=onset,
        release_sec=onset + 0.1,
        pitch=np.full(notes, 60, dtype=np.int64),
        velocity=np.full(notes, 80, dtype=np.int64),
        released=np.ones(notes, dtype=bool),
        tempo_map=constant_tempo(quarter_bpm),
        bars=lay_bars(((0.0, cycle),), 0.0, max(notes / 4.0, 1.0)),
        meter_text=meter,
        tempo_bpm=bpm,
    )
    return dataclasses.replace(made, **changes)


def place(bar: int, count: str = "1", onset_sec: float = 0.0) -> Place:
    """A place by bar and count."""
    return Place(bar, int(count[-1]), count, onset_sec)


def phrase(number: int, start: int, stop: int, bars: tuple[int, int], **changes: Any) -> Phrase:
    """A phrase of plain eighths, 12 ms spread; change what the test is about."""
    made = Phrase(
        number=number,
        start=start,
        stop=stop,
        events=stop - start,
        begins=place(bars[0]),
        ends=place(bars[1], "4", 5.0),
        subdivision="eighths",
        per_beat=2.0,
        swung=False,
        confidence=0.99,
        ranking=(Ranked("eighths", 2.0, False, 0.99), Ranked("sixteenths", 4.0, False, 0.01)),
        passages=(),
        offset_ms=4.0,
        offset_se_ms=2.7,
        spread_ms=12.0,
        rms_ms=12.6,
        in_pocket=0.9,
        swing_ratio=None,
        drift_bpm=0.1,
        drift_se_bpm=0.4,
        tempo_bpm=96.0,
        verdict=Verdict.ON_GRID,
    )
    if "verdict" in changes:
        changes["verdict"] = Verdict(changes["verdict"])
    return dataclasses.replace(made, **changes)


def run(start: int, stop: int, number: int, **changes: Any) -> Run:
    """Nine notes off the grid between sixteenths and quintuplets, landing early."""
    made = Run(
        start=start,
        stop=stop,
        events=stop - start,
        phrase=number,
        begins=place(10, "& of 2", 22.5),
        ends=place(11, "1", 24.0),
        off_grid=True,
        notes_per_beat=4.61,
        between=("sixteenths", "quintuplets"),
        kind="steady",
        lands_ms=-250.0,
        lands_beat=-0.4,
        confidence=0.97,
        lands_at=place(11, "1", 24.4),
    )
    return dataclasses.replace(made, **changes)


def notes(kinds: list[str | None], phrases: list[int], spread_ms: float = 12.0) -> Notes:
    """Notes on the subdivisions named by key (`None`: off the grid), with a seeded scatter."""
    count = len(kinds)
    off = np.array([k is None for k in kinds])
    scatter = np.random.default_rng(7).normal(0.0, spread_ms, count)
    position = np.arange(count) / 4.0
    return Notes(
        onset_sec=position * 0.625,
        pitch=np.full(count, 60, dtype=np.int64),
        velocity=np.full(count, 80, dtype=np.int64),
        event=np.arange(count, dtype=np.int64),
        grace=np.zeros(count, dtype=bool),
        bar=(position // 4).astype(np.int64) + 1,
        beat=(position % 4).astype(np.int64) + 1,
        count=tuple(("1", "e of 1", "& of 1", "a of 1")[i % 4] for i in range(count)),
        phrase=np.array(phrases, dtype=np.int64),
        subdivision=np.array([-1 if k is None else INDEX[k] for k in kinds], dtype=np.int64),
        subdivision_name=tuple(None if k is None else NAMES[k][0] for k in kinds),
        per_beat=np.array([np.nan if k is None else NAMES[k][1] for k in kinds]),
        swung=np.zeros(count, dtype=bool),
        position_beat=np.where(off, np.nan, position),
        deviation_ms=np.where(off, np.nan, scatter),
        off_grid=off,
        confidence=np.full(count, 0.95),
    )


def analysis(
    kinds: list[str | None],
    phrases: tuple[Phrase, ...],
    runs: tuple[Run, ...] = (),
    spread_ms: float = 12.0,
    **changes: Any,
) -> Analysis:
    """An analysis of one take; every note belongs to the phrase whose rows hold it."""
    number = [next(p.number for p in phrases if p.start <= i < p.stop) for i in range(len(kinds))]
    made = Analysis(
        take=take(len(kinds)),
        settings=Settings(),
        notes=notes(kinds, number, spread_ms),
        phrases=phrases,
        runs=runs,
        constant_offset_ms=4.0,
        constant_offset_se_ms=1.0,
        spread_ms=spread_ms,
        in_pocket=0.9,
    )
    return dataclasses.replace(made, **changes)


def floating() -> Analysis:
    """Eighths that hold, sixteenths laid back, a run off the grid, and two phrases unjudged."""
    kinds: list[str | None] = ["unit"] * 40 + ["half-unit"] * 16 + [None] * 9 + ["unit"] * 5
    phrases = (
        phrase(1, 0, 20, (1, 4)),
        phrase(2, 20, 40, (5, 8), spread_ms=14.0),
        phrase(
            3, 40, 65, (9, 11), subdivision="sixteenths", per_beat=4.0, spread_ms=21.0,
            offset_ms=-16.0, in_pocket=0.65,
        ),
        phrase(
            4, 65, 68, (13, 13), subdivision=None, per_beat=None, confidence=0.0, spread_ms=None,
            offset_ms=None, rms_ms=None, in_pocket=None, drift_bpm=None, drift_se_bpm=None,
            verdict=Verdict.TOO_CLOSE,
            ranking=(Ranked("sextuplets", 6.0, False, 0.48), Ranked("sixteenths", 4.0, False, 0.4)),
        ),
        phrase(
            5, 68, 70, (15, 15), subdivision=None, per_beat=None, confidence=0.0, spread_ms=None,
            offset_ms=None, rms_ms=None, in_pocket=None, drift_bpm=None, drift_se_bpm=None,
            verdict=Verdict.TOO_SHORT, ranking=(),
        ),
    )  # fmt: skip
    return analysis(kinds, phrases, (run(56, 65, 3),))
