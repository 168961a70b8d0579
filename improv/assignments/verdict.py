"""What a check finds: states, bar by bar, requirement by requirement, for one take.

Conventions: three states. A bar or a requirement that the analysis cannot call is
`CANT_TELL` and counts for neither side. Deviations are ms, positive = late.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from improv.model import Doubt
from improv.stats import SURE_ERRORS

MET, NOT_MET, CANT_TELL = "met", "not met", "can't tell"


class Why(Enum):
    """Why something can't be told, where more hangs on it than the words: `reason` says it."""

    UNPLAYED = auto()
    """Nothing was played in any of the bars."""
    UNHEARD = auto()
    """The silence of a turn that may have been a rest in it."""
    UNMEASURED = auto()
    """A bar has no value of its own under a measured requirement."""
    OWN_TIME = auto()
    """The asked steps were kept in a time of their own: off the grid by a drift alone."""


@dataclass(frozen=True)
class BarVerdict:
    """One bar under one requirement. `found` is what was there instead, `count` from where.

    `asked` is what was due in the bar; `notes` counts the bar's events; `reason` says in
    words what decided, `why` what it was.
    """

    bar: int
    state: str
    notes: int
    found: str = ""
    count: str = ""
    reason: str = ""
    asked: str = ""
    why: Why | None = None


@dataclass(frozen=True)
class Outcome:
    """One requirement of one section.

    `value` and `standard_error` are what was measured, where something was, against `limit`
    (in `unit`); `how_far` says the distance from met in words; `next_step` what to change,
    `tempo_asked` whether it asks for a tempo.
    """

    section: int
    name: str
    kind: str
    asked: str
    first_bar: int
    last_bar: int
    state: str
    bars: tuple[BarVerdict, ...]
    reason: str
    how_far: str
    next_step: str
    value: float | None = None
    standard_error: float | None = None
    limit: float | tuple[float, float] | None = None
    unit: str = ""
    tempo_asked: bool = False
    why: Why | None = None

    def count(self, state: str) -> int:
        """Bars in a state."""
        return sum(bar.state == state for bar in self.bars)


@dataclass(frozen=True)
class GapDrift:
    """What happened while the click was out in bars `first_bar` to `last_bar`.

    `drift_ms` is how much later (+) or earlier (-) the player was when the click returned
    than when it left; `None` with a `reason` where too little was played to tell.
    """

    first_bar: int
    last_bar: int
    drift_ms: float | None
    standard_error_ms: float | None
    notes: int
    reason: str


@dataclass(frozen=True)
class Verdict:
    """The check of one take.

    `doubt` is why nothing was judged, and what to do: the take was read at a tempo, or from a
    start, that was not played, or may not have been. Everything then can't be told. `tempi` is
    the backing's tempo in words where it steps (`80 to 100`), else empty.
    """

    take: str
    title: str
    part: int
    tempo_bpm: float
    state: str
    outcomes: tuple[Outcome, ...]
    gaps: tuple[GapDrift, ...]
    next_step: str
    caution: str
    warnings: tuple[str, ...]
    doubt: Doubt | None = None
    tempi: str = ""


def together(states: list[str]) -> str:
    """The state of several that must all be met."""
    if NOT_MET in states:
        return NOT_MET
    return MET if states and all(state == MET for state in states) else CANT_TELL


def beside(value: float, doubt: float, low: float, high: float) -> str:
    """Whether a measured value lies in [low, high], by `SURE` standard errors (`doubt`)."""
    if value < low - SURE * doubt or value > high + SURE * doubt:
        return NOT_MET
    inside = low + SURE * doubt <= value <= high - SURE * doubt
    return MET if inside else CANT_TELL


TOO_FEW = "too few notes"
NO_PHRASE = "in no phrase long enough to show a drift"
NO_GRID = "no steady grid to tell a drift by"
MEASURED = ("swing", "most-drift", "pocket")
"""The requirements judged by one measured value; a bar by itself says less."""

SURE = 0.8
"""Standard errors between a measured value and its limit from which a call is made: a value
exactly at its limit is then called one way or the other about four times in ten, and a call
right at the edge is right about four times in five (derived, normal errors)."""

GIVE_OR_TAKE = SURE_ERRORS
"""Standard errors in "give or take", wherever it is said."""
