"""An assignment file's text in pieces, a table each, that join to the text again.

A comment above a header belongs to that header, one below a key to that key's table. A TOML
library puts either at the end of the table before; that is why the text is cut here, and
only what a table holds is given to the library.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass

_HEADER = re.compile(r"[ \t]*(\[\[?)[ \t]*([^\[\]#\n]+?)[ \t]*\]\]?[ \t]*(#[^\n]*)?\r?\n?")
_TABLES = {("[[", "section"), ("[", "click")}


@dataclass(frozen=True)
class Piece:
    """One table: what stands above it, its header, keys, inner tables, and what follows.

    `table` is "section", "click", or "" for the top, which has no header.
    """

    table: str
    above: str
    header: str
    keys: str
    inner: str
    below: str
    new: bool = False

    @staticmethod
    def fresh(header: str, keys: str) -> Piece:
        """A table that is not in the file yet."""
        return Piece(header.strip("[]"), "", f"{header}\n", keys, "", "", new=True)

    @property
    def text(self) -> str:
        """The piece as it stands in the file."""
        return self.above + self.header + self.keys + self.inner + self.below


def joined(pieces: Iterable[Piece]) -> str:
    """The text of the pieces one after another."""
    return "".join(piece.text for piece in pieces)


def pieces_of(text: str) -> list[Piece]:
    """The pieces of TOML `text` that parses, in the order of the file; the top is the first."""
    found: list[Piece] = []
    table, above, header = "", "", ""
    spans = _spans(text.splitlines(keepends=True))
    for number, (own, lines) in enumerate(spans):
        if number:
            table, header, lines = own, lines[0], lines[1:]
        keys, inner, rest = _parts(lines)
        cut = _own_end(rest) if number + 1 < len(spans) else len(rest)
        below = "".join(rest[:cut])
        found.append(Piece(table, above, header, keys, inner, below))
        above = "".join(rest[cut:])
    return found


def _spans(lines: list[str]) -> list[tuple[str, list[str]]]:
    """The lines of each table with its name: the top's, then each from its header on."""
    spans: list[tuple[str, list[str]]] = [("", [])]
    for line in lines:
        opened = _HEADER.fullmatch(line)
        name = opened[2].strip("\"'") if opened else ""
        if opened and (opened[1], name) in _TABLES and _parses(spans[-1][1]):
            spans.append((name, [line]))
        else:
            spans[-1][1].append(line)
    return spans


def _parts(lines: list[str]) -> tuple[str, str, list[str]]:
    """Keys, inner tables (`[section.pocket]`), and the blank and comment lines at the end."""
    last = len(lines)
    while last and (not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")):
        last -= 1
    while not _parses(lines[:last]):  # A text of several lines may end like a comment.
        last += 1
    inner = next(
        (i for i in range(last) if _HEADER.fullmatch(lines[i]) and _parses(lines[:i])), last
    )
    return "".join(lines[:inner]), "".join(lines[inner:last]), lines[last:]


def _parses(lines: list[str]) -> bool:
    """Whether lines are whole: a text or a list of several lines does not end beyond them."""
    try:
        tomllib.loads("".join(lines))
    except tomllib.TOMLDecodeError:
        return False
    return True


def _own_end(rest: list[str]) -> int:
    """How many of the lines between two tables belong to the first of them.

    Those up to the first blank lines; where there are none, comments belong to what follows.
    """
    blank = next((i for i, line in enumerate(rest) if not line.strip()), None)
    if blank is None:
        return 0
    while blank < len(rest) and not rest[blank].strip():
        blank += 1
    return blank
