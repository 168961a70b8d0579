"""The notated rhythms of each split, from the committed files and the installed music21.

Folk songs of the Essen collection may be used but not freely passed on, so their rhythms are
read from the installed music21 when wanted, and kept in an untracked folder beside this file.
"""

from __future__ import annotations

import json
from pathlib import Path

from benchmarks.corpus import DATA, Tune, from_json, to_json, write_lines
from benchmarks.extract import extract_folk

CACHE = Path(__file__).parent / ".cache"


def load_tunes(split: str, folk: bool = True) -> tuple[Tune, ...]:
    """The tunes of `tune` or `report`; with `folk`, those read from the installed music21 too."""
    rows = json.loads((DATA / f"rhythms_{split}.json").read_text(encoding="utf-8"))
    tunes = tuple(from_json(row) for row in rows)
    return tunes + (folk_tunes(split) if folk else ())


def folk_tunes(split: str) -> tuple[Tune, ...]:
    """Essen folk songs of a split, from the installed music21 (about 20 s the first time)."""
    path = CACHE / f"folk_{split}.json"
    if not path.exists():
        CACHE.mkdir(exist_ok=True)
        (CACHE / ".gitignore").write_text("*\n", encoding="utf-8")
        for name, tunes in extract_folk().items():
            write_lines(CACHE / f"folk_{name}.json", [to_json(t) for t in tunes])
    return tuple(from_json(row) for row in json.loads(path.read_text(encoding="utf-8")))
