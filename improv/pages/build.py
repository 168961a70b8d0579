"""An Analysis to one self-contained HTML text."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from os.path import basename
from typing import TYPE_CHECKING, Any

import improv
from improv.compare import Comparison
from improv.counting import counted
from improv.document import all_warnings
from improv.files import printable
from improv.headline import constant_offset, headline
from improv.listening.caution import CAUTION
from improv.listening.on_grid import place_on_grid
from improv.model import Analysis
from improv.pages.charts import charts
from improv.pages.flagged import flagged
from improv.pages.history import history_of
from improv.pages.players import passages
from improv.pages.rows import note_table, phrase_table, run_table
from improv.pages.words import how_to_read, settings_used
from improv.practice import advise
from improv.sentences import phrase_sentences
from improv.wording import take_bars, take_tempo

if TYPE_CHECKING:
    from jinja2 import Template

PAGE_BYTES = 3_750_000
"""What charts, notes and sound may take together; words and tables need some 0.1 MB more."""
ROW_BYTES = 320
"""A row of the table of notes as HTML, at most."""

Told = Callable[[float], None]


@dataclass(frozen=True)
class Choices:
    """What the page is to hold: speed of the slow players as a share, drums or strings.

    `history` compares the player's logged takes over time; without it the page has no such section.
    """

    share: float = 0.6
    drums: bool = False
    history: Comparison | None = None


def build(analysis: Analysis, choices: Choices, told: Told | None = None) -> str:
    """The page as text. `told` is called with the share of the work done, from 0 to 1."""
    say = told or (lambda share: None)
    placed = place_on_grid(analysis)
    flags = flagged(analysis, placed)
    drawn = charts(analysis)
    say(0.5)
    notes = note_table(analysis)
    room = PAGE_BYTES - sum(map(len, drawn.wide + drawn.narrow)) - ROW_BYTES * len(notes.rows)
    heard, left_out = passages(
        analysis, placed, flags, choices.share, choices.drums, room, lambda s: say(0.5 + 0.45 * s)
    )
    page = _template().render(
        **_words(analysis, choices),
        charts=drawn,
        passages=heard,
        left_out=left_out,
        tables=[table for table in (phrase_table(analysis), run_table(analysis)) if table.rows],
        notes=notes,
        **_look(),
    )
    say(1.0)
    return page


def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("improv.pages", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html")


def _words(analysis: Analysis, choices: Choices) -> dict[str, Any]:
    sentences, fewer = phrase_sentences(analysis)
    return {
        "title": title_of(analysis),
        "facts": _facts(analysis),
        "warnings": [printable(w) for w in all_warnings(analysis)],
        "headline": headline(analysis),
        "constant": constant_offset(analysis),
        "sentences": sentences,
        "phrases_left_out": counted(fewer, "phrase") if fewer else "",
        "advice": advise(analysis),
        "caution": CAUTION,
        "how": how_to_read(analysis),
        "history": None if choices.history is None else history_of(choices.history),
        "settings": settings_used(analysis, improv.__version__, choices.share),
    }


def _look() -> dict[str, str]:
    """Style and script, and the hash by which the page's policy lets only that script run."""
    script = _beside("sort.js")
    digest = sha256(script.encode()).digest()
    return {
        "style": _beside("style.css"),
        "script": script,
        "script_hash": b64encode(digest).decode("ascii"),
    }


def title_of(analysis: Analysis) -> str:
    """The take's name without the folders of whoever made the page."""
    return printable(basename(analysis.take.name)) or "a take"


def _facts(analysis: Analysis) -> str:
    notes = counted(len(analysis.notes), "note")
    played_in = f"{analysis.take.meter_text} at {take_tempo(analysis)}"
    return f"{notes}, {take_bars(analysis)}, {played_in}"


def _beside(name: str) -> str:
    return (files("improv.pages") / name).read_text(encoding="utf-8")
