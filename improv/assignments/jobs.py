"""How the takes of one call are read and judged, and whose they are."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from improv.assignments.clickfiles import GapMark, gap_marks
from improv.assignments.model import Assignment
from improv.errors import UsageError
from improv.files import printable
from improv.model import Reading, Settings, Take

PLAYER = "PLAYER"


@dataclass(frozen=True)
class Naming:
    """Where a player's name comes from: the `file` name or the `track` name.

    `pattern` is how such a name looks, PLAYER standing for the player, `*` for anything.
    """

    source: str = "file"
    pattern: str | None = None

    def player(self, path: str, take: Take | None) -> str:
        """The player of a take; the whole name where the pattern does not fit."""
        return printable(self._matched(path, take) or self._whole(path, take))

    def fits(self, path: str, take: Take | None) -> bool:
        """Whether the pattern, if there is one, fits the name."""
        return self.pattern is None or bool(self._matched(path, take))

    def _whole(self, path: str, take: Take | None) -> str:
        return Path(path).stem if self.source == "file" or take is None else take.track

    def _matched(self, path: str, take: Take | None) -> str:
        if self.pattern is None:
            return ""
        pieces = [re.escape(p) for p in re.split(rf"({PLAYER}|\*)", self.pattern)]
        form = "".join({PLAYER: "(.+?)", r"\*": ".*"}.get(p, p) for p in pieces)
        found = re.fullmatch(form, self._whole(path, take))
        return found[1].strip() if found else ""


def check_naming(naming: Naming) -> None:
    """Raises `UsageError` for a pattern that names no player."""
    if naming.pattern is not None and naming.pattern.count(PLAYER) != 1:
        raise UsageError(
            f"name pattern '{naming.pattern}': write {PLAYER} once where the player's name "
            "stands, like 'week3-PLAYER-*'"
        )


def check_part(assignment: Assignment, part: int | None) -> None:
    """Raises `UsageError` for part 2, or both (`None`), where nothing alternates."""
    turns = any(section.alternate is not None for section in assignment.sections)
    if part != 1 and not turns:
        named = "both" if part is None else part
        raise UsageError(f"part {named}: this assignment has no alternation, so only one part")


@dataclass(frozen=True)
class Job:
    """How every take of one call is read and judged.

    `count_in` `None`: as the assignment says. `gaps` are the backing's, in file seconds;
    without a backing the assignment's own click is taken.
    """

    assignment: Assignment
    reading: Reading
    settings: Settings
    part: int = 1
    count_in: int | None = None
    gaps: tuple[GapMark, ...] = ()
    naming: Naming = Naming()

    @property
    def count_in_bars(self) -> int:
        """Bars before bar 1."""
        return self.assignment.count_in_bars if self.count_in is None else self.count_in


def job_for(
    assignment: Assignment,
    reading: Reading,
    settings: Settings,
    part: int = 1,
    count_in: int | None = None,
    naming: Naming | None = None,
) -> Job:
    """A job with the gaps of its backing; raises `ImprovError` for a backing or values amiss."""
    check_naming(naming or Naming())
    check_part(assignment, part)
    gaps = gap_marks(reading.backing) if reading.backing is not None else ()
    return Job(assignment, reading, settings, part, count_in, gaps, naming or Naming())
