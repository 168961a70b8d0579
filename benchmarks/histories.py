"""Simulated histories of a player, at the level of note deviations, for `comparison`.

A history is days of takes of phrases. Deviations have memory (AR(1), rho 0.3 to 0.7) and
heavy tails (fumbled notes, three times as wide). Days, takes and phrases differ: in spread
(on a logarithmic scale), in offset (equipment as much as mood), in drift, in how often a run
leaves the grid. The interval between notes sets the spread as published: a floor and a share
of the interval, root sum of squares. It moves the offset too, either way, by at most what
professional drummers show (Fujii et al. 2011: about 10 ms between 120 and 200 BPM). A change
multiplies the spread from some day on, which scales every deviation, so the true ratio is
exact whatever the estimator.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from improv.cells import CELL, Cells, Kind, number_phrases, timing_cells
from improv.material import Material

KINDS = (
    Kind("eighths", 2.0, False),
    Kind("eighth triplets", 3.0, False),
    Kind("sixteenths", 4.0, False),
)
USUAL_INTERVAL_MS = 300.0
SLOPE_MS = 10.0 / np.log(200 / 120)


@dataclass(frozen=True)
class Player:
    """Who plays; the five wanders are standard deviations between days, takes or phrases.

    `offset_slope_ms` is how much later notes come per natural logarithm of their interval.
    """

    floor_ms: float = 8.0
    share: float = 0.03
    memory: float = 0.5
    fumbles: float = 0.03
    day_wander: float = 0.10
    take_wander: float = 0.08
    phrase_wander: float = 0.18
    offset_wander_ms: float = 6.0
    offset_slope_ms: float = 0.0
    drift_wander: float = 0.006
    off_grid: float = 0.05

    def spread_ms(self, interval_ms: float) -> float:
        """The player's spread at an interval, before days, takes and phrases differ."""
        return float(np.hypot(self.floor_ms, self.share * interval_ms))

    def lean_ms(self, interval_ms: float) -> float:
        """How late the player is at an interval against eighths at 100 BPM."""
        return float(self.offset_slope_ms * np.log(interval_ms / USUAL_INTERVAL_MS))


@dataclass(frozen=True)
class Side:
    """One side of a comparison: its days, takes a day, phrases a take, notes a phrase, tempo."""

    days: int
    takes: int = 1
    phrases: int = 6
    notes: tuple[int, int] = (8, 24)
    tempo_bpm: tuple[float, float] = (90.0, 110.0)
    spread_times: float = 1.0
    offset_more_ms: float = 0.0
    off_grid_times: float = 1.0
    first_day: int = 739_000
    kinds: int = 3


def random_player(rng: np.random.Generator) -> Player:
    """A player of human scale."""
    return Player(
        floor_ms=float(rng.uniform(5, 14)),
        share=float(rng.uniform(0.015, 0.045)),
        memory=float(rng.uniform(0.3, 0.7)),
        fumbles=float(rng.uniform(0.0, 0.05)),
        day_wander=float(rng.uniform(0.05, 0.15)),
        phrase_wander=float(rng.uniform(0.1, 0.25)),
        off_grid=float(rng.uniform(0.0, 0.12)),
        offset_slope_ms=float(rng.uniform(-SLOPE_MS, SLOPE_MS)),
    )


def side(player: Player, plan: Side, rng: np.random.Generator) -> Material:
    """The takes of one side."""
    parts, day, tempo, label = [], [], [], []
    for d in range(plan.days):
        mood = player.day_wander * rng.standard_normal()
        lean = plan.offset_more_ms + player.offset_wander_ms * rng.standard_normal()
        for _ in range(plan.takes):
            bpm = float(rng.uniform(*plan.tempo_bpm))
            form = mood + player.take_wander * rng.standard_normal()
            parts.append((KINDS[: plan.kinds], _take(player, plan, bpm, form, lean, rng)))
            day.append(plan.first_day + d)
            tempo.append(bpm)
            label.append(f"day {d}")
    return Material.of(parts, day, tempo, label)


def two_sides(
    player: Player, before: Side, after: Side, rng: np.random.Generator
) -> tuple[Material, Material]:
    """Before and after, on different days."""
    later = replace(after, first_day=before.first_day + before.days + 7)
    return side(player, before, rng), side(player, later, rng)


def _take(
    player: Player, plan: Side, bpm: float, form: float, lean: float, rng: np.random.Generator
) -> Cells:
    found = []
    for index in range(plan.kinds):
        step_ms = 60_000.0 / (bpm * KINDS[index].per_beat)
        usual = player.spread_ms(step_ms) * plan.spread_times * np.exp(form)
        late = lean + player.lean_ms(step_ms)
        phrases = [_phrase(player, plan, step_ms, usual, late, rng) for _ in range(plan.phrases)]
        cells = timing_cells(phrases, lean, [step_ms] * len(phrases))
        number_phrases(cells, np.arange(plan.phrases) + index * plan.phrases)
        cells["subdivision"] = index
        risk = min(player.off_grid * plan.off_grid_times * KINDS[index].per_beat / 3.0, 0.9)
        runs = rng.random(plan.phrases) < risk
        cells["off"] = runs * rng.integers(5, 12, plan.phrases)
        found.append(cells)
    whole = np.concatenate(found)
    assert whole.dtype == CELL
    return whole


def _phrase(
    player: Player, plan: Side, step_ms: float, usual: float, lean: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    count = int(rng.integers(plan.notes[0], plan.notes[1] + 1))
    sigma = usual * np.exp(player.phrase_wander * rng.standard_normal())
    fresh = rng.standard_normal(count)
    fresh[1:] *= np.sqrt(1.0 - player.memory**2)
    stray = lfilter([1.0], [1.0, -player.memory], fresh)
    stray += (rng.random(count) < player.fumbles) * 3.0 * rng.standard_normal(count)
    steps = np.cumsum(1 + (rng.random(count) < 0.15))  # some positions stay empty
    at_sec = steps * step_ms / 1000.0
    drift = player.drift_wander * rng.standard_normal()
    # All that scatters scales with the spread, drift and the phrase's own lean included.
    ease = sigma / 15.0
    own = 4.0 * rng.standard_normal() * ease
    return at_sec, lean + own + sigma * stray - 1000.0 * drift * ease * (at_sec - at_sec.mean())
