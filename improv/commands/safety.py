"""`improv safety`: up to which tempo each subdivision is held."""

from __future__ import annotations

import json

import click

from improv.commands.log_options import filter_options, log_option
from improv.commands.options import FiniteRange, result_options
from improv.commands.output import Out
from improv.errors import UsageError
from improv.files import printable
from improv.log.entries import Filter

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
    from improv.commands.comparing import picture_form, save
    from improv.log.place import log_path
    from improv.log.store import Log
    from improv.safety import safety_map
    from improv.safety_kinds import without_spread
    from improv.safety_report import csv_text, document, text_report

    picture = None if plot is None else picture_form(plot)
    with Log.open(log_path(log_file), writing=False) as log:
        players = log.players(which)
        if len(players) > 1:
            named = ", ".join(printable(p) or "(no name)" for p in players[:8])
            raise UsageError(f"the map is one player's ({named}); name one with --player")
        material = log.material(which)
    if not len(material.label):
        raise UsageError("no takes found; see 'improv log list'")
    found = safety_map(material, tolerance)
    if found is None and without_spread(material):
        raise UsageError(
            "nothing to map: no spread can be measured, for the notes lie exactly on the grid "
            "(copied or quantised takes?) or are too few at a time"
        )
    if found is None:
        raise UsageError(
            "too few notes to map: no subdivision has 24 notes by hand in three takes or phrases; "
            "log more takes"
        )
    who = printable(players[0])
    text = {
        "text": lambda: text_report(found, who),
        "json": lambda: json.dumps(document(found), indent=1) + "\n",
        "csv": lambda: csv_text(found),
    }[form]()
    out = Out(output)
    out.write(text)
    out.close()
    if plot is not None and picture is not None:
        from improv.pictures.draw_history import safety_figure
        from improv.pictures.history import zones

        title = f"{who}: where each subdivision is held" if who else "Where each is held"
        save(safety_figure(zones(found), found.usual_bpm, title), picture, plot, title)
