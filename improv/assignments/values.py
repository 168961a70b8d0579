"""Reading single values of an assignment file: each with its bounds, each refused by name.

A `Table` is one table of the file; its methods take a key out and return it checked.
Every refusal is a `UsageError` naming file, line, key, what is wrong and what would do.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from typing import Any, NoReturn

from improv.assignments.keys import line_of
from improv.assignments.limits import LAST_BAR
from improv.errors import UsageError
from improv.files import printable
from improv.grid import meant, names_in
from improv.likeness import nearest, suggestion
from improv.meter import Meter, meter_text, parse_meter

LONGEST_TEXT = 2000
ALIKE = 0.75
"""Names of subdivisions share their endings; only those much alike are a slip of the pen."""
_BARS = re.compile(r"\s*(\d{1,5})\s*(?:(-)\s*(\d{1,5})?\s*)?")


class Table:
    """One table of an assignment file: `table` is its name ("" the top), counted from 0."""

    def __init__(
        self, file: str, text: str, content: dict[str, Any], table: str = "", number: int = 0
    ) -> None:
        self.file, self.text, self.content = file, text, content
        self.table, self.number = table, number

    def fail(self, key: str | None, message: str) -> NoReturn:
        """Raises the `UsageError` about a key of this table."""
        line = line_of(self.text, self.table, self.number, key)
        where = [self.file, *([f"line {line}"] if line else [])]
        what = f"section {self.number + 1}" if self.table == "section" else self.table
        named = " ".join([*([what] if what else []), *([f"'{key}'"] if key else [])])
        raise UsageError(f"{', '.join(where)}: {named}{': ' if named else ''}{message}")

    def allow(self, valid: Iterable[str]) -> None:
        """Refuses every key that has no meaning, with the nearest that has."""
        names = list(valid)
        for key in self.content:
            if key not in names:
                shown = printable(key)[:40]
                self.fail(key, f"no such key '{shown}'; {suggestion(shown, names)}")

    def has(self, key: str) -> bool:
        """Whether the key is there at all."""
        return key in self.content

    def string(self, key: str, default: str = "") -> str:
        """A text."""
        value = self.content.get(key, default)
        if not isinstance(value, str):
            self.fail(key, f"must be a text in quotes, not {_shown(value)}")
        if len(value) > LONGEST_TEXT:
            self.fail(key, f"longer than {LONGEST_TEXT} characters")
        return value

    def flag(self, key: str) -> bool:
        """`true` or `false`; absent is false."""
        value = self.content.get(key, False)
        if not isinstance(value, bool):
            self.fail(key, f"must be true or false, not {_shown(value)}")
        return value

    def whole(self, key: str, low: int, high: int) -> int | None:
        """A whole number within bounds, or `None` where the key is absent."""
        if key not in self.content:
            return None
        return self.as_whole(key, self.content[key], low, high)

    def as_whole(self, key: str, value: Any, low: int, high: int) -> int:
        """`value`, found under `key`, as a whole number within bounds."""
        if isinstance(value, bool) or not isinstance(value, int):
            self.fail(key, f"must be a whole number, not {_shown(value)}")
        if not low <= value <= high:
            self.fail(key, f"{_shown(value)} lies outside {low} to {high}")
        return value

    def number_in(self, key: str, value: Any, low: float, high: float) -> float:
        """`value`, found under `key`, as a number within bounds."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fail(key, f"must be a number, not {_shown(value)}")
        if not low <= value <= high:
            self.fail(key, f"{_shown(value)} lies outside {low:g} to {high:g}")
        return float(value)

    def texts(self, key: str) -> list[str]:
        """A list of texts; one text alone is a list of one."""
        value = self.content.get(key, [])
        items = [value] if isinstance(value, str) else value
        if not isinstance(items, list) or not all(isinstance(item, str) for item in items):
            self.fail(
                key, f'must be a list of texts like ["eighths", "triplets"], not {_shown(value)}'
            )
        return items

    def bars(self, key: str) -> tuple[int, int | None]:
        """Bars as a musician says them: 7, "7", "1-8"; "9-" goes on to the end."""
        if key not in self.content:
            self.fail(None, 'needs \'bars\', like "1-8" or "9-" (to the end)')
        value = self.content[key]
        text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        found = _BARS.fullmatch(text) if isinstance(text, str) else None
        if not found:
            self.fail(key, f'must be bars like 7, "1-8" or "9-", not {_shown(value)}')
        first = int(found[1])
        last = int(found[3]) if found[3] else (None if found[2] else first)
        if first < 1 or max(first, last or first) > LAST_BAR:
            self.fail(key, f"bars count from 1 to {LAST_BAR}; {_shown(value)} is no bar to play")
        if last is not None and last < first:
            self.fail(key, f"{_shown(value)}: the last bar comes before the first")
        return first, last

    def subdivision(self, key: str, text: str, meters: tuple[Meter, ...]) -> str:
        """A subdivision's name as the meter has it, of a short one (`16ths`) the full one."""
        try:
            return full_name(text, meters)
        except UsageError as fault:
            self.fail(key, str(fault))


def full_name(text: str, meters: tuple[Meter, ...]) -> str:
    """A subdivision's name as the meters have it, of a short one (`16ths`) the full one.

    Raises `UsageError` with the names there are. Another meter's name is no slip of the pen.
    """
    found = meant(text, meters)
    if found is not None:
        return found[1]
    names = names_in(meters)
    wanted = " ".join(text.lower().split())
    close = None if wanted in _known_names() else nearest(wanted, names, ALIKE)
    hint = f"did you mean '{close}'? It" if close else "it"
    raise UsageError(
        f"no subdivision '{printable(text)[:40]}' in {meter_text(meters)}; {hint} can be: "
        f"{', '.join(names)}"
    )


@cache
def _known_names() -> frozenset[str]:
    """What subdivisions are called in one meter or another."""
    kinds = ("4/2", "2/2", "4/4", "4/8", "6/4", "6/8", "6/16", "2+2+3/8", "2+2+3/16")
    return frozenset(["triplets", *(n for text in kinds for n in names_in(parse_meter(text)))])


def _shown(value: Any) -> str:
    text = f"'{value}'" if isinstance(value, str) else str(value).replace("True", "true")
    return printable(text.replace("False", "false"))[:60]
