"""What is asked: how to read a file as a take, and how to judge it. Both check what they are given.

Conventions: `model`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from numbers import Integral, Real
from typing import Any

from improv.errors import UsageError
from improv.meter import Meter, parse_meter


@dataclass(frozen=True)
class Reading:
    """How to read a file as a take; every field `None` means: as the file says.

    `tempo_bpm` counts the beats of the meter (dotted quarters in 6/8, quarters in
    2+2+2+3/8). `count_in_bars` unstated are those that a click of ours in the take's own file
    says, or none. `start_sec` is where bar 1 beat 1 (or the count-in, if any) begins;
    `find_start` has it found from the playing. A meter may be given as text ("6/8",
    "2+2+2+3/8"), a track by its number.

    Raises `UsageError` for a value of the wrong kind; its bounds are checked where it is used.
    """

    tempo_bpm: float | None = None
    meter: tuple[Meter, ...] | None = None
    count_in_bars: int | None = None
    start_sec: float | None = None
    find_start: bool = False
    track: str | None = None
    channel: int | None = None
    backing: str | None = None

    @property
    def bars_before(self) -> int:
        """Bars of count-in before bar 1, as far as they are known."""
        return self.count_in_bars or 0

    def __post_init__(self) -> None:
        given: Any = self.meter
        if isinstance(given, str):
            object.__setattr__(self, "meter", parse_meter(given))
        elif isinstance(given, Meter):
            object.__setattr__(self, "meter", (given,))
        elif isinstance(given, list | tuple) and all(isinstance(bar, Meter) for bar in given):
            object.__setattr__(self, "meter", tuple(given))
        elif given is not None:
            raise UsageError(f"meter {given!r}: write it like 4/4 or 2+2+2+3/8")
        if isinstance(self.track, Integral) and not isinstance(self.track, bool):
            object.__setattr__(self, "track", str(self.track))
        elif self.track is not None and not isinstance(self.track, str):
            raise UsageError(f"track {self.track!r}: name it, or give its number")
        if isinstance(self.start_sec, str):
            raise UsageError(
                f"start_sec {self.start_sec!r}: state seconds, or have the start found with "
                "find_start=True"
            )
        named = self.backing is None or isinstance(self.backing, str)
        if not named and not hasattr(self.backing, "__fspath__"):
            raise UsageError(f"backing {self.backing!r}: name the file")
        if not isinstance(self.find_start, bool):
            raise UsageError(f"find_start {self.find_start!r}: state True or False")
        _check_number(self, "start_sec", "tempo_bpm")
        _check_number(self, "count_in_bars", "channel", kind=Integral)


def _check_number(of: object, *names: str, kind: type = Real) -> None:
    """Raises `UsageError` for a field that is stated and no number."""
    for name in names:
        value = getattr(of, name)
        if value is not None and (not isinstance(value, kind) or isinstance(value, bool)):
            whole = "whole " if kind is Integral else ""
            raise UsageError(f"{name} {value!r}: state a {whole}number")


SLOWEST_BPM, FASTEST_BPM = 10, 1000
"""Tempi that may be stated, in beats of the meter per minute (our choice: wider than music)."""
MOST_COUNT_IN_BARS = 1000

BOUNDS: dict[str, tuple[float, float]] = {
    "tolerance_ms": (1, 500),
    "chord_spread_ms": (0, 500),
    "phrase_rest_beat": (0.01, 1000),
    "first_bar": (-999_999, 999_999),
    "last_bar": (-999_999, 999_999),
}
"""What the numbers of `Settings` may be, both ends included, where they are stated."""


@dataclass(frozen=True)
class Settings:
    """How to judge a take. Defaults carry their reason.

    * `tolerance_ms` 20: half-width of the pocket. Below about 19 ms listeners prefer
      an asynchrony to stay (Hofmann, Wesolowski & Goebl 2017).
    * `chord_spread_ms` 35: notes of one chord lie within it, wide enough for a strum
      (Goebl 2001: melody lead about 30 ms), only where they overlap as a hand would hold them.
    * `phrase_rest_beat` 1.0: a rest of at least this many beats may end a phrase.
    * `subdivisions`: the candidates' names ("eighths,sixteenths" will do), or `None` for all
      the meter offers.
    * `first_bar`, `last_bar`: inclusive limits as a musician says "bars 5 to 12".

    Raises `UsageError` for a value of the wrong kind, or outside `BOUNDS`.
    """

    tolerance_ms: float = 20.0
    chord_spread_ms: float = 35.0
    phrase_rest_beat: float = 1.0
    subdivisions: tuple[str, ...] | None = None
    first_bar: int | None = None
    last_bar: int | None = None

    def __post_init__(self) -> None:
        named: Any = self.subdivisions
        if named is not None:
            names = named.split(",") if isinstance(named, str) else named
            if not isinstance(names, Iterable) or not all(isinstance(n, str) for n in names):
                raise UsageError(f"subdivisions {named!r}: name them, like eighths,sixteenths")
            object.__setattr__(self, "subdivisions", tuple(name.strip() for name in names))
        _check_number(self, "tolerance_ms", "chord_spread_ms", "phrase_rest_beat")
        _check_number(self, "first_bar", "last_bar", kind=Integral)
        for name, (low, high) in BOUNDS.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:  # nan compares with nothing
                raise UsageError(f"{name} {value:g} lies outside {low:g} to {high:g}")
        if self.first_bar is not None and self.last_bar is not None:
            if self.last_bar < self.first_bar:
                raise UsageError(
                    f"bars {self.first_bar} to {self.last_bar}: the last comes before the first"
                )
