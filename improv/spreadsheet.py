"""Rows as CSV that a spreadsheet can open without harm: the one way out for every CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What a spreadsheet takes for the beginning of a formula (OWASP: CSV injection)."""


def csv_of(rows: Iterable[Sequence[Any]]) -> str:
    """The rows as CSV, `None` as an empty field.

    A word that a spreadsheet would take for a formula gets a leading apostrophe; a number
    never does, whether it comes as a number or as its text.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerows([_harmless(cell) for cell in row] for row in rows)
    return out.getvalue()


def _harmless(cell: Any) -> Any:
    if not isinstance(cell, str) or not cell.startswith(_FORMULA):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
