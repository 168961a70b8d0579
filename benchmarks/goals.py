"""Goals of a benchmark: a figure beside what it should reach, the verdict, the exit status."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Goal:
    """A figure that should be at most a bound, or at least it."""

    what: str
    value: float
    bound: float
    at_least: bool = False
    unit: str = ""

    @property
    def met(self) -> bool:
        """Whether it is; a figure that is not a number meets nothing."""
        return self.value >= self.bound if self.at_least else self.value <= self.bound

    def __str__(self) -> str:
        side = "at least" if self.at_least else "at most"
        verdict = "met" if self.met else "NOT MET"
        return f"{self.what:<48}{self.value:9.3f} {self.unit:<3}{side} {self.bound:g}: {verdict}"


def at_least(what: str, value: float, bound: float, unit: str = "") -> Goal:
    """A goal for a figure that is better the larger it is."""
    return Goal(what, value, bound, True, unit)


def at_most(what: str, value: float, bound: float, unit: str = "") -> Goal:
    """A goal for a figure that is better the smaller it is."""
    return Goal(what, value, bound, False, unit)


def conclude(goals: Iterable[Goal]) -> int:
    """Print the goals, a line each; the exit status: 0 where every one is met, else 1."""
    listed = list(goals)
    if listed:
        print("\nGoals")
    for goal in listed:
        print(goal)
    return 0 if all(goal.met for goal in listed) else 1
