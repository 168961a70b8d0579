"""The direction of imports: every module has a floor, and looks only down."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import improv

PACKAGE = Path(improv.__file__).parent

FLOORS: tuple[tuple[str, ...], ...] = (
    ("errors",),
    ("meter",),
    ("settings", "take", "model", "grid"),
    ("tempo", "stats", "counting", "gridlines", "memory", "likeness"),
    ("accent", "strokes", "ornaments", "events", "phrases", "lattice", "layout", "free",
     "free_runs", "frame", "chain", "hand", "scene", "lean", "nearby", "learn", "graces", "choose",
     "heed", "settle", "fit", "within", "runs", "landing", "swing", "doubts", "summaries",
     "stories", "places", "start", "tempo_fit", "premise"),
    ("analysis", "synth", "synth_*", "attempts", "cells", "chance", "material", "measures",
     "sandwich", "rare", "contrasts", "compare"),
    ("files", "smf", "midi_*", "midi"),
    ("held", "scatter", "practice", "practice_steps", "practice_words", "wording", "headline",
     "sentences", "tables", "document", "report", "compare_figures", "compare_report",
     "compare_data", "safety", "safety_fit", "safety_kinds", "safety_lately", "safety_share",
     "safety_report", "spreadsheet"),
    ("assignments", "assignments.*", "listening", "listening.*", "log", "log.*", "log_report",
     "pages", "pages.*", "pictures", "pictures.*", "sound", "sound.*"),
    ("commands", "commands.*", "cli", "__main__"),
)  # fmt: skip
"""From the ground up. A module may import its own floor (without a circle) and those below."""

CORE_FLOORS = 6
"""The lowest floors: numpy and the standard library only; no files, no printing."""
CORE_LIBRARIES = {"numpy", "improv"} | set(sys.stdlib_module_names) - {
    "io", "os", "pathlib", "shutil", "tempfile", "subprocess", "socket", "sys", "time",
}  # fmt: skip
HOMES = {"click": ("cli", "commands"), "matplotlib": ("pictures",), "textwrap": ("tables",)}
"""Libraries that only some modules may know."""


def modules() -> dict[str, ast.Module]:
    """Every module of the package by its dotted name below `improv`."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        found[name.removesuffix(".__init__")] = ast.parse(path.read_text(encoding="utf-8"))
    return {name: tree for name, tree in found.items() if name != "__init__"}


MODULES = modules()


def floor_of(name: str) -> int:
    """The floor a module stands on; the highest for one that was given none."""
    for floor, members in enumerate(FLOORS):
        for member in members:
            if name == member or (member.endswith("*") and name.startswith(member[:-1])):
                return floor
    return len(FLOORS)


def imported(tree: ast.Module) -> set[str]:
    """Dotted names of everything a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide where code lives"
            if node.module == "improv":
                names |= {f"improv.{alias.name}" for alias in node.names}
            else:
                names.add(node.module or "")
    return names


def own(names: set[str]) -> set[str]:
    """Of imported names, the modules of this package, below `improv`."""
    own_names = {name.removeprefix("improv.") for name in names if name.startswith("improv.")}
    return {n if n in MODULES else n.rpartition(".")[0] or n for n in own_names}


def test_the_package_is_found() -> None:
    """The checks below look at real modules, the lowest and the highest among them."""
    assert {"errors", "model", "cli", "commands.analyze"} <= set(MODULES)


def test_every_module_has_a_floor() -> None:
    """A new module is given its place in `FLOORS` before it is used."""
    assert [name for name in MODULES if floor_of(name) == len(FLOORS)] == []


@pytest.mark.parametrize("name", MODULES)
def test_imports_run_down(name: str) -> None:
    """No module imports one from a floor above its own."""
    above = [n for n in own(imported(MODULES[name])) if floor_of(n) > floor_of(name)]
    assert above == []


def test_no_circles() -> None:
    """Modules of one floor never import each other in a circle."""
    needs = {name: own(imported(tree)) - {name} for name, tree in MODULES.items()}
    while free := [name for name, needed in needs.items() if not needed & set(needs)]:
        for name in free:
            del needs[name]
    assert needs == {}


@pytest.mark.parametrize("name", [n for n in MODULES if floor_of(n) < CORE_FLOORS])
def test_the_core_knows_numpy_and_nothing_else(name: str) -> None:
    """Core modules import numpy and the harmless part of the standard library only."""
    foreign = {n.partition(".")[0] for n in imported(MODULES[name])} - CORE_LIBRARIES
    assert foreign == set()


@pytest.mark.parametrize("name", [n for n in MODULES if floor_of(n) < CORE_FLOORS])
def test_the_core_opens_and_prints_nothing(name: str) -> None:
    """Core modules call neither `open` nor `print`."""
    calls = {
        node.func.id
        for node in ast.walk(MODULES[name])
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input"}


@pytest.mark.parametrize("library", HOMES)
def test_libraries_stay_at_home(library: str) -> None:
    """Only commands know click, only the pictures matplotlib, one module breaks lines."""
    users = {
        name
        for name, tree in MODULES.items()
        if library in {n.partition(".")[0] for n in imported(tree)}
    }
    assert {u for u in users if not u.startswith(HOMES[library])} == set()


def modules_after(code: str) -> set[str]:
    """Modules loaded in a fresh interpreter that ran `code`."""
    script = f"import json, sys\n{code}\nprint(json.dumps(sorted(sys.modules)))"
    environment = {**os.environ, "PYTHONPATH": str(PACKAGE.parent)}
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, env=environment, check=True
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def loaded_after(code: str) -> set[str]:
    """Top-level ones of them, but for what this interpreter loads by itself (`sitecustomize`)."""
    own = modules_after("pass")
    return {name.partition(".")[0] for name in modules_after(code) - own}


def test_importing_improv_is_light() -> None:
    """`import improv`, and even its main calls, load neither click nor matplotlib."""
    loaded = loaded_after("import improv\nimprov.read_take, improv.analyze, improv.Settings")
    assert "numpy" in loaded
    assert not loaded & {"click", "matplotlib", "scipy", "pretty_midi"}


def test_the_analyze_command_is_light() -> None:
    """A take is analyzed and told with numpy and click alone, whatever else is installed."""
    take = Path(__file__).resolve().parent.parent / "examples" / "oda-nine.mid"
    call = f"cli(['analyze', {str(take)!r}, '--count-in', '1'], standalone_mode=False)"
    loaded = loaded_after(f"from improv.cli import cli\n{call}")
    plain = {name for name in loaded if not name.startswith("_")}
    assert plain - set(sys.stdlib_module_names) == {"click", "improv", "numpy"}


def test_what_analyze_loads_is_what_the_developers_are_told() -> None:
    """numpy and click, and of the features no more than the words that the log's options know."""
    take = str(Path(__file__).parent.parent / "examples" / "ilka-holds.mid")
    loaded = modules_after(
        "from click.testing import CliRunner\nfrom improv.cli import cli\n"
        f"assert CliRunner().invoke(cli, ['analyze', {take!r}]).exit_code == 0"
    )
    ours = {name.removeprefix("improv.") for name in loaded if name.startswith("improv.")}
    features = {n.partition(".")[0] for n in ours if floor_of(n) == floor_of("log")}
    assert features == {"log"}
    assert {"numpy", "click"} <= loaded
    assert not loaded & {"mido", "sqlite3", "platformdirs", "tomlkit", "jinja2", "matplotlib"}


def test_what_improv_exports_exists() -> None:
    """Every exported name can be fetched, and no other."""
    assert all(getattr(improv, name) is not None for name in improv.__all__)
    assert sorted(improv.__all__) == improv.__all__
    with pytest.raises(AttributeError, match="no attribute 'analyse'"):
        improv.analyse  # noqa: B018


@pytest.mark.skipif("IMPROV_TEST_WHEEL" not in os.environ, reason="only where a wheel is tested")
def test_the_installed_package_is_tested() -> None:
    """In the continuous check, what is tested is the installed wheel and not the checkout."""
    assert "site-packages" in PACKAGE.parts
