"""Which strokes are ornaments, weighed by what they would mean for the rhythm.

Conventions: per stroke, as in `strokes`; log odds are natural logs, positive for an ornament. A
short stroke is either a note with a place of its own or an ornament of the next one. The notes
around it are read both ways under the player's hand; how much likelier they are without it, how
soft it is beside its neighbours and how much room it leaves decide together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.events import events_of
from improv.learn import Learned
from improv.model import Bools, Floats, Ints, Take
from improv.ornaments import GRACE_FLAT_SEC, GRACE_LONGEST_SEC, ORDER_SEC
from improv.scene import Scene
from improv.strokes import Strokes

UNEVEN_SHARE = 0.85
"""Of the longer step beside it: in an even run no note is an ornament."""
AROUND = 5
"""Notes on either side that are read with and without it."""
LONGEST_SEC = (GRACE_LONGEST_SEC, 0.06)
"""Of one grace, and of each of two."""
PRIOR, EVIDENCE, SOFTNESS, ROOM = (-5.3, -10.0), 0.57, 9.2, 2.7
"""Log odds: of any short stroke and of two; per nat of evidence, which is worth less than it
says, as calibration shows; per log unit of loudness; per share of the shorter step beside it. The
first prior is that of one graced note in fifty, anywhere in the 60 ms before it; two in a row are
one in five of those, the second anywhere in 25 ms. Fitted but for the priors, which are our choice:
a note taken for an ornament is the worse mistake."""
SOFTEST, LOUDEST = -0.3, 0.2
"""Log units of loudness beyond which nothing more is learned."""
MOST_EVIDENCE = (13.0, 24.0)
"""Few strokes that need more nats than this are ornaments: they are not weighed."""


@dataclass(frozen=True, eq=False)
class _Figures:
    """Strokes that may be ornaments of the next one, alone or two in a row: (figures,) each.

    `first` is the stroke a figure begins with; `needed` how much likelier, in nats, the notes
    must be without it.
    """

    first: Ints
    size: Ints
    needed: Floats


def weigh(take: Take, strokes: Strokes, guess: Bools, phrase: Ints, learned: Learned) -> Bools:
    """The ornaments among a take's strokes; `guess` is what its phrases were found with.

    `phrase` numbers the phrase of every stroke that is not guessed to be an ornament.
    """
    figures = _figures(strokes, guess)
    if not len(figures.first):
        return guess
    windows = _windows(guess, phrase, figures)
    margin = _evidence(take, strokes, windows, learned) - figures.needed
    found = guess.copy()
    found[figures.first[figures.size == 1]] = False
    settled = np.zeros(len(strokes), dtype=np.bool_)
    for at in np.argsort(-margin)[: int((margin > 0).sum())]:
        figure = slice(figures.first[at], figures.first[at] + figures.size[at])
        if not settled[figure].any():
            found[figure] = settled[figure] = True
    return found


def _figures(strokes: Strokes, guess: Bools) -> _Figures:
    """What may be an ornament: short, not in an even run, and soft or with room around it.

    What nobody could hear apart stays as it was guessed.
    """
    apart_sec = GRACE_FLAT_SEC if strokes.percussion else ORDER_SEC
    step = np.diff(strokes.onset_sec, append=np.inf)
    certain = guess & (step <= apart_sec)
    parts = []
    for size, longest_sec in enumerate(LONGEST_SEC, 1):
        first = np.arange(max(len(strokes) - size, 0))
        inside = first[:, None] + np.arange(size)
        longest = step[inside].max(axis=1)
        before = np.append(np.inf, step)[first]
        after = step[first + size]
        may_be = (longest <= longest_sec) & (longest < UNEVEN_SHARE * np.maximum(before, after))
        may_be &= ~certain[inside].any(axis=1)
        first, inside = first[may_be], inside[may_be]
        room = (longest / np.minimum(before, after))[may_be]
        odds = PRIOR[size - 1] - SOFTNESS * _softer(strokes, inside) - ROOM * np.minimum(room, 1.5)
        needed = -odds / EVIDENCE
        near = needed < MOST_EVIDENCE[size - 1]
        parts.append((first[near], np.full(near.sum(), size), needed[near]))
    return _Figures(*map(np.concatenate, zip(*parts, strict=True)))


def _softer(strokes: Strokes, inside: Ints) -> Floats:
    """Log loudness of figures against the softer of the notes beside them; drums tell nothing."""
    loud = np.log(np.maximum(strokes.loudness, 1))
    beside = np.minimum(loud[inside[:, -1] + 1], loud[np.maximum(inside[:, 0] - 1, 0)])
    beside = np.where(inside[:, 0] == 0, loud[inside[:, -1] + 1], beside)
    softer = np.clip(loud[inside].mean(axis=1) - beside, SOFTEST, LOUDEST)
    return np.asarray(softer * (not strokes.percussion))


def _windows(guess: Bools, phrase: Ints, figures: _Figures) -> list[Ints]:
    """Strokes around each figure, with it and without it in turns, inside its phrase."""
    main = np.flatnonzero(~guess)
    windows: list[Ints] = []
    for first, size in zip(figures.first.tolist(), figures.size.tolist(), strict=True):
        figure = np.arange(first, first + size)
        before, after = np.searchsorted(main, [first, first + size])
        begin, end = np.searchsorted(phrase, phrase[min(after, len(main) - 1)] + np.array([0, 1]))
        others = np.concatenate(
            [main[max(before - AROUND, begin) : before], main[after : min(after + AROUND, end)]]
        )
        windows += [np.sort(np.concatenate([others, figure])), others]
    return windows


def _evidence(take: Take, strokes: Strokes, windows: list[Ints], learned: Learned) -> Floats:
    """How much likelier each window's notes are without the figure in doubt, in nats."""
    events = events_of(take, strokes, np.zeros(len(strokes), dtype=np.bool_))
    edges = np.cumsum([0, *map(len, windows)])
    part = events.at(np.concatenate(windows))
    hand = learned.hand
    scene = Scene.of(
        part, edges, take.bars, learned.lanes, learned.weight, hand.center_ms, learned.accent
    )
    flat = np.ones((1, len(part)))
    found = scene.evidence(flat * hand.center_ms, flat * hand.spread_ms, hand.memory, True)[0]
    return np.asarray(found[1::2] - found[::2])
