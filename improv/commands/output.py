"""Where results go: standard output or a file written whole, and progress on a terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from types import TracebackType
from typing import Self, TextIO

import click

from improv.document import all_warnings
from improv.errors import OutputError, UsageError
from improv.files import printable, reason, shown, write_text
from improv.model import Analysis

_LINE_COLUMNS = 79


def refuse_overwriting(
    output: str | None, inputs: Iterable[str | None], what: str = "take"
) -> None:
    """Raises `UsageError` where the result would replace a file it is made from, a `what`."""
    if output is None or output == "-" or not os.path.exists(output):
        return
    for path in filter(None, inputs):
        if os.path.exists(path) and os.path.samefile(path, output):
            raise UsageError(
                f"{shown(output)}: this is the {what} itself, and {_a(what)} is never overwritten; "
                "give --output another name"
            )


def refuse_existing(output: str | None, overwrite: bool, otherwise: str = "") -> None:
    """Raises `UsageError` where a result would replace a file and `--overwrite` was not said.

    `otherwise` names another way out, where there is one.
    """
    if output and output != "-" and os.path.isfile(output) and not overwrite:
        raise UsageError(f"{shown(output)}: exists already; --overwrite replaces it{otherwise}")


def _a(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


class Out:
    """Takes text piece by piece: to standard output at once, or to a file when all is done."""

    def __init__(self, output: str | None) -> None:
        self._output = None if output == "-" else output
        self._pieces: list[str] = []

    def write(self, text: str) -> None:
        """Adds a piece; raises `OutputError` when standard output cannot take it."""
        if self._output is not None:
            self._pieces.append(text)
            return
        try:
            click.echo(text, nl=False)
        except BrokenPipeError:
            raise
        except OSError as error:
            _let_go_of_stdout()
            raise OutputError(f"standard output cannot be written ({reason(error)})") from error

    def close(self) -> None:
        """Writes the file, all of it or nothing, if there is one and anything to write."""
        if self._output is not None and self._pieces:
            write_text(self._output, "".join(self._pieces))


def _let_go_of_stdout() -> None:
    """Points standard output nowhere, so that no second failure follows at exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def say(text: str) -> None:
    """One line for the user beside the result, on standard error."""
    click.echo(text, err=True)


def say_warnings(analysis: Analysis) -> None:
    """What the reader and the analysis had to say of a take, on standard error."""
    for warning in all_warnings(analysis):
        say(f"Warning: {printable(analysis.take.name)}: {printable(warning)}")


class _Line:
    """One line on a terminal's standard error, written over and over; nothing anywhere else."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._shown = self._stream is not None and self._stream.isatty()
        self._line = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.clear()

    def _tell(self, line: str) -> None:
        if self._shown and line != self._line:
            self._stream.write(f"\r\x1b[K{line[:_LINE_COLUMNS]}")
            self._stream.flush()
            self._line = line

    def clear(self) -> None:
        """Takes the line away, before other lines are written."""
        if self._line:
            self._stream.write("\r\x1b[K")
            self._stream.flush()
            self._line = ""


class Progress(_Line):
    """Counts takes; says nothing of one alone. To go through `paths` is to count them."""

    def __init__(self, paths: Sequence[str] = (), stream: TextIO | None = None) -> None:
        super().__init__(stream)
        self._paths = paths

    def __iter__(self) -> Iterator[str]:
        for number, path in enumerate(self._paths, 1):
            self.count(number, len(self._paths), path)
            yield path

    def count(self, number: int, total: int, path: str = "") -> None:
        """Take `number` of `total`, the file at `path` if there is one."""
        if total > 1:
            name = f": {printable(os.path.basename(path))}" if path else ""
            self._tell(f"{number} of {total}{name}")


class ShareDone(_Line):
    """Tells how much of one long piece of work is done."""

    def __init__(self, doing: str, stream: TextIO | None = None) -> None:
        super().__init__(stream)
        self._doing = doing

    def __call__(self, share: float) -> None:
        """`share` of the work is done, 0 to 1."""
        self._tell(f"{self._doing}: {int(100 * share)} %")
