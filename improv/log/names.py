"""Names as people write them: one rule for upper and lower case, and for subdivisions.

Players, tunes and tags are the same where their folded texts are. SQLite's own NOCASE
knows the letters of ASCII only, so its answers are never relied on.
"""

from __future__ import annotations

import unicodedata
from functools import cache

from improv.errors import UsageError
from improv.files import printable
from improv.grid import meant, names_in, short_name
from improv.likeness import suggestion
from improv.meter import SHORTEST_UNIT, Meter, parse_meter


def fold(text: str) -> str:
    """The text without case: equal for two names that people take for one.

    Canonical caseless matching (The Unicode Standard, section 3.13, definition D145): an
    accent counts the same however it was typed.
    """
    plain = unicodedata.normalize("NFD", decodable(text))
    return unicodedata.normalize("NFD", plain.casefold())


def decodable(text: str) -> str:
    """The text with undecodable characters replaced, so that it can be kept and looked for."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def subdivision_called(text: str) -> str:
    """The full name of the subdivision that `text` means in some meter: `16ths` are sixteenths.

    "triplets" alone are those of 4/4. Raises `UsageError` with the nearest name.
    """
    found = meant(text, _every_meter())
    if found is not None:
        return found[1]
    wanted = " ".join(text.lower().split())
    named = suggestion(wanted, _usual_names(wanted))
    raise UsageError(f"no subdivision '{printable(text)[:40]}'; {named}")


def _usual_names(wanted: str) -> tuple[str, ...]:
    """The names to choose the nearest from, full and short; 4/4 and 6/8 have all common ones."""
    full = names_in(parse_meter("4/4+6/8"))
    figures = any(c.isdigit() for c in wanted)
    return tuple(dict.fromkeys(short_name(n) if figures else n for n in full))


@cache
def _every_meter() -> tuple[Meter, ...]:
    """A meter of every kind with every unit, 4/4 first: "triplets" are those of the first."""
    units = [4, *(2**i for i in range(SHORTEST_UNIT.bit_length()))]
    return tuple(
        meter
        for unit in dict.fromkeys(units)
        for meter in (
            Meter((1,) * 4, unit),
            Meter((3, 3), unit),
            *([Meter((2, 2, 3), unit, additive=True)] if unit > 1 else []),
        )
    )
