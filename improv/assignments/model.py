"""The nouns of an assignment: what to hold, where, at which tempo, over which click.

Conventions: bars are a musician's (from 1, both ends included); tempi count the beats of
the meter; subdivisions are named as musicians name them in the meter. A value of `None`
inside `Pocket`, `Swing` and `Drift` means: the default for the tempo (`defaults`).
"""

from __future__ import annotations

from dataclasses import dataclass

from improv.meter import Meter

REST = "rest"
"""What an alternation may hold besides subdivisions: a turn of silence."""

REQUIREMENTS = (
    "stay-on", "allowed", "alternate", "nothing-faster-than", "no-off-grid-runs",
    "least-notes", "swing", "most-drift", "pocket",
)  # fmt: skip
"""Every kind of requirement, the ones to mend first named first."""


@dataclass(frozen=True)
class Alternation:
    """Subdivisions taking turns of `every` bars; an element may be `REST`.

    With two `players`, the second begins with the second element.
    """

    subdivisions: tuple[str, ...]
    every: int = 1
    players: int = 1

    def turn(self, bars_in: int, part: int) -> int:
        """Which element is due `bars_in` bars after the section's first, for part 1 or 2."""
        return (bars_in // self.every + part - 1) % len(self.subdivisions)


@dataclass(frozen=True)
class Pocket:
    """At least `share` of the notes within a tolerance, in ms or in % of the subdivision."""

    share: float | None = None
    within_ms: float | None = None
    within_percent: float | None = None


@dataclass(frozen=True)
class Swing:
    """A band of swing ratios, long : short."""

    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Drift:
    """Most rushing or dragging within a phrase, in BPM either way."""

    most_bpm: float | None = None


@dataclass(frozen=True)
class Section:
    """Some bars and what to hold in them; `last_bar` `None`: to the end of the take."""

    first_bar: int
    last_bar: int | None
    name: str = ""
    stay_on: str | None = None
    allowed: tuple[str, ...] = ()
    alternate: Alternation | None = None
    nothing_faster_than: str | None = None
    no_off_grid_runs: bool = False
    least_notes: int | None = None
    swing: Swing | None = None
    most_drift: Drift | None = None
    pocket: Pocket | None = None

    @property
    def asked(self) -> tuple[str, ...]:
        """Every subdivision the section lets a player use, or none where it names none."""
        if self.stay_on is not None:
            return (self.stay_on,)
        if self.alternate is not None:
            return tuple(s for s in self.alternate.subdivisions if s != REST)
        return self.allowed

    def requirements(self) -> tuple[str, ...]:
        """The kinds of requirement the section makes, in the order of `REQUIREMENTS`."""
        made = {
            "stay-on": self.stay_on is not None,
            "allowed": bool(self.allowed),
            "alternate": self.alternate is not None,
            "nothing-faster-than": self.nothing_faster_than is not None,
            "no-off-grid-runs": self.no_off_grid_runs,
            "least-notes": self.least_notes is not None,
            "swing": self.swing is not None,
            "most-drift": self.most_drift is not None,
            "pocket": self.pocket is not None,
        }
        return tuple(kind for kind in REQUIREMENTS if made[kind])


@dataclass(frozen=True)
class ClickStyle:
    """How the practice click sounds.

    `beats`: the beats that click, from 1 (`None`: all); `half_time`: every other beat;
    `place`: the position of the beat that clicks, as it is counted ("&", "a", "let");
    `subdivision`: whether the assigned subdivision sounds (`None`: where the tempo lets it
    help); `bars_on` bars with a click, then `bars_off` without, the gaps in turn, the last
    one repeated.
    """

    beats: tuple[int, ...] | None = None
    half_time: bool = False
    place: str | None = None
    subdivision: bool | None = None
    accents: bool = True
    bars_on: int | None = None
    bars_off: tuple[int, ...] = ()


@dataclass(frozen=True)
class Assignment:
    """One assignment. Several tempi take turns of `bars_per_tempo` bars, the last one lasts.

    `bars` is the length of the practice track; `None`: to the end of the last section.
    """

    title: str
    meter: tuple[Meter, ...]
    tempo_bpm: tuple[float, ...]
    sections: tuple[Section, ...]
    note: str = ""
    bars_per_tempo: int | None = None
    count_in_bars: int = 0
    bars: int | None = None
    click: ClickStyle = ClickStyle()

    @property
    def last_bar(self) -> int | None:
        """The last bar any section names; `None` where one goes on to the end."""
        ends = [section.last_bar for section in self.sections]
        return None if None in ends or not ends else max(e for e in ends if e is not None)

    def tempo_at(self, bar: int) -> float:
        """The tempo of a bar, in beats of the meter per minute."""
        if self.bars_per_tempo is None:
            return self.tempo_bpm[0]
        step = max(bar - 1, 0) // self.bars_per_tempo
        return self.tempo_bpm[min(step, len(self.tempo_bpm) - 1)]
