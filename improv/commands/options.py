"""Options every command about takes shares: how to read them and how to judge them.

`@take_options` adds them to a command and hands it two finished values, `reading` and
`settings`, in place of a dozen strings.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from functools import wraps
from typing import Any

import click

from improv.commands.output import say
from improv.counting import counted
from improv.errors import UsageError
from improv.files import shown
from improv.meter import Meter, meter_text, parse_meter
from improv.model import BOUNDS, Reading, Settings
from improv.settings import FASTEST_BPM, MOST_COUNT_IN_BARS, SLOWEST_BPM

EXISTING_FILE = click.Path(exists=True, dir_okay=False, readable=False)
"""A file that is there; whether it can be read is found, and told, where it is read."""


def _there_if_one(
    ctx: click.Context, param: click.Parameter, takes: tuple[str, ...]
) -> tuple[str, ...]:
    """A single name must be a path that is there; of several, each is told where it is read."""
    if len(takes) == 1:
        click.Path(exists=True, readable=False).convert(takes[0], param, ctx)
    return takes


def _file_if_one(
    ctx: click.Context, param: click.Parameter, takes: tuple[str, ...]
) -> tuple[str, ...]:
    """The same, and no folder."""
    if len(takes) == 1:
        EXISTING_FILE.convert(takes[0], param, ctx)
    return takes


class FiniteRange(click.FloatRange):
    """A number within bounds; refuses `nan`, which compares with nothing."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a usage error."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number that can be used here.", param, ctx)
        return number


def comma_list(text: str) -> tuple[str, ...]:
    """The words between commas, spaces trimmed, empty ones left out."""
    return tuple(word.strip() for word in text.split(",") if word.strip())


def tempo_steps(
    context: click.Context, option: click.Parameter, text: str | None
) -> tuple[float, ...] | None:
    """One tempo in beats per minute, or several with commas between."""
    if text is None:
        return None
    each = FiniteRange(SLOWEST_BPM, FASTEST_BPM)
    return tuple(each.convert(step.strip(), option, context) for step in text.split(","))


def _meter(_: click.Context, __: click.Parameter, text: str | None) -> tuple[Meter, ...] | None:
    """A written meter: a cycle of bars."""
    try:
        return None if text is None else parse_meter(text)
    except UsageError as error:
        raise click.BadParameter(str(error)) from error


def _start(_: click.Context, __: click.Parameter, text: str | None) -> float | str | None:
    """Seconds as a float, or the word `auto`."""
    if text is None or text.lower() == "auto":
        return text and "auto"
    try:
        seconds = float(text)
    except ValueError:
        raise click.BadParameter(f"'{text}' is neither seconds nor 'auto'.") from None
    if not math.isfinite(seconds):
        raise click.BadParameter(f"{text} is no point in time.")
    return seconds


def _bars(_: click.Context, __: click.Parameter, text: str | None) -> tuple[int, int] | None:
    """A bar or a range of bars as a musician says it: `7`, `5-12`; both ends included."""
    if text is None:
        return None
    found = re.fullmatch(r"\s*(-?\d{1,6})\s*(?:-\s*(-?\d{1,6})\s*)?", text)
    if not found:
        raise click.BadParameter(f"'{text}' is not a bar or a range of bars like 5-12.")
    first = int(found[1])
    last = int(found[2]) if found[2] else first
    if last < first:
        raise click.BadParameter(f"bars {text}: the last bar comes before the first.")
    return first, last


def _names(_: click.Context, __: click.Parameter, text: str | None) -> tuple[str, ...] | None:
    """Names separated by commas."""
    if text is None:
        return None
    names = comma_list(text)
    if not names:
        raise click.BadParameter("name at least one subdivision, like eighths,sixteenths.")
    return names


_OPTIONS = {
    "--tempo": click.option(
        "--tempo", type=FiniteRange(SLOWEST_BPM, FASTEST_BPM), metavar="BPM",
        help="Tempo of the backing in beats of the meter (dotted quarters in 6/8); "
        "wins over the file's own.",
    ),
    "--meter": click.option(
        "--meter", callback=_meter, metavar="METER",
        help="4/4, 6/8, 2+2+2+3/8, or alternating bars 9/8+10/8; wins over the file's own.",
    ),
    "--count-in": click.option(
        "--count-in", type=click.IntRange(0, MOST_COUNT_IN_BARS), metavar="BARS",
        help="Bars of count-in before bar 1 (without it none, or what a click of ours says).",
    ),
    "--start": click.option(
        "--start", callback=_start, metavar="SECONDS|auto",
        help="When the first bar (or the count-in) begins in the file; 'auto' finds it from "
        "the playing. Without it the file's own start.",
    ),
    "--track": click.option(
        "--track", metavar="NAME", help="Track that holds the solo, by name or number."
    ),
    "--channel": click.option(
        "--channel", type=click.IntRange(1, 16), metavar="1-16", help="MIDI channel of the solo."
    ),
    "--backing": click.option(
        "--backing", type=EXISTING_FILE, metavar="FILE",
        help="MIDI file to take tempo, meter and bar 1 from.",
    ),
    "--bars": click.option(
        "--bars", callback=_bars, metavar="FIRST-LAST", help="These bars only: 5-12, or 7."
    ),
    "--subdivisions": click.option(
        "--subdivisions", callback=_names, metavar="A,B",
        help="Only these come into question, like 'eighths,sixteenths'.",
    ),
    "--tolerance": click.option(
        "--tolerance", type=FiniteRange(*BOUNDS["tolerance_ms"]), metavar="MS",
        help=f"Half-width of the pocket (default {Settings().tolerance_ms:g}).",
    ),
}  # fmt: skip


take_argument = click.argument("path", metavar="TAKE.mid", type=EXISTING_FILE)
takes_argument = click.argument(
    "takes", metavar="TAKE.mid...", nargs=-1, required=True, type=click.Path(),
    callback=_file_if_one,
)  # fmt: skip
takes_or_folders_argument = click.argument(
    "takes", metavar="TAKE|FOLDER...", nargs=-1, required=True, type=click.Path(),
    callback=_there_if_one,
)  # fmt: skip
slow_option = click.option(
    "--slow",
    type=FiniteRange(10, 100),
    default=60.0,
    metavar="PERCENT",
    show_default=True,
    help="Speed of what is slowed down, as a share of the played one.",
)
drums_option = click.option(
    "--drums", is_flag=True, help="The solo is a drum part (found by channel 10)."
)


def take_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the shared options; the command receives `reading` and `settings` instead."""
    return take_options_but()(command)


def take_options_but(*without: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """As `take_options`, for a command in which some of them (named as on the line) mean nothing.

    What they would say is what holds without them.
    """
    parameters = {name: name.removeprefix("--").replace("-", "_") for name in without}

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(command)
        def with_values(**given: Any) -> Any:
            given |= dict.fromkeys(parameters.values())
            reading = _reading(given)
            settings = _settings(given)
            return command(reading=reading, settings=settings, **given)

        for name, option in reversed(_OPTIONS.items()):
            if name not in parameters:
                with_values = option(with_values)
        return with_values

    return decorate


def result_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds `--format` (as `form`) and `--output`, for results in text, JSON and CSV."""
    output = click.option(
        "--output", type=click.Path(allow_dash=True), metavar="FILE",
        help="Write there instead of to standard output.",
    )  # fmt: skip
    form = click.option(
        "--format", "form", type=click.Choice(["text", "json", "csv"]), default="text",
        help="Text to read (default), JSON, or CSV.",
    )  # fmt: skip
    return form(output(command))


def _reading(given: dict[str, Any]) -> Reading:
    """Takes the options about reading out of `given`."""
    start = given.pop("start")
    return _over_click(
        Reading(
            tempo_bpm=given.pop("tempo"),
            meter=given.pop("meter"),
            count_in_bars=given.pop("count_in"),
            start_sec=None if start == "auto" else start,
            find_start=start == "auto",
            track=given.pop("track"),
            channel=given.pop("channel"),
            backing=given.pop("backing"),
        )
    )


def _over_click(reading: Reading) -> Reading:
    """The reading over a click file of ours: it says the meter's groups and the count-in.

    What is stated wins; a stated start is that of the first bar, with or without count-in.
    """
    from improv.midi import read_smf
    from improv.midi_tempo import click_mark

    mark = click_mark(read_smf(reading.backing)) if reading.backing is not None else None
    if mark is None:
        return reading
    said = []
    if reading.meter is None:
        reading = replace(reading, meter=mark.meter)
        said.append(meter_text(mark.meter))
    if reading.count_in_bars is None and not stated("start"):
        reading = replace(reading, count_in_bars=mark.count_in_bars)
        said.append(f"{counted(mark.count_in_bars, 'bar')} of count-in")
    if said:
        say(f"Note: {shown(reading.backing or '')} was made by 'improv click': {', '.join(said)}.")
    return reading


def stated(option: str) -> bool:
    """Whether an option (its parameter's name) stands on the command line."""
    source = click.get_current_context().get_parameter_source(option)
    return source == click.core.ParameterSource.COMMANDLINE


def _settings(given: dict[str, Any]) -> Settings:
    """Takes the options about judging out of `given`."""
    first, last = given.pop("bars") or (None, None)
    tolerance = given.pop("tolerance")
    return Settings(
        tolerance_ms=Settings().tolerance_ms if tolerance is None else tolerance,
        subdivisions=given.pop("subdivisions"),
        first_bar=first,
        last_bar=last,
    )
