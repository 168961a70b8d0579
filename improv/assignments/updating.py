"""An assignment file brought up to date: what its values do not change stays as it is.

Only the keys whose values change are touched, so the teacher's own comments, order and spacing
stay, each comment at its table (`pieces`). That is what tomlkit is for; the standard
library only reads TOML.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from improv.assignments.model import Assignment
from improv.assignments.pieces import Piece, joined, pieces_of
from improv.assignments.reading import parse_assignment
from improv.assignments.writing import (
    Values,
    click_values,
    item_of,
    section_values,
    table_of,
    top_values,
)
from improv.errors import UsageError


def updated_text(old: str, assignment: Assignment, file: str = "assignment") -> str:
    """The file's text with the assignment's values in it; what they do not change stays.

    Raises `UsageError` where `old` is no assignment that can be brought up to date.
    """
    if parse_assignment(old, file) == assignment:
        return old
    by_return = 0 < old.count("\n") == old.count("\r\n")
    pieces = pieces_of(_whole_lines(old.replace("\r\n", "\n") if by_return else old))
    if not any(piece.table == "section" for piece in pieces):
        raise UsageError(f"{file}: sections must be written [[section]] to be brought up to date")
    text = joined(_brought(pieces, assignment))
    text = text.replace("\n", "\r\n") if by_return else text
    if parse_assignment(text, file) != assignment:
        raise UsageError(f"{file}: cannot be brought up to date; write a fresh file instead")
    return text


def _brought(pieces: list[Piece], assignment: Assignment) -> list[Piece]:
    """The pieces with the assignment's values, new ones among them; a section less is left out."""
    click = click_values(assignment.click)
    says_click = any(p.table == "click" or "click" in _content(p) for p in pieces)
    sections = iter(assignment.sections)
    left = sum(piece.table == "section" for piece in pieces)
    found: list[Piece] = []
    for piece in pieces:
        if not piece.table:
            found.append(_with(piece, top_values(assignment), click))
        elif piece.table == "click":
            found.append(_with(piece, click))
        else:
            left -= 1
            section = next(sections, None)
            if section is not None:
                found.append(_with(piece, section_values(section)))
            if not left:
                for more in sections:
                    _append(
                        found,
                        Piece.fresh("[[section]]", table_of(section_values(more)).as_string()),
                    )
    if click and not says_click:
        _append(found, _fresh("[click]", click))
    return [*map(_apart, found[:-1]), *found[-1:]]


def _fresh(header: str, values: Values) -> Piece:
    return Piece.fresh(header, table_of(values).as_string())


def _append(pieces: list[Piece], new: Piece) -> None:
    """Puts a new piece at the end, an empty line before it."""
    if not pieces[-1].text.endswith("\n\n"):
        pieces[-1] = replace(pieces[-1], below=pieces[-1].below + "\n")
    pieces.append(new)


def _apart(piece: Piece) -> Piece:
    """The piece, with an empty line below if it is new and something follows."""
    return replace(piece, below="\n") if piece.new and not piece.below else piece


def _content(piece: Piece) -> dict[str, Any]:
    return tomllib.loads(piece.keys)


def _with(piece: Piece, wanted: Values, click: Values | None = None) -> Piece:
    """The piece holding the wanted values; an inner table stays if it says what is wanted.

    `click` is for a click written at the top, in one line.
    """
    import tomlkit

    document = tomlkit.parse(piece.keys)
    inner = tomllib.loads(piece.inner).get(piece.table, {}) if piece.inner else {}
    last = inner[-1] if isinstance(inner, list) else inner
    stays = bool(last) and all(_same(key, last[key], wanted.get(key)) for key in last)
    keep = () if click is None else ("click",)
    _bring(document, {k: v for k, v in wanted.items() if not (stays and k in last)}, keep)
    if click is not None and "click" in document:
        _bring(document["click"], click)
    return replace(piece, keys=tomlkit.dumps(document), inner=piece.inner if stays else "")


def _whole_lines(text: str) -> str:
    return text if not text or text.endswith("\n") else f"{text}\n"


def _bring(table: Any, wanted: Mapping[str, Any], keep: tuple[str, ...] = ()) -> None:
    """Makes the table hold the wanted values; leaves alone what means the same already."""
    for key in [k for k in table if k not in wanted and k not in keep]:
        if not _says_nothing(key, table[key]):
            _take_out(table, key)
    for key, value in wanted.items():
        if key not in table:
            if key not in _EMPTY or value != _EMPTY[key]:
                table.add(key, item_of(value))
        elif _same(key, table[key], value):
            continue
        else:
            _replace(table, key, value)


def _take_out(table: Any, key: str) -> None:
    """Takes a key out; the comment at the end of its line stays, on a line of its own."""
    import tomlkit

    trivia = getattr(table[key], "trivia", None)
    said = trivia.comment if trivia is not None else ""
    rows = getattr(table, "body", None)
    at = next((i for i, (k, _) in enumerate(rows or []) if k is not None and k.key == key), None)
    del table[key]
    if said and rows is not None and at is not None:
        rows[at] = (None, tomlkit.comment(said.lstrip("# ")))


def _replace(table: Any, key: str, value: Any) -> None:
    """A new value in the place of the old, whose comment at the end of the line stays."""
    old = table[key]
    new = item_of(value)
    trivia = getattr(old, "trivia", None)
    if trivia is not None and trivia.comment:
        new.trivia.comment_ws, new.trivia.comment = trivia.comment_ws, trivia.comment
    table[key] = new


_NAMES = ("stay-on", "allowed", "alternate", "nothing-faster-than")
_EMPTY: Values = {
    "title": "", "note": "", "meter": "4/4", "count-in": 0, "name": "", "every": 1,
    "players": 1, "no-off-grid-runs": False, "swing": False, "most-drift": False,
    "pocket": False, "half-time": False, "accents": True,
}  # fmt: skip
"""What a key means when it is not there."""


def _says_nothing(key: str, value: Any) -> bool:
    return key in _EMPTY and bool(_plain(value) == _EMPTY[key])


def _same(key: str, old: Any, new: Any) -> bool:
    """Whether two ways of writing a value mean the same: 7 and "7", "x" and ["x"], "9 -"."""
    plain = _plain(old)
    if key == "bars":
        return str(plain).replace(" ", "") == str(new)
    if isinstance(new, list) != isinstance(plain, list):
        plain, new = ([v] if not isinstance(v, list) else v for v in (plain, new))
    if isinstance(new, bool) != isinstance(plain, bool):
        return False
    return bool(_folded(key, plain) == _folded(key, new))


def _folded(key: str, value: Any) -> Any:
    if isinstance(value, str):
        text = " ".join(value.lower().split()) if key in _NAMES else value
        return "eighth triplets" if text == "triplets" and key in _NAMES else text
    return [_folded(key, item) for item in value] if isinstance(value, list) else value


def _plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value
