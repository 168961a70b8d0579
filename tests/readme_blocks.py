"""The commands of a page of documentation: found, run, compared, and brought up to date.

A ```console block holds lines that begin with `$ ` and, below each, what it prints. A
```bash block holds set-up commands, one to a line, that are not compared. Needs nothing
but the standard library, so that the continuous check can run it anywhere:

    python tests/readme_blocks.py check README.md     run console blocks, show differences
    python tests/readme_blocks.py update README.md    write what they print now
    python tests/readme_blocks.py bash README.md      print the set-up commands
"""

from __future__ import annotations

import difflib
import os
import re
import subprocess
import sys
from pathlib import Path

FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(page: str, kind: str) -> list[str]:
    """The bodies of the fenced blocks of one kind."""
    return [body for called, body in FENCE.findall(page) if called == kind]


def sessions(body: str) -> list[tuple[str, str]]:
    """The commands of a console block, each with the output below it."""
    pieces = re.split(r"^\$ ", body, flags=re.MULTILINE)
    assert pieces[0] == "", "a console block begins with a command"
    return [(command, output) for command, _, output in (p.partition("\n") for p in pieces[1:])]


def run(command: str, directory: Path) -> str:
    """What a command prints, errors included, with this Python's own programs found first.

    Where improv is not installed but lies in the directory, that one is meant.
    """
    programs = Path(sys.executable).parent
    environment = {**os.environ, "PATH": f"{programs}{os.pathsep}{os.environ['PATH']}"}
    if not (programs / "improv").exists():
        command = f'improv() {{ python -m improv "$@"; }}\n{command}'
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=directory,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    return done.stdout


def refreshed(page: str, directory: Path) -> str:
    """The page with every console block showing what its commands print now."""

    def fresh(match: re.Match[str]) -> str:
        kind, body = match.groups()
        if kind != "console":
            return match[0]
        shown = [f"$ {command}\n{run(command, directory)}" for command, _ in sessions(body)]
        return f"```console\n{''.join(shown)}```"

    return FENCE.sub(fresh, page)


def main(task: str, name: str) -> int:
    """Carry out one task on one page; 1 where the page is out of date."""
    path = Path(name)
    page = path.read_text(encoding="utf-8")
    if task == "bash":
        sys.stdout.write("".join(blocks(page, "bash")))
        return 0
    fresh = refreshed(page, path.resolve().parent)
    if task == "update":
        path.write_text(fresh, encoding="utf-8")
        return 0
    lines = difflib.unified_diff(page.splitlines(), fresh.splitlines(), name, "now", lineterm="")
    difference = "\n".join(lines)
    sys.stdout.write(difference or f"{name}: every command prints what the page shows.\n")
    return 1 if difference else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
