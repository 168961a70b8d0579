"""The documentation is true: every command in it is run, every command is in it."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import readme_blocks
from click.testing import CliRunner

from improv.cli import cli
from improv.commands import COMMANDS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SESSIONS = [
    s for body in readme_blocks.blocks(README, "console") for s in readme_blocks.sessions(body)
]


@pytest.mark.parametrize(("command", "shown"), SESSIONS, ids=[c for c, _ in SESSIONS])
def test_readme_console_blocks(command: str, shown: str) -> None:
    """Each command of the README prints exactly what stands below it."""
    assert readme_blocks.run(command, ROOT) == shown


def test_readme_shows_commands() -> None:
    """The README has console blocks, and exactly the two set-up commands."""
    assert len(SESSIONS) >= 3
    assert len("".join(readme_blocks.blocks(README, "bash")).splitlines()) == 2


def test_readme_python_runs() -> None:
    """The library example prints the report, then a list of subdivisions and spreads."""
    (code,) = readme_blocks.blocks(README, "python")
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    report, _, values = done.stdout.rstrip().rpartition("\n")
    assert "What to practise" in report
    assert re.match(r"\[\('\w+', \d+\), ", values)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_documented(name: str) -> None:
    """A command has help with an example, and the README mentions it."""
    shown = CliRunner().invoke(cli, [name, "--help"])
    assert shown.exit_code == 0
    assert f"improv {name}" in shown.output.partition("Examples:")[2]
    assert f"improv {name}" in README


@pytest.mark.parametrize("arguments", [[], *[[name] for name in COMMANDS]])
def test_help_fits_80_columns(arguments: list[str]) -> None:
    """No line of any help text is longer than 80 columns."""
    shown = CliRunner().invoke(cli, [*arguments, "--help"], terminal_width=80)
    assert max(map(len, shown.output.splitlines())) <= 80


def test_every_module_is_on_the_developers_map() -> None:
    """DEVELOPERS.md names every module and every folder of the package."""
    found = [p for p in sorted((ROOT / "improv").iterdir()) if not p.name.startswith("__")]
    names = [f"{p.name}/" if p.is_dir() else p.name for p in found if p.suffix in ("", ".py")]
    assert "model.py" in names
    assert [name for name in names if f"`{name}`" not in DEVELOPERS] == []


FOLDERS = [p.parent for p in sorted((ROOT / "improv").glob("*/__init__.py"))]


@pytest.mark.parametrize("folder", FOLDERS, ids=[p.name for p in FOLDERS])
def test_every_module_is_on_its_folders_map(folder: Path) -> None:
    """The indented lines of a folder's `__init__.py` name each of its modules."""
    source = (folder / "__init__.py").read_text(encoding="utf-8")
    rows = " ".join(line for line in source.splitlines() if line.startswith("    "))
    modules = {p.stem for p in folder.glob("*.py")} - {"__init__"}
    assert modules
    missing = sorted(modules - set(re.findall(r"\w+", rows)))
    todo = f"add a line for each to the map in {folder.name}/__init__.py: name, what it does"
    assert missing == [], todo


def test_every_test_says_what_is_promised() -> None:
    """Each test of the suite has a docstring."""
    tests = [
        (path.name, node)
        for path in sorted(Path(__file__).parent.glob("test_*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]
    assert len(tests) > 1000
    silent = [f"{name}: {node.name}" for name, node in tests if not ast.get_docstring(node)]
    assert silent == [], "say in one sentence what each promises"


def test_every_dependency_has_its_reason() -> None:
    """DEVELOPERS.md says of every package and every extra what it is for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    asked = [*project["dependencies"], *(one for each in extras.values() for one in each)]
    names = {re.split(r"[<>=~!\[; ]", one)[0] for one in asked}
    table = DEVELOPERS.partition("## Dependencies")[2].partition("## Rules")[0]
    assert {"numpy", "music21"} <= names and "bench" in extras
    assert [name for name in sorted(names) if name not in table] == []
    assert [name for name in extras if name != "test" and f"extra `{name}`" not in table] == []


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_lead_somewhere(page: str) -> None:
    """Every relative link of a page leads to a file of the project."""
    text = (ROOT / page).read_text(encoding="utf-8")
    targets = [t for t in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in t]
    assert [t for t in targets if not (ROOT / t).exists()] == []


def test_out_of_date_output_is_noticed() -> None:
    """The checker itself fails on a page whose output has changed."""
    page = "```console\n$ echo one\ntwo\n```\n"
    assert readme_blocks.refreshed(page, ROOT) == "```console\n$ echo one\none\n```\n"
