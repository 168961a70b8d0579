"""Benchmark 3: swing ratio, constant offset, spread and drift, each with its measured error.

    python -m benchmarks estimates [--takes N] [--tuning]

`--takes` takes per row, of one plain phrase each (offset and spread: four), by number of
notes; tempo 70 to 200 BPM, scatter 6 to 25 ms with memory and 2 % fumbled notes, 8 to 30 %
of the notes left out.

The yardstick is what was *realised* in the take: the scatter of 30 notes has its own mean
and standard deviation, and no method can see through it to the player's. Fumbled notes do
not count as realised. Swing and drift are those of the longest phrase heard (a long gap may
part the line), held against the notes of that phrase. A swing ratio counts as found where
the phrase was heard as swung; at 2.6 and more, dotted eighths and sixteenths is as good a
name. The column "nominal" gives the same error against the player's own value, most of
which is that sampling.

Goals: at every size (swing: from 16 pairs on) at least nine estimates in ten lie within the
bound. That nine in ten is how we read "within".
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks.goals import Goal, at_least, conclude
from benchmarks.material import REPORTING_SEED, TUNING_SEED
from improv import Settings, analyze
from improv.model import Analysis, Bools, Floats, Phrase, Take
from improv.synth import Hand, Line, Rest, Stretch, Truth, play

TAKES = 60
PAIRS = (8, 16, 32, 64, 128)
NOTES = (16, 32, 64, 128, 256)
FEWEST_PAIRS = 16
WITHIN = 0.9
"""Share of the estimates that has to lie within the bound."""


@dataclass(frozen=True)
class Estimate:
    """One estimate, and what it should have been."""

    found: float | None
    realised: float
    nominal: float


Trial = Callable[[int, int], Estimate]


@dataclass(frozen=True)
class Kind:
    """One estimate: its bound, the sizes tried, and from which on the bound is a goal."""

    title: str
    bound: float
    sizes: tuple[int, ...]
    trial: Trial
    judged_from: int = 0


def main(arguments: list[str]) -> int:
    """Run the benchmark, print its tables and goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks estimates")
    parser.add_argument("--takes", type=int, default=TAKES)
    parser.add_argument("--tuning", action="store_true", help="seeds from 0, not from 100 000")
    options = parser.parse_args(arguments)
    first = TUNING_SEED if options.tuning else REPORTING_SEED
    print(f"Estimates: {options.takes} takes a row, seeds from {first}")
    goals = []
    for kind in (
        Kind("swing ratio (pairs)", 0.05, PAIRS, _swing, FEWEST_PAIRS),
        Kind("constant offset, ms (notes)", 2.0, NOTES, _offset),
        Kind("spread, share of itself (notes)", 0.10, NOTES, _spread),
        Kind("drift, BPM (notes)", 0.5, NOTES, _drift),
    ):
        text, within = _table(kind, range(first, first + options.takes))
        print("\n" + text)
        goals.append(_goal(kind, within))
    return conclude(goals)


def _goal(kind: Kind, within: dict[int, float]) -> Goal:
    """The size with the smallest share within the bound."""
    judged = {size: share for size, share in within.items() if size >= kind.judged_from}
    size = min(judged, key=lambda s: judged[s])
    what = kind.title.partition(" (")[0]
    return at_least(f"{what}: within {kind.bound:g}, worst at {size}", judged[size], WITHIN)


def _table(kind: Kind, seeds: range) -> tuple[str, dict[int, float]]:
    """The table of one estimate, and per size the share within its bound."""
    heads = ("found", "bias", "RMS", "90 %", "within", "nominal")
    lines = [f"{kind.title}, bound {kind.bound}", f"{'':<8}" + "".join(f"{h:>10}" for h in heads)]
    within = {}
    for size in kind.sizes:
        results = [kind.trial(size, seed) for seed in seeds]
        known = [e for e in results if e.found is not None]
        away = np.array([(e.found or 0.0) - e.realised for e in known])
        from_nominal = np.array([(e.found or 0.0) - e.nominal for e in known])
        within[size] = float((np.abs(away) <= kind.bound).mean()) if known else 0.0
        if not known:
            lines.append(f"{size:<8}{'0 %':>10}")
            continue
        figures = (
            f"{100 * len(known) / len(results):>8.0f} %",
            f"{away.mean():>10.3f}",
            f"{_rms(away):>10.3f}",
            f"{np.quantile(np.abs(away), 0.9):>10.3f}",
            f"{100 * within[size]:>8.0f} %",
            f"{_rms(from_nominal):>10.3f}",
        )
        lines.append(f"{size:<8}" + "".join(figures))
    return "\n".join(lines), within


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _hand(rng: np.random.Generator) -> Hand:
    return Hand(
        offset_ms=float(rng.uniform(-30, 34)),
        spread_ms=float(rng.uniform(6, 25)),
        memory=float(rng.uniform(0.3, 0.8)),
        swing_ratio=float(rng.uniform(1.2, 3.0)),
        fumbles=0.02,
    )


def _heard(line: Line, hand: Hand, seed: int) -> tuple[Take, Truth, Analysis]:
    take, truth = play(line, hand, seed)
    return take, truth, analyze(take, Settings())


def _phrase_line(
    rng: np.random.Generator, notes: int, name: str, per_beat: int, phrases: int = 1
) -> Line:
    """`notes` positions of one subdivision in 4/4, in one or more phrases."""
    filled = float(rng.uniform(0.70, 0.92))
    stretch = Stretch(name, max(2.0, notes / filled / per_beat / phrases), filled)
    pieces = (stretch, *(piece for _ in range(phrases - 1) for piece in (Rest(4, "bar"), stretch)))
    return Line(pieces, tempo_bpm=float(rng.uniform(70, 200 if per_beat == 2 else 130)))


def _swing(pairs: int, seed: int) -> Estimate:
    rng = np.random.default_rng([seed, 2])
    line = _phrase_line(rng, 2 * pairs, "swung eighths", 2)
    hand = _hand(rng)
    # The short note keeps 80 ms: a beat of 60 / tempo seconds allows no larger ratio.
    largest = 60000.0 / line.tempo_bpm / 80.0 - 1.0
    hand = Hand(
        hand.offset_ms, hand.spread_ms, hand.memory, min(hand.swing_ratio, largest), fumbles=0.02
    )
    take, truth, analysis = _heard(line, hand, seed)
    phrase = max(analysis.phrases, key=lambda p: p.events)
    good = _within(truth, phrase)
    delayed = np.abs(truth.position_quarter % 1.0 - 0.5) < 0.01
    beat_ms = 60000.0 / line.tempo_bpm
    later = truth.stray_ms[good & delayed].mean() - truth.stray_ms[good & ~delayed].mean()
    place = hand.swing_ratio / (1.0 + hand.swing_ratio) + later / beat_ms
    found = phrase.swing_ratio if phrase.swung else None
    return Estimate(found, place / (1.0 - place), hand.swing_ratio)


def _within(truth: Truth, phrase: Phrase) -> Bools:
    """The main notes of one heard phrase, fumbled ones apart."""
    rows = np.arange(len(truth))
    return truth.main & ~truth.fumbled & (rows >= phrase.start) & (rows < phrase.stop)


def _steady(notes: int, seed: int) -> tuple[Line, Hand]:
    rng = np.random.default_rng([seed, 3])
    name, per_beat = (("eighths", 2), ("sixteenths", 4), ("eighth triplets", 3))[seed % 3]
    return _phrase_line(rng, notes, name, per_beat, phrases=1 if notes < 32 else 4), _hand(rng)


def _offset(notes: int, seed: int) -> Estimate:
    line, hand = _steady(notes, seed)
    _, truth, analysis = _heard(line, hand, seed)
    good = truth.main & ~truth.fumbled
    realised = hand.offset_ms + float(truth.stray_ms[good].mean())
    return Estimate(analysis.constant_offset_ms, realised, hand.offset_ms)


def _spread(notes: int, seed: int) -> Estimate:
    """Found spread over the realised one, so that 1 is right and 0.1 is 10 %."""
    line, hand = _steady(notes, seed)
    _, truth, analysis = _heard(line, hand, seed)
    stray = truth.stray_ms[truth.main & ~truth.fumbled]
    realised = float(stray.std(ddof=1))
    found = None if analysis.spread_ms is None else analysis.spread_ms / realised
    return Estimate(found, 1.0, hand.spread_ms / realised)


def _drift(notes: int, seed: int) -> Estimate:
    """One phrase; the realised drift is the slope of its true deviations over time."""
    rng = np.random.default_rng([seed, 4])
    name, per_beat = (("eighths", 2), ("sixteenths", 4), ("eighth triplets", 3))[seed % 3]
    plain, hand = _phrase_line(rng, notes, name, per_beat), _hand(rng)
    length_ms = notes / per_beat * 60000.0 / plain.tempo_bpm
    largest = 0.35 * 60000.0 / plain.tempo_bpm / per_beat / length_ms * plain.tempo_bpm
    drift = float(rng.uniform(-1, 1)) * min(largest, 5.0)
    line = Line(plain.pieces, tempo_bpm=plain.tempo_bpm, drift_bpm=drift)
    take, truth, analysis = _heard(line, hand, seed)
    phrase = max(analysis.phrases, key=lambda p: p.events)
    good = _within(truth, phrase)
    slope = np.polyfit(take.onset_sec[good], truth.deviation_ms[good] / 1000.0, 1)[0]
    # A second of playing covers 1 - slope seconds of the music as the backing has it.
    return Estimate(phrase.drift_bpm, -line.tempo_bpm * float(slope), drift)
