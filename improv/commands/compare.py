"""`improv compare`: better, worse, or no more than chance."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from improv.commands.log_options import day, filter_options, log_option
from improv.commands.options import result_options, stated, take_options
from improv.commands.output import Out, refuse_overwriting, say
from improv.errors import UsageError
from improv.files import printable
from improv.log.entries import Filter
from improv.model import Reading, Settings

if TYPE_CHECKING:
    from improv.commands.comparing import Asked
    from improv.compare import Comparison

BETWEEN = "with"
READS_FILES = (
    "backing", "tempo", "meter", "count_in", "start", "track", "channel", "bars", "subdivisions",
)  # fmt: skip
"""Parameters that say how a file is read; a take of the log has been read."""
INSTEAD = {
    "tempo": "--tempo-range chooses takes by their tempo",
    "subdivisions": "--subdivision chooses takes by what was played",
}
EPILOG = """
\b
Examples:
  improv compare january.mid march.mid --tempo 96
  improv compare jan/*.mid with mar/*.mid --tempo 96
  improv compare --player Ana                      everything, over time
  improv compare --player Ana --split 2026-03-01   before that day, and after
  improv compare log:12 log:31 --format json
  improv compare --player Ana --plot trend.pdf

A player is compared with nobody else; --class shows every player of the log,
each compared with their own past.
"""


@click.command("compare", epilog=EPILOG, short_help="Better, worse, or chance?")
@click.argument("takes", metavar="[TAKE... [with TAKE...]]", nargs=-1, type=click.Path())
@filter_options
@click.option("--split", callback=day, metavar="DATE", help="Before this day against from it on.")
@click.option("--class", "whole_class", is_flag=True, help="Every player, each with their past.")
@click.option(
    "--equal-tempo", is_flag=True,
    help="Only takes with a counterpart at the same tempo, instead of accounting for it.",
)  # fmt: skip
@take_options
@result_options
@click.option(
    "--plot", type=click.Path(), metavar="FILE",
    help="Draw it as well: a name ending in .png, .svg or .pdf.",
)  # fmt: skip
@log_option
def command(
    takes: tuple[str, ...],
    which: Filter,
    split: str | None,
    whole_class: bool,
    equal_tempo: bool,
    reading: Reading,
    settings: Settings,
    form: str,
    output: str | None,
    plot: str | None,
    log_file: str | None,
) -> None:
    """Tell whether the lock-in is better, per subdivision, and what is only chance.

    Two takes; two sets of takes with the word 'with' between them (files, or log:12 for
    a take of the log); or, without takes, what the filters find in the log: over time, or
    before and after a day. Differences in tempo are accounted for.
    """
    from improv.commands.comparing import Asked as How
    from improv.commands.comparing import picture_form

    refuse_overwriting(output, takes)
    refuse_overwriting(plot, takes)
    if plot is not None:
        picture_form(plot)  # a wrong name is told before the work, not after
    if all(take == BETWEEN or take.startswith("log:") for take in takes):
        _refuse_reading()
    asked = How(settings.tolerance_ms, equal_tempo, log_file)
    out = Out(output)
    if takes:
        if split or whole_class or which != Filter():
            raise UsageError("filters choose takes from the log; name takes or filters, not both")
        _compare_takes(takes, asked, reading, settings, form, out, plot)
    elif whole_class:
        if plot is not None:
            raise UsageError("--plot draws one player; name one with --player")
        out.write(_class(asked, which, split, form))
        out.close()
    else:
        _compare_logged(which, split, asked, form, out, plot)


def _refuse_reading() -> None:
    """Raises `UsageError` for options about files where all takes come from the log."""
    for name in filter(stated, READS_FILES):
        instead = INSTEAD.get(name, "'improv log add FILE --replace' reads a take anew")
        raise UsageError(
            f"--{name.replace('_', '-')} says how a file is read, and takes of the log are "
            f"compared as they were read when they were kept; {instead}"
        )


def _compare_takes(
    takes: tuple[str, ...],
    asked: Asked,
    reading: Reading,
    settings: Settings,
    form: str,
    out: Out,
    plot: str | None,
) -> None:
    """Takes named on the command line, one side against the other."""
    from improv.commands.comparing import (
        draw,
        of_different_players,
        takes_named,
        text_of,
        title_of,
    )

    before, after = (takes_named(side, reading, settings, asked.log_file) for side in _two(takes))
    comparison = asked.sets(before.material, after.material)
    first = of_different_players(before, after)
    if first is not None and form == "csv":
        say(first)
    out.write(text_of(comparison, form, first, (*before.warnings, *after.warnings)))
    out.close()
    draw(plot, title_of(before, after), comparison, before.material, after.material)


def _compare_logged(
    which: Filter, split: str | None, asked: Asked, form: str, out: Out, plot: str | None
) -> None:
    """One player's takes in the log: over time, or before and from a day."""
    from improv.commands.comparing import draw, one_player, text_of

    with asked.log() as log:
        player, found = one_player(log, which, ", or ask for --class")
    comparison, sides = asked.of_log(found, split)
    out.write(text_of(comparison, form))
    out.close()
    if sides is None:
        title = f"{player}: spread over time" if player else "Spread over time"
        draw(plot, title, comparison, found, None)
    else:
        draw(plot, f"{player or 'Player'}: before and from {split}", comparison, *sides)


def _two(takes: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The two sides of a comparison of takes."""
    if takes.count(BETWEEN) == 1:
        at = takes.index(BETWEEN)
        before, after = takes[:at], takes[at + 1 :]
    elif BETWEEN not in takes and len(takes) == 2:
        before, after = takes[:1], takes[1:]
    else:
        raise UsageError(
            "name two takes, or two sets with the word 'with' between them: "
            "improv compare A.mid B.mid with C.mid D.mid"
        )
    if not before or not after:
        raise UsageError("a side of the comparison holds no take; 'with' goes between two sets")
    both = [take for take in before if take in after]
    if both:
        raise UsageError(f"{printable(both[0])} is on both sides; a take counts on one")
    return before, after


def _class(asked: Asked, which: Filter, split: str | None, form: str) -> str:
    from improv.commands.comparing import class_text, players_of

    with asked.log() as log:
        each: list[tuple[str, Comparison | str]] = []
        for player in players_of(log, which):
            material = log.material(replace(which, player=player))
            try:
                each.append((printable(player) or "(no name)", asked.of_log(material, split)[0]))
            except UsageError as error:
                each.append((printable(player) or "(no name)", str(error)))
    return class_text(each, form)
