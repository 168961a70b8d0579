"""`improv plot`: files written, pages picked, refusals in one line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from pictures_made import eighths, floating, picture

from improv.cli import cli
from improv.midi import write_take

PNG, PDF = b"\x89PNG", b"%PDF"


@pytest.fixture
def take(tmp_path: Path) -> str:
    """A take of five bars as a MIDI file."""
    path = tmp_path / "solo.mid"
    write_take(floating().take, path)
    return str(path)


@pytest.fixture
def long_take(tmp_path: Path) -> str:
    """Eighty bars of eighths."""
    path = tmp_path / "long.mid"
    write_take(picture(eighths(640)).take, path)
    return str(path)


def plot(*args: str) -> Result:
    """Runs the command and returns what came of it."""
    return CliRunner().invoke(cli, ["plot", *args])


def one_line(result: Result, status: int) -> str:
    """The single line of an error, after its exit status was checked."""
    assert result.exit_code == status, result.output
    assert result.stdout == ""
    errors = [line for line in result.stderr.splitlines() if line.startswith("Error:")]
    assert len(errors) == 1 and "Traceback" not in result.output
    return errors[0]


@pytest.mark.parametrize(("suffix", "head"), [("png", PNG), ("pdf", PDF), ("SVG", b"<?xml")])
@pytest.mark.parametrize("kind", ["chart", "beat", "tempo", "spread"])
def test_every_kind_in_every_form(
    take: str, tmp_path: Path, suffix: str, head: bytes, kind: str
) -> None:
    """The file is what its name says; its name is printed."""
    output = tmp_path / f"out.{suffix}"
    result = plot(take, "--kind", kind, "--output", str(output))
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == [str(output)]
    assert output.read_bytes().startswith(head)


def test_several_pages_are_numbered(long_take: str, tmp_path: Path) -> None:
    """Eighty bars take three pages: three images, or one PDF."""
    result = plot(long_take, "--output", str(tmp_path / "out.svg"))
    names = [str(tmp_path / f"out-{i}.svg") for i in (1, 2, 3)]
    assert result.stdout.splitlines() == names
    assert all(Path(name).exists() for name in names) and not (tmp_path / "out.svg").exists()
    plot(long_take, "--output", str(tmp_path / "out.pdf"))
    assert b"/Count 3" in (tmp_path / "out.pdf").read_bytes()


def test_one_page_is_picked(long_take: str, tmp_path: Path) -> None:
    """--page 2 writes the second page under the name given; --page 4 does not exist."""
    output = tmp_path / "out.svg"
    assert plot(long_take, "--output", str(output), "--page", "2").exit_code == 0
    assert "page 2 of 3" in output.read_text()
    error = one_line(plot(long_take, "--output", str(output), "--page", "4"), 2)
    assert "page 4 does not exist: there are 3 pages" in error


def test_bars_and_bars_to_a_line(long_take: str, tmp_path: Path) -> None:
    """--bars draws these bars only, --per-line cuts them into lines."""
    output = tmp_path / "out.svg"
    result = plot(long_take, "--bars", "9-16", "--per-line", "2", "--output", str(output))
    assert result.exit_code == 0, result.output
    text = output.read_text()
    assert ">16<" in text and ">17<" not in text and ">8<" not in text


def test_paper_sets_the_size(take: str, tmp_path: Path) -> None:
    """Letter is 612 points wide (8.5 inches), 254 mm are 720."""
    for paper, width in (("letter", 612.0), ("254x200", 720.0)):
        output = tmp_path / "out.svg"
        assert plot(take, "--paper", paper, "--output", str(output)).exit_code == 0
        drawn = output.read_text().split(' width="')[1]
        assert float(drawn.split("pt")[0]) == pytest.approx(width, abs=0.1)


def test_several_kinds_make_one_document(take: str, tmp_path: Path) -> None:
    """Kinds follow each other in the order asked for, each once."""
    output = tmp_path / "out.pdf"
    kinds = ["--kind", "tempo", "--kind", "chart", "--kind", "tempo"]
    assert plot(take, *kinds, "--output", str(output)).exit_code == 0
    assert b"/Count 2" in output.read_bytes()


def test_spread_takes_several_takes(take: str, long_take: str, tmp_path: Path) -> None:
    """Two takes share a spread; a chart shows one."""
    output = tmp_path / "out.svg"
    assert plot(take, long_take, "--kind", "spread", "--output", str(output)).exit_code == 0
    assert "2 takes" in output.read_text()
    error = one_line(plot(take, long_take, "--output", str(tmp_path / "x.png")), 2)
    assert "only the spread can be drawn: add --kind spread" in error


@pytest.mark.parametrize("name", ["out.jpg", "out", "out.", "out.png.bak"])
def test_an_unknown_ending_is_refused_before_anything_is_read(take: str, name: str) -> None:
    """Wrong use: exit status 2 and the endings there are."""
    error = one_line(plot(take, "--output", name), 2)
    assert "must end in .png, .svg or .pdf" in error
    assert not os.path.exists(name)


def test_an_unwritable_place_is_one_line(take: str, tmp_path: Path) -> None:
    """A missing folder and a folder in the file's place: exit status 1, nothing written."""
    error = one_line(plot(take, "--output", str(tmp_path / "none" / "out.png")), 1)
    assert "its directory does not exist" in error
    (tmp_path / "dir.png").mkdir()
    assert "is a directory" in one_line(plot(take, "--output", str(tmp_path / "dir.png")), 1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dir.png", "solo.mid"]


def test_of_several_pages_all_are_written_or_none(long_take: str, tmp_path: Path) -> None:
    """A folder stands where page 2 should go: page 1 is not left behind."""
    (tmp_path / "out-2.png").mkdir()
    one_line(plot(long_take, "--output", str(tmp_path / "out.png")), 1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["long.mid", "out-2.png"]


def test_nothing_to_draw_is_one_line(take: str, tmp_path: Path) -> None:
    """Bars without notes: exit status 1 and what the take has."""
    output = tmp_path / "out.png"
    error = one_line(plot(take, "--bars", "90-95", "--output", str(output)), 1)
    assert "no notes in the bars asked for" in error
    assert not output.exists()


def test_a_take_is_never_drawn_over(tmp_path: Path) -> None:
    """A take that is called .svg is refused as output."""
    path = tmp_path / "solo.svg"
    write_take(floating().take, path)
    before = path.read_bytes()
    assert "never overwritten" in one_line(plot(str(path), "--output", str(path)), 2)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "args", [["--paper", "a9"], ["--per-line", "0"], ["--kind", "pie"], ["--page", "0"]]
)
def test_values_that_make_no_sense_are_wrong_use(take: str, args: list[str]) -> None:
    """Exit status 2, as for every wrong option."""
    result = plot(take, "--output", "never.png", *args)
    assert result.exit_code == 2 and not os.path.exists("never.png")


def test_help_shows_examples_and_kinds() -> None:
    """The help names every kind and how pages are numbered."""
    text = plot("--help").output
    assert "improv plot solo.mid --tempo 96 --output solo.pdf" in text
    assert all(f"  {kind} " in text for kind in ("chart", "beat", "tempo", "spread"))
    assert "FILE-1.png" in text
