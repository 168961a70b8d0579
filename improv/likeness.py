"""What a misspelt name was meant to be: the valid one most like it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(word: str, valid: Iterable[str], alike: float = 0.5) -> str | None:
    """The valid name most like `word`, or `None` if none is as much alike (1: the same)."""
    names = list(valid)
    folded = word.lower().replace("_", "-").replace(" ", "-")
    if folded in names:
        return folded
    found = difflib.get_close_matches(word.lower(), names, n=1, cutoff=alike)
    return found[0] if found else None


def suggestion(word: str, valid: Iterable[str]) -> str:
    """`did you mean 'stay-on'?`, or all the names there are."""
    names = list(valid)
    close = nearest(word, names)
    return f"did you mean '{close}'?" if close else f"it can be: {', '.join(names)}"
