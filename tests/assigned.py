"""Lines to play, and calls of `improv check`, for tests of assignments."""

from __future__ import annotations

from click.testing import CliRunner, Result

from improv.cli import cli
from improv.synth import FreeRun, Rest, Stretch

HOLDS = (Stretch("eighths", 32), Rest(2), Stretch("eighths", 30))
"""Eighths throughout."""
RUNS = tuple(p for _ in range(4) for p in (FreeRun((1 / 4.6,) * 9), Stretch("eighths", 6)))
"""Four runs off the grid, each back to eighths."""


def check(*arguments: object) -> Result:
    """`improv check`, in process."""
    return CliRunner().invoke(cli, ["check", *map(str, arguments)])
