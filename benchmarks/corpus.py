"""Notated rhythms from outside: what was written, where it comes from, and takes made of it.

A `Tune` holds one monophonic line as bars of onsets, in exact fractions of a quarter note
from each bar line; no pitches, no words. The lines come from the corpus that music21 ships
(see `data/README.md` for sources and terms). Three disjoint splits by work:

* `tune`: for choosing parameters;
* `report`: what the benchmark prints;
* `pool`: excerpts of 2 to 8 bars from which simulated solos draw their rhythms.

They are loaded by `benchmarks.rhythms`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

from improv.meter import Meter, parse_meter

DATA = Path(__file__).parent / "data"
SPLITS = ("tune", "report", "pool")


@dataclass(frozen=True)
class Tune:
    """One notated line: `onsets[i]` are the onsets of bar i in quarter notes from its bar line.

    `meters[i]` is that bar's signature. With `pickup` the first bar is bar 0, whose onsets
    stand where they would in a full bar. `left_out` counts bars whose notated lengths do
    not add up; they are silent here.
    """

    source: str
    genre: str
    pickup: bool
    meters: tuple[str, ...]
    onsets: tuple[tuple[Fraction, ...], ...]
    left_out: int = 0

    @property
    def main_meter(self) -> str:
        """The signature most bars have."""
        return max(dict.fromkeys(self.meters), key=self.meters.count)


@dataclass(frozen=True)
class Excerpt:
    """A few whole bars of one meter: `onsets_quarter` from the first bar line."""

    meter: str
    source: str
    bars: int
    onsets_quarter: tuple[Fraction, ...]


@cache
def meter(text: str) -> Meter:
    """One bar's meter, grouped as the trade commonly groups it."""
    return parse_meter(text)[0]


def to_json(tune: Tune) -> dict[str, object]:
    """A tune as plain data: meters as [first bar, signature] where they change."""
    changes = [[i, m] for i, m in enumerate(tune.meters) if i == 0 or m != tune.meters[i - 1]]
    return {
        "source": tune.source,
        "genre": tune.genre,
        "pickup": tune.pickup,
        "meters": changes,
        "left_out": tune.left_out,
        "bars": [" ".join(map(str, bar)) for bar in tune.onsets],
    }


def from_json(data: dict) -> Tune:
    """The tune `to_json` wrote."""
    bars = tuple(tuple(Fraction(t) for t in text.split()) for text in data["bars"])
    starts = [*(at for at, _ in data["meters"][1:]), len(bars)]
    meters: list[str] = []
    for (at, text), stop in zip(data["meters"], starts, strict=True):
        meters.extend([text] * (stop - at))
    return Tune(
        data["source"], data["genre"], data["pickup"], tuple(meters), bars, data["left_out"]
    )


def write_lines(path: Path, rows: list[dict]) -> None:
    """Write a JSON list, one row a line, beside the target and then renamed."""
    text = ",\n".join(json.dumps(row, separators=(",", ":")) for row in rows)
    fresh = path.with_suffix(".part")
    fresh.write_text(f"[\n{text}\n]\n", encoding="utf-8")
    fresh.replace(path)
