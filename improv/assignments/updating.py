"""An assignment file brought up to date: what its values do not change stays as it is.

Only the keys whose values change are touched, so the teacher's own comments, order and spacing
stay, each comment at its table (`pieces`). That is what tomlkit is for; the standard
library only reads TOML.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Set
from dataclasses import dataclass, replace
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


@dataclass(frozen=True)
class _Change:
    """What a table is to say, and what it says now; `None` where that is not to be relied on."""

    wanted: Values
    before: Values | None

    def same(self, key: str) -> bool:
        """Whether a key means what it is to mean, however it is written, or left out."""
        return self.before is not None and self.before.get(key) == self.wanted.get(key)


def updated_text(old: str, assignment: Assignment, file: str = "assignment") -> str:
    """The file's text with the assignment's values in it; what they do not change stays.

    Raises `UsageError` where `old` is no assignment that can be brought up to date.
    """
    before = parse_assignment(old, file)
    if before == assignment:
        return old
    by_return = 0 < old.count("\n") == old.count("\r\n")
    pieces = pieces_of(_whole_lines(old.replace("\r\n", "\n") if by_return else old))
    if not any(piece.table == "section" for piece in pieces):
        raise UsageError(f"{file}: sections must be written [[section]] to be brought up to date")
    # Where the same words would mean something else in another meter, every value is written.
    for known in (before, None):
        text = joined(_brought(pieces, assignment, known))
        if _means(text, assignment):
            text = text if old.endswith("\n") else text.removesuffix("\n")
            return text.replace("\n", "\r\n") if by_return else text
    raise UsageError(f"{file}: cannot be brought up to date; write a fresh file instead")


def _means(text: str, assignment: Assignment) -> bool:
    try:
        return parse_assignment(text) == assignment
    except UsageError:
        return False


def _brought(pieces: list[Piece], assignment: Assignment, before: Assignment | None) -> list[Piece]:
    """The pieces with the assignment's values, new ones among them; a section less is left out.

    `before` is what they say now, `None` if every value is to be written.
    """
    top = _Change(top_values(assignment), top_values(before) if before else None)
    click = _Change(click_values(assignment.click), click_values(before.click) if before else None)
    says_click = any(p.table == "click" or "click" in _content(p) for p in pieces)
    changes = _section_changes(assignment, before)
    left = sum(piece.table == "section" for piece in pieces)
    found: list[Piece] = []
    for piece in pieces:
        if not piece.table:
            found.append(_with(piece, top, click))
        elif piece.table == "click":
            found.append(_with(piece, click))
        else:
            left -= 1
            change = next(changes, None)
            if change is not None:
                found.append(_with(piece, change))
            for more in () if left else changes:
                _append(found, _fresh("[[section]]", more.wanted))
    if click.wanted and not says_click:
        _append(found, _fresh("[click]", click.wanted))
    return [*map(_apart, found[:-1]), *found[-1:]]


def _section_changes(assignment: Assignment, before: Assignment | None) -> Iterator[_Change]:
    old = map(section_values, before.sections if before else ())
    return (_Change(section_values(section), next(old, None)) for section in assignment.sections)


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


def _with(piece: Piece, change: _Change, click: _Change | None = None) -> Piece:
    """The piece changed; an inner table stays if it says what is wanted.

    `click` is for a click written at the top, in one line.
    """
    import tomlkit

    document = tomlkit.parse(piece.keys)
    inner = tomllib.loads(piece.inner).get(piece.table, {}) if piece.inner else {}
    last = inner[-1] if isinstance(inner, list) else inner
    stays = bool(last) and all(map(change.same, last))
    elsewhere = set(last) if stays else set()
    if click is not None and "click" in document:
        _bring(document["click"], click)
        elsewhere.add("click")
    _bring(document, change, elsewhere)
    return replace(piece, keys=tomlkit.dumps(document), inner=piece.inner if stays else "")


def _whole_lines(text: str) -> str:
    return text if not text or text.endswith("\n") else f"{text}\n"


def _bring(table: Any, change: _Change, elsewhere: Set[str] = frozenset()) -> None:
    """Makes the table hold what is wanted; leaves alone what means that already.

    Keys in `elsewhere` are no business of this table.
    """
    alternates = "alternate" in change.wanted
    for key in [k for k in table if k not in change.wanted and k not in elsewhere]:
        if not change.same(key) or (key in _OF_TURNS and not alternates):
            _take_out(table, key)
    for key, value in change.wanted.items():
        if key in elsewhere or change.same(key):
            continue
        if key in table:
            _replace(table, key, value)
        else:
            table.add(key, item_of(value))


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


_OF_TURNS = ("every", "players")
"""Keys that may say what holds without them, but not without an alternation."""
