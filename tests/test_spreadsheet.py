"""What is harmless in a spreadsheet, in every CSV there is."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from improv.cli import cli
from improv.spreadsheet import csv_of
from tests.log_material import take_file

FORMULAS = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "=cmd|' /C calc'!A0", "-", "+x"]
HARMLESS = ["Ana", "a=1", "'=1", "", " ", "& of 2", "-1.5", "+2", "-0.0001", "-1e-5", "16ths"]


@pytest.mark.parametrize("word", FORMULAS)
def test_a_formula_becomes_a_word(word: str) -> None:
    """An apostrophe goes before what a spreadsheet would work out."""
    assert csv_of([[word]]).strip('"\n').startswith(f"'{word[0]}")


@pytest.mark.parametrize("word", HARMLESS)
def test_other_words_stay(word: str) -> None:
    """Words, and numbers whether below zero or not, are written as they are."""
    assert csv_of([[word, "x"]]) == f"{word},x\n"


def test_numbers_and_gaps() -> None:
    """A number is a number, what is not known an empty field; every row ends its line."""
    assert csv_of([("a", "b", "c"), (-1.5, None, -3)]) == "a,b,c\n-1.5,,-3\n"


def test_every_csv_is_guarded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Analyses, checks and the log write the name of a file that is a formula as a word."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("IMPROV_LOG", str(tmp_path / "log.db"))
    (tmp_path / "week.toml").write_text('tempo = 96\n[[section]]\nbars = "1-"\nleast-notes = 1\n')
    for name in ("=1+1.mid", "b.mid"):
        take_file(tmp_path, name)

    def run(*words: str) -> str:
        return CliRunner().invoke(cli, words).stdout

    assert "\n'=1+1.mid," in run("analyze", "=1+1.mid", "b.mid", "--start", "1", "--format", "csv")
    assert "\n'=1+1.mid," in run(
        "check", "week.toml", "=1+1.mid", "--start", "1", "--format", "csv"
    )  # fmt: skip
    for day in (1, 5, 9):
        take_file(tmp_path, f"{day}.mid", day)
        player = ("--player", "=Ana", "--date", f"2026-03-0{day}")
        assert "kept" in run("log", "add", f"{day}.mid", "--start", "1", *player)
    assert ",'=Ana," in run("log", "export", "-", "--format", "csv")
    assert "\n'=Ana," in run("compare", "--class", "--format", "csv")
