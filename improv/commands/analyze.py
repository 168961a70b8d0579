"""`improv analyze`: takes in, what was heard out."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING

import click

from improv.analysis import analyze
from improv.commands.log_options import about_options
from improv.commands.options import take_options, takes_argument
from improv.commands.output import Out, Progress, refuse_overwriting, say, say_warnings
from improv.document import csv_text, json_text
from improv.errors import ImprovError, UsageError
from improv.files import printable
from improv.log.entries import About
from improv.midi import read_take
from improv.model import Analysis, Reading, Settings
from improv.report import text_report

if TYPE_CHECKING:
    from improv.commands.keeping import Keeper

EPILOG = """
\b
Examples:
  improv analyze solo.mid --tempo 96
  improv analyze solo.mid --meter 6/8 --tempo 60 --count-in 2
  improv analyze solo.mid --backing blues.mid --bars 5-12
  improv analyze solo.mid --subdivisions eighths,sixteenths --tolerance 15
  improv analyze monday/*.mid --format csv --output monday.csv
  improv analyze solo.mid --tempo 96 --log --player Ana

Deviations are positive when late. Exit status: 0 fine, 1 a take could not be
read (the others still are), 2 wrong use.
"""


@click.command("analyze", epilog=EPILOG, short_help="Tell what was played, phrase by phrase.")
@takes_argument
@take_options
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "csv"]),
    default="text",
    help="Text to read (default), JSON, or CSV with a row per note.",
)
@click.option("--full", is_flag=True, help="Shorten nothing in the text of a long take.")
@click.option(
    "--output",
    type=click.Path(allow_dash=True),
    metavar="FILE",
    help="Write there instead of to standard output.",
)
@click.option("--log", "keep", is_flag=True, help="Keep the takes in the practice log as well.")
@click.option("--log-file", type=click.Path(), metavar="FILE", help="The log to keep them in.")
@about_options
def command(
    takes: tuple[str, ...],
    reading: Reading,
    settings: Settings,
    form: str,
    full: bool,
    output: str | None,
    keep: bool,
    log_file: str | None,
    about: About,
) -> None:
    """Tell which subdivision each phrase of a solo is on, and where it falls off.

    For each phrase: the subdivision, how sure that is, pushing or laying back, spread,
    swing, rushing or dragging; the runs that leave every grid; one thing to practise.
    Several takes are told one after another (JSON: a list; CSV: a leading file column).
    """
    refuse_overwriting(output, takes)
    refuse_overwriting(output, [reading.backing], "backing")
    out = Out(output)
    tell = _Teller(out, form, full, several=len(takes) > 1)
    with _keeper(keep, log_file, about) as tell.keeper, Progress(takes) as progress:
        for path in progress:
            tell.take(path, reading, settings, progress)
    tell.end()
    out.close()
    if tell.errors:
        raise SystemExit(min(error.exit_status for error in tell.errors))


def _keeper(
    keep: bool, log_file: str | None, about: About
) -> AbstractContextManager[Keeper | None]:
    """What keeps the takes, where they are to be kept."""
    if not keep:
        if log_file is not None or about != About():
            raise UsageError("what is said of a take goes into the log: add --log")
        return nullcontext()
    from improv.commands.keeping import Keeper

    return Keeper(log_file, about.checked())


class _Teller:
    """Writes one take after another in the form asked for, and remembers what failed.

    A single take's error is left to the group; among several, each is named on stderr
    and the others go on.
    """

    def __init__(self, out: Out, form: str, full: bool, several: bool) -> None:
        self.errors: list[ImprovError] = []
        self.keeper: Keeper | None = None
        self._out, self._form, self._full, self._several = out, form, full, several
        self._written = 0

    def take(self, path: str, reading: Reading, settings: Settings, progress: Progress) -> None:
        """Analyzes and writes one take."""
        try:
            analysis = self._analysis(path, reading, settings)
            text = self._text(analysis)
        except ImprovError as error:
            if not self._several:
                raise
            progress.clear()
            say(f"Error: {printable(str(error))}")
            self.errors.append(error)
            return
        progress.clear()
        if self._form != "text":
            say_warnings(analysis)
        self._out.write(text)
        self._written += 1

    def _analysis(self, path: str, reading: Reading, settings: Settings) -> Analysis:
        """What was heard; the take is kept on the way where it is to be."""
        if self.keeper is None:
            return analyze(read_take(path, reading), settings)
        told, analysis = self.keeper.keep(path, reading, settings)
        say(told)
        return analysis

    def end(self) -> None:
        """Closes what a list of several takes leaves open."""
        if self._several and self._form == "json" and self._written:
            self._out.write("\n]\n")

    def _text(self, analysis: Analysis) -> str:
        first = self._written == 0
        if self._form == "csv":
            return csv_text(analysis, header=first, with_file=self._several)
        if self._form == "json":
            if not self._several:
                return json_text(analysis) + "\n"
            return ("[\n" if first else ",\n") + json_text(analysis)
        return ("" if first else "\n\n") + text_report(analysis, self._full)
