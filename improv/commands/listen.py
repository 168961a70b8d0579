"""`improv listen`: a take, or the very spot in it, as sound or MIDI with a click."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import click

from improv.analysis import analyze
from improv.commands.options import (
    comma_list,
    drums_option,
    slow_option,
    take_argument,
    take_options,
)
from improv.commands.output import ShareDone, refuse_overwriting, say
from improv.counting import counted
from improv.errors import OutputError, UsageError
from improv.files import printable, shown
from improv.listening.caution import CAUTION
from improv.listening.excerpts import Excerpt, one_phrase, run_excerpts, some_bars, whole
from improv.listening.on_grid import Placed, place_on_grid
from improv.listening.program import GRID, PLAYED, SLOW, VERSIONS, Hearing, plan
from improv.listening.writing import (
    SUFFIXES,
    Sounding,
    Written,
    files_of,
    write_program,
)
from improv.midi import read_take
from improv.model import Analysis, Reading, Settings
from improv.tables import wrapped

EPILOG = """
\b
Examples:
  improv listen solo.mid --tempo 96
  improv listen solo.mid --runs --slow 50
  improv listen solo.mid --bars 9-12 --as played,grid --output fill.wav
  improv listen solo.mid --phrase 3 --click subdivision --mixed
  improv listen solo.mid --runs --output runs.mid

The solo is on the left, the click on the right. 'played' is the take as it is,
'slow' the same slowed down at its own pitch, 'grid' every note on the position
it was aiming at; notes off the grid go to the subdivision nearest to their rate.
"""


def _versions(_: click.Context, __: click.Parameter, text: str | None) -> tuple[str, ...] | None:
    """Names of versions separated by commas."""
    if text is None:
        return None
    names = tuple(dict.fromkeys(comma_list(text.lower())))
    unknown = [name for name in names if name not in VERSIONS]
    if unknown or not names:
        raise click.BadParameter(f"'{text}': choose from {', '.join(VERSIONS)}.")
    return names


@click.command("listen", epilog=EPILOG, short_help="Hear a take, slowed or on the grid.")
@take_argument
@take_options
@click.option("--phrase", type=click.IntRange(1), metavar="N", help="Only this phrase.")
@click.option("--runs", is_flag=True, help="Only the runs off the grid, one after another.")
@click.option(
    "--as",
    "versions",
    callback=_versions,
    metavar="A,B",
    help="Any of played, slow, grid, slow-grid, one after another (default: played; "
    "with --runs played,slow,grid).",
)
@slow_option
@click.option(
    "--click",
    "click_choice",
    default="beats",
    metavar="WHAT",
    show_default=True,
    help="none, beats, subdivision (the one in force), or one by name, like sixteenths.",
)
@click.option("--mixed", is_flag=True, help="Solo and click in the middle, not left and right.")
@click.option(
    "--apart", is_flag=True, help="A file for each version of each part, not one after another."
)
@drums_option
@click.option(
    "--soundfont",
    metavar="FILE|carried",
    help="Sampled sounds from an .sf2 file, or from the small one that comes along; needs "
    "improv[soundfont].",
)
@click.option(
    "--sound",
    type=click.IntRange(1, 128),
    default=25,
    metavar="1-128",
    show_default=True,
    help="Which of the soundfont's General MIDI sounds (25: nylon guitar).",
)
@click.option(
    "--output", type=click.Path(), metavar="FILE",
    help="Where to write: .wav, .mid, or .mp3, .ogg, .flac with improv[report] (default: the "
    "take's name with -listen.wav, in this folder).",
)  # fmt: skip
def command(
    path: str,
    reading: Reading,
    settings: Settings,
    phrase: int | None,
    runs: bool,
    versions: tuple[str, ...] | None,
    slow: float,
    click_choice: str,
    mixed: bool,
    apart: bool,
    drums: bool,
    soundfont: str | None,
    sound: int,
    output: str | None,
) -> None:
    """Hear a take, or the very spot in it, with a click.

    Writes sound (WAV, 44.1 kHz, 16 bit) or MIDI: the whole take, some bars, a phrase,
    or each run off the grid with two beats before and after; as played, slowed down
    with its pitch kept, and placed on the grid, so that the ear can compare.
    """
    target = _target(path, output)
    bars = (settings.first_bar, settings.last_bar)
    # Heard whole, so that phrases and runs are numbered as `improv analyze` numbers them.
    analysis = analyze(read_take(path, reading), replace(settings, first_bar=None, last_bar=None))
    placed = place_on_grid(analysis)
    excerpts = _excerpts(analysis, placed, bars, phrase, runs)
    chosen = versions or ((PLAYED, SLOW, GRID) if runs else (PLAYED,))
    sections = plan(analysis, excerpts, chosen, slow / 100.0)
    hearing = Hearing(click_choice, mixed, drums or analysis.take.percussion)
    for name, _ in files_of(target, sections, apart):
        for what, used in (("take", path), ("backing", reading.backing), ("soundfont", soundfont)):
            refuse_overwriting(str(name), [used], what)
    sounding = Sounding(hearing, soundfont, sound - 1)
    with ShareDone("writing") as told:
        written = write_program(target, analysis, placed, sections, sounding, apart, told)
    _tell(written, hearing)


def _target(path: str, output: str | None) -> Path:
    """The file to write; raises where its name cannot be used."""
    if output is None:
        target = Path(f"{Path(path).stem}-listen.wav")
        if target.exists():
            raise OutputError(
                f"{shown(target)}: is there already; name a file with --output "
                "(that one may be replaced)"
            )
        return target
    target = Path(output)
    if target.suffix.lower() not in SUFFIXES:
        raise UsageError(
            f"{shown(output)}: what to write is told by the name's end; "
            f"let it be one of {', '.join(SUFFIXES)}"
        )
    return target


def _excerpts(
    analysis: Analysis,
    placed: Placed,
    bars: tuple[int | None, int | None],
    phrase: int | None,
    runs: bool,
) -> tuple[Excerpt, ...]:
    if sum([bars[0] is not None, phrase is not None, runs]) > 1:
        raise UsageError("choose one of --bars, --phrase and --runs")
    if bars[0] is not None and bars[1] is not None:
        return (some_bars(analysis, placed, bars[0], bars[1]),)
    if phrase is not None:
        return (one_phrase(analysis, placed, phrase),)
    return run_excerpts(analysis, placed) if runs else (whole(analysis, placed),)


def _tell(written: tuple[Written, ...], hearing: Hearing) -> None:
    """What was written, what is heard when, and the caution."""
    side = "all in the middle" if hearing.mixed else "solo left, click right"
    for file in written:
        how = f" ({side})" if file.is_sound and hearing.click != "none" else ""
        click.echo(f"{shown(os.fspath(file.path))}: {_length(file.length_sec)}{how}")
        for at_sec, title in file.contents:
            click.echo(f"  {int(at_sec) // 60}:{int(at_sec) % 60:02d}  {printable(title)}")
    if any(file.is_sound for file in written):
        for line in wrapped(CAUTION):
            say(line)


def _length(length_sec: float) -> str:
    minutes, seconds = divmod(round(length_sec), 60)
    return f"{minutes} min {seconds} s" if minutes else counted(seconds, "second")
