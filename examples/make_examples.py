"""Makes the example takes beside this file, each with the truth about it.

The scenario: a class meets every week over a blues at 96 BPM, with one bar of count-in.
Ilka holds. Tarek's fast runs float. Juno swings and lays back. Oda plays in 2+2+2+3/8 at
126 quarters a minute. Benno drags. All of them are invented, and so is every note:

    python examples/make_examples.py [DIRECTORY]

The same seeds give the same files, byte for byte.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from improv.grid import SUBDIVISIONS, name
from improv.meter import parse_meter
from improv.midi_write import OutPart, write_parts
from improv.model import Take
from improv.synth import (
    Hand,
    Line,
    Piece,
    Rest,
    Stretch,
    Truth,
    gliding_run,
    play,
    steady_run,
)
from improv.tempo import constant_tempo, lay_bars, seconds_at

BLUES_BPM = 96.0
CHORUSES = 2


@dataclass(frozen=True)
class Example:
    """One take of the class: what is played, by which hand, from which seed."""

    file: str
    story: str
    line: Line
    hand: Hand
    seed: int


def _held(filled: float = 0.85) -> tuple[Piece, ...]:
    """One chorus that stays on eighths, sixteenths and triplets, with a rest after each."""
    return (
        Stretch("eighths", 14, filled),
        Rest(2, "bar"),
        Stretch("sixteenths", 6, filled),
        Rest(2, "bar"),
        Stretch("eighths", 7, filled),
        Rest(1, "bar"),
        Stretch("eighth triplets", 7, filled),
        Rest(1, "bar"),
        Stretch("quarters", 4),
        Stretch("eighths", 3, filled),
        Rest(1, "bar"),
    )


def _floating() -> tuple[Piece, ...]:
    """One chorus of eighths that hold, and fast runs that belong to no subdivision."""
    return (
        Stretch("eighths", 6, 0.9),
        steady_run(9, 4.6),
        Rest(1, "bar"),
        Stretch("eighths", 11, 0.9),
        Rest(1, "bar"),
        Stretch("eighths", 4, 0.9),
        gliding_run(12, 3.4, 5.6),
        Rest(1, "bar"),
        Stretch("sixteenths", 3, 0.9),
        Stretch("eighths", 4, 0.9),
        Rest(1, "bar"),
    )


def _swinging() -> tuple[Piece, ...]:
    """One chorus of swung eighths with a triplet bar."""
    return (
        Stretch("swung eighths", 15, 0.9),
        Rest(1, "bar"),
        Stretch("swung eighths", 11, 0.9),
        Rest(1, "bar"),
        Stretch("eighth triplets", 4, 0.9),
        Stretch("swung eighths", 11, 0.9),
        Rest(1, "bar"),
    )


def _nine() -> tuple[Piece, ...]:
    """Eight bars of 2+2+2+3/8: four beats to the bar, the last one longer."""
    return (
        Stretch("eighths", 12, 0.9),
        Rest(2, "bar"),
        Stretch("sixteenths", 6, 0.85),
        Rest(1, "bar"),
        Stretch("eighths", 7, 0.9),
        Rest(1, "bar"),
    )


def _dragging() -> tuple[Piece, ...]:
    """One chorus of four-bar phrases; in each the tempo sags, and the next one starts afresh."""
    return (Stretch("eighths", 12, 0.9), Rest(4, "bar")) * 3


EXAMPLES: tuple[Example, ...] = (
    Example(
        "ilka-holds",
        "Eighths, sixteenths and triplets, all of them held.",
        Line(_held() * CHORUSES, tempo_bpm=BLUES_BPM, chords=0.04, graces=0.03),
        Hand(offset_ms=4.0, spread_ms=10.0),
        seed=1101,
    ),
    Example(
        "tarek-floats",
        "Eighths hold; the fast runs are in no subdivision.",
        Line(_floating() * CHORUSES, tempo_bpm=BLUES_BPM),
        Hand(offset_ms=8.0, spread_ms=13.0),
        seed=1102,
    ),
    Example(
        "juno-swings",
        "Eighths swung 1.6 : 1, laid back by 22 ms.",
        Line(_swinging() * CHORUSES, tempo_bpm=BLUES_BPM, graces=0.04),
        Hand(offset_ms=22.0, spread_ms=12.0, swing_ratio=1.6),
        seed=1103,
    ),
    Example(
        "oda-nine",
        "Eighths and sixteenths in 2+2+2+3/8.",
        Line(_nine() * CHORUSES, meter="2+2+2+3/8", tempo_bpm=126.0),
        Hand(offset_ms=-3.0, spread_ms=11.0),
        seed=1104,
    ),
    Example(
        "benno-drags",
        "Eighths whose tempo sags by 1.6 beats a minute in every phrase.",
        Line(_dragging() * CHORUSES, tempo_bpm=BLUES_BPM, drift_bpm=-1.6),
        Hand(offset_ms=2.0, spread_ms=11.0),
        seed=1105,
    ),
)


def with_count_in(take: Take, line: Line) -> Take:
    """The take moved so that one bar of count-in lies between the start of the file and bar 1."""
    cycle = parse_meter(line.meter)
    bar = float(cycle[0].bar_quarters)
    quarter_sec = float(take.tempo_map.quarter_sec[0])
    later_sec = bar * quarter_sec - float(take.tempo_map.start_sec[0])
    last = (float(take.release_sec.max()) + later_sec) / quarter_sec
    return replace(
        take,
        onset_sec=take.onset_sec + later_sec,
        release_sec=take.release_sec + later_sec,
        tempo_map=constant_tempo(60.0 / quarter_sec, bar * quarter_sec),
        bars=lay_bars(((0.0, cycle),), -bar, last),
    )


def truth_document(example: Example, take: Take, truth: Truth) -> dict[str, Any]:
    """What the take was meant to be: the hand, the phrases, and a row for every note."""
    meter = parse_meter(example.line.meter)[0]
    names = [name(row, meter) for row in SUBDIVISIONS]
    return {
        "story": example.story,
        "seed": example.seed,
        "meter": example.line.meter,
        "tempo_bpm": example.line.tempo_bpm,
        "count_in_bars": 1,
        "hand": asdict(example.hand),
        # The rest at the end begins a phrase that nobody plays.
        "phrases": [asdict(phrase) for phrase in truth.phrases if phrase.start < phrase.stop],
        "notes": [
            {
                "onset_sec": round(float(take.onset_sec[i]), 6),
                "subdivision": None if truth.free[i] else names[int(truth.subdivision[i])],
                "position_quarter": (
                    None if truth.free[i] else round(float(truth.position_quarter[i]), 6)
                ),
                "free": bool(truth.free[i]),
                "grace": bool(truth.grace[i]),
            }
            for i in range(len(take))
        ],
    }


def document_text(document: dict[str, Any]) -> str:
    """JSON with one note to a line."""
    rows = ",\n  ".join(json.dumps(row) for row in document["notes"])
    head = ",\n ".join(
        f"{json.dumps(key)}: {json.dumps(value)}"
        for key, value in document.items()
        if key != "notes"
    )
    return "{" + head + f',\n "notes": [\n  {rows}]' + "}\n"


def make_backing(path: Path) -> None:
    """Two choruses of a bass and a ride cymbal over a blues, after one bar of count-in."""
    cycle = parse_meter("4/4")
    bars = 12 * CHORUSES
    tempo_map = constant_tempo(BLUES_BPM, 4 * 60.0 / BLUES_BPM)
    beats = np.arange(-4.0, 4.0 * bars)
    played = beats[beats >= 0]
    roots = np.repeat([0, 5, 0, 0, 5, 5, 0, 0, 7, 5, 0, 7], 4)
    steps = np.tile([0, 4, 7, 9], 12)
    bass = np.tile(33 + roots + steps, CHORUSES).astype(np.int64)
    ride = np.where(beats < 0, 37, 51).astype(np.int64)
    write_parts(
        path,
        (
            _part("bass", played, 0.9, bass, tempo_map, channel=1, program=32),
            _part("drums", beats, 0.2, ride, tempo_map, channel=10, program=None),
        ),
        tempo_map,
        lay_bars(((0.0, cycle),), -4.0, 4.0 * bars),
    )


def _part(
    called: str,
    quarter: Any,
    length_quarter: float,
    pitch: Any,
    tempo_map: Any,
    channel: int,
    program: int | None,
) -> OutPart:
    onset, release = (
        seconds_at(tempo_map, quarter),
        seconds_at(tempo_map, quarter + length_quarter),
    )
    velocity = np.full(len(pitch), 70, dtype=np.int64)
    return OutPart(called, onset, release, pitch, velocity, channel, program)


def make_examples(directory: Path) -> None:
    """Write every example and its truth, and the backing."""
    directory.mkdir(parents=True, exist_ok=True)
    for example in EXAMPLES:
        take, truth = play(example.line, example.hand, example.seed)
        take = replace(with_count_in(take, example.line), track="solo")
        part = OutPart("solo", take.onset_sec, take.release_sec, take.pitch, take.velocity)
        write_parts(directory / f"{example.file}.mid", (part,), take.tempo_map, take.bars)
        told = document_text(truth_document(example, take, truth))
        (directory / f"{example.file}.truth.json").write_text(told, encoding="utf-8")
    make_backing(directory / "blues-backing.mid")


if __name__ == "__main__":
    make_examples(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
