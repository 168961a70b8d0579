"""Which strokes are ornaments, weighed by what they would mean for the rhythm.

Conventions: per stroke, as in `strokes`; log odds are natural logs, positive for an ornament. A
short stroke is either a note with a place of its own or an ornament of the next one. The notes
around it are read both ways under the player's hand; how much likelier they are without it, how
soft it is beside its neighbours and how much room it leaves decide together.
"""

from __future__ import annotations

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
PRIOR, EVIDENCE, SOFTNESS, ROOM = -4.8, 0.57, 9.2, 2.7
"""Log odds: of any short stroke; per nat of evidence, which is worth less than it says, as
calibration shows; per log unit of loudness; per share of the shorter step beside it. The prior is
that of one graced note in thirty, anywhere in the 60 ms before it (fitted; benchmarks)."""
SOFTEST, LOUDEST = -0.3, 0.2
"""Log units of loudness beyond which nothing more is learned."""
MOST_EVIDENCE = 13.0
"""Few strokes that need more nats than this are ornaments: they are not weighed."""


def weigh(take: Take, strokes: Strokes, guess: Bools, phrase: Ints, learned: Learned) -> Bools:
    """The ornaments among a take's strokes; `guess` is what its phrases were found with.

    `phrase` numbers the phrase of every stroke that is not guessed to be an ornament.
    """
    needed = _evidence_needed(strokes)
    doubted = np.flatnonzero(_open_to_doubt(strokes, guess) & (needed < MOST_EVIDENCE))
    found = guess.copy()
    if len(doubted):
        gained = _evidence(take, strokes, _windows(guess, phrase, doubted), learned)
        found[doubted] = gained > needed[doubted]
    return found


def _steps(strokes: Strokes) -> tuple[Floats, Floats, Floats]:
    """Seconds from each stroke to the next, and the steps before and after that one."""
    step = np.diff(strokes.onset_sec, append=np.inf)
    return step, np.append(np.inf, step[:-1]), np.append(step[1:], np.inf)


def _open_to_doubt(strokes: Strokes, guess: Bools) -> Bools:
    """Strokes short enough, and not in an even run; what nobody could hear apart stays as it is."""
    step, before, after = _steps(strokes)
    short = (step <= GRACE_LONGEST_SEC) & (step < UNEVEN_SHARE * np.maximum(before, after))
    apart = GRACE_FLAT_SEC if strokes.percussion else ORDER_SEC
    return np.asarray(short & ~(guess & (step <= apart)))


def _evidence_needed(strokes: Strokes) -> Floats:
    """Nats by which the notes must be likelier without a stroke for it to be an ornament."""
    step, before, after = _steps(strokes)
    with np.errstate(invalid="ignore"):
        room = np.nan_to_num(step / np.minimum(before, after), nan=1.0)
    loud = np.maximum(strokes.loudness, 1).astype(np.float64)
    beside = np.minimum(np.append(loud[1:], loud[-1:]), np.append(loud[1:2], loud[:-1]))
    softer = np.clip(np.log(loud / beside), SOFTEST, LOUDEST) * (not strokes.percussion)
    return np.asarray((SOFTNESS * softer + ROOM * np.minimum(room, 1.5) - PRIOR) / EVIDENCE)


def _windows(guess: Bools, phrase: Ints, doubted: Ints) -> list[Ints]:
    """Strokes around each doubted one, with it and without it in turns, inside its phrase."""
    main = np.flatnonzero(~guess)
    windows: list[Ints] = []
    for stroke in doubted.tolist():
        after = int(np.searchsorted(main, stroke, side="right"))
        begin, end = np.searchsorted(phrase, phrase[min(after, len(main) - 1)] + np.array([0, 1]))
        first = np.searchsorted(main, stroke)
        others = np.concatenate(
            [main[max(first - AROUND, begin) : first], main[after : min(after + AROUND, end)]]
        )
        windows += [np.sort(np.append(others, stroke)), others]
    return windows


def _evidence(take: Take, strokes: Strokes, windows: list[Ints], learned: Learned) -> Floats:
    """How much likelier each window's notes are without the stroke in doubt, in nats."""
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
