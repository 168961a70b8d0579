"""Options the commands about the practice log share: which log, which takes, what is said."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from improv.commands.options import comma_list
from improv.errors import UsageError
from improv.log.entries import About, Filter, parse_day
from improv.log.place import VARIABLE

_RANGE = re.compile(r"\s*(\d+(?:\.\d+)?)?\s*-\s*(\d+(?:\.\d+)?)?\s*")


def _day_or_none(context: click.Context, option: click.Parameter, text: str | None) -> str | None:
    """An ISO date, or nothing at all."""
    return text if text is None or not text.strip() else day(context, option, text)


def day(_: click.Context, __: click.Parameter, text: str | None) -> str | None:
    """An ISO date."""
    try:
        return None if text is None else parse_day(text)
    except UsageError as error:
        raise click.BadParameter(str(error)) from error


def _tempi(
    _: click.Context, __: click.Parameter, text: str | None
) -> tuple[float | None, float | None] | None:
    """A range of tempi: `90-110`, `90-`, `-110`."""
    if text is None:
        return None
    found = _RANGE.fullmatch(text)
    if not found or not any(found.groups()):
        raise click.BadParameter(f"'{text}' is not a range of tempi like 90-110.")
    low, high = (None if g is None else float(g) for g in found.groups())
    if low is not None and high is not None and low > high:
        raise click.BadParameter(f"'{text}' ends below where it begins.")
    return low, high


def _tags(_: click.Context, __: click.Parameter, text: str | None) -> tuple[str, ...]:
    """Words separated by commas."""
    return comma_list(text or "")


def log_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds `--log FILE`; the command receives `log_file`."""
    return click.option(
        "--log", "log_file", type=click.Path(), metavar="FILE",
        help=f"The practice log; without it ${VARIABLE}, or the one in your data folder.",
    )(command)  # fmt: skip


_FILTERS = (
    click.option("--player", metavar="NAME", help="Only this player's takes."),
    click.option("--tune", metavar="NAME", help="Only takes of this tune."),
    click.option("--since", callback=day, metavar="DATE", help="From this day on (2026-03-01)."),
    click.option("--until", callback=day, metavar="DATE", help="Up to this day."),
    click.option(
        "--tempo-range", callback=_tempi, metavar="LOW-HIGH",
        help="Backing tempo in BPM: 90-110, 90-, -110.",
    ),
    click.option(
        "--subdivision", metavar="NAME", help="Only takes that have some, like sixteenths."
    ),
    click.option("--tags", callback=_tags, metavar="A,B", help="Only takes with all these tags."),
)  # fmt: skip


def filter_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the filters; the command receives one `which`."""

    @wraps(command)
    def with_filter(**given: Any) -> Any:
        low, high = given.pop("tempo_range") or (None, None)
        which = Filter(
            player=given.pop("player"),
            tune=given.pop("tune"),
            since=given.pop("since"),
            until=given.pop("until"),
            tempo_low_bpm=low,
            tempo_high_bpm=high,
            subdivision=given.pop("subdivision"),
            tags=given.pop("tags"),
        )
        return command(which=which, **given)

    for option in reversed(_FILTERS):
        with_filter = option(with_filter)
    return with_filter


_ABOUT = (
    click.option("--player", metavar="NAME", help="Who plays."),
    click.option("--tune", metavar="NAME", help="What is played."),
    click.option(
        "--date", "day", callback=_day_or_none, metavar="DATE",
        help="When it was played (2026-03-01); without it the day of the file.",
    ),
    click.option("--tags", metavar="A,B", help="Words to find it by."),
    click.option("--note", metavar="TEXT", help="Anything to remember."),
)  # fmt: skip


def about_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds what is said of a take; the command receives one `about`."""

    @wraps(command)
    def with_about(**given: Any) -> Any:
        return command(about=_about(given), **given)

    for option in reversed(_ABOUT):
        with_about = option(with_about)
    return with_about


def _about(given: dict[str, Any]) -> About:
    """Takes what is said of a take out of `given`; an empty text clears what was said before."""
    said = {key: given.pop(key) for key in ("player", "tune", "day", "tags", "note")}
    return About(
        player=said["player"] or "",
        tune=said["tune"] or "",
        day=(said["day"] or "").strip() or None,
        tags=comma_list(said["tags"] or ""),
        note=said["note"] or "",
        cleared=frozenset(k for k, text in said.items() if text is not None and not text.strip()),
    )


def take_numbers(texts: tuple[str, ...]) -> tuple[int, ...]:
    """Numbers of takes as `improv log list` shows them; raises `UsageError`."""
    found = []
    for text in texts:
        digits = text.removeprefix("log:").removeprefix("#")
        if not digits.isascii() or not digits.isdigit() or not 0 < int(digits) < math.inf:
            raise UsageError(f"'{text}' is not the number of a take; see 'improv log list'")
        if int(digits) >= 2**63:
            raise UsageError(f"there is no take {text}; see 'improv log list'")
        found.append(int(digits))
    return tuple(dict.fromkeys(found))
