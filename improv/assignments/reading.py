"""An assignment file to an `Assignment`: TOML text in, or one clear refusal.

    title = "Eighths, nothing faster"
    tempo = 96
    [[section]]
    bars = "1-8"
    stay-on = "eighths"

Every value is looked at by itself here; what must agree is looked at in `checking`.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from improv.assignments.checking import check
from improv.assignments.keys import CLICK_KEYS, POCKET_KEYS, SECTION_KEYS, TOP_KEYS
from improv.assignments.limits import (
    LAST_BAR,
    LONGEST_GAP_BARS,
    MOST_COUNT_IN_BARS,
    MOST_NOTES,
    MOST_NUMBERS,
    MOST_SECTIONS,
    MOST_TEMPI,
)
from improv.assignments.model import (
    REST,
    Alternation,
    Assignment,
    ClickStyle,
    Drift,
    Pocket,
    Section,
    Swing,
)
from improv.assignments.values import Table
from improv.errors import UsageError
from improv.files import AnyPath, read_bytes, shown
from improv.meter import Meter, parse_meter
from improv.settings import FASTEST_BPM, SLOWEST_BPM

LARGEST_FILE_BYTES = 2**20
MIDI_BEGINS = b"MThd"
"""How a MIDI file begins (Standard MIDI Files 1.0)."""
_LINE = re.compile(r"\(at line (\d+), column (\d+)\)")


def read_assignment(path: AnyPath) -> Assignment:
    """The assignment in the file at `path`.

    Raises `UsageError` naming file, line and key for anything that is no assignment.
    """
    data = read_bytes(path, LARGEST_FILE_BYTES, UsageError)
    if data.startswith(MIDI_BEGINS):
        raise UsageError(
            f"{shown(path)}: this is a MIDI file, not an assignment; the assignment, a text file "
            "like week.toml, comes first, and takes come after it"
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = data[: fault.start].count(b"\n") + 1
        raise UsageError(
            f"{shown(path)}, line {line}: not UTF-8 text; save the assignment as UTF-8"
        ) from None
    return parse_assignment(text, shown(path))


def parse_assignment(text: str, file: str = "assignment") -> Assignment:
    """The assignment in TOML `text`; `file` is how messages call it. Raises `UsageError`."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise UsageError(f"{file}{_toml_fault(str(fault), text)}") from None
    except RecursionError:
        raise UsageError(f"{file}: nested too deeply for an assignment") from None
    top = Table(file, text, content)
    top.allow(TOP_KEYS)
    meter = _meter(top)
    tempi = _tempi(top)
    assignment = Assignment(
        title=top.string("title"),
        note=top.string("note"),
        meter=meter,
        tempo_bpm=tempi,
        bars_per_tempo=top.whole("bars-per-tempo", 1, LAST_BAR),
        count_in_bars=top.whole("count-in", 0, MOST_COUNT_IN_BARS) or 0,
        bars=top.whole("bars", 1, LAST_BAR),
        sections=tuple(_section(table, meter) for table in _section_tables(top)),
        click=_click(top, meter),
    )
    check(assignment, top)
    return assignment


def _toml_fault(message: str, text: str) -> str:
    found = _LINE.search(message)
    said = _LINE.sub("", message).strip()
    where = f", line {found[1]}, column {found[2]}" if found else ""
    # A line break is a line break here as it is to TOML, whatever else Unicode breaks lines at.
    line = text.split("\n")[int(found[1]) - 1].strip() if found else ""
    return f"{where}: not valid TOML ({said[:1].lower()}{said[1:]}){_hint(said, line)}"


def _hint(said: str, line: str) -> str:
    """What to do about a fault of TOML in a line, where that can be told."""
    if said.startswith(("Cannot overwrite", "Cannot declare")):
        return "; it stands there twice, once is enough"
    if line.startswith("["):
        wrong = said.startswith("Expected")
        return "; headers are written [[section]] and [click], each bracket closed once" * wrong
    key, _, value = line.partition("=")
    unquoted = value.strip() and value.strip()[0] not in "\"'[{"
    if unquoted and said.startswith(("Invalid value", "Expected newline")):
        return "; texts stand in quotes"
    return ""


def _meter(top: Table) -> tuple[Meter, ...]:
    text = top.string("meter", "4/4")
    try:
        return parse_meter(text)
    except UsageError as error:
        top.fail("meter", str(error))


def _tempi(top: Table) -> tuple[float, ...]:
    if not top.has("tempo"):
        top.fail(None, "needs 'tempo', in beats of the meter per minute")
    value = top.content["tempo"]
    items = value if isinstance(value, list) else [value]
    if not 1 <= len(items) <= MOST_TEMPI:
        top.fail("tempo", f"must be one tempo or a list of at most {MOST_TEMPI}")
    return tuple(top.number_in("tempo", item, SLOWEST_BPM, FASTEST_BPM) for item in items)


def _section_tables(top: Table) -> list[Table]:
    found = top.content.get("section", [])
    if isinstance(found, dict):
        found = [found]
    if not isinstance(found, list) or not all(isinstance(item, dict) for item in found):
        top.fail("section", "sections are written [[section]], each on a line of its own")
    if not found:
        top.fail(None, "asks for nothing: add a [[section]] with 'bars' and what to hold")
    if len(found) > MOST_SECTIONS:
        top.fail(None, f"more than {MOST_SECTIONS} sections")
    return [Table(top.file, top.text, item, "section", i) for i, item in enumerate(found)]


def _section(table: Table, meter: tuple[Meter, ...]) -> Section:
    table.allow(SECTION_KEYS)
    first, last = table.bars("bars")
    stay_on = table.string("stay-on") if table.has("stay-on") else None
    ceiling = table.string("nothing-faster-than") if table.has("nothing-faster-than") else None
    named = [table.subdivision("allowed", item, meter) for item in table.texts("allowed")]
    if table.has("allowed") and not named:
        table.fail("allowed", "names no subdivision")
    return Section(
        first_bar=first,
        last_bar=last,
        name=table.string("name"),
        stay_on=None if stay_on is None else table.subdivision("stay-on", stay_on, meter),
        allowed=tuple(dict.fromkeys(named)),
        alternate=_alternation(table, meter),
        nothing_faster_than=None
        if ceiling is None
        else table.subdivision("nothing-faster-than", ceiling, meter),
        no_off_grid_runs=table.flag("no-off-grid-runs"),
        least_notes=table.whole("least-notes", 1, MOST_NOTES),
        swing=_swing(table),
        most_drift=_drift(table),
        pocket=_pocket(table),
    )


def _alternation(table: Table, meter: tuple[Meter, ...]) -> Alternation | None:
    if not table.has("alternate"):
        for key in ("every", "players"):
            if table.has(key):
                table.fail(key, "means something only beside 'alternate'")
        return None
    items = tuple(
        REST if item.strip().lower() == REST else table.subdivision("alternate", item, meter)
        for item in table.texts("alternate")
    )
    if not 2 <= len(items) <= 16 or len(set(items)) < 2:
        table.fail("alternate", "needs two different subdivisions at least, like "
                   '["eighths", "half notes"]')  # fmt: skip
    return Alternation(
        items, table.whole("every", 1, LAST_BAR) or 1, table.whole("players", 1, 2) or 1
    )


def _wanted(table: Table, key: str) -> Any:
    """The value of a key that may be `true`; `None` where it is absent or false."""
    value = table.content.get(key)
    return None if value is False else value


def _swing(table: Table) -> Swing | None:
    value = _wanted(table, "swing")
    if value is None:
        return None
    if value is True:
        return Swing()
    if not isinstance(value, list) or len(value) != 2:
        table.fail("swing", "must be a band of ratios like [1.3, 2.0], or true")
    low, high = (table.number_in("swing", item, 0.5, 5.0) for item in value)
    if low >= high:
        table.fail("swing", f"{low:g} to {high:g} is no band: the lower ratio comes first")
    return Swing(low, high)


def _drift(table: Table) -> Drift | None:
    value = _wanted(table, "most-drift")
    if value is None or value is True:
        return None if value is None else Drift()
    return Drift(table.number_in("most-drift", value, 0.1, 100.0))


def _pocket(table: Table) -> Pocket | None:
    value = _wanted(table, "pocket")
    if value is None or value is True:
        return None if value is None else Pocket()
    if not isinstance(value, dict):
        table.fail("pocket", "must be true or like { share = 0.8, within-ms = 20 }")
    for key in value:
        if key not in POCKET_KEYS:
            inner = Table(table.file, table.text, value, table.table, table.number)
            inner.allow(POCKET_KEYS)
    bounds = {"share": (0.05, 1.0), "within-ms": (1.0, 200.0), "within-percent": (1.0, 49.0)}
    read = {
        key: table.number_in("pocket", value[key], *bounds[key]) if key in value else None
        for key in POCKET_KEYS
    }
    if read["within-ms"] is not None and read["within-percent"] is not None:
        table.fail("pocket", "states its tolerance twice: give within-ms or within-percent")
    return Pocket(read["share"], read["within-ms"], read["within-percent"])


def _click(top: Table, meter: tuple[Meter, ...]) -> ClickStyle:
    content = top.content.get("click", {})
    if not isinstance(content, dict):
        top.fail("click", "is a table: write [click] and its keys below")
    table = Table(top.file, top.text, content, "click")
    table.allow(CLICK_KEYS)
    beats = _whole_list(table, "beats", max(m.beats for m in meter))
    return ClickStyle(
        beats=beats or None,
        half_time=table.flag("half-time"),
        place=table.string("place") if table.has("place") else None,
        subdivision=table.flag("subdivision") if table.has("subdivision") else None,
        accents=table.flag("accents") if table.has("accents") else True,
        bars_on=table.whole("bars-on", 1, LAST_BAR),
        bars_off=_whole_list(table, "bars-off", LONGEST_GAP_BARS),
    )


def _whole_list(table: Table, key: str, high: int) -> tuple[int, ...]:
    value = table.content.get(key, [])
    items = value if isinstance(value, list) else [value]
    if table.has(key) and not 1 <= len(items) <= MOST_NUMBERS:
        table.fail(key, f"names 1 to {MOST_NUMBERS} whole numbers")
    return tuple(table.as_whole(key, item, 1, high) for item in items)
