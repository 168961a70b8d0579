"""The advice's figures in words: what is held and what is not, how close notes lie, what limits.

Only what the numbers shown bear out is said. Conventions: `held`.
"""

from __future__ import annotations

import math

from improv.counting import counted
from improv.held import (
    CLOSEST_MS,
    SAFE_SPREADS,
    SURE_ON_THE_WHOLE,
    TRAINED_MS,
    Played,
    Step,
    closest_safe_ms,
)
from improv.wording import TIGHT_SPREAD_MS, bpm_text, percent

HANDS = "few hands hold more than ten notes a second"


def hold_text(held: Played) -> str:
    """What to hold, and how steady it is over how many notes."""
    return (
        f"Hold {held.subdivision}: the densest subdivision that is steady here "
        f"({spread_told(held)} over {counted(held.events, 'note')})."
    )


def on_grid_text(lone: Played) -> str:
    """What lies on its grid though it was not played note by note."""
    return (
        f"The notes on the grid of {lone.subdivision} are steady ({spread_told(lone)} over "
        f"{counted(lone.events, 'note')})."
    )


def spread_told(held: Played) -> str:
    """A spread with a decimal where it takes one to see on which side of 20 ms it lies."""
    digits = 1 if round(held.spread_ms) == round(TIGHT_SPREAD_MS) else 0
    return f"{held.spread_ms:.{digits}f} ms spread"


def whole(tempo_bpm: float) -> int:
    """Whole beats per minute, rounded down; 119.999 in a file's ticks is 120."""
    return max(1, math.floor(tempo_bpm + 0.01))


def apart_text(target: Step, asked: int) -> str:
    """How close the notes lie at the tempo asked for."""
    return f"{60_000.0 / (asked * target.per_beat):.0f} ms apart"


def limit_text(own: Played, held: Played | None = None) -> str:
    """What bounds the tempo, as a clause: a spread, or the speed of hands.

    `held` is what stays as fast as it is; `None`: it is itself to be played faster.
    """
    closest = CLOSEST_MS if held is None else closest_safe_ms(held.step_ms)
    if SAFE_SPREADS * own.spread_ms > closest:
        return (
            f"with {spread_told(own)}, any faster and more than 3 notes in 1000 stray nearer to a "
            "neighbour's place than to their own"
        )
    if held is None or closest == CLOSEST_MS:
        return HANDS
    if closest > TRAINED_MS:
        return f"no closer than the {held.subdivision} held already"
    return f"even trained hands seldom hold notes closer than {TRAINED_MS:.0f} ms"


def not_held_text(played: Played, tolerance_ms: float, tempo: float) -> str:
    """Why a subdivision does not count as held; only what the numbers shown bear out."""
    if played.confidence < SURE_ON_THE_WHOLE:
        return (
            "it is not sure enough what they are "
            f"({percent(played.confidence)} sure over {counted(played.events, 'note')})"
        )
    if played.spread_ms > tolerance_ms:
        shown = _above(played.spread_ms, tolerance_ms)
        return f"their spread is {shown}; at {tolerance_ms:g} ms or less they are held"
    if not played.apart:
        return (
            f"at {bpm_text(tempo)} BPM they lie {played.step_ms:.0f} ms apart, and with "
            f"{spread_told(played)} more than one note in 20 strays nearer to a neighbour's place "
            "than to its own"
        )
    if not played.failed and not played.off_grid_events:
        # Straight and swung notes go at one rate: a run off the grid was meant for either.
        return "runs of as many notes to the beat left the grid"
    if played.attempts_share > played.notes_share:
        share = percent(played.notes_share)
        return f"only {share} of the notes of all attempts at them are on the grid"
    return f"{attempts_text(played)} left the grid"


def attempts_text(played: Played) -> str:
    """How many attempts at a subdivision failed, of how many."""
    if played.attempts == 1:
        return "the one attempt at them"
    return f"{played.failed} of {played.attempts} attempts at them"


def _above(spread_ms: float, limit_ms: float) -> str:
    """A spread above its limit, with the decimals it takes to see that it is."""
    for digits in (0, 1):
        if round(spread_ms, digits) > limit_ms:
            return f"{spread_ms:.{digits}f} ms"
    return f"just over {limit_ms:g} ms"
