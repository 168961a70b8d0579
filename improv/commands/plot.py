"""`improv plot`: a take in, pictures out. The picture library is loaded when it draws."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from improv.analysis import analyze
from improv.commands.options import take_options, takes_argument
from improv.commands.output import refuse_overwriting, say
from improv.document import all_warnings
from improv.errors import OutputError, UsageError
from improv.files import printable, shown, write_bytes
from improv.midi import read_take
from improv.model import Analysis, Reading, Settings
from improv.pictures.chart_page import MOST_PER_LINE, PER_LINE
from improv.pictures.kinds import KINDS
from improv.pictures.paper import Paper, parse_paper

if TYPE_CHECKING:
    from improv.pictures.draw_pages import Sheet

FORMATS = ("png", "svg", "pdf")

EPILOG = """
\b
Examples:
  improv plot solo.mid --tempo 96 --output solo.pdf
  improv plot solo.mid --tempo 96 --bars 9-16 --output bars-9-16.png
  improv plot solo.mid --kind beat --kind tempo --output solo.svg
  improv plot monday/*.mid --kind spread --output monday.svg

\b
Kinds:
  chart   the take laid out like a lead sheet (default)
  beat    where in the beat the notes fall
  tempo   how time moves against the backing
  spread  how far the notes scatter, by subdivision and tempo

A PDF holds all pages. PNG and SVG hold one: several pages become FILE-1.png,
FILE-2.png and so on, unless --page picks one. The names of what was written
are printed. In every picture late is to the right (clockwise on a circle),
and below the line on the chart.
"""


def _paper(_: click.Context, __: click.Parameter, text: str) -> Paper:
    try:
        return parse_paper(text)
    except UsageError as error:
        raise click.BadParameter(str(error)) from error


@click.command("plot", epilog=EPILOG, short_help="Draw what was played.")
@takes_argument
@take_options
@click.option(
    "--output",
    required=True,
    type=click.Path(),
    metavar="FILE",
    help="Where to: a name ending in .png, .svg or .pdf.",
)
@click.option(
    "--kind",
    "kinds",
    type=click.Choice(list(KINDS)),
    multiple=True,
    default=("chart",),
    help="What to draw (default: chart); may be given more than once.",
)
@click.option(
    "--per-line",
    type=click.IntRange(1, MOST_PER_LINE),
    default=PER_LINE,
    metavar="BARS",
    help=f"Bars to a line of the chart (default {PER_LINE}).",
)
@click.option(
    "--paper",
    callback=_paper,
    default="a4",
    metavar="SIZE",
    help="a4 (default), letter, or width and height in mm like 300x200. "
    "PNG and SVG are cut below what is on them.",
)
@click.option("--page", type=click.IntRange(1), metavar="N", help="Only this page.")
def command(
    takes: tuple[str, ...],
    reading: Reading,
    settings: Settings,
    output: str,
    kinds: tuple[str, ...],
    per_line: int,
    paper: Paper,
    page: int | None,
) -> None:
    """Draw a solo: where its notes stand against the grid, and how it moves.

    Reads and judges a take as 'improv analyze' does, and draws it to a PNG, SVG or PDF
    file. Of several takes together only the spread can be drawn.
    """
    form = _format(output)
    if len(takes) > 1 and any(kind != "spread" for kind in kinds):
        raise UsageError("of several takes only the spread can be drawn: add --kind spread")
    refuse_overwriting(output, takes)
    refuse_overwriting(output, [reading.backing], "backing")
    analyses = [_analysis(path, reading, settings) for path in takes]
    from improv.pictures.draw_pages import pages

    sheets = [
        sheet
        for kind in dict.fromkeys(kinds)
        for sheet in pages(analyses, kind, paper, per_line, trim=form != "pdf")
    ]
    files = _files(_picked(sheets, page), form, output, printable(analyses[0].take.name))
    for name in files:
        refuse_overwriting(name, takes)
        refuse_overwriting(name, [reading.backing], "backing")
    _write_all(files)
    for name in files:
        click.echo(shown(name))


def _format(output: str) -> str:
    suffix = Path(output).suffix.lower().removeprefix(".")
    if suffix not in FORMATS:
        raise UsageError(
            f"{shown(output)}: a picture's name must end in .png, .svg or .pdf; "
            f"{'it ends in .' + printable(suffix) if suffix else 'it has no ending'}"
        )
    return suffix


def _analysis(path: str, reading: Reading, settings: Settings) -> Analysis:
    analysis = analyze(read_take(path, reading), settings)
    for warning in all_warnings(analysis):
        say(f"Warning: {printable(analysis.take.name)}: {printable(warning)}")
    return analysis


def _picked(sheets: list[Sheet], page: int | None) -> list[Sheet]:
    if page is None:
        return sheets
    if page > len(sheets):
        count = "there is one page" if len(sheets) == 1 else f"there are {len(sheets)} pages"
        raise UsageError(f"page {page} does not exist: {count}")
    return [sheets[page - 1]]


def _files(sheets: list[Sheet], form: str, output: str, title: str) -> dict[str, bytes]:
    """Every file to write, finished: one PDF, or one image per page."""
    from improv.pictures.draw_save import pdf_bytes, png_bytes, svg_text

    if form == "pdf":
        return {output: pdf_bytes([sheet.figure for sheet in sheets], title)}
    names = [output] if len(sheets) == 1 else _numbered(output, len(sheets))
    if form == "svg":
        drawn = [svg_text(sheet.figure, sheet.alt).encode() for sheet in sheets]
    else:
        drawn = [png_bytes(sheet.figure) for sheet in sheets]
    return dict(zip(names, drawn, strict=True))


def _numbered(output: str, count: int) -> list[str]:
    path = Path(output)
    digits = len(str(count))
    return [
        str(path.with_name(f"{path.stem}-{i:0{digits}}{path.suffix}")) for i in range(1, count + 1)
    ]


def _write_all(files: dict[str, bytes]) -> None:
    """Writes every file, or none that was not there before."""
    made: list[str] = []
    try:
        for name, data in files.items():
            is_new = not os.path.lexists(name)
            write_bytes(name, data)
            if is_new:
                made.append(name)
    except OutputError:
        for name in made:
            Path(name).unlink(missing_ok=True)
        raise
