"""An `Assignment` to TOML: a fresh file with a few comments, or an old one brought up to date.

An update touches only the keys whose values change, so the teacher's own comments,
order and spacing stay. That is what tomlkit is for; the standard library only reads TOML.
What is written parses to the assignment it was written from.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from improv.assignments.model import Assignment, ClickStyle, Section
from improv.assignments.reading import parse_assignment
from improv.errors import UsageError
from improv.meter import meter_text

if TYPE_CHECKING:
    from tomlkit.items import AoT, Table

Values = dict[str, Any]


def assignment_text(assignment: Assignment, remarks: tuple[str, ...] = ()) -> str:
    """A fresh assignment file; `remarks` stand above it as comment lines."""
    import tomlkit

    document = tomlkit.document()
    for remark in remarks:
        document.add(tomlkit.comment(remark))
    if remarks:
        document.add(tomlkit.nl())
    for key, value in _top(assignment).items():
        document.add(key, _item(value))
    sections = tomlkit.aot()
    for section in assignment.sections:
        sections.append(_table(_section(section)))
    document.add("section", sections)
    click = _click(assignment.click)
    if click:
        document.add("click", _table(click))
    return tomlkit.dumps(document)


def updated_text(old: str, assignment: Assignment, file: str = "assignment") -> str:
    """The file's text with the assignment's values in it, and its comments as they were.

    Raises `UsageError` where `old` is no assignment that can be brought up to date.
    """
    import tomlkit

    parse_assignment(old, file)
    document = tomlkit.parse(old)
    _bring(document, _top(assignment), keep=("section", "click"))
    sections = document["section"]
    if not isinstance(sections, tomlkit.items.AoT):
        raise UsageError(f"{file}: sections must be written [[section]] to be brought up to date")
    _bring_sections(sections, assignment)
    click = _click(assignment.click)
    if click and "click" not in document:
        document.add("click", _table(click))
    elif "click" in document:
        _bring(document["click"], click)
    text = tomlkit.dumps(document)
    if parse_assignment(text, file) != assignment:
        raise UsageError(f"{file}: cannot be brought up to date; write a fresh file instead")
    return text


def _bring_sections(sections: AoT, assignment: Assignment) -> None:
    for at, section in enumerate(assignment.sections):
        if at < len(sections):
            _bring(sections[at], _section(section))
        else:
            sections.append(_table(_section(section)))
    for at in range(len(sections) - 1, len(assignment.sections) - 1, -1):
        del sections[at]


def _bring(table: Any, wanted: Mapping[str, Any], keep: tuple[str, ...] = ()) -> None:
    """Makes the table hold the wanted values; leaves alone what means the same already."""
    for key in [k for k in table if k not in wanted and k not in keep]:
        if not _says_nothing(key, table[key]):
            del table[key]
    for key, value in wanted.items():
        if key not in table:
            if key not in _EMPTY or value != _EMPTY[key]:
                table.add(key, _item(value))
        elif _same(key, table[key], value):
            continue
        else:
            _replace(table, key, value)


def _replace(table: Any, key: str, value: Any) -> None:
    """A new value in the place of the old, whose comment at the end of the line stays."""
    old = table[key]
    new = _item(value)
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
    if isinstance(new, list) and not isinstance(plain, list):
        plain = [plain]
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


def _item(value: Any) -> Any:
    import tomlkit

    if isinstance(value, dict):
        table = tomlkit.inline_table()
        table.update(value)
        return table
    return tomlkit.item(value)


def _table(values: Values) -> Table:
    import tomlkit

    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, _item(value))
    return table


def _number(value: float) -> int | float:
    return int(value) if float(value).is_integer() else value


def _top(assignment: Assignment) -> Values:
    tempi = [_number(t) for t in assignment.tempo_bpm]
    found: Values = {
        "title": assignment.title,
        "note": assignment.note or None,
        "tempo": tempi if len(tempi) > 1 else tempi[0],
        "bars-per-tempo": assignment.bars_per_tempo,
        "meter": meter_text(assignment.meter),
        "count-in": assignment.count_in_bars,
        "bars": assignment.bars,
    }
    return {key: value for key, value in found.items() if value is not None}


def bars_value(first: int, last: int | None) -> int | str:
    """Bars as they are written in the file."""
    if first == last:
        return first
    return f"{first}-" if last is None else f"{first}-{last}"


def _section(section: Section) -> Values:
    turns = section.alternate
    found: Values = {
        "bars": bars_value(section.first_bar, section.last_bar),
        "name": section.name or None,
        "stay-on": section.stay_on,
        "allowed": list(section.allowed) or None,
        "alternate": list(turns.subdivisions) if turns else None,
        "every": turns.every if turns and turns.every != 1 else None,
        "players": turns.players if turns and turns.players != 1 else None,
        "nothing-faster-than": section.nothing_faster_than,
        "no-off-grid-runs": section.no_off_grid_runs or None,
        "least-notes": section.least_notes,
        "swing": _band(section),
        "most-drift": _most(section),
        "pocket": _pocket(section),
    }
    return {key: value for key, value in found.items() if value is not None}


def _band(section: Section) -> Any:
    if section.swing is None:
        return None
    low, high = section.swing.low, section.swing.high
    return True if low is None or high is None else [_number(low), _number(high)]


def _most(section: Section) -> Any:
    if section.most_drift is None:
        return None
    most = section.most_drift.most_bpm
    return True if most is None else _number(most)


def _pocket(section: Section) -> Any:
    pocket = section.pocket
    if pocket is None:
        return None
    stated = {
        "share": pocket.share,
        "within-ms": pocket.within_ms,
        "within-percent": pocket.within_percent,
    }
    return {k: _number(v) for k, v in stated.items() if v is not None} or True


def _click(click: ClickStyle) -> Values:
    off = list(click.bars_off)
    found: Values = {
        "beats": list(click.beats) if click.beats else None,
        "half-time": click.half_time or None,
        "place": click.place,
        "subdivision": click.subdivision,
        "accents": None if click.accents else False,
        "bars-on": click.bars_on,
        "bars-off": (off[0] if len(off) == 1 else off) if off else None,
    }
    return {key: value for key, value in found.items() if value is not None}
