"""The `improv` command: finds the command asked for, and turns refusals into exit statuses.

Exit statuses: 0 fine; 1 something could not be read, judged or written; 2 wrong use.
Commands are modules of `improv.commands`, loaded when they are called, so that
`improv analyze` never waits for a picture library.
"""

from __future__ import annotations

import io
import sys
from importlib import import_module
from typing import Any

import click

import improv
from improv.commands import COMMANDS
from improv.errors import ImprovError, OutputError
from improv.files import printable


class Refusal(click.ClickException):
    """An `ImprovError` on its way out: one line on stderr and the error's own exit status."""

    def __init__(self, error: ImprovError) -> None:
        super().__init__(printable(str(error)))
        vars(self)["exit_code"] = error.exit_status


class _ClosedOutput(io.TextIOBase):
    """A standard output that was closed before the program began: it refuses every word."""

    def write(self, text: str) -> int:
        """Raises `Refusal`, in place of the words."""
        raise Refusal(OutputError("standard output cannot be written (it is closed)"))


class ImprovGroup(click.Group):
    """A group that loads its commands by name and translates errors in one place."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Every command, in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command's own module, imported now and not before."""
        if cmd_name not in COMMANDS:
            return None
        command = import_module(COMMANDS[cmd_name]).command
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what improv or the system refuses becomes one line on stderr."""
        try:
            return super().invoke(ctx)
        except ImprovError as error:
            raise Refusal(error) from error
        except EOFError as error:  # click would take it for Ctrl-D and say nothing but "Aborted!"
            raise RuntimeError("a file's end was met where nobody expected it") from error
        except BrokenPipeError:  # `improv ... | head`: click ends quietly
            raise
        except OSError as error:
            where = f"{printable(str(error.filename))}: " if error.filename else ""
            raise click.ClickException(f"{where}{error.strerror or error}") from error


EPILOG = """
\b
Examples:
  improv analyze solo.mid --tempo 96
  improv analyze solo.mid --tempo 120 --meter 2+2+2+3/8 --count-in 1
  improv analyze monday/*.mid --backing blues.mid --format json

'improv COMMAND --help' tells more about each command.
"""


@click.group(
    cls=ImprovGroup,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.version_option(improv.__version__, prog_name="improv")
def cli() -> None:
    """Hear which subdivision a recorded solo is on.

    improv reads a solo recorded as MIDI over a known tempo and tells, phrase by
    phrase, which subdivision was played, how far the notes stray from it, and where
    fast runs fall off every grid.
    """


def main() -> None:
    """Run the command line; never fail on what a terminal's encoding cannot show."""
    if sys.stdout is None:  # closed (`>&-`): what cannot be written must not pass for done
        sys.stdout = _ClosedOutput()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    cli(prog_name="improv")
