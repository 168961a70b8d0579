"""Takes of the practice log as lines of text, 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from improv.counting import counted
from improv.files import printable
from improv.grid import short_name
from improv.log.kept_settings import stated_options
from improv.model import Place
from improv.tables import WIDTH, wrapped
from improv.wording import bars_text, number_word, percent_figure, place_text, rate_text

if TYPE_CHECKING:
    from improv.log.entries import Row, Whole

MOST_RUNS = 3
OFF_GRID = "off the grid"
"""As a phrase's verdict, and of a run within one."""


def list_lines(rows: Sequence[Row]) -> list[str]:
    """One line per take, and how many there are."""
    if not rows:
        return ["No takes found."]
    cells = [
        (
            str(row.id), row.day or "-", _cut(row.player or "-", 12), _cut(row.tune or "-", 14),
            f"{round(row.tempo_bpm, 2):g}", _ms(row.spread_ms), _percent(row.in_pocket),
            _percent(row.off_grid), ", ".join(map(short_name, row.subdivisions)) or "-",
        )
        for row in rows
    ]  # fmt: skip
    head = ("take", "day", "player", "tune", "BPM", "spread", "pocket", "off", "played")
    widths = [max(len(c[i]) for c in [head, *cells]) for i in range(len(head))]
    right = {0, 4, 5, 6, 7}
    lines = []
    for row in [head, *cells]:
        fitted = [
            c.rjust(w) if i in right else c.ljust(w)
            for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(_cut("  ".join(fitted).rstrip(), WIDTH))
    return [*lines, f"{counted(len(rows), 'take')}; spread in ms, pocket and off grid in per cent."]


def show_lines(whole: Whole) -> list[str]:
    """One take: what is said of it, how it was read, what was heard."""
    row = whole.row
    lines = [f"Take {row.id}: {printable(row.file_name)}, {whole.document['take']['notes']} notes"]
    pairs = [
        ("played", row.day or "unknown day"),
        ("player", row.player),
        ("tune", row.tune),
        ("tags", ", ".join(row.tags)),
        ("note", whole.note),
        ("tempo", f"{row.tempo_bpm:g} BPM, {row.meter}"),
        ("read with", ", ".join(stated_options(whole.settings_text)) or "nothing stated"),
        ("added", whole.added),
        ("analyzed", f"{whole.made} by improv {whole.made_by}"),
        ("digest", whole.digest[:16]),
    ]
    lines += [f"  {name:<10} {printable(value)}" for name, value in pairs if value]
    lines.append("")
    runs = [run for run in whole.document["runs"] if run["off_grid"]]
    # Documents of the first improv do not say what their rates count.
    beat = whole.document["take"].get("rate_beat", "beat")
    lines += [_phrase(phrase, runs, beat) for phrase in whole.document["phrases"]]
    lines += ["", f"To practise: {whole.document['practice']['text']}"]
    return [part for line in lines for part in _folded(line)]


def _phrase(phrase: dict[str, Any], runs: Sequence[dict[str, Any]], beat: str = "beat") -> str:
    """What was heard in a phrase, and which of the `runs` off the grid begin in it.

    `beat` is what their rates are told to.
    """
    first, last = phrase["start"]["bar"], phrase["end"]["bar"]
    spread = "" if phrase["spread_ms"] is None else f", {phrase['spread_ms']:.0f} ms spread"
    said = f"Phrase {phrase['number']}, {bars_text(first, last)}: {_heard(phrase)}{spread}"
    low, high = (phrase[end]["onset_sec"] for end in ("start", "end"))
    own = [run for run in runs if low <= run["start"]["onset_sec"] <= high]
    told = [f"{OFF_GRID} {_run(run, beat)}" for run in own[:MOST_RUNS]]
    if told and _heard(phrase) == OFF_GRID:  # said once is enough
        said = f"{said}, {_run(own[0], beat)}"
        told = told[1:]
    if len(own) > MOST_RUNS:
        told.append(f"{counted(len(own) - MOST_RUNS, 'more run')} {OFF_GRID}")
    return "; ".join([said, *told])


def _heard(phrase: dict[str, Any]) -> str:
    """`mostly eighths, with sixteenths`: every subdivision, the main one first."""
    main = phrase["subdivision"]
    if main is None:
        return str(phrase["verdict"])
    # Documents of the first improv hold no passages.
    names = [passage["subdivision"] for passage in phrase.get("passages", ())]
    others = [name for name in dict.fromkeys(names) if name not in (None, main)]
    return f"mostly {main}, with {' and '.join(others)}" if others else str(main)


def _run(run: dict[str, Any], beat: str) -> str:
    many = run.get("events", run["notes"])
    where = place_text(Place(**run["start"]))
    rate = rate_text(run["notes_per_beat"], beat)
    return f"{number_word(many)} notes at {rate} from {where}"


def _folded(line: str) -> list[str]:
    return wrapped(line, then="  ") or [""]


def _cut(text: str, room: int) -> str:
    text = printable(text)
    return text if len(text) <= room else text[: room - 1].rstrip() + "~"


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _percent(value: float | None) -> str:
    return "-" if value is None else percent_figure(value)
