"""`improv check`: an assignment and takes in, met or not met out, bar by bar."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from improv.commands.options import (
    EXISTING_FILE,
    take_options_but,
    takes_or_folders_argument,
)
from improv.commands.output import Out, Progress, refuse_overwriting, say
from improv.errors import TakeError, UsageError
from improv.files import printable, shown
from improv.model import Reading, Settings

if TYPE_CHECKING:
    from improv.assignments.classes import Checked
    from improv.assignments.jobs import Naming
    from improv.assignments.model import Assignment

EPILOG = """
\b
Examples:
  improv check week3.toml ada.mid
  improv check week3.toml ada.mid --backing week3-click.mid
  improv check duo.toml ada.mid --part 2
  improv check week3.toml monday/ --player-pattern 'week3-PLAYER'
  improv check week3.toml monday/ --player-from track --format csv

Tempo, meter and count-in are the assignment's unless stated here; a take that was played
at another tempo is not judged. A bar that cannot be called is "can't tell" and counts
for neither side. Over a practice track with gaps in its click (--backing), each take's
drift across every gap is told as well. A take named twice is counted once. Exit status:
0 everything met; 1 something not met, not to be told, or a take that cannot be read; 2
wrong use.
"""


@click.command("check", epilog=EPILOG, short_help="Tell whether takes meet an assignment.")
@click.argument("assignment", metavar="ASSIGNMENT", type=EXISTING_FILE)
@takes_or_folders_argument
@click.option(
    "--part", type=click.IntRange(1, 2), default=1, metavar="1|2",
    help="Which part of an alternation this is.",
)  # fmt: skip
@click.option(
    "--player-from", type=click.Choice(["file", "track"]), default="file",
    help="Take the player's name from the file name (default) or the track name.",
)  # fmt: skip
@click.option(
    "--player-pattern", metavar="PATTERN",
    help="How that name looks: PLAYER where the player stands, * for anything else.",
)  # fmt: skip
@click.option(
    "--cores", type=click.IntRange(1, 64), metavar="N",
    help="Most processes (default: all cores).",
)  # fmt: skip
@click.option(
    "--format", "form", type=click.Choice(["text", "json", "csv"]), default="text",
    help="Text to read (default), JSON, or CSV with a row per requirement and gap.",
)  # fmt: skip
@click.option("--full", is_flag=True, help="Of a class, tell every take after the table.")
@click.option(
    "--output", type=click.Path(allow_dash=True), metavar="FILE",
    help="Write there instead of to standard output.",
)  # fmt: skip
@take_options_but("--bars", "--subdivisions", "--tolerance")
def command(
    assignment: str,
    takes: tuple[str, ...],
    part: int,
    player_from: str,
    player_pattern: str | None,
    cores: int | None,
    form: str,
    full: bool,
    output: str | None,
    reading: Reading,
    settings: Settings,
) -> None:
    """Tell whether takes meet an assignment, requirement by requirement, bar by bar.

    Why not, how far from it, and the one thing to change next. Several takes or a folder
    of them are a class: one table, and what most players missed.
    """
    from improv.assignments import classes, jobs
    from improv.assignments.reading import read_assignment

    refuse_overwriting(output, [assignment], "assignment")
    refuse_overwriting(output, [reading.backing], "backing")
    asked = read_assignment(assignment)
    _refuse_assignments(assignment, takes)
    paths, again = classes.takes_in(takes)
    refuse_overwriting(output, paths)
    naming = jobs.Naming(player_from, player_pattern)
    job = jobs.job_for(asked, reading, settings, part, reading.count_in_bars, naming)
    several = len(paths) > 1 or any(os.path.isdir(path) for path in takes)
    with Progress() as progress:
        checked = classes.check_files(
            job, paths, cores, lambda done, path: progress.count(done, len(paths), path)
        )
    if not several and checked[0].verdict is None:
        raise TakeError(checked[0].error)
    out = Out(output)
    out.write(_text(checked, asked, form, several, full))
    out.close()
    for path in again:
        say(f"Note: {shown(path)} was named more than once; it is counted once.")
    for folder in classes.folders_inside(takes):
        say(f"Note: {shown(folder)} is a folder in a folder and was not looked into.")
    _say_names(checked, naming)
    if form != "text":
        _say_errors(checked)
    met = all(c.verdict is not None and c.verdict.state == "met" for c in checked)
    if not met:
        raise SystemExit(1)


def _say_names(checked: Sequence[Checked], naming: Naming) -> None:
    """Where names do not tell players, or not as the pattern says."""
    unfit = [one.path for one in checked if not one.named]
    if unfit and len(unfit) == sum(one.verdict is not None for one in checked):
        say(
            f"Warning: --player-pattern '{printable(naming.pattern or '')}' fits no name; the "
            f"whole {naming.source} names stand for the players."
        )
    elif unfit:
        names = ", ".join(map(shown, unfit))
        say(f"Note: --player-pattern does not fit {names}; the whole name stands for the player.")
    read = [one.player for one in checked if one.verdict is not None]
    if naming.source == "track" and len(read) > 1 and len(set(read)) == 1:
        say(
            f"Warning: all {len(read)} takes have the name '{read[0]}': the track names do not "
            "tell players apart; leave out --player-from track."
        )


def _refuse_assignments(assignment: str, takes: Sequence[str]) -> None:
    """An assignment among the takes is a slip, not a take that cannot be read."""
    for path in takes:
        if os.path.exists(path) and os.path.samefile(path, assignment):
            raise UsageError(
                f"{shown(path)}: this is the assignment itself; it comes first, once, and takes "
                "come after it"
            )
        if path.lower().endswith(".toml"):
            raise UsageError(
                f"{shown(path)}: this is an assignment, not a take; check one assignment at a time"
            )


def _text(
    checked: Sequence[Checked], asked: Assignment, form: str, several: bool, full: bool
) -> str:
    from improv.assignments import class_report, data, report

    if form == "json":
        return data.json_text(checked, asked)
    if form == "csv":
        return data.csv_text(checked)
    each = [report.verdict_text(c.verdict, asked) for c in checked if c.verdict is not None]
    if not several:
        return each[0]
    return "\n\n".join([class_report.class_text(checked, asked), *(each if full else [])])


def _say_errors(checked: Sequence[Checked]) -> None:
    for one in checked:
        if one.verdict is None:
            say(f"Error: {one.error}")
