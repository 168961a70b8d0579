"""Takes to benchmark on: seeds, the pool of written rhythms, and played solos.

Seeds 0 to 9 999 are for tuning, seeds from 100 000 on for reporting; no take is in both.
"""

from __future__ import annotations

import json
from fractions import Fraction
from functools import cache
from pathlib import Path

from improv.meter import parse_meter
from improv.model import Take
from improv.synth import Truth, play
from improv.synth_solos import Rhythm, random_solo

POOL = Path(__file__).parent / "data" / "rhythm_pool.json"
TUNING_SEED = 0
REPORTING_SEED = 100_000


@cache
def rhythm_pool() -> tuple[Rhythm, ...]:
    """Excerpts of two to four bars of written music, from a bar line each."""
    entries = json.loads(POOL.read_text(encoding="utf-8"))
    return tuple(piece for entry in entries for piece in _excerpts(entry))


def _excerpts(entry: dict[str, object]) -> list[Rhythm]:
    meter, bars = str(entry["meter"]), int(str(entry["bars"]))
    onsets = entry["onsets_quarter"]
    assert isinstance(onsets, list)
    bar = float(parse_meter(meter)[0].bar_quarters)
    at = [float(Fraction(str(q))) for q in onsets]
    size = 4 if bars >= 4 else bars
    found = []
    for first in range(0, bars - size + 1, size):
        start, stop = first * bar, (first + size) * bar
        inside = tuple(q - start for q in at if start <= q < stop)
        if len(inside) >= 4:
            found.append(Rhythm(meter, inside, size * bar))
    return found


def solo(seed: int, **limits: object) -> tuple[Take, Truth]:
    """The random solo of a seed, played."""
    line, hand = random_solo(seed, rhythm_pool(), **limits)  # type: ignore[arg-type]
    return play(line, hand, seed)
