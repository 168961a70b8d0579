"""Writes the golden documents: what improv says of each example take today.

    python tests/regen_golden.py [DIRECTORY]

Run it when an answer is meant to change; read the difference before it is committed, and
say in the changelog which number moved and why.
"""

from __future__ import annotations

import sys
from pathlib import Path

from improv import Reading, analyze, parse_meter, read_take
from improv.document import json_text

TESTS = Path(__file__).resolve().parent
EXAMPLES = TESTS.parent / "examples"
GOLDEN = TESTS / "golden"

READINGS = {
    "benno-drags": Reading(count_in_bars=1),
    "ilka-holds": Reading(count_in_bars=1),
    "juno-swings": Reading(count_in_bars=1),
    "oda-nine": Reading(count_in_bars=1, meter=parse_meter("2+2+2+3/8")),
    "tarek-floats": Reading(count_in_bars=1),
}


def golden_text(name: str) -> str:
    """The document of one example, named without its folder so that it is the same everywhere."""
    path = EXAMPLES / f"{name}.mid"
    return json_text(analyze(read_take(path, READINGS[name]))).replace(str(path), path.name) + "\n"


def regenerate(directory: Path) -> None:
    """Write the golden document of every example."""
    directory.mkdir(parents=True, exist_ok=True)
    for name in READINGS:
        (directory / f"{name}.json").write_text(golden_text(name), encoding="utf-8")


if __name__ == "__main__":
    regenerate(Path(sys.argv[1]) if len(sys.argv) > 1 else GOLDEN)
