"""Are verdicts right? Simulated takes that meet or breach each requirement by known margins.

`python -m benchmarks verdicts [--takes N] [--seed S]`. Per requirement: share right where
the margin is above two spreads, precision and recall of "not met", how often "can't tell"
is said near the limit and far from it, and wrong "met" on blatant breaches (must be 0).
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from benchmarks.goals import at_least, at_most, conclude
from benchmarks.verdict_cases import MAKERS, SETTINGS, Ground
from improv.analysis import analyze
from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.synth import play

FAR = 2.0
TARGET = 0.97


@dataclass(frozen=True)
class Result:
    """One case as it was judged."""

    kind: str
    met: bool
    margin: float
    blatant: bool
    said: str
    seed: int


def run_case(kind: str, seed: int) -> Result:
    """Make the case of a seed, judge its take."""
    rng = np.random.default_rng([seed, sorted(MAKERS).index(kind)])
    ground = Ground(*SETTINGS[seed % len(SETTINGS)])
    case = MAKERS[kind](ground, rng)
    take, _ = play(case.line, case.hand, seed)
    verdict = judge(parse_assignment(case.assignment), analyze(take))
    said = next(o.state for o in verdict.outcomes if o.kind == kind)
    return Result(kind, case.met, case.margin, case.blatant, said, seed)


def run_all(takes: int, seed: int, cores: int, kinds: Sequence[str] = ()) -> list[Result]:
    """All kinds, `takes` cases each."""
    jobs = [(kind, seed + i) for kind in (kinds or MAKERS) for i in range(takes)]
    with ProcessPoolExecutor(cores) as pool:
        return list(pool.map(run_case, *zip(*jobs, strict=True), chunksize=16))


def share_right(results: Sequence[Result]) -> float:
    """Share whose state is the truth; can't tell is not right."""
    if not results:
        return float("nan")
    return float(np.mean([r.said == ("met" if r.met else "not met") for r in results]))


def row(kind: str, results: Sequence[Result]) -> str:
    """One line of the table."""
    far = [r for r in results if r.margin > FAR]
    near = [r for r in results if r.margin <= FAR]
    flagged = [r for r in results if r.said == "not met"]
    breached = [r for r in results if not r.met]
    called = [r for r in breached if r.said != "can't tell"]
    hits = [r for r in flagged if not r.met]
    precision = len(hits) / len(flagged) if flagged else float("nan")
    recall = len(hits) / len(breached) if breached else float("nan")
    of_called = len(hits) / len(called) if called else float("nan")
    unsure = [float(np.mean([r.said == "can't tell" for r in g])) if g else float("nan")
              for g in (far, near)]  # fmt: skip
    return (
        f"{kind:<20}{len(far):>5}{share_right(far):>8.3f}{precision:>8.3f}{recall:>8.3f}"
        f"{of_called:>8.3f}{unsure[0]:>8.3f}{len(near):>6}{unsure[1]:>8.3f}{wrong_met(results):>7}"
    )


def wrong_met(results: Sequence[Result]) -> int:
    """Blatant breaches that were called met."""
    return sum(r.blatant and not r.met and r.said == "met" for r in results)


def report(results: Sequence[Result]) -> str:
    """The whole table."""
    lines = [
        "Verdicts on simulated takes: margin above two spreads (far), the rest (near)",
        f"{'requirement':<20}{'far':>5}{'right':>8}{'prec.':>8}{'recall':>8}{'called':>8}"
        f"{'unsure':>8}{'near':>6}{'unsure':>8}{'wrong':>7}",
        "-" * 84,
    ]
    for kind in MAKERS:
        lines.append(row(kind, [r for r in results if r.kind == kind]))
    lines.append(row("all", results))
    lines += [
        "prec., recall: of 'not met' over all margins; called: recall where something was called;",
        "unsure: share of can't tell; wrong: 'met' on a blatant breach (must be 0).",
    ]
    return "\n".join(lines)


def main(arguments: list[str]) -> int:
    """Run, print the table and the goals; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks verdicts")
    parser.add_argument("--takes", type=int, default=200, help="per requirement")
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--failures", action="store_true", help="list what went wrong")
    parser.add_argument("--kind", action="append", default=[], choices=sorted(MAKERS))
    given = parser.parse_args(arguments)
    results = run_all(given.takes, given.seed, given.cores, given.kind)
    print(report(results))
    if given.failures:
        for r in results:
            if r.margin > FAR and r.said != ("met" if r.met else "not met"):
                print(f"{r.kind} seed {r.seed} margin {r.margin:.1f} met {r.met}: {r.said}")
    far = [r for r in results if r.margin > FAR]
    return conclude(
        (
            at_least("right where the margin is above two spreads", share_right(far), TARGET),
            at_most("'met' on a blatant breach", wrong_met(results), 0),
        )
    )
