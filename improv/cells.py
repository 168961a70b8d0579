"""Cells: what one phrase says about one subdivision, small enough to keep by the thousand.

A `cell` is one row per (phrase, subdivision) of a take: counts, moments and products from
which every comparison is made, so that ten thousand takes are compared without reading a
note. They are made from the analysis document (version 1), never from anything else: a
log that still has its documents can always make them again.

Conventions
-----------
Deviations in ms, positive = late. `square_ms2` and `product_ms2` are the sums of squares
and of neighbours' products of the residuals about the phrase's mean (`fitted` 1) or, from
`FEWEST_FOR_LINE` notes on, about its straight line (`fitted` 2), so that drift is not
scatter. Residuals beyond `CLIP` robust spreads of the take count as that far: one fumbled
note must not change the answer. An off-grid note counts for the subdivision its run was an
attempt at (`attempts`; played: `PLAYED_NOTES` in the take); a note of no run for its phrase's.
`interval_ms` is the time between neighbours at the phrase's tempo, which is the mean of those
of its notes, each in the beat of its own meter: a kind's `per_beat` counts that beat too.
`drift` is the slope as a share of the tempo, positive = rushing; `swing` the natural
logarithm of long : short. NaN is unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.attempts import attempted
from improv.errors import ImprovError
from improv.grid import SUBDIVISIONS, common, name, offered
from improv.meter import Meter, parse_meter
from improv.model import Floats, Ints

POCKETS_MS = (10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
"""Half-widths of the pocket that are counted; 20 is the default of `Settings`."""
FEWEST_FOR_LINE = 8
CLIP = 3.5
PLAYED_NOTES = 16
"""Notes on the grid from which a subdivision counts as played: two bars of eighths (our choice)."""
LEAST_SCALE_MS = 1.0

CELL = np.dtype(
    [
        ("phrase", "<u2"),
        ("subdivision", "<u2"),
        ("on", "<u4"),
        ("off", "<u4"),
        ("pocket", "<u4", (len(POCKETS_MS),)),
        ("interval_ms", "<f4"),
        ("mean_ms", "<f4"),
        ("square_ms2", "<f4"),
        ("product_ms2", "<f4"),
        ("fitted", "u1"),
        ("phrase_high", "u1"),
        ("drift", "<f4"),
        ("span_sec2", "<f4"),
        ("swing", "<f4"),
    ]
)
"""One cell; `span_sec2` is the sum of squares of onset times about their mean.

`phrase` and `phrase_high` are one number (`phrase_numbers`): the high part came later, where
`fitted` had a byte that was always 0, so that logs kept before read as they are.
"""
PHRASES = 1 << 24
"""More phrases than any take has: their numbers are less than this."""

Cells = NDArray[np.void]


@dataclass(frozen=True)
class Kind:
    """A subdivision as it is compared: like with like only."""

    name: str
    per_beat: float
    swung: bool


def residuals(onset_sec: Floats, deviation_ms: Floats) -> tuple[Floats, float, float, int]:
    """Residuals in ms, mean in ms, slope in ms per second (NaN below 8 notes), columns fitted."""
    count = len(deviation_ms)
    mean = float(deviation_ms.mean())
    if count < FEWEST_FOR_LINE:
        return deviation_ms - mean, mean, math.nan, 1
    at = onset_sec - onset_sec.mean()
    square = float(at @ at)
    if square <= 0.0:
        return deviation_ms - mean, mean, math.nan, 1
    slope = float(at @ deviation_ms) / square
    return deviation_ms - mean - slope * at, mean, slope, 2


def phrase_numbers(cells: Cells) -> Ints:
    """The number in its take of the phrase that each cell is of."""
    high = cells["phrase_high"].astype(np.int64)
    return np.asarray((high << 16) + cells["phrase"].astype(np.int64))


def number_phrases(cells: Cells, number: Ints) -> None:
    """Writes phrase numbers, each below `PHRASES`, into cells."""
    cells["phrase"], cells["phrase_high"] = number & 0xFFFF, number >> 16


def clip_fumbles(parts: list[tuple[Floats, Floats]]) -> list[Floats]:
    """Deviations of each phrase with those beyond `CLIP` robust spreads drawn in to them.

    The spread is 1.4826 times the median absolute residual of all the parts together.
    """
    rough = []
    for onset_sec, deviation_ms in parts:
        if len(deviation_ms) < FEWEST_FOR_LINE:
            rough.append(deviation_ms - np.median(deviation_ms))
        else:
            rough.append(residuals(onset_sec, deviation_ms)[0])
    longer = [r for r in rough if len(r) >= 3]
    if not longer:
        return [deviation for _, deviation in parts]
    scale = 1.4826 * float(np.median(np.abs(np.concatenate(longer))))
    limit = CLIP * max(scale, LEAST_SCALE_MS)
    return [
        deviation - rest + np.clip(rest, -limit, limit)
        for (_, deviation), rest in zip(parts, rough, strict=True)
    ]


def timing_cells(
    parts: list[tuple[Floats, Floats]], constant_ms: float, interval_ms: list[float]
) -> Cells:
    """Cells of one take's phrases on one subdivision, without off-grid notes or swing.

    `parts` holds (onset_sec, deviation_ms) of each phrase.
    """
    cells = np.zeros(len(parts), dtype=CELL)
    for cell, (onset_sec, plain), deviation_ms, step_ms in zip(
        cells, parts, clip_fumbles(parts), interval_ms, strict=True
    ):
        rest, mean, slope, fitted = residuals(onset_sec, deviation_ms)
        away = np.abs(plain - constant_ms)
        cell["on"], cell["fitted"], cell["interval_ms"] = len(plain), fitted, step_ms
        cell["pocket"] = [int(np.count_nonzero(away <= width)) for width in POCKETS_MS]
        cell["mean_ms"], cell["square_ms2"] = mean, rest @ rest
        cell["product_ms2"] = rest[:-1] @ rest[1:]
        # Falling behind by s ms per second is playing s/1000 slower.
        cell["drift"], cell["swing"] = -slope / 1000.0, math.nan
        cell["span_sec2"] = float(np.sum((onset_sec - onset_sec.mean()) ** 2))
    return cells


# --- from a document ---------------------------------------------------------


def from_document(document: dict[str, Any]) -> tuple[tuple[Kind, ...], Cells]:
    """The kinds of subdivision in an analysis document, and its cells, which index them."""
    kinds: dict[Kind, int] = {}
    constant = document["take"]["constant_offset_ms"] or 0.0
    placed = _on_grid(document["notes"])
    beats = _Beats.of(document["take"]["meter"])
    off = _off_grid(document, placed, beats)
    tempo = _stated_tempo_bpm(document, placed, beats)
    swing = {
        (p["number"], p["subdivision"]): math.log(p["swing_ratio"])
        for p in document["phrases"]
        if p["swing_ratio"] and p["swung"]
    }
    found = []
    for kind in dict.fromkeys([*placed, *(kind for kind, _ in off)]):
        index = kinds.setdefault(kind, len(kinds))
        parts = placed.get(kind, {})
        step_ms = {n: 60_000.0 / (bpm * beats.rate(kind)) for n, bpm in tempo.items()}
        cells = timing_cells(list(parts.values()), constant, [step_ms[n] for n in parts])
        number_phrases(cells, np.array(list(parts), dtype=np.int64))
        cells["swing"] = [swing.get((number, kind.name), math.nan) for number in parts]
        cells = _with_off(cells, {n: c for (k, n), c in off.items() if k == kind}, step_ms)
        cells["subdivision"] = index
        found.append(cells)
    return tuple(kinds), np.concatenate(found) if found else np.zeros(0, dtype=CELL)


@dataclass(frozen=True)
class _Beats:
    """The beats of a written meter: the first is the one that rates are told in."""

    meters: tuple[Meter, ...]

    @staticmethod
    def of(written: str) -> _Beats:
        """Of alternating bars, or of meters one after another; none of what is not understood."""
        meters: list[Meter] = []
        for part in written.split(","):
            try:
                meters += parse_meter(part)
            except ImprovError:
                continue
        return _Beats(tuple(dict.fromkeys(meters)))

    def share(self, kind: Kind) -> float:
        """How many beats of the kind's own meter the stated beat lasts."""
        shares = [
            float(self.meters[0].tempo_beat_quarter / meter.tempo_beat_quarter)
            for meter in self.meters
            if kind in _kinds(meter, offered(meter))
        ]
        return sum(shares) / len(shares) if shares else 1.0

    def rate(self, kind: Kind) -> float:
        """Notes to the stated beat."""
        return kind.per_beat * self.share(kind)

    def common(self) -> dict[Kind, float]:
        """The straight subdivisions commonly met in the meters, and their rates."""
        found = dict.fromkeys(kind for one in self.meters for kind in _kinds(one, common(one)))
        return {kind: self.rate(kind) for kind in found}


def _kinds(meter: Meter, rows: tuple[int, ...]) -> list[Kind]:
    subdivisions = [SUBDIVISIONS[i] for i in rows]
    return [
        Kind(name(s, meter) or s.key, float(s.per_beat(meter.kind) or 0), s.swung)
        for s in subdivisions
    ]


def _stated_tempo_bpm(
    document: dict[str, Any], placed: dict[Kind, dict[int, tuple[Floats, Floats]]], beats: _Beats
) -> dict[int, float]:
    """The tempo of each phrase in the stated beat.

    A phrase's own is the mean over its notes, each in the beat of its meter.
    """
    notes: dict[int, float] = {}
    shares: dict[int, float] = {}
    for kind, parts in placed.items():
        for number, (onset_sec, _) in parts.items():
            notes[number] = notes.get(number, 0.0) + len(onset_sec)
            shares[number] = shares.get(number, 0.0) + len(onset_sec) * beats.share(kind)
    return {
        p["number"]: float(p["tempo_bpm"])
        * (notes.get(p["number"], 1.0) / shares.get(p["number"], 1.0))
        for p in document["phrases"]
    }


def _on_grid(notes: list[dict[str, Any]]) -> dict[Kind, dict[int, tuple[Floats, Floats]]]:
    """Onsets and deviations by kind and phrase; a chord counts once, an ornament not at all."""
    rows: dict[Kind, dict[int, list[tuple[float, float]]]] = {}
    seen: set[int] = set()
    for note in notes:
        if note["grace"] or note["event"] in seen:
            continue
        seen.add(note["event"])
        if note["deviation_ms"] is not None and note["subdivision"] is not None:
            kind = Kind(note["subdivision"], float(note["per_beat"]), bool(note["swung"]))
            phrases = rows.setdefault(kind, {})
            phrases.setdefault(note["phrase"], []).append((note["onset_sec"], note["deviation_ms"]))
    return {
        kind: {n: (np.array(p)[:, 0], np.array(p)[:, 1]) for n, p in phrases.items()}
        for kind, phrases in rows.items()
    }


def _off_grid(
    document: dict[str, Any], placed: dict[Kind, dict[int, tuple[Floats, Floats]]], beats: _Beats
) -> dict[tuple[Kind, int], int]:
    """Off-grid events by the kind they were an attempt at, and phrase."""
    runs = [run for run in document["runs"] if run["off_grid"]]
    phrases = {p["number"]: p for p in document["phrases"]}
    notes_on = {kind: sum(len(p[0]) for p in parts.values()) for kind, parts in placed.items()}
    enough = [kind for kind, count in notes_on.items() if count >= PLAYED_NOTES]
    played = {kind: beats.rate(kind) for kind in sorted(enough, key=lambda kind: kind.swung)}
    usual = beats.common()
    counts: dict[tuple[Kind, int], int] = {}
    seen: set[int] = set()
    for note in document["notes"]:
        if not note["off_grid"] or note["grace"] or note["event"] in seen:
            continue
        seen.add(note["event"])
        run = _run_of(note, runs)
        kind = None if run is None else attempted(float(run["notes_per_beat"]), played, usual)
        kind = kind or _of_phrase(phrases.get(note["phrase"]))
        if kind is not None:
            key = (kind, note["phrase"])
            counts[key] = counts.get(key, 0) + 1
    return counts


def _run_of(note: dict[str, Any], runs: list[dict[str, Any]]) -> dict[str, Any] | None:
    at = note["onset_sec"]
    for run in runs:
        if run["start"]["onset_sec"] - 1e-4 <= at <= run["end"]["onset_sec"] + 1e-4:
            return run
    return None


def _of_phrase(phrase: dict[str, Any] | None) -> Kind | None:
    if phrase is None or phrase["subdivision"] is None:
        return None
    return Kind(phrase["subdivision"], float(phrase["per_beat"]), bool(phrase["swung"]))


def _with_off(cells: Cells, off: dict[int, int], step_ms: dict[int, float]) -> Cells:
    """Adds off-grid counts, as new cells where a phrase has no note on this grid at all."""
    have = phrase_numbers(cells).tolist()
    new = np.zeros(sum(number not in have for number in off), dtype=CELL)
    for field in ("mean_ms", "drift", "swing"):
        new[field] = math.nan
    cells = np.concatenate([cells, new])
    for number, count in off.items():
        if number not in have:
            row = len(have)
            have.append(number)
            number_phrases(cells[row : row + 1], np.array([number]))
            cells["interval_ms"][row] = step_ms[number]
        cells["off"][have.index(number)] = count
    return cells
