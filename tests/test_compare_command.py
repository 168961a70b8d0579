"""`improv compare`: what a class, two players, and doubtful takes are told."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchmarks.histories import Player, Side
from improv.cli import cli
from improv.commands.comparing import class_text
from improv.compare import NO_DIFFERENCE, Comparison, compare_sets
from improv.log.store import Log
from tests.log_material import entry_of, history

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
STEADY = Player(day_wander=0.03, take_wander=0.03, phrase_wander=0.1, off_grid=0.02)


def run(*words: object) -> Result:
    """One call of `improv compare`."""
    return CliRunner().invoke(cli, ["compare", *map(str, words)], catch_exceptions=False)


def with_chance(probability: float) -> Comparison:
    """A comparison in which one change alone can be shown, with this chance."""
    found = compare_sets(*history(1, Side(8), Side(8, spread_times=0.65), STEADY))
    assert found.clearest is not None
    clearest = replace(found.clearest, probability=probability)
    findings = tuple(
        clearest if f is found.clearest else replace(f, verdict=NO_DIFFERENCE, probability=1.0)
        for f in found.findings
    )
    return replace(found, findings=findings, clearest=clearest)


def test_a_class_says_how_chance_is_counted() -> None:
    """What stands of one player and not among three is said to, with both chances."""
    each: list[tuple[str, Comparison | str]] = [
        ("Ana", with_chance(0.03)), ("Ben", with_chance(0.001)), ("Cleo", with_chance(0.9)),
        ("Dov", "nothing to compare over time: only one take was found"),
    ]  # fmt: skip
    text = class_text(each, "text")
    assert max(map(len, text.splitlines())) <= 80
    said = " ".join(text.split())
    assert "Every chance is multiplied by the number of players compared, three, " in said
    assert "Ana: no change can be shown among three players; of this player alone, " in said
    assert "(chance 3.0 %, here 9.0 %)." in said
    assert "Ben: the clearest change: " in said
    assert said.endswith("Dov: nothing to compare over time: only one take was found.")


def test_a_class_of_one_is_one_player() -> None:
    """Nothing is multiplied, and nothing is said of it."""
    text = class_text([("Ana", with_chance(0.03))], "text")
    assert "multiplied" not in text and "the clearest change" in text


def test_takes_of_different_players_are_said_to_be(tmp_path: Path) -> None:
    """Before anything is called better; not where one player is spelt in two ways."""
    log = tmp_path / "log.db"
    with Log.open(log, create=True) as kept:
        kept.add_many([entry_of(i, name) for i, name in enumerate(("Ana", "ANA", "Ben", ""))])
    words = "The takes are by different players (Ana and Ben): what follows tells how they differ"
    done = run("log:1", "log:3", "--log", log)
    assert " ".join(done.stdout.split()).startswith(words) and done.stderr == ""
    assert max(map(len, done.stdout.splitlines())) <= 80
    told = json.loads(run("log:1", "log:3", "--log", log, "--format", "json").stdout)
    assert [text.startswith(words) for text in told["warnings"]] == [True]
    as_csv = run("log:1", "log:3", "--log", log, "--format", "csv")
    assert as_csv.stdout.startswith("subdivision,") and as_csv.stderr.startswith(words)
    for other in ("log:2", "log:4"):
        assert run("log:1", other, "--log", log).stdout.startswith("Before: ")
        told = json.loads(run("log:1", other, "--log", log, "--format", "json").stdout)
        assert told["warnings"] == []


def test_a_wrong_tempo_is_warned_of(tmp_path: Path) -> None:
    """What `analyze` warns of, a comparison of the same files does."""
    take = tmp_path / "a.mid", tmp_path / "b.mid"
    for path in take:
        shutil.copy(EXAMPLES / "tarek-floats.mid", path)
    done = run(*take, "--tempo", 80, "--format", "json")
    for path in take:
        words = ("analyze", str(path), "--tempo", "80", "--format", "json")
        told = CliRunner().invoke(cli, words).stderr
        assert told.startswith("Warning: ") and told in done.stderr
    said = [line.removeprefix("Warning: ") for line in done.stderr.splitlines()]
    assert json.loads(done.stdout)["warnings"] == said


@pytest.mark.parametrize(
    ("option", "value", "instead"),
    [
        ("--tempo", "80", "--tempo-range"),
        ("--subdivisions", "eighths", "--subdivision "),
        ("--bars", "1-4", "log add FILE --replace"),
        ("--count-in", "3", "log add FILE --replace"),
        ("--track", "x", "log add FILE --replace"),
        ("--backing", EXAMPLES / "blues-backing.mid", "log add FILE --replace"),
    ],
)
@pytest.mark.parametrize("takes", [("--player", "Bo"), ("log:1", "log:2"), ("--class",)])
def test_takes_of_the_log_are_not_read_anew(
    takes: tuple[str, ...], option: str, value: object, instead: str
) -> None:
    """An option about files that would change nothing is refused, and what does it is named."""
    result = run(*takes, option, value, "--log", "none.db")
    assert result.exit_code == 2 and result.stdout == ""
    told = " ".join(result.stderr.split())
    assert f"{option} says how a file is read" in told and instead in told


def test_a_file_beside_takes_of_the_log_is_read_as_said(tmp_path: Path) -> None:
    """Where one side is a file, options about files have something to say."""
    log = tmp_path / "a.db"
    with Log.open(log, create=True) as made:
        made.add(entry_of(1))
    result = run("log:1", EXAMPLES / "ilka-holds.mid", "--tempo", "90", "--log", log)
    assert result.exit_code == 0


def test_a_picture_of_two_players_names_them(tmp_path: Path) -> None:
    """Before and after are whose they are; one player's picture bears one name."""
    log = tmp_path / "log.db"
    with Log.open(log, create=True) as kept:
        kept.add_many([entry_of(i, name) for i, name in enumerate(("Ana", "ANA", "Ben", ""))])
    for takes, title in (
        (("log:1", "log:3"), "Before (Ana) and after (Ben)"),
        (("log:1", "log:2"), "Ana: before and after"),
        (("log:1", "log:4"), "Before (Ana) and after"),
    ):
        picture = tmp_path / "two.svg"
        assert run(*takes, "--log", log, "--plot", picture).exit_code == 0
        assert f">{title}<" in picture.read_text()
