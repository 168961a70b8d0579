"""Takes that start in the count-in: told, and not judged where they fit far better without it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from core_takes import LEAD_SEC, scattered, take_of

from improv.cli import cli
from improv.midi_write import write_take
from improv.tempo import constant_tempo

TURNS = (
    'tempo = 96\ncount-in = 1\n[[section]]\nbars = "1-8"\nalternate = ["eighths", "half notes"]\n'
)
LONG, SHORT = [0.0, 2.0], [i / 2 for i in range(8)]


def checked(folder: Path, bars: list[list[float]], text: str = TURNS, *options: str) -> str:
    """What a check says of bars of beats, the first of them at the start of the file."""
    path, file = folder / "week.toml", folder / "ada.mid"
    path.write_text(text)
    beats = np.concatenate([4.0 * i + np.array(bar) for i, bar in enumerate(bars)])
    late = scattered(len(beats), 8.0, 3)
    take = take_of(beats, 96.0, late_ms=late + 30.0 - 1000.0 * LEAD_SEC)
    write_take(replace(take, tempo_map=constant_tempo(96.0)), file)
    return " ".join(
        CliRunner().invoke(cli, ["check", str(path), str(file), *options]).stdout.split()
    )


def test_a_take_without_the_count_in_is_not_judged(tmp_path: Path) -> None:
    """Right turns from the start of the file, read a bar late: the count-in is in doubt."""
    text = checked(tmp_path, [SHORT, LONG] * 4)
    assert "Not judged: the playing starts in the count-in, and with no count-in it fits" in text
    assert "say count-in = 0 (or --count-in 0)" in text
    assert "not met" not in text
    assert ": met (1 met)" in checked(tmp_path, [SHORT, LONG] * 4, TURNS, "--count-in", "0")


def test_one_bar_of_two_is_told_as_one(tmp_path: Path) -> None:
    """Where one bar of a count-in of two was left out, one is what is proposed."""
    two = TURNS.replace("count-in = 1", "count-in = 2")
    text = checked(tmp_path, [[], *[SHORT, LONG] * 4], two)
    assert "with a count-in of 1 bar it fits" in text
    assert "say count-in = 1 (or --count-in 1)" in text


@pytest.mark.parametrize(
    ("bars", "state"),
    [
        ([LONG, *[SHORT, LONG] * 4], "met (1 met)"),
        # Wrong either way: the player is told, not excused.
        ([SHORT] * 9, "not met (1 not met)"),
    ],
)
def test_playing_through_the_count_in_is_judged_with_a_note(
    bars: list[list[float]], state: str, tmp_path: Path
) -> None:
    """What fits no better without the count-in is judged with it."""
    text = checked(tmp_path, bars)
    assert f"Assignment: {state}" in text
    assert "Note: The playing starts in the count-in; if there was none, say count-in = 0" in text


def test_an_upbeat_is_no_playing_in_the_count_in(tmp_path: Path) -> None:
    """Two eighths before bar 1 lead into it."""
    text = checked(tmp_path, [[3.0, 3.5], *[SHORT, LONG] * 4])
    assert "Assignment: met" in text
    assert "count-in" not in text
