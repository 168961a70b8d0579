"""Benchmark 4: how much of a notated rhythm is recovered from an imperfect performance of it.

    python -m benchmarks notated [--split report|tune] [--only WORD] [--failures FILE]

Tunes of the `report` split (parameters are chosen on `tune`), played by a simulated hand that
strays by 10 and by 20 ms; marked as `benchmarks.marking` says; beside music21's quantiser and the
best per-beat penalised grid on the same onsets.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks import rivals
from benchmarks.corpus import Tune
from benchmarks.failures import write_failures
from benchmarks.goals import Goal, at_least, at_most, conclude
from benchmarks.hand import Played, play
from benchmarks.marking import Answer, Marks, mark, notated_points, note_right
from benchmarks.rhythms import load_tunes
from improv.grid import SUBDIVISIONS
from improv.model import Floats, Settings

SPREADS_MS = (10.0, 20.0)
GOALS = {10.0: (95.0, 98.0), 20.0: (90.0, 95.0)}
SEED = 4
NOTES_A_METER = 600
CHARGES_MS2 = (30.0, 60.0, 100.0, 150.0, 220.0, 320.0, 450.0, 650.0, 900.0, 1300.0, 2000.0)


def by_improv(played: Played) -> Answer:
    """This project's answer. A swung off-beat stands for no notated position."""
    from improv.analysis import analyze

    notes = analyze(played.take, Settings()).notes
    position = np.array(notes.position_beat)
    off_beat = np.abs(position - np.round(position)) > 1e-6
    none = np.array(notes.off_grid) | ~np.isfinite(position) | (np.array(notes.swung) & off_beat)
    return Answer(
        position, none, tuple(SUBDIVISIONS[i].key if i >= 0 else None for i in notes.subdivision)
    )


def bare(position: Floats) -> Answer:
    """The answer of a method that gives positions only."""
    return Answer(position, np.zeros(len(position), dtype=np.bool_))


def perform(tunes: tuple[Tune, ...], spread_ms: float) -> list[Played]:
    """Every tune played, each time with a seed of its own.

    Once each; in meters of which the corpus has little, up to five times.
    """
    notes: dict[str, int] = {}
    for t in tunes:
        notes[meter_group(t)] = notes.get(meter_group(t), 0) + sum(map(len, t.onsets))
    return [
        play(t, spread_ms, np.random.default_rng([SEED, int(spread_ms), i, again]))
        for i, t in enumerate(tunes)
        for again in range(min(5, -(-NOTES_A_METER // notes[meter_group(t)])))
    ]


def share(marks: list[Marks], what: str) -> float:
    """Per cent right over several performances (NaN where there is nothing to mark)."""
    joined = np.concatenate([getattr(m, what) for m in marks] or [np.zeros(0)])
    return 100.0 * float(joined.mean()) if len(joined) else float("nan")


def choose_charge(spread_ms: float) -> float:
    """The penalised grid's charge that recovers most beats and notes of the `tune` split."""
    takes = perform(load_tunes("tune"), spread_ms)[::2]

    def right(charge: float) -> float:
        marks = [mark(p, bare(rivals.penalised_grid(p, charge))) for p in takes]
        return share(marks, "beats") + share(marks, "notes")

    return max(CHARGES_MS2, key=right)


def meter_group(tune: Tune) -> str:
    """The tune's meter, or that it changes."""
    return "changing" if len(set(tune.meters)) > 1 else tune.main_meter


def groups(takes: list[Played], kind: Callable[[Tune], str]) -> dict[str, list[int]]:
    """Indices of the performances by a property of their tunes."""
    found: dict[str, list[int]] = {}
    for i, p in enumerate(takes):
        found.setdefault(kind(p.tune), []).append(i)
    return dict(sorted(found.items()))


@dataclass(frozen=True, eq=False)
class Round:
    """All methods' marks at one spread; music21's by the divisors it was given."""

    spread_ms: float
    takes: list[Played]
    answers: list[Answer]
    ours: list[Marks]
    grid: list[Marks]
    nearest: list[Marks]
    music21: dict[tuple[int, ...], list[Marks]]
    ceiling: list[Marks]
    seconds: dict[str, float]


def run_round(tunes: tuple[Tune, ...], spread_ms: float, with_music21: bool = True) -> Round:
    """Play everything at one spread and let every method answer."""
    takes = perform(tunes, spread_ms)
    seconds: dict[str, float] = {}

    def timed(label: str, method: Callable[[Played], Answer]) -> list[Answer]:
        begin = time.perf_counter()
        answers = [method(p) for p in takes]
        seconds[label] = seconds.get(label, 0.0) + time.perf_counter() - begin
        return answers

    def marked(answers: list[Answer]) -> list[Marks]:
        return [mark(p, a) for p, a in zip(takes, answers, strict=True)]

    answers = timed("improv", by_improv)
    charge = choose_charge(spread_ms)
    grid = timed("penalised", lambda p: bare(rivals.penalised_grid(p, charge)))
    nearest = timed("nearest", lambda p: bare(rivals.nearest_point(p)))
    music21 = {
        divisors: marked(
            timed("music21", lambda p, d=divisors: bare(rivals.music21_quantiser(p, d)))
        )
        for divisors in (rivals.MUSIC21_DIVISORS if with_music21 else ())
    }
    told = [bare(rivals.told_grid(p, notated_points(p))) for p in takes]
    return Round(
        spread_ms, takes, answers, marked(answers), marked(grid), marked(nearest), music21,
        marked(told), seconds,
    )  # fmt: skip


# --- the table ---------------------------------------------------------------


COLUMNS = ("improv", "penalised", "nearest", "music21", "music21 best")


def pair(beats: float, notes: float) -> str:
    """Two percentages as one column."""
    return f"{beats:5.1f}  {notes:5.1f}" if notes == notes else f"{'-':>5}  {'-':>5}"


def figures(r: Round, which: list[int], what: str) -> tuple[float, ...]:
    """Per cent right of each of `COLUMNS` on some performances."""
    few = [[marks[i] for i in which] for marks in r.music21.values()]
    by_divisors = [share(marks, what) for marks in few] or [float("nan")]
    return (
        *(share([marks[i] for i in which], what) for marks in (r.ours, r.grid, r.nearest)),
        by_divisors[0],
        max(by_divisors),
    )


def row(r: Round, label: str, which: list[int]) -> str:
    """One group as a line of the table."""
    cells = zip(figures(r, which, "beats"), figures(r, which, "notes"), strict=True)
    return f"{label:11}{len({r.takes[i].tune.source for i in which}):4d} " + " ".join(
        f"{pair(*c):>12}" for c in cells
    )


def behind(r: Round) -> list[str]:
    """Meters on which a rival is ahead, or level below a perfect score."""
    out = []
    for label, which in groups(r.takes, meter_group).items():
        for what in ("beats", "notes"):
            ours, grid, _, _, music21 = figures(r, which, what)
            for rival, theirs in (("grid", grid), ("music21", music21)):
                if theirs >= ours and ours < 100.0:
                    out.append(f"{label} {what} ({rival} {theirs - ours:+.1f})")
    return out


def wrong_notes(r: Round) -> str:
    """How the notes that are wrong came to be so."""
    swung = nowhere = other = 0
    for played, answer in zip(r.takes, r.answers, strict=True):
        wrong = ~note_right(played, answer)
        off_grid = wrong & ~np.isfinite(answer.position_beat)
        swung += int((wrong & answer.none & ~off_grid).sum())
        nowhere += int(off_grid.sum())
        other += int((wrong & ~answer.none).sum())
    return f"wrong notes: {nowhere} called off grid, {swung} called swung, {other} misplaced"


def print_round(r: Round) -> None:
    """The table of one spread."""
    print(f"\nA hand that strays by {r.spread_ms:.0f} ms: % of beats and of notes right")
    print(f"{'':10}tunes " + " ".join(f"{c:>12}" for c in COLUMNS))
    for kind in (meter_group, lambda t: t.genre, lambda t: "all"):
        for label, which in groups(r.takes, kind).items():
            print(row(r, label, which))
        print()
    print(
        f"told every beat's subdivision, snapping gets {share(r.ceiling, 'notes'):.1f} % of notes"
    )
    print(wrong_notes(r))
    print(f"name of the subdivision fits: {share(r.ours, 'labels'):.1f} % of notes")
    counted = sum(len(m.beats) for m in r.ours), sum(len(m.notes) for m in r.ours)
    left = sum(m.beats_left_out for m in r.ours), sum(m.notes_left_out for m in r.ours)
    print(f"counted: {counted[0]} beats, {counted[1]} notes; played but not counted, because no")
    print(f"subdivision of the table writes them: {left[0]} beats, {left[1]} notes")
    worse = behind(r)
    print("against both rivals: " + ("ahead on every meter" if not worse else "NOT ahead on"))
    for text in worse:
        print(f"    {text}")
    print("seconds: " + ", ".join(f"{k} {v:.1f}" for k, v in r.seconds.items()))


def main(argv: list[str] | None = None) -> int:
    """Run the benchmark, print its tables and goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks notated", description=__doc__)
    parser.add_argument("--split", choices=("report", "tune"), default="report")
    parser.add_argument("--only", help="tunes whose meter or genre is this")
    parser.add_argument("--failures", metavar="FILE", help="write the wrong beats there")
    parser.add_argument("--no-folk", action="store_true", help="committed rhythms only")
    parser.add_argument("--no-music21", action="store_true", help="leave out the slow method")
    parser.add_argument("--spread", type=float, choices=SPREADS_MS, help="one spread only")
    args = parser.parse_args(argv)
    tunes = load_tunes(args.split, folk=not args.no_folk)
    if args.only:
        tunes = tuple(t for t in tunes if args.only in (t.genre, meter_group(t)))
    rounds = [
        run_round(tunes, s, not args.no_music21) for s in SPREADS_MS if args.spread in (None, s)
    ]
    for r in rounds:
        print_round(r)
    if args.failures:
        takes = [p for r in rounds for p in r.takes]
        count = write_failures(args.failures, takes, [a for r in rounds for a in r.answers])
        print(f"{count} beats with a wrong note written to {args.failures}")
    return conclude(goal for r in rounds for goal in goals_of(r))


def goals_of(r: Round) -> list[Goal]:
    """The goals of one spread: beats and notes right, and no rival ahead on any meter."""
    hand = f"a hand that strays by {r.spread_ms:.0f} ms"
    goals = [
        at_least(f"{hand}: {what} right", share(r.ours, what), goal, "%")
        for what, goal in zip(("beats", "notes"), GOALS[r.spread_ms], strict=True)
    ]
    return [*goals, at_most(f"{hand}: rivals ahead", len(behind(r)), 0)]


if __name__ == "__main__":
    raise SystemExit(main())
