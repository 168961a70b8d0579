"""What goes into the practice log and what comes out: plain frozen values.

Days are ISO dates ("2026-03-01") or `None`; a player, tune or note nobody named is "".
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property
from typing import Any

from improv.errors import UsageError
from improv.files import printable
from improv.log.names import decodable, fold
from improv.log.parts import part_of
from improv.model import Reading, Settings

LONGEST_WORD = 200
LONGEST_NOTE = 20_000


@dataclass(frozen=True)
class About:
    """What the player says about a take.

    `cleared` names the fields said to be empty, which is more than not being said: what a
    take had there is taken away where it is replaced. `day_guessed` is set where nobody said
    the day.
    """

    player: str = ""
    tune: str = ""
    day: str | None = None
    tags: tuple[str, ...] = ()
    note: str = ""
    cleared: frozenset[str] = frozenset()
    day_guessed: bool = False

    def checked(self) -> About:
        """The same, tidied; raises `UsageError` for what cannot be kept."""
        for what, text, most in (
            ("player", self.player, LONGEST_WORD),
            ("tune", self.tune, LONGEST_WORD),
            ("note", self.note, LONGEST_NOTE),
            *(("tag", tag, LONGEST_WORD) for tag in self.tags),
        ):
            if len(text) > most:
                raise UsageError(f"the {what} is longer than {most} characters; shorten it")
        # A comma parts tags, wherever they come from: lists and CSV tell them apart by it.
        words = [clean(word) for tag in self.tags for word in tag.split(",")]
        tags = {fold(word): word for word in reversed(words) if word}
        day = None if self.day is None else parse_day(self.day)
        kept = tuple(tags[folded] for folded in sorted(tags))
        note = decodable(self.note.strip())
        return replace(
            self, player=clean(self.player), tune=clean(self.tune), day=day, tags=kept, note=note
        )


@dataclass(frozen=True, eq=False)
class Entry:
    """One take to be kept: its file's bytes, how it was read, what was heard, what is said.

    `made_by` and `made` say which improv made the analysis and when, `added` when the take
    was first kept, where it was not this one and now.
    """

    midi: bytes
    file_name: str
    reading: Reading
    settings: Settings
    document: dict[str, Any]
    about: About = About()
    backing: bytes | None = None
    made_by: str | None = None
    made: str | None = None
    added: str | None = None

    @cached_property
    def part(self) -> str:
        """Which part of the file the take is; raises `TakeError` where it holds none such."""
        return part_of(self.midi, self.file_name, self.reading)


@dataclass(frozen=True)
class Filter:
    """Which takes are meant; every field left out means all. Bounds are inclusive."""

    player: str | None = None
    tune: str | None = None
    since: str | None = None
    until: str | None = None
    tempo_low_bpm: float | None = None
    tempo_high_bpm: float | None = None
    subdivision: str | None = None
    tags: tuple[str, ...] = ()
    ids: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Row:
    """One take in a list."""

    id: int
    day: str | None
    player: str
    tune: str
    file_name: str
    tempo_bpm: float
    meter: str
    notes: int
    offset_ms: float | None
    spread_ms: float | None
    in_pocket: float | None
    off_grid: float
    subdivisions: tuple[str, ...]
    tags: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Whole:
    """One take with everything the log holds of it."""

    row: Row
    note: str
    added: str
    digest: str
    settings_text: str
    made_by: str
    made: str
    document: dict[str, Any]
    midi: bytes = field(repr=False)
    backing: bytes | None = field(repr=False)


@dataclass(frozen=True)
class Added:
    """What became of an entry: its number, whether it is new, and what it would have changed.

    `differs` names the words and the settings in which a take already in the log was kept
    otherwise, as `--player Ana -> Bo`.
    """

    id: int
    new: bool
    replaced: bool = False
    differs: tuple[str, ...] = ()


def clean(text: str) -> str:
    """A word as it is kept: spaces tidied, undecodable characters replaced."""
    return decodable(" ".join(text.split()))


def parse_day(text: str) -> str:
    """An ISO date, checked; raises `UsageError`."""
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise UsageError(f"'{text}' is not a date like 2026-03-01") from None


def parse_moment(text: str) -> str:
    """A day and a time as the log writes them, checked; raises `UsageError`."""
    try:
        if datetime.fromisoformat(text).tzinfo is not None:
            return text
    except ValueError:
        pass
    raise UsageError(f"'{printable(text)[:40]}' is not a time like 2026-03-01T18:30:00+00:00")
