"""Notated rhythms from outside: what was written, where it comes from, and takes made of it.

A `Tune` holds one monophonic line as bars of onsets, in exact fractions of a quarter note
from each bar line; no pitches, no words. The lines come from the corpus that music21 ships
(see `data/README.md` for sources and terms). Three disjoint splits by work:

* `tune`: for choosing parameters;
* `report`: what the benchmark prints;
* `pool`: excerpts of 2 to 8 bars from which simulated solos draw their rhythms.

Folk songs of the Essen collection may be used but not freely passed on, so their rhythms are
read from the installed music21 when wanted, and kept in an untracked folder beside this file.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

from improv.meter import Meter, parse_meter

DATA = Path(__file__).parent / "data"
CACHE = Path(__file__).parent / ".cache"
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


def load_tunes(split: str, folk: bool = True) -> tuple[Tune, ...]:
    """The tunes of `tune` or `report`; with `folk`, those read from the installed music21 too."""
    rows = json.loads((DATA / f"rhythms_{split}.json").read_text(encoding="utf-8"))
    tunes = tuple(from_json(row) for row in rows)
    return tunes + (folk_tunes(split) if folk else ())


def load_pool(folk: bool = False) -> tuple[Excerpt, ...]:
    """The excerpts simulated solos draw from; with `folk`, more odd meters through music21."""
    rows = json.loads((DATA / "rhythm_pool.json").read_text(encoding="utf-8"))
    found = tuple(
        Excerpt(r["meter"], r["source"], r["bars"], tuple(map(Fraction, r["onsets_quarter"])))
        for r in rows
    )
    if not folk:
        return found
    from benchmarks.extract import excerpts

    return found + tuple(excerpts(folk_tunes("pool")))


def folk_tunes(split: str) -> tuple[Tune, ...]:
    """Essen folk songs of a split, from the installed music21 (about 20 s the first time)."""
    path = CACHE / f"folk_{split}.json"
    if not path.exists():
        from benchmarks.extract import extract_folk

        CACHE.mkdir(exist_ok=True)
        (CACHE / ".gitignore").write_text("*\n", encoding="utf-8")
        for name, tunes in extract_folk().items():
            write_lines(CACHE / f"folk_{name}.json", [to_json(t) for t in tunes])
    return tuple(from_json(row) for row in json.loads(path.read_text(encoding="utf-8")))
