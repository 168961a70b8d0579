"""What a random solo may use: its player, and the subdivisions its tempo and style allow.

Ranges follow published ones where there are any: scatter correlated 0.3 to 0.8 from note to
note, a constant offset of -30 to +34 ms, swing ratios of 1.2 to 3.0; no step under 60 ms,
no short swung note under 80 ms. Conventions: milliseconds; swing ratios long : short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv import grid
from improv.meter import Meter
from improv.synth_hand import Hand

SHORTEST_STEP_MS = 60.0
SHORTEST_SWUNG_MS = 80.0
KEYS = tuple(s.key for s in grid.SUBDIVISIONS)


@dataclass(frozen=True)
class Room:
    """What the tempo and the meter allow: rows with their steps, and how notes swing."""

    meter: Meter
    tempo_bpm: float
    rows: tuple[int, ...]
    weights: tuple[float, ...]
    steps_ms: tuple[float, ...]
    swings: bool

    @property
    def beat_ms(self) -> float:
        return 60000.0 / self.tempo_bpm


def random_hand(
    rng: np.random.Generator, meter: Meter, tempo: float, spread_ms: tuple[float, float]
) -> Hand:
    beat_ms = 60000.0 / tempo
    unit, half = _swing_room(beat_ms), _swing_room(beat_ms / 2)
    if meter.kind == "compound":
        half = _swing_room(beat_ms / 3)
    return Hand(
        offset_ms=float(rng.uniform(-30.0, 34.0)),
        spread_ms=float(rng.uniform(*spread_ms)),
        memory=float(rng.uniform(0.3, 0.8)),
        swing_ratio=float(np.exp(rng.uniform(np.log(1.2), np.log(max(unit, 1.21))))),
        half_swing_ratio=float(np.exp(rng.uniform(np.log(1.2), np.log(max(half, 1.21))))),
        fumbles=float(rng.uniform(0.01, 0.05)),
        offset_wander_ms=4.0,
        spread_wander=0.1,
        swing_wander=0.03,
    )


def _swing_room(pair_ms: float) -> float:
    """The largest ratio, up to 3, that leaves the short note of a pair its 80 ms."""
    return min(3.0, pair_ms / SHORTEST_SWUNG_MS - 1.0)


def make_room(rng: np.random.Generator, meter: Meter, tempo: float, hand: Hand) -> Room:
    """The rows this solo uses: straight, swung or both as the player's style has it."""
    style = rng.choice(["straight", "swung", "both"], p=[0.4, 0.4, 0.2])
    steps = {row: step_ms(row, meter, tempo) for row in grid.offered(meter)}
    rows = [row for row, step in steps.items() if _can_be_played(row, step, hand)]
    if style == "straight":
        rows = [row for row in rows if not grid.SUBDIVISIONS[row].swung]
    swings = bool(style == "swung") and KEYS.index("swung-unit") in rows
    if swings:
        rows.remove(KEYS.index("unit"))
    # The root of the table's weights: rare subdivisions come up more often than in life.
    weights = np.sqrt([grid.SUBDIVISIONS[row].prior_weight(meter.kind) for row in rows])
    return Room(
        meter,
        tempo,
        tuple(rows),
        tuple((weights / weights.sum()).tolist()),
        tuple(steps[row] for row in rows),
        swings,
    )


def _can_be_played(row: int, step: float, hand: Hand) -> bool:
    """Whether a row's steps, or its short notes if it swings, are long enough for a hand."""
    if not grid.SUBDIVISIONS[row].swung:
        return step >= SHORTEST_STEP_MS
    ratio = hand.swing_ratio if KEYS[row] == "swung-unit" else hand.half_swing_ratio
    return 2 * step / (1.0 + ratio) >= SHORTEST_SWUNG_MS - 1e-6


def step_ms(row: int, meter: Meter, tempo_bpm: float) -> float:
    """Time between neighboring positions (of the shortest beat, in an additive meter)."""
    places = np.array(grid.positions(grid.SUBDIVISIONS[row], meter), dtype=np.float64)
    gaps = np.diff(places, append=float(meter.bar_quarters))
    return float(gaps.min()) * 60000.0 / tempo_bpm / float(meter.tempo_beat_quarter)
