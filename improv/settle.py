"""Free runs that could be written down after all are none.

Conventions: columns as `choose.choose` gives them. A run counts as off the grid only if its notes
keep clear of the positions they would have to be written at: by `CLEAR_SHARE` of the step there,
root mean square. A tight hand's small swerve is likelier a smooth curve than scatter, yet
everybody hears it as the rhythm it is near to.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from improv.choose import choose, steps_ms
from improv.hand import Hand
from improv.model import Bools, Floats
from improv.scene import Scene, span_of

CLEAR_SHARE = 0.11
"""On simulated solos the nearest grids miss free runs by 0.15 to 0.32 of a step (5 % to 90 %),
where they miss tight playing by 0.1 at most (benchmarks, tuning seeds)."""

SPARSE = 1.4
"""Steps of the grid to a note: sparser than this, a run's notes only happen to lie near it."""
MOST_PASSED = 4.0
LAST_SEC = 1e9
"""Long after any take: the wait after its last note."""


def settle(
    scene: Scene,
    called: dict[str, NDArray[Any]],
    center_ms: Floats,
    spread_ms: Floats,
    hand: Hand,
) -> dict[str, NDArray[Any]]:
    """Calls of a scene, free runs near enough to grid positions put on them.

    `center_ms` and `spread_ms` are the hand's per event.
    """
    doubted = np.unique(scene.phrase[called["row"] < 0])
    if not len(doubted):
        return called
    span, _ = span_of(scene.edges, doubted)
    part = scene.part(doubted)
    belief = part.believe(center_ms[span], spread_ms[span], hand.memory, with_free=False)
    plain = choose(part, belief, hand, free=False)
    step_ms = steps_ms(part.events, part.bars, plain["row"])
    offered = np.isfinite(step_ms)
    share = np.where(offered, (plain["deviation_ms"] - center_ms[span]) / step_ms, 1.0)
    wait_ms = np.diff(part.events.onset_sec, append=LAST_SEC) * 1000.0
    gap = np.minimum(wait_ms / step_ms, MOST_PASSED)
    near = span[_written(called["row"][span] < 0, share, gap, part.phrase)]
    back = np.searchsorted(span, near)
    settled = {name: column.copy() for name, column in called.items()}
    for name, column in settled.items():
        column[near] = plain[name][back]
    return settled


def _written(
    free: Bools, share: Floats, gap: Floats, phrase: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Events of the free runs whose notes lie near grid positions, most of which they play."""
    begins = free.copy()
    begins[1:] &= ~free[:-1] | (np.diff(phrase) != 0)
    run = np.cumsum(begins) - 1
    of = np.flatnonzero(free)
    count = int(begins.sum())
    squares = np.bincount(run[of], share[of] ** 2, count)
    steps = np.bincount(run[of], gap[of], count)
    size = np.bincount(run[of], minlength=count)
    near = (squares < CLEAR_SHARE**2 * size) & (steps < SPARSE * size)
    return np.asarray(of[near[run[of]]])
