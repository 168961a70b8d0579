"""`improv report`: a take as one HTML file that can be mailed, read, heard and printed."""

from __future__ import annotations

from pathlib import Path

import click

from improv.analysis import analyze
from improv.commands.log_options import log_option
from improv.commands.options import drums_option, slow_option, take_argument, take_options
from improv.commands.output import ShareDone, refuse_overwriting
from improv.compare import Comparison
from improv.errors import UsageError
from improv.files import shown, write_text
from improv.midi import read_take
from improv.model import Reading, Settings
from improv.pages.build import Choices, build

SUFFIXES = (".html", ".htm")

EPILOG = """
\b
Examples:
  improv report solo.mid --tempo 96 --output solo.html
  improv report solo.mid --backing blues.mid --bars 1-32 --output solo.html
  improv report solo.mid --tempo 96 --slow 50 --player Ana --output solo.html

The file needs no network and no other file: mail it as it is. With improv[report]
installed its sound is MP3, and more passages fit.
"""


@click.command("report", epilog=EPILOG, short_help="Make a page to hand over.")
@take_argument
@take_options
@slow_option
@drums_option
@click.option(
    "--player",
    metavar="NAME",
    help="Add a section: this player's takes in the practice log, over time.",
)
@log_option
@click.option(
    "--output",
    required=True,
    type=click.Path(),
    metavar="FILE.html",
    help="Where to write the page.",
)
def command(
    path: str,
    reading: Reading,
    settings: Settings,
    slow: float,
    drums: bool,
    player: str | None,
    log_file: str | None,
    output: str,
) -> None:
    """Make one page of a take: to read, to hear, to print, to mail.

    It holds what was heard in plain sentences, the chart, the passages that stand out
    each with three players (as played, slow, on the grid), the numbers in tables, how
    to read them, and the settings used.
    """
    if Path(output).suffix.lower() not in SUFFIXES:
        raise UsageError(f"{shown(output)}: a page's name must end in .html")
    refuse_overwriting(output, [path])
    refuse_overwriting(output, [reading.backing], "backing")
    if player is None and log_file is not None:
        raise UsageError("--log says where a player's takes are: name one with --player")
    analysis = analyze(read_take(path, reading), settings)
    choices = Choices(slow / 100.0, drums or analysis.take.percussion, _history(player, log_file))
    with ShareDone("making the page") as told:
        page = build(analysis, choices, told)
    write_text(output, page)
    click.echo(f"{shown(output)}: {len(page.encode()) / 1e6:.1f} MB")


def _history(player: str | None, log_file: str | None) -> Comparison | None:
    """A player's logged takes compared over time."""
    if player is None:
        return None
    from improv.commands.comparing import Asked
    from improv.log.entries import Filter

    asked = Asked(Settings().tolerance_ms, equal_tempo=False, log_file=log_file)
    with asked.log() as log:
        found = log.material(Filter(player=player))
    if not len(found.label):
        raise UsageError(f"no takes of {shown(player)} in the log; see 'improv log list'")
    return asked.of_log(found, None)[0]
