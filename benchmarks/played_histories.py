"""Whole takes of a player before and after a change, played by `synth`, heard by `analyze`."""

from __future__ import annotations

import numpy as np

from improv.analysis import analyze
from improv.cells import from_document
from improv.document import document
from improv.material import Material
from improv.synth import Hand, Line, Rest, Stretch, play

TAKES = 4


def played_sides(seed: int, ratio: float) -> tuple[Material, Material]:
    """Two sets of takes; the second scatters `ratio` times as wide."""
    rng = np.random.default_rng(seed)
    spread = float(rng.uniform(9.0, 16.0))
    tempo = float(rng.uniform(85.0, 115.0))
    before = _takes(rng, spread, tempo)
    return before, _takes(rng, spread * ratio, tempo)


def _takes(rng: np.random.Generator, spread_ms: float, tempo_bpm: float) -> Material:
    parts = []
    for _ in range(TAKES):
        pieces: list[Stretch | Rest] = []
        for _ in range(3):
            pieces += [Stretch("eighths", 8, filled=0.9), Rest(4)]
            pieces += [Stretch("sixteenths", 4, filled=0.9), Rest(4)]
        form = float(np.exp(0.08 * rng.standard_normal()))
        hand = Hand(
            offset_ms=8.0, spread_ms=spread_ms * form, memory=0.5, fumbles=0.02,
            offset_wander_ms=4.0, spread_wander=0.15,
        )  # fmt: skip
        take, _ = play(
            Line(tuple(pieces), tempo_bpm=tempo_bpm), hand, seed=int(rng.integers(2**31))
        )
        parts.append(from_document(document(analyze(take))))
    return Material.of(parts, [-1] * TAKES, [tempo_bpm] * TAKES, ["take"] * TAKES)
