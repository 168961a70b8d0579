"""The words of an assignment file, and their lines in the text."""

from __future__ import annotations

import re

TOP_KEYS = (
    "title", "note", "tempo", "bars-per-tempo", "meter", "count-in", "bars", "section", "click",
)  # fmt: skip
SECTION_KEYS = (
    "bars", "name", "stay-on", "allowed", "alternate", "every", "players",
    "nothing-faster-than", "no-off-grid-runs", "least-notes", "swing", "most-drift", "pocket",
)  # fmt: skip
POCKET_KEYS = ("share", "within-ms", "within-percent")
CLICK_KEYS = (
    "beats", "half-time", "place", "subdivision", "accents", "bars-on", "bars-off",
)  # fmt: skip

_HEADER = re.compile(r"\s*(\[\[?)\s*\"?([A-Za-z0-9_-]+)\"?\s*\]")
_KEY = re.compile(r"\s*[\"']?([A-Za-z0-9_-]+)[\"']?\s*(?:=|\.)")


def line_of(text: str, table: str, number: int, key: str | None = None) -> int | None:
    """Line (from 1) of a key in the file's text, or of its table's header if it has none.

    `table` is "" for the top; `number` counts tables of one name from 0.
    """
    here, seen, header = "", -1, None
    for at, line in enumerate(text.splitlines(), start=1):
        opened = _HEADER.match(line)
        if opened:
            if opened[2] == table:
                seen += 1
            here = opened[2]
            if here == table and seen == number:
                header = at
            continue
        inside = here == table and (table == "" or seen == number)
        found = _KEY.match(line)
        if inside and found and found[1] == key:
            return at
    return header
