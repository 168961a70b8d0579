"""Fast runs: where they are, how fast, and whether any grid holds them.

Conventions
-----------
A **run** is a stretch of consecutive short notes inside one phrase. It is *off the grid*
where the reading (`fit`) says free. Its rate is the slope of a straight line through its
onsets, in notes per beat of the take's tempo (a quarter in 2+2+2+3/8, whose own beats differ in
length; one and the same where meters alternate); its kind comes from a quadratic (speeding up,
slowing down) and from the scatter of its steps (uneven). A note left out of a run counts as if
it had been played. Where it lands is told by `landing`.
Ranges are events, half-open.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from improv.events import Events
from improv.model import Bars, Bools, Floats, Ints
from improv.tempo import bar_index

FEWEST_FREE = 4
FEWEST_FAST = 6
PERHAPS_FREE = 0.2
FAST_STEP_SEC = 0.26
"""Steps of a fast run: above about four notes a second (our choice)."""
FAST_STEP_BEAT = 0.52
STEADY, UNEVEN = "steady", "uneven"
GLIDING = ("speeding up", "slowing down")
GLIDE_SHARE = 0.14
GLIDE_DOUBTS = 1.8
UNEVEN_SHARE = 0.13
HOLE, MOST_IN_HOLE = 1.6, 3.0
"""A wait of so many steps may hold a note left out, and up to so many (our choice)."""
MOST_HOLES, EVENER = 0.25, 0.5
"""Holes for a step at most; the scatter they must leave, as a share of that without them."""


@dataclass(frozen=True)
class Stretch:
    """One run in events [start, stop), measured."""

    start: int
    stop: int
    off_grid: bool
    notes_per_beat: float
    kind: str


def find_runs(
    events: Events, phrase: Ints, is_free: Bools, free_chance: Floats, bars: Bars
) -> tuple[Stretch, ...]:
    """All runs in time order: those off the grid, and fast ones that hold it."""
    joined = _bridge(is_free, free_chance, phrase)
    found = [(a, b, True) for a, b in _stretches(joined, phrase, joined) if b - a >= FEWEST_FREE]
    beat_quarter = bars.tempo_beat_quarter[bars.meter[bar_index(bars, events.quarter)]]
    step_sec = np.diff(events.onset_sec, append=np.inf)
    step_beat = np.diff(events.quarter, append=np.inf) / beat_quarter
    fast = (step_sec <= FAST_STEP_SEC) & (step_beat <= FAST_STEP_BEAT) & ~joined
    follows = np.concatenate([[False], fast[:-1]])
    member = (fast | follows) & ~joined
    for a, b in _stretches(member, phrase, fast):
        if b - a >= FEWEST_FAST:
            found.append((a, b, False))
    beat = events.quarter / bars.stated_beat_quarter
    return tuple(_measure(beat[a:b], a, b, off) for a, b, off in sorted(found))


def _bridge(is_free: Bools, chance: Floats, phrase: Ints) -> Bools:
    """Join free stretches of a phrase parted by one or two doubtful notes."""
    joined = is_free.copy()
    for width in (1, 2):
        apart = width + 1
        both = joined[:-apart] & joined[apart:] & (phrase[:-apart] == phrase[apart:])
        for at in np.flatnonzero(both):
            inside = slice(at + 1, at + apart)
            if (chance[inside] > PERHAPS_FREE).all():
                joined[inside] = True
    return joined


def _stretches(member: Bools, phrase: Ints, linked: Bools) -> list[tuple[int, int]]:
    """Maximal half-open ranges of members, cut where phrases meet or the link breaks."""
    if not member.any():
        return []
    apart = np.ones(len(member), dtype=np.bool_)
    apart[1:] = ~(member[1:] & member[:-1] & linked[:-1] & (phrase[1:] == phrase[:-1]))
    starts = np.flatnonzero(member & apart)
    group = np.cumsum(member & apart)[member]
    sizes = np.bincount(group)[1:]
    return list(zip(starts.tolist(), (starts + sizes).tolist(), strict=True))


def _measure(beat: Floats, start: int, stop: int, off_grid: bool) -> Stretch:
    # A run on a grid goes as its subdivisions do.
    if not off_grid:
        return Stretch(start, stop, off_grid, rate(beat), STEADY)
    number = steps_gone(beat)
    return Stretch(start, stop, off_grid, rate(beat, number), kind(beat, number))


def steps_gone(beat: Floats) -> Floats:
    """How many steps lie before each note: its number, and one more after every note left out.

    A wait of two or three steps is taken for a hole only where the run is even with it, and far
    evener than without.
    """
    even = _even(beat)
    step = np.diff(beat)
    usual = float(np.median(step))
    ratio = step / max(usual, 1e-9)
    held = np.where(ratio > HOLE, np.minimum(np.round(ratio), MOST_IN_HOLE), 1.0)
    holes = int((held > 1.0).sum())
    if not holes or holes > MOST_HOLES * len(step):
        return even
    number = np.concatenate([[0.0], np.cumsum(held)])
    scatter = _bend(beat, number)[1]
    evener = scatter < min(EVENER * _bend(beat, even)[1], UNEVEN_SHARE)
    return np.asarray(number if evener else even)


def _even(beat: Floats) -> Floats:
    """Numbers of notes of which none is left out."""
    return np.arange(len(beat), dtype=np.float64)


def rate(beat: Floats, number: Floats | None = None) -> float:
    """Notes per beat of a run: the inverse slope of onset beats on note number."""
    number = _even(beat) if number is None else number
    number = number - number.mean()
    slope = float(number @ beat) / float(number @ number)
    return 1.0 / max(slope, 1e-6)


def kind(beat: Floats, number: Floats | None = None) -> str:
    """ "steady", "speeding up", "slowing down" or "uneven"."""
    change, scatter, doubt = _bend(beat, _even(beat) if number is None else number)
    # A change smaller than the scatter could make by itself is no glide.
    if abs(change) > max(GLIDE_SHARE, GLIDE_DOUBTS * doubt):
        return GLIDING[0] if change < 0 else GLIDING[1]
    return UNEVEN if scatter > UNEVEN_SHARE else STEADY


def _bend(beat: Floats, number: Floats) -> tuple[float, float, float]:
    """Change of step over a run, scatter about the bend, doubt of the change: in mean steps."""
    count, length = len(beat), float(number[-1] - number[0])
    basis = _bows(tuple((number - number[0]).tolist()))
    mean_step = float(beat[-1] - beat[0]) / length
    # A bow of c (n^2 - ...) changes the step by 2 c from note to note.
    change = 2.0 * float(basis.bow @ beat) / basis.bow_square * length / mean_step
    residual = beat - basis.fit @ (basis.fit.T @ beat)
    scatter = float(np.sqrt(residual @ residual / max(count - 3, 1))) / mean_step
    return change, scatter, 2.0 * scatter * length / float(np.sqrt(basis.bow_square))


@dataclass(frozen=True, eq=False)
class _Bows:
    """Orthonormal polynomials to degree 2 on note numbers, and the monic one of degree 2."""

    fit: Floats
    bow: Floats
    bow_square: float


@lru_cache(maxsize=256)
def _bows(number: tuple[float, ...]) -> _Bows:
    centered = np.array(number) - np.mean(number)
    fit, scale = np.linalg.qr(np.vander(centered, 3, increasing=True))
    return _Bows(fit, fit[:, 2] * scale[2, 2], float(scale[2, 2] ** 2))
