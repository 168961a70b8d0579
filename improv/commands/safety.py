"""`improv safety`: up to which tempo each subdivision is held."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from improv.commands.log_options import filter_options, log_option
from improv.commands.options import FiniteRange, result_options
from improv.commands.output import Out
from improv.errors import UsageError
from improv.log.entries import Filter

if TYPE_CHECKING:
    from improv.safety import SafetyMap

EPILOG = """
\b
Examples:
  improv safety --player Ana
  improv safety --player Ana --since 2026-01-01 --plot map.svg
"""


@click.command("safety", epilog=EPILOG, short_help="Up to which tempo each is held.")
@filter_options
@click.option(
    "--tolerance", type=FiniteRange(5, 100), default=20.0, metavar="MS",
    help="Half-width of the pocket (default 20).",
)  # fmt: skip
@result_options
@click.option(
    "--plot", type=click.Path(), metavar="FILE",
    help="Draw the map as well: a name ending in .png, .svg or .pdf.",
)  # fmt: skip
@log_option
def command(
    which: Filter, tolerance: float, form: str, output: str | None, plot: str | None,
    log_file: str | None,
) -> None:  # fmt: skip
    """Tell up to which tempo a player holds each subdivision, and what to practise next.

    Estimated from all logged takes the filters find, by a floor of timing noise and a
    share of the interval between notes, and by how often runs leave the grid.
    """
    from improv.commands.comparing import picture_form
    from improv.safety_report import csv_text, document, text_report

    picture = None if plot is None else picture_form(plot)
    who, found = _map(which, tolerance, log_file)
    text = {
        "text": lambda: text_report(found, who),
        "json": lambda: json.dumps(document(found), indent=1) + "\n",
        "csv": lambda: csv_text(found),
    }[form]()
    out = Out(output)
    out.write(text)
    out.close()
    if plot is not None and picture is not None:
        _draw(found, who, picture, plot)


def _map(which: Filter, tolerance_ms: float, log_file: str | None) -> tuple[str, SafetyMap]:
    """The player of the takes found and their map; raises `UsageError` where there is none."""
    from improv.commands.comparing import one_player
    from improv.log.place import log_path
    from improv.log.store import Log
    from improv.safety import safety_map
    from improv.safety_kinds import without_spread

    with Log.open(log_path(log_file), writing=False) as log:
        who, material = one_player(log, which)
    found = safety_map(material, tolerance_ms)
    if found is not None:
        return who, found
    if without_spread(material):
        raise UsageError(
            "nothing to map: no spread can be measured, for the notes lie exactly on the grid "
            "(copied or quantised takes?) or are too few at a time"
        )
    raise UsageError(
        "too few notes to map: no subdivision has 24 notes by hand in three takes or phrases; "
        "log more takes"
    )


def _draw(found: SafetyMap, who: str, form: str, plot: str) -> None:
    from improv.commands.comparing import save
    from improv.pictures.draw_history import safety_figure
    from improv.pictures.history import zones

    title = f"{who}: where each subdivision is held" if who else "Where each is held"
    save(safety_figure(zones(found), found.usual_bpm, title), form, plot, title)
