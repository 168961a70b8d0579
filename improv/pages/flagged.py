"""Which passages of a take are worth hearing back, and in what order.

Flagged are the runs off the grid, phrases off the grid as a whole, phrases whose tempo
audibly leaves the backing, and phrases whose spread is loose. The most telling come
first in `weight`: runs by how many notes float and how sure that is, then the others.
"""

from __future__ import annotations

from dataclasses import dataclass

from improv.listening.excerpts import Excerpt, one_phrase, run_excerpts
from improv.listening.on_grid import Placed
from improv.model import Analysis, Phrase, Run, Verdict
from improv.sentences import hear, run_text
from improv.wording import AUDIBLE_SPREAD_MS, capital, drift_text, lag_ms

RUN_WEIGHT = 10.0


@dataclass(frozen=True)
class Flag:
    """One passage: what it is called, what was heard, where it sounds, how much it tells."""

    title: str
    sentence: str
    excerpt: Excerpt
    weight: float


def flagged(analysis: Analysis, placed: Placed) -> tuple[Flag, ...]:
    """Every passage worth hearing, in the order of the take."""
    off = [run for run in analysis.runs if run.off_grid]
    excerpts = run_excerpts(analysis, placed) if off else ()
    flags = [
        Flag(
            capital(e.title),
            f"{capital(run_text(run, analysis))}.",
            e,
            RUN_WEIGHT + _telling_run(run),
        )
        for run, e in zip(off, excerpts, strict=True)
    ]
    for phrase in analysis.phrases:
        weight = _phrase_weight(phrase)
        floats = any(phrase.start <= run.start < phrase.stop for run in off)
        if weight and not floats:
            excerpt = one_phrase(analysis, placed, phrase.number)
            text = hear(analysis, phrase).text
            flags.append(Flag(capital(excerpt.title), text, excerpt, weight))
    return tuple(sorted(flags, key=lambda f: (int(f.excerpt.rows[0]), -f.weight)))


def most_telling(flags: tuple[Flag, ...], most: int) -> tuple[tuple[Flag, ...], tuple[Flag, ...]]:
    """The `most` most telling, and the others; both in the order of the take."""
    ranked = sorted(range(len(flags)), key=lambda i: (-flags[i].weight, i))
    kept = set(ranked[:most])
    return (
        tuple(f for i, f in enumerate(flags) if i in kept),
        tuple(f for i, f in enumerate(flags) if i not in kept),
    )


def _telling_run(run: Run) -> float:
    return run.events * run.confidence


def _phrase_weight(phrase: Phrase) -> float:
    """How much a phrase tells by itself; 0 where there is nothing to hear back."""
    weight = 3.0 if phrase.verdict == Verdict.OFF_GRID else 0.0
    if drift_text(phrase) is not None:
        weight += 2.0 + lag_ms(phrase) / 1000.0
    if phrase.spread_ms is not None and phrase.spread_ms >= AUDIBLE_SPREAD_MS:
        weight += 1.0 + phrase.spread_ms / 1000.0
    return weight
