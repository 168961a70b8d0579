"""improv: which subdivision a recorded solo is on, how far it strays, where it falls off.

Three lines do the main job::

    from improv import Reading, analyze, read_take, text_report
    take = read_take("solo.mid", Reading(tempo_bpm=96))
    print(text_report(analyze(take)))

The same analysis as values: `analyze(take).phrases[0].subdivision`; as data: `json_text`,
`csv_text`.

The map of the package, from the ground up; imports run downwards only:

    errors, meter            the one error family; how a bar is grouped
    settings, model          the nouns: Reading, Settings; Take, Analysis and their parts
    tempo, grid, stats ...   seconds to bars; subdivisions as exact fractions; circular statistics
    events, phrases          notes to rhythmic events, events to phrases
    lattice, free, frame,    where an event may stand; runs on no grid; their chances;
    chain, scene, hand       all paths summed; phrases made ready; the player's scatter and swing
    learn, lean, choose, fit which subdivision, note by note
    runs, landing, swing,    fast runs and where they land, ratios; offset, spread and drift;
    summaries, places,       where and what, in a musician's terms
    stories
    analysis                 analyze(take, settings): the one readable path through the core
    synth                    seeded takes with known truth
    compare, safety ...      what many takes say: better, worse, chance; safe up to which tempo
    midi, files              files in and out; the only places that open any, but for log/
    practice, wording        from numbers to the one thing to do next, and to words
    report, document         an Analysis as text; as JSON and CSV
    pictures/                values to draw, then figures
    sound/, listening/       strokes to samples; takes to listen to, with a click
    pages/                   one self-contained page to hand over
    assignments/             what a teacher asks for, its practice track, met or not
    log/                     takes kept over time, in one file
    cli, commands/           the command line, the only place that knows click

Importing this package loads nothing but itself: what it exports is fetched on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from improv.analysis import analyze
    from improv.document import csv_text, json_text
    from improv.errors import ImprovError, OutputError, TakeError, UsageError
    from improv.meter import Meter, parse_meter
    from improv.midi import read_take
    from improv.model import (
        Analysis,
        Notes,
        Passage,
        Phrase,
        Place,
        Ranked,
        Run,
        Take,
    )
    from improv.report import text_report
    from improv.settings import Reading, Settings

__version__ = "0.1.0"

_HOME = {
    "Analysis": "model",
    "ImprovError": "errors",
    "Meter": "meter",
    "Notes": "model",
    "OutputError": "errors",
    "Passage": "model",
    "Phrase": "model",
    "Place": "model",
    "Ranked": "model",
    "Reading": "settings",
    "Run": "model",
    "Settings": "settings",
    "Take": "model",
    "TakeError": "errors",
    "UsageError": "errors",
    "analyze": "analysis",
    "csv_text": "document",
    "json_text": "document",
    "parse_meter": "meter",
    "read_take": "midi",
    "text_report": "report",
}

__all__ = [
    "Analysis",
    "ImprovError",
    "Meter",
    "Notes",
    "OutputError",
    "Passage",
    "Phrase",
    "Place",
    "Ranked",
    "Reading",
    "Run",
    "Settings",
    "Take",
    "TakeError",
    "UsageError",
    "analyze",
    "csv_text",
    "json_text",
    "parse_meter",
    "read_take",
    "text_report",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'improv' has no attribute '{name}'")
    value = getattr(import_module(f"improv.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
