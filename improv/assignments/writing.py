"""An `Assignment` to TOML: the values of its tables, and a fresh file with a few comments.

What is written parses to the assignment it was written from. A file that is there already is
brought up to date in `updating`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from improv.assignments.model import Assignment, ClickStyle, Section
from improv.meter import meter_text

if TYPE_CHECKING:
    from tomlkit.items import Table

Values = dict[str, Any]


def assignment_text(assignment: Assignment, remarks: tuple[str, ...] = ()) -> str:
    """A fresh assignment file; `remarks` stand above it as comment lines."""
    import tomlkit

    document = tomlkit.document()
    for remark in remarks:
        document.add(tomlkit.comment(remark))
    if remarks:
        document.add(tomlkit.nl())
    for key, value in top_values(assignment).items():
        document.add(key, item_of(value))
    sections = tomlkit.aot()
    for section in assignment.sections:
        sections.append(table_of(section_values(section)))
    document.add("section", sections)
    click = click_values(assignment.click)
    if click:
        document.add("click", table_of(click))
    return tomlkit.dumps(document)


def item_of(value: Any) -> Any:
    """A value as a TOML library has it."""
    import tomlkit

    if isinstance(value, dict):
        table = tomlkit.inline_table()
        table.update(value)
        return table
    return tomlkit.item(value)


def table_of(values: Values) -> Table:
    """Values as a table."""
    import tomlkit

    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, item_of(value))
    return table


def _number(value: float) -> int | float:
    return int(value) if float(value).is_integer() else value


def top_values(assignment: Assignment) -> Values:
    """What stands above the tables: keys of the file and their values."""
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


def section_values(section: Section) -> Values:
    """The keys of a section and their values; what means nothing is left out."""
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


def click_values(click: ClickStyle) -> Values:
    """The keys of the click and their values; what means nothing is left out."""
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
