"""The nouns of improv: takes going in (`take`), analyses coming out. No algorithms.

Conventions
-----------
Times are float64 seconds from the start of the file; metrical positions are
quarter notes or beats counted from bar 1 beat 1 (negative before it). Deviations
are milliseconds, **positive = late (behind)**. Ranges are half-open. Arrays are
read-only. What cannot be known is `None` (NaN inside arrays), never a guess.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from improv.settings import BOUNDS as BOUNDS
from improv.settings import Reading as Reading
from improv.settings import Settings as Settings
from improv.take import Bars as Bars
from improv.take import Bools as Bools
from improv.take import Floats as Floats
from improv.take import Ints as Ints
from improv.take import Take as Take
from improv.take import TempoMap as TempoMap
from improv.take import _Frozen as _Frozen


@dataclass(frozen=True)
class Place:
    """A spot in the music: bar and beat numbers from 1, and how it is counted.

    `count` reads like "3", "& of 2", "a of 3", "let of 1"; `onset_sec` is the onset's own time.
    """

    bar: int
    beat: int
    count: str
    onset_sec: float

    def __str__(self) -> str:
        return f"bar {self.bar}, {self.count}"


@dataclass(frozen=True, eq=False, repr=False)
class Notes(_Frozen):
    """One row per note played, in time order; the notes of a chord share their row's answer.

    `event` numbers the rhythmic events (a chord is one); `grace` marks ornaments, whose
    main note carries the timing. `subdivision` indexes `grid.SUBDIVISIONS`, -1 for none;
    `per_beat`, `position_beat`, `deviation_ms` are NaN where there is no grid; `deviation_ms`
    also of strokes cut to the very start of a recording, which tell no timing.
    `position_beat` counts beats from bar 1 beat 1. `subdivision_name` and `count` are text.
    """

    onset_sec: Floats
    pitch: Ints
    velocity: Ints
    event: Ints
    grace: Bools
    bar: Ints
    beat: Ints
    count: tuple[str, ...]
    phrase: Ints
    subdivision: Ints
    subdivision_name: tuple[str | None, ...]
    per_beat: Floats
    swung: Bools
    position_beat: Floats
    deviation_ms: Floats
    off_grid: Bools
    confidence: Floats

    def __len__(self) -> int:
        return len(self.onset_sec)

    def __repr__(self) -> str:
        return f"<Notes: {len(self)} rows>"

    @property
    def counted(self) -> Bools:
        """Whether each row counts: of every event the first note that is no grace note."""
        plain = np.flatnonzero(~self.grace)
        counts = np.zeros(len(self), dtype=np.bool_)
        counts[plain] = np.diff(self.event[plain], prepend=-1) != 0
        return counts


@dataclass(frozen=True)
class Ranked:
    """One candidate for a phrase, with its posterior probability."""

    subdivision: str
    per_beat: float
    swung: bool
    probability: float


@dataclass(frozen=True)
class Passage:
    """A stretch inside a phrase on one subdivision (`None`: off the grid). Rows [start, stop)."""

    start: int
    stop: int
    subdivision: str | None
    per_beat: float | None
    swung: bool
    begins: Place
    ends: Place


class Verdict(StrEnum):
    """What is said of a phrase as a whole; the words are those of the JSON contract."""

    ON_GRID = "on the grid"
    MIXED = "mixed"
    OFF_GRID = "off the grid"
    TOO_CLOSE = "too close to call"
    TOO_SHORT = "too short to judge"

    @property
    def named(self) -> bool:
        """Whether a subdivision is called."""
        return self in (Verdict.ON_GRID, Verdict.MIXED)

    @property
    def judged(self) -> bool:
        """Whether anything is called: a subdivision, or none."""
        return self.named or self == Verdict.OFF_GRID


@dataclass(frozen=True)
class Phrase:
    """What was heard in one phrase. Rows [start, stop) of `Notes`; `events` counts chords once.

    `offset_ms` is the phrase's own constant part on top of nothing: its mean deviation,
    the take's constant offset included, `offset_se_ms` its standard error, from the phrase's own
    scatter. `beat_offset_ms` is that of the notes on beats, `offbeat_offset_ms` of all others,
    `beat_apart_se_ms` the standard error of their difference; a swung phrase's off-beats are
    held against its own swing, and against 2 : 1 from the backing's beats by
    `offbeat_triplet_ms` (`None` where not swung). `spread_ms` is the
    scatter about it with drift and swing taken out; `rms_ms` the root mean square deviation;
    `drift_bpm` positive when rushing; `subdivision` is `None` when too close to call, too short,
    or off the grid: `verdict` says which: "on the grid", "mixed", "off the grid",
    "too close to call", "too short to judge". `ranking`, of the likeliest, and
    `off_grid_probability` are parts of one distribution; `confidence` is the one of what is
    called: `subdivision`, being off the grid, or where neither can be, the ranking's first.
    `pickup`: less than half of its first bar is played, and it goes on in the next.
    """

    number: int
    start: int
    stop: int
    events: int
    begins: Place
    ends: Place
    subdivision: str | None
    per_beat: float | None
    swung: bool
    confidence: float
    ranking: tuple[Ranked, ...]
    passages: tuple[Passage, ...]
    offset_ms: float | None
    spread_ms: float | None
    rms_ms: float | None
    in_pocket: float | None
    swing_ratio: float | None
    drift_bpm: float | None
    drift_se_bpm: float | None
    tempo_bpm: float
    verdict: Verdict
    beat_offset_ms: float | None = None
    offbeat_offset_ms: float | None = None
    offset_se_ms: float | None = None
    beat_apart_se_ms: float | None = None
    offbeat_triplet_ms: float | None = None
    off_grid_probability: float = 0.0
    pickup: bool = False

    @property
    def slope(self) -> float | None:
        """The drift as ms of deviation per ms, positive when dragging."""
        return None if self.drift_bpm is None else -self.drift_bpm / self.tempo_bpm

    def sure_slope(self, errors: float) -> float:
        """The slope where the drift is more than so many of its standard errors, else 0."""
        drift, error = self.drift_bpm, self.drift_se_bpm
        if self.slope is None or drift is None or error is None or abs(drift) <= errors * error:
            return 0.0
        return self.slope

    @property
    def first_bar(self) -> int:
        """The bar a musician says it begins in: a pickup belongs to the next one."""
        return self.begins.bar + self.pickup


@dataclass(frozen=True)
class Run:
    """A fast run: consecutive short notes. Rows [start, stop) of `Notes`.

    `notes_per_beat` is the regressed rate, to the one beat that the take's tempo counts
    (`Bars.stated_beat_quarter`): where meters with other beats alternate, the same pace has the
    same number. What follows is told of runs off the grid only:
    `between`, the nearest subdivisions below and above the rate; `near`, one whose rate it
    almost has and by what share it is faster (+) than that; `lands_at`, the place its landing note
    was meant for, `lands_on` whether it meets that, and how late (+) or early (-) it is, the
    take's constant offset taken out.
    """

    start: int
    stop: int
    events: int
    phrase: int
    begins: Place
    ends: Place
    off_grid: bool
    notes_per_beat: float
    between: tuple[str, str] | None
    kind: str
    lands_ms: float | None
    lands_beat: float | None
    confidence: float
    near: tuple[str, float] | None = None
    lands_at: Place | None = None
    lands_on: bool = False


@dataclass(frozen=True)
class Doubt:
    """What was stated and is probably wrong: "tempo" or "start"; a sentence says what fits."""

    about: str
    sentence: str


MOST_SHOWN = 12


@dataclass(frozen=True, repr=False)
class Analysis:
    """Everything heard in one take.

    `constant_offset_ms` is the part of every deviation that never changes (equipment
    latency or feel: one take cannot tell which). `in_pocket` is the share of grid notes
    within the tolerance once that constant is taken out. `doubt`, one of the `warnings` too,
    questions the stated tempo or start: where there is one, nothing else can be relied on.
    `heeded` is the chance that the notes heed the grids they are put on (`heed`).
    Printed, it is a line a phrase; `improv.text_report` tells it whole.
    """

    take: Take
    settings: Settings
    notes: Notes
    phrases: tuple[Phrase, ...]
    runs: tuple[Run, ...]
    constant_offset_ms: float | None
    constant_offset_se_ms: float | None
    spread_ms: float | None
    in_pocket: float | None
    warnings: tuple[str, ...] = field(default=())
    doubt: Doubt | None = None
    heeded: float = 1.0

    @property
    def strewn(self) -> bool:
        """Whether the notes lie about every grid as chance would have it, as far as can be told."""
        return self.heeded < 0.5

    def __repr__(self) -> str:
        return f"<Analysis of {self.take}; {len(self.phrases)} phrases, {len(self.runs)} runs>"

    def __str__(self) -> str:
        lines = [str(self.take)]
        for phrase in self.phrases[:MOST_SHOWN]:
            first, last = phrase.first_bar, phrase.ends.bar
            bars = f"bars {first} to {last}" if last > first else f"bar {first}"
            lines.append(f"phrase {phrase.number}, {bars}: {phrase.subdivision or phrase.verdict}")
        if len(self.phrases) > MOST_SHOWN:
            lines.append(f"... and {len(self.phrases) - MOST_SHOWN} phrases more")
        return "\n".join([*lines, "(improv.text_report tells the whole of it)"])
