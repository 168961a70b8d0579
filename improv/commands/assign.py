"""`improv assign`: an assignment written from options, or proposed from a player's takes."""

from __future__ import annotations

import codecs
from dataclasses import replace
from typing import Any

import click

from improv.assignments.limits import LAST_BAR, MOST_NOTES, MOST_SECTIONS
from improv.commands.options import EXISTING_FILE, stated, take_options_but, tempo_steps
from improv.commands.output import (
    Out,
    Progress,
    refuse_existing,
    refuse_overwriting,
    say,
    say_warnings,
)
from improv.commands.requirement_options import check_names, requirements
from improv.errors import UsageError
from improv.files import shown
from improv.model import Reading, Settings
from improv.wording import counted

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
    tempi: tuple[float, ...] | None,
    reading: Reading,
    settings: Settings,
    **given: Any,
) -> None:
    """Write an assignment from options, or propose one from a player's takes.

    With --from, the player's own analysis decides: hold the densest subdivision that is
    steady, then the next one at a tempo where this player's spread is safe for it.
    """
    _check_use(more_takes, takes, output, overwrite, update)
    refuse_overwriting(output, [reading.backing], "backing")
    reading = _at_tempi(reading, tempi, bool(takes), given)
    given["takes_given"] = bool(takes)
    base = _old(update) if update else None
    if takes:
        assignment, remarks = _proposed((*takes, *more_takes), base, reading, settings, given)
    else:
        assignment, remarks = _stated(base, reading, settings, given), _unasked(update, given)
    text = _text(assignment, remarks, update)
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


def _at_tempi(
    reading: Reading, tempi: tuple[float, ...] | None, takes: bool, given: dict[str, Any]
) -> Reading:
    """The reading at the tempo stated; refuses what means nothing with takes, or without."""
    each = given["bars_per_tempo"]
    if takes:
        if len(tempi or ()) > 1 or each is not None:
            raise UsageError("--from: takes are of one tempo, and what is proposed has one")
        return reading if tempi is None else replace(reading, tempo_bpm=tempi[0])
    idle = [name for name in _ABOUT_TAKES if stated(name)]
    if idle:
        raise UsageError(f"--{idle[0]} is about takes: it means something only with --from")
    if len(tempi or ()) > 1 and each is None:
        raise UsageError("--tempo with several steps needs --bars-per-tempo, the bars of each")
    if each is not None and len(tempi or ()) < 2:
        raise UsageError("--bars-per-tempo means something only with steps, like --tempo 80,88,96")
    given["tempi"] = tempi
    return reading


def _old(update: str) -> Any:
    from improv.assignments.reading import read_assignment

    return read_assignment(update)


def _text(assignment: Any, remarks: tuple[str, ...], update: str | None) -> str:
    from improv.assignments.reading import LARGEST_FILE_BYTES
    from improv.assignments.updating import updated_text
    from improv.assignments.writing import assignment_text
    from improv.files import read_bytes

    whole = _whole(assignment)  # Before anything is written.
    if update is None:
        return assignment_text(whole, remarks)
    data = read_bytes(update, LARGEST_FILE_BYTES, UsageError)
    mark = codecs.BOM_UTF8.decode() if data.startswith(codecs.BOM_UTF8) else ""
    return mark + updated_text(data.decode("utf-8-sig"), whole, shown(update))


def _proposed(
    paths: tuple[str, ...],
    base: Any,
    reading: Reading,
    settings: Settings,
    given: dict[str, Any],
) -> tuple[Any, tuple[str, ...]]:
    from improv.assignments.proposal import onto, propose, restated

    made = propose(_analyses(paths, reading, settings))
    stated = _whole(_with_section(made.assignment, given, settings))
    made = restated(made, stated, given["section"])
    assignment = made.assignment if base is None else onto(base, made.assignment)
    changes = {"title": given["title"], "note": given["note"]}
    assignment = replace(assignment, **{k: v for k, v in changes.items() if v is not None})
    names = ", ".join(shown(path) for path in paths)
    remarks = (f"Proposed from {names}.", *made.reasons, "Edit whatever you know better.")
    return assignment, tuple(line for text in remarks for line in _lines(text))


def _analyses(paths: tuple[str, ...], reading: Reading, settings: Settings) -> list[Any]:
    """The takes analyzed; what there is to say of one is told, but for what will be refused."""
    from improv.analysis import analyze
    from improv.midi import read_take

    analyses = []
    with Progress(paths) as progress:
        for path in progress:
            analyses.append(analyze(read_take(path, reading), settings))
    for analysis in analyses:
        if not analysis.doubt:
            say_warnings(analysis)
    return analyses


def _whole(assignment: Any) -> Any:
    """The assignment with its names in full; contradictions are refused."""
    from improv.assignments.reading import parse_assignment
    from improv.assignments.writing import assignment_text

    return parse_assignment(assignment_text(assignment), "the assignment as it would be written")


def _lines(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, 76)


def _stated(base: Any, reading: Reading, settings: Settings, given: dict[str, Any]) -> Any:
    """The assignment the options state, on top of an old one if there is one."""
    from improv.assignments.model import Assignment, Section
    from improv.meter import parse_meter

    if base is None:
        if given["tempi"] is None:
            raise UsageError("state at least --tempo, in beats of the meter per minute")
        meter = reading.meter or parse_meter("4/4")
        first = Section(1, None)
        base = Assignment("", meter, given["tempi"], (first,), count_in_bars=_count_in(reading, 1))
    changes: dict[str, Any] = {
        "title": given["title"],
        "note": given["note"],
        "meter": reading.meter,
        "count_in_bars": _count_in(reading, None),
    }
    if given["tempi"] is not None:
        changes |= {"tempo_bpm": given["tempi"]}
        base = replace(base, bars_per_tempo=given["bars_per_tempo"])
    base = replace(base, **{k: v for k, v in changes.items() if v is not None})
    return _with_section(base, given, settings)


def _unasked(update: str | None, given: dict[str, Any]) -> tuple[str, ...]:
    """What a new file says where the options asked for nothing to hold."""
    if update or requirements(given):
        return ()
    return (
        "Nothing to hold was asked for: this is the densest of halves, quarters, eighths",
        "and sixteenths that a click still helps at this tempo. Edit it.",
    )


def _count_in(reading: Reading, otherwise: int | None) -> Any:
    return reading.count_in_bars if stated("count_in") else otherwise


def _with_section(base: Any, given: dict[str, Any], settings: Settings) -> Any:
    """The assignment with the requirements of one section set by the options."""
    from improv.assignments.defaults import first_subdivision
    from improv.assignments.model import Section

    number = given["section"]
    if number > len(base.sections) + 1:
        raise UsageError(f"--section {number}: the assignment has {len(base.sections)}")
    sections = list(base.sections)
    if number == len(sections) + 1:
        sections.append(Section(_after(sections), None))
    check_names(given, base.meter)
    section = replace(sections[number - 1], **requirements(given))
    if settings.first_bar is not None and not given["takes_given"]:
        section = replace(section, first_bar=settings.first_bar, last_bar=settings.last_bar)
    if not section.requirements():
        section = replace(section, stay_on=first_subdivision(base.tempo_bpm[0], base.meter[0]))
    sections[number - 1] = section
    return replace(base, sections=tuple(sections))


def _after(sections: list[Any]) -> int:
    last = sections[-1].last_bar
    if last is None:
        raise UsageError("the last section goes on to the end; give it --bars before adding one")
    return int(last) + 1
