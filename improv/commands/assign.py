"""`improv assign`: an assignment written from options, or proposed from a player's takes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from improv.assignments.limits import LAST_BAR, MOST_NOTES, MOST_SECTIONS
from improv.commands.assigning import (
    Given,
    file_text,
    proposed_assignment,
    stated_assignment,
)
from improv.commands.options import EXISTING_FILE, stated, take_options_but, tempo_steps
from improv.commands.output import Out, refuse_existing, refuse_overwriting, say
from improv.commands.requirement_options import Wanted, requirements
from improv.counting import counted
from improv.errors import UsageError
from improv.files import shown
from improv.model import Reading, Settings

EPILOG = """
\b
Examples:
  improv assign --tempo 96 --bars 1-8 --stay-on eighths --output week3.toml
  improv assign --tempo 96 --alternate eighths,'half notes' --every 2
  improv assign --tempo 80,88,96 --bars-per-tempo 8 --stay-on sixteenths
  improv assign --from ada.mid --output ada.toml
  improv assign --from ada-1.mid ada-2.mid ada-3.mid --tempo 120
  improv assign --tempo 100 --section 2 --pocket 80%/20ms --update week3.toml

--bars are the bars that the section is about; with --from, those of the takes to listen
to. What is proposed is for a teacher to edit. An existing file is never written over
unless --overwrite or --update says so; an update keeps its comments. Without a number,
pocket, swing and drift get their usual value for the tempo; with nothing asked for at all,
it is the densest of halves, quarters, eighths and sixteenths that a click still helps.
"""


@click.command("assign", epilog=EPILOG, short_help="Write an assignment, or propose one.")
@click.argument(
    "more_takes", metavar="[TAKE...]", nargs=-1,
    type=EXISTING_FILE,
)  # fmt: skip
@click.option(
    "--from", "takes", multiple=True, metavar="TAKE...",
    type=EXISTING_FILE,
    help="Propose from this player's takes.",
)  # fmt: skip
@click.option("--title", metavar="TEXT", help="Title.")
@click.option("--note", metavar="TEXT", help="What the player reads.")
@click.option(
    "--section", type=click.IntRange(1, MOST_SECTIONS), default=1, metavar="N",
    help="Which section (default 1).",
)  # fmt: skip
@click.option("--stay-on", metavar="NAME", help="One subdivision, nothing finer.")
@click.option("--allowed", metavar="A,B", help="Only these subdivisions.")
@click.option("--alternate", metavar="A,B", help="These in turn ('rest' is one too).")
@click.option("--every", type=click.IntRange(1, LAST_BAR), metavar="BARS", help="Bars to a turn.")
@click.option("--players", type=click.IntRange(1, 2), metavar="1|2", help="How many take turns.")
@click.option("--nothing-faster-than", metavar="NAME", help="A ceiling only.")
@click.option("--no-off-grid-runs", is_flag=True, help="No run that leaves every grid.")
@click.option(
    "--least-notes", type=click.IntRange(1, MOST_NOTES), metavar="N", help="In every bar."
)
@click.option("--swing", metavar="LOW-HIGH|default", help="Band of ratios, like 1.3-2.0.")
@click.option("--most-drift", metavar="BPM|default", help="Most rushing or dragging.")
@click.option("--pocket", metavar="SHARE/WITHIN|default", help="Like 80%/20ms or 75%/15%.")
@click.option(
    "--output", type=click.Path(allow_dash=True), metavar="FILE", help="Write a new file."
)
@click.option("--overwrite", is_flag=True, help="Let --output replace a file.")
@click.option(
    "--update", metavar="FILE", type=EXISTING_FILE,
    help="Change this file, keeping its comments.",
)  # fmt: skip
@click.option(
    "--tempo", "tempi", callback=tempo_steps, metavar="BPM[,BPM...]",
    help="In beats of the meter (dotted quarters in 6/8); with --from, that of the takes; "
    "several are steps.",
)  # fmt: skip
@click.option(
    "--bars-per-tempo",
    type=click.IntRange(1, LAST_BAR),
    metavar="BARS",
    help="How long each step is.",
)
@take_options_but("--tempo")
def command(
    more_takes: tuple[str, ...],
    takes: tuple[str, ...],
    output: str | None,
    overwrite: bool,
    update: str | None,
    title: str | None,
    note: str | None,
    section: int,
    tempi: tuple[float, ...] | None,
    bars_per_tempo: int | None,
    reading: Reading,
    settings: Settings,
    **wanted: Any,
) -> None:
    """Write an assignment from options, or propose one from a player's takes.

    With --from, the player's own analysis decides: hold the densest subdivision that is
    steady, then the next one at a tempo where this player's spread is safe for it.
    """
    from improv.assignments.reading import read_assignment

    _check_use(more_takes, takes, output, overwrite, update)
    refuse_overwriting(output, [reading.backing], "backing")
    given = Given(title, note, section, tempi, bars_per_tempo, bool(takes), Wanted(**wanted))
    reading = _at_tempi(reading, given)
    base = read_assignment(update) if update else None
    if takes:
        paths = (*takes, *more_takes)
        assignment, remarks = proposed_assignment(paths, base, reading, settings, given)
    else:
        assignment = stated_assignment(base, reading, settings, given)
        remarks = _unasked(update, given)
    text = file_text(assignment, remarks, update)
    out = Out(update or output)
    out.write(text)
    out.close()
    if base is not None:  # A file that is there gets no comments of ours: they are told instead.
        for line in remarks:
            say(line)
        fewer = len(base.sections) - len(assignment.sections)
        if fewer > 0:
            say(f"{counted(fewer, 'section')} less than before, comments included.")


def _check_use(
    more: tuple[str, ...],
    takes: tuple[str, ...],
    output: str | None,
    overwrite: bool,
    update: str | None,
) -> None:
    if more and not takes:
        raise UsageError("takes to propose from stand after --from; a file to write after --output")
    if output and update:
        raise UsageError("--output writes a new file and --update changes one; give one of them")
    refuse_overwriting(output, (*takes, *more))
    refuse_existing(
        output, overwrite, f", --update {shown(output or '')} changes it and keeps its comments"
    )


_ABOUT_TAKES = ("start", "track", "channel", "backing", "subdivisions", "tolerance")


def _at_tempi(reading: Reading, given: Given) -> Reading:
    """The reading at the tempo stated; refuses what means nothing with takes, or without."""
    tempi, each = given.tempi or (), given.bars_per_tempo
    if given.from_takes:
        if len(tempi) > 1 or each is not None:
            raise UsageError("--from: takes are of one tempo, and what is proposed has one")
        return replace(reading, tempo_bpm=tempi[0]) if tempi else reading
    idle = [name for name in _ABOUT_TAKES if stated(name)]
    if idle:
        raise UsageError(f"--{idle[0]} is about takes: it means something only with --from")
    if len(tempi) > 1 and each is None:
        raise UsageError("--tempo with several steps needs --bars-per-tempo, the bars of each")
    if each is not None and len(tempi) < 2:
        raise UsageError("--bars-per-tempo means something only with steps, like --tempo 80,88,96")
    return reading


def _unasked(update: str | None, given: Given) -> tuple[str, ...]:
    """What a new file says where the options asked for nothing to hold."""
    if update or requirements(given.wanted):
        return ()
    return (
        "Nothing to hold was asked for: this is the densest of halves, quarters, eighths",
        "and sixteenths that a click still helps at this tempo. Edit it.",
    )
