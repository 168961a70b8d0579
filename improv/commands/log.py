"""`improv log`: keep takes and what was heard in them, and find them again."""

from __future__ import annotations

import json
from contextlib import ExitStack
from dataclasses import asdict

import click

from improv.commands.log_options import (
    about_options,
    filter_options,
    log_option,
    take_numbers,
)
from improv.commands.options import take_options, takes_argument
from improv.commands.output import Out, Progress, refuse_existing, say, say_warnings
from improv.counting import counted
from improv.errors import ImprovError, UsageError
from improv.files import printable, shown
from improv.log.entries import About, Filter
from improv.model import Reading, Settings

EPILOG = """
\b
Examples:
  improv log add solo.mid --tempo 96 --player Ana --tune "Late Bus"
  improv log list --player Ana --since 2026-03-01
  improv compare --player Ana

The log is one file on this machine, readable by you alone; nothing leaves it.
'improv log COMMAND --help' tells more.
"""


def _examples(*calls: str) -> str:
    """What stands below a command's options."""
    return "\n".join(["\b", "Examples:", *(f"  {call}" for call in calls)])


@click.group("log", epilog=EPILOG, short_help="Keep takes, and find them again.")
def command() -> None:
    """A practice log: the takes themselves, how they were read, what was heard."""


@command.command(
    "add",
    epilog=_examples(
        'improv log add solo.mid --tempo 96 --player Ana --tune "Late Bus"',
        "improv log add solo.mid --tempo 100 --replace",
    ),
    short_help="Analyze takes and keep them.",
)
@takes_argument
@about_options
@take_options
@click.option(
    "--replace", is_flag=True, help="Read a take that is in the log already anew, as said here."
)
@log_option
def add(
    takes: tuple[str, ...],
    about: About,
    reading: Reading,
    settings: Settings,
    replace: bool,
    log_file: str | None,
) -> None:
    """Analyze takes and keep them in the practice log.

    The file's bytes are kept with the settings and the analysis. A take that is there
    already is told and left as it is; --replace reads it anew, as said here. What is said
    of it then takes the place of what was; an empty text (--note "" or --tags "") takes it
    away, and what is not said at all stays.
    """
    from improv.commands.keeping import Keeper

    about = about.checked()
    errors: list[ImprovError] = []
    with Keeper(log_file, about, replace) as keeper, Progress(takes) as progress:
        for path in progress:
            try:
                told, analysis = keeper.keep(path, reading, settings)
            except ImprovError as error:
                if len(takes) == 1:
                    raise
                progress.clear()
                say(f"Error: {printable(str(error))}")
                errors.append(error)
                continue
            progress.clear()
            click.echo(told)
            say_warnings(analysis)
    if errors:
        raise SystemExit(min(error.exit_status for error in errors))


@command.command(
    "list",
    epilog=_examples(
        "improv log list --player Ana --since 2026-03-01",
        "improv log list --subdivision sixteenths --format json",
    ),
    short_help="The takes in the log.",
)
@filter_options
@click.option(
    "--format", "form", type=click.Choice(["text", "json"]), default="text",
    help="Text to read (default) or JSON.",
)  # fmt: skip
@log_option
def list_(which: Filter, form: str, log_file: str | None) -> None:
    """List the takes in the log, all or those the filters find."""
    from improv.log.place import log_path
    from improv.log.store import Log
    from improv.log_report import list_lines

    with Log.open(log_path(log_file), writing=False) as log:
        rows = log.rows(which)
    if form == "json":
        click.echo(json.dumps([asdict(row) for row in rows], indent=1))
        return
    click.echo("\n".join(list_lines(rows)))


@command.command(
    "show",
    epilog=_examples("improv log show 12", "improv log show 12 --midi back.mid"),
    short_help="One take with its analysis.",
)
@click.argument("take", metavar="NUMBER")
@click.option(
    "--format", "form", type=click.Choice(["text", "json"]), default="text",
    help="Text to read (default), or the analysis as JSON.",
)  # fmt: skip
@click.option("--midi", type=click.Path(), metavar="FILE", help="Write the take itself there.")
@click.option("--overwrite", is_flag=True, help="Let --midi replace a file.")
@log_option
def show(take: str, form: str, midi: str | None, overwrite: bool, log_file: str | None) -> None:
    """Show one take of the log: what is said of it, its settings, its analysis."""
    from improv.files import write_bytes
    from improv.log.place import log_path
    from improv.log.store import Log
    from improv.log_report import show_lines

    refuse_existing(midi, overwrite)
    (number,) = take_numbers((take,))
    with Log.open(log_path(log_file), writing=False) as log:
        whole = log.whole(number)
    if midi is not None:
        write_bytes(midi, whole.midi, private=True)
        say(f"{shown(midi)}: take {number} written")
    if form == "json":
        click.echo(json.dumps(whole.document, indent=1))
        return
    click.echo("\n".join(show_lines(whole)))


@command.command(
    "remove",
    epilog=_examples("improv log remove 12 13"),
    short_help="Remove takes and their bytes.",
)
@click.argument("takes", metavar="NUMBER...", nargs=-1, required=True)
@click.option("--yes", is_flag=True, help="Do not ask.")
@log_option
def remove(takes: tuple[str, ...], yes: bool, log_file: str | None) -> None:
    """Remove takes from the log. Their bytes are overwritten; backups keep theirs."""
    from improv.log.place import log_path
    from improv.log.store import Log
    from improv.log_report import list_lines

    numbers = take_numbers(takes)
    with Log.open(log_path(log_file)) as log:
        rows = log.rows(Filter(ids=numbers))
        missing = sorted(set(numbers) - {row.id for row in rows})
        if missing:
            raise UsageError(f"there is no take {missing[0]} in the log; nothing was removed")
        if not yes:
            click.echo("\n".join(list_lines(rows)))
            what = "this take" if len(rows) == 1 else f"these {len(rows)} takes"
            if not click.confirm(f"Remove {what} for good?", default=False):
                click.echo("Nothing removed.")
                return
        count = log.remove(numbers)
    click.echo(f"Removed {counted(count, 'take')}.")


@command.command(
    "export",
    epilog=_examples(
        "improv log export ana --player Ana", "improv log export ana.csv --player Ana --format csv"
    ),
    short_help="Write the log in open formats.",
)
@click.argument("target", type=click.Path(allow_dash=True), metavar="FOLDER")
@filter_options
@click.option(
    "--format", "form", type=click.Choice(["folder", "csv"]), default="folder",
    help="A folder of JSON lines and MIDI files (default), or one CSV file.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Let a CSV file replace one that is there.")
@log_option
def export(target: str, which: Filter, form: str, overwrite: bool, log_file: str | None) -> None:
    """Write the log, or what the filters find, in open formats.

    A folder holds takes.jsonl and the MIDI files, and 'improv log import' takes it in
    again. CSV (FOLDER is then a file, or - for standard output) has one row per take and
    subdivision, for spreadsheets. What is written to files is readable by you alone.
    """
    from improv.files import write_text
    from improv.log.exchange import export_folder
    from improv.log.place import log_path
    from improv.log.sheet import sheet_text
    from improv.log.store import Log

    if form == "csv":
        refuse_existing(target, overwrite)
    elif overwrite:
        raise UsageError("--overwrite is for --format csv; a folder is always a new one")
    with Log.open(log_path(log_file), writing=False) as log:
        if form == "folder":
            count = export_folder(log, which, target)
        else:
            text, count = sheet_text(log, which)
    if form == "csv" and target == "-":
        Out(None).write(text)
        return
    if form == "csv":
        write_text(target, text, private=True)
    click.echo(f"{shown(target)}: {counted(count, 'take')} written")


@command.command(
    "import", epilog=_examples("improv log import ana"), short_help="Take in an exported log."
)
@click.argument("source", type=click.Path(exists=True), metavar="FOLDER")
@log_option
def import_(source: str, log_file: str | None) -> None:
    """Add the takes of an exported folder; those that are there already are left alone."""
    from improv.commands.keeping import opened
    from improv.log.exchange import import_folder

    with ExitStack() as open_log:
        done = import_folder(lambda: open_log.enter_context(opened(log_file)), source)
    click.echo(f"{done.new} new, {done.known} already in the log.")


@command.command(
    "refresh", epilog=_examples("improv log refresh"), short_help="Analyze everything again."
)
@log_option
def refresh(log_file: str | None) -> None:
    """Analyze every take again with this improv, under the settings it was kept with.

    The old results stay in force until all new ones are there; then they change at once.
    A refresh that was cut short goes on where it stopped.
    """
    from improv.log.place import log_path
    from improv.log.refresh import refresh as refresh_log
    from improv.log.store import Log

    with Log.open(log_path(log_file)) as log, Progress() as progress:
        done = refresh_log(log, progress.count)
    if done.resumed:
        say(f"{done.resumed} were done already by a refresh that was cut short.")
    for take, reason in done.kept:
        say(f"Error: take {take} keeps its old analysis: {printable(reason)}")
    click.echo(f"{counted(done.renewed, 'take')} analyzed again.")
    if done.kept:
        say(
            "'improv log show NUMBER --midi FILE' gives such a take back, and 'improv log add FILE "
            "--replace' reads it anew."
        )
        raise SystemExit(1)


@command.command(
    "backup",
    epilog=_examples("improv log backup log-backup.db"),
    short_help="Copy the log, also while it is in use.",
)
@click.argument("target", type=click.Path(), metavar="FILE")
@log_option
def backup(target: str, log_file: str | None) -> None:
    """Write a consistent copy of the log; an older backup there is replaced."""
    from improv.log.place import log_path
    from improv.log.store import Log

    with Log.open(log_path(log_file), writing=False) as log:
        log.backup(target)
    click.echo(f"{shown(target)}: backup written")
