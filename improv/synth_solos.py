"""Random solos: who plays, what is played, all drawn from one seed. Harder than real playing.

Half of the phrases are written rhythms from a pool; the others are filled grids with 8 to
30 % of the notes left out, free runs among them. Ranges follow the published ones where
there are any: scatter 6 to 30 ms, correlation 0.3 to 0.8 from note to note, constant offset
-30 to +34 ms, swing ratio 1.2 to 3.0, no step under 60 ms, no short swung note under 80 ms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from improv import grid
from improv.meter import Meter, parse_meter
from improv.synth_choices import SHORTEST_STEP_MS, Room, make_room, random_hand, step_ms
from improv.synth_hand import Hand
from improv.synth_line import (
    FreeRun,
    Line,
    Notated,
    Piece,
    Rest,
    Stretch,
    gliding_run,
    steady_run,
    uneven_run,
)
from improv.synth_plan import holders
from improv.tempo import lay_bars

RUN_STEP_MS = (75.0, 230.0)
RUN_CLEAR_OF_GRIDS = 0.06
"""A steady run's rate differs from every subdivision's by at least this share."""
LONGEST_DRIFT_MS, LARGEST_DRIFT_BPM = 80.0, 6.0
METERS = (
    ("4/4", 0.40), ("3/4", 0.11), ("2/4", 0.06), ("2/2", 0.05), ("6/8", 0.12), ("9/8", 0.05),
    ("12/8", 0.04), ("5/4", 0.05), ("7/8", 0.06), ("2+2+2+3/8", 0.06),
)  # fmt: skip


@dataclass(frozen=True)
class Rhythm:
    """A written rhythm from a bar line: meter as written, onsets and length in quarters."""

    meter: str
    onsets_quarter: tuple[float, ...]
    quarters: float


def random_solo(
    seed: int,
    rhythms: Sequence[Rhythm] = (),
    tempo_bpm: tuple[float, float] = (60.0, 220.0),
    spread_ms: tuple[float, float] = (6.0, 30.0),
    free_runs: bool = True,
) -> tuple[Line, Hand]:
    """A solo of 4 to 8 phrases and the hand to play it, for `synth.play` under the same seed."""
    rng = np.random.default_rng([seed, 1])
    names, shares = zip(*METERS, strict=True)
    meter_name = str(rng.choice(names, p=np.array(shares) / sum(shares)))
    meter = parse_meter(meter_name)[0]
    tempo = float(np.round(rng.uniform(*tempo_bpm), 1))
    hand = random_hand(rng, meter, tempo, spread_ms)
    room = make_room(rng, meter, tempo, hand)
    known = [r for r in rhythms if r.meter == meter_name and _playable(r, room)]
    pieces: list[Piece] = []
    drifts: list[float] = []
    for _ in range(int(rng.integers(4, 9))):
        phrase = _phrase(rng, room, known, free_runs)
        if drifts:
            written = isinstance(phrase[0], Notated)
            pieces.append(Rest(float(rng.uniform(1.5, 4.0)), "bar" if written else "beat"))
        pieces += phrase
        drifts.append(_random_drift(rng, room, phrase))
    line = Line(
        tuple(pieces),
        meter_name,
        tempo,
        0.0,
        tuple(drifts),
        chords=float(rng.choice([0.0, 0.05, 0.15])),
        graces=float(rng.choice([0.0, 0.02, 0.05])),
    )
    return line, hand


def _playable(rhythm: Rhythm, room: Room) -> bool:
    """No step too short for the tempo, and every onset on some subdivision's grid."""
    steps = np.diff(rhythm.onsets_quarter)
    quarter_ms = room.beat_ms / float(room.meter.tempo_beat_quarter)
    if len(steps) < 4 or steps.min() * quarter_ms < SHORTEST_STEP_MS:
        return False
    return bool(_beats_held(rhythm.onsets_quarter, room.meter))


@cache
def _beats_held(onsets_quarter: tuple[float, ...], meter: Meter) -> bool:
    """Whether for every beat one subdivision holds all its onsets."""
    at = np.array(onsets_quarter)
    bars = lay_bars(((0.0, (meter,)),), 0.0, float(at[-1]) + 1e-3)
    held = holders(bars, at)
    starts = np.array([float(s) for s in meter.beat_starts_quarter])
    into = at % float(meter.bar_quarters) + 1e-6
    beat = np.floor(at / float(meter.bar_quarters) + 1e-9) * len(starts) + np.searchsorted(
        starts, into, side="right"
    )
    return all(held[beat == b].all(axis=0).any() for b in np.unique(beat))


def _phrase(
    rng: np.random.Generator, room: Room, known: Sequence[Rhythm], free_runs: bool
) -> list[Piece]:
    if known and rng.random() < 0.6:
        return _written_phrase(rng, room, known, free_runs)
    return _filled_phrase(rng, room, free_runs)


def _written_phrase(
    rng: np.random.Generator, room: Room, known: Sequence[Rhythm], free_runs: bool
) -> list[Piece]:
    """One excerpt; one in six is left at some note for a free run, and another taken up."""
    first = _written(rng, room, known)
    if not free_runs or rng.random() > 1 / 6 or len(first.onsets_quarter) < 4:
        return [first]
    cut = int(rng.integers(2, len(first.onsets_quarter)))
    onsets = first.onsets_quarter[:cut]
    return [
        Notated(onsets, onsets[-1] + 1e-3, first.swung),
        _random_run(rng, room),
        _written(rng, room, known),
    ]


def _written(rng: np.random.Generator, room: Room, known: Sequence[Rhythm]) -> Notated:
    rhythm = known[int(rng.integers(len(known)))]
    swung = room.swings and all(abs(2 * q - round(2 * q)) < 1e-6 for q in rhythm.onsets_quarter)
    return Notated(rhythm.onsets_quarter, rhythm.quarters, swung)


def _filled_phrase(rng: np.random.Generator, room: Room, free_runs: bool) -> list[Piece]:
    """One to three stretches, a free run somewhere in four phrases of ten."""
    filled = float(rng.uniform(0.70, 0.92))
    count = int(rng.choice([1, 2, 3], p=[0.45, 0.35, 0.2]))
    pieces: list[Piece] = []
    for _ in range(count):
        pieces.append(_random_stretch(rng, room, filled))
        if len(pieces) > 1 and rng.random() < 0.12:
            _move_change(pieces, rng)
    if free_runs and rng.random() < 0.4:
        _insert_run(pieces, rng, room)
    return pieces


def _random_stretch(rng: np.random.Generator, room: Room, filled: float) -> Stretch:
    row = int(rng.choice(room.rows, p=room.weights))
    per_beat = float(grid.SUBDIVISIONS[row].per_beat(room.meter.kind) or 1)
    fewest = 2 if per_beat > 1.5 else 4 if per_beat >= 1 else 8
    beats = float(rng.integers(fewest, fewest + 7))
    return Stretch(grid.name(grid.SUBDIVISIONS[row], room.meter) or "", beats, filled)


def _move_change(pieces: list[Piece], rng: np.random.Generator) -> None:
    """Let the last change fall inside a beat."""
    before, after = pieces[-2], pieces[-1]
    if isinstance(before, Stretch) and isinstance(after, Stretch):
        part = float(rng.choice([0.25, 1 / 3, 0.5, 2 / 3, 0.75]))
        pieces[-2] = Stretch(before.subdivision, before.beats + part, before.filled)
        pieces[-1] = Stretch(after.subdivision, after.beats - part, after.filled)


def _insert_run(pieces: list[Piece], rng: np.random.Generator, room: Room) -> None:
    """A run cuts in anywhere in a stretch; what follows takes the grid up where it is."""
    where = int(rng.integers(0, len(pieces)))
    run = _random_run(rng, room)
    stretch = pieces[where]
    assert isinstance(stretch, Stretch)
    left = float(rng.uniform(0.5, max(0.6, stretch.beats)))
    after = Stretch(stretch.subdivision, float(rng.integers(2, 6)), stretch.filled)
    with_rest = [after] if rng.random() < 0.7 or where + 1 < len(pieces) else []
    pieces[where : where + 1] = [
        Stretch(stretch.subdivision, left, stretch.filled), run, *with_rest
    ]  # fmt: skip


def _random_run(rng: np.random.Generator, room: Room) -> FreeRun:
    """5 to 20 notes at a steady rate between subdivisions, gliding, or uneven."""
    notes = int(rng.integers(5, 21))
    kind = rng.choice(["steady", "gliding", "uneven"], p=[0.45, 0.3, 0.25])
    if kind == "steady":
        return steady_run(notes, _rate_between(rng, room))
    low, high = np.log(RUN_STEP_MS)
    if kind == "uneven":
        rate = room.beat_ms / float(np.exp(rng.uniform(low + 0.2, high)))
        return uneven_run(notes, rate, float(rng.uniform(0.12, 0.28)), int(rng.integers(2**31)))
    glide = float(rng.uniform(0.35, 0.8))
    first = float(rng.uniform(low, high - glide))
    ends = [room.beat_ms / float(np.exp(step)) for step in (first, first + glide)]
    if rng.random() < 0.5:
        ends.reverse()
    return gliding_run(notes, ends[0], ends[1])


def _rate_between(rng: np.random.Generator, room: Room) -> float:
    """A rate in notes per beat that is no subdivision's."""
    low, high = np.log(RUN_STEP_MS)
    steps = [step_ms(row, room.meter, room.tempo_bpm) for row in grid.offered(room.meter)]
    while True:
        step = float(np.exp(rng.uniform(low, high)))
        if min(abs(step / other - 1.0) for other in steps) >= RUN_CLEAR_OF_GRIDS:
            return room.beat_ms / step


def _random_drift(rng: np.random.Generator, room: Room, phrase: list[Piece]) -> float:
    """One phrase in four rushes or drags, by no more than can be followed to its end."""
    if rng.random() > 0.25:
        return 0.0
    beat_quarter = float(room.meter.tempo_beat_quarter)
    beats = sum(
        p.quarters / beat_quarter if isinstance(p, Notated) else _beats_of(p) for p in phrase
    )
    finest = min(room.steps_ms)
    largest_ms = min(LONGEST_DRIFT_MS, 0.6 * finest) if finest else LONGEST_DRIFT_MS
    share = float(rng.uniform(0.3, 1.0)) * largest_ms / (beats * room.beat_ms)
    drift_bpm = min(share * room.tempo_bpm, LARGEST_DRIFT_BPM)
    return float(rng.choice([-1.0, 1.0])) * drift_bpm


def _beats_of(piece: Piece) -> float:
    if isinstance(piece, FreeRun):
        return sum(piece.steps_beat)
    return 0.0 if isinstance(piece, Notated) else piece.beats
