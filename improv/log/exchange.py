"""Export and import in an open format: JSON lines beside the MIDI files.

An exported folder holds

    takes.jsonl     one take to a line: what is said of it, its settings, its analysis
    midi/*.mid      the takes (and backings) themselves, named by their SHA-256 digest

and is all an import needs. An import trusts nothing: a file must match its digest, an
analysis that is not sound is made again from the notes, and a take that is there already is
left alone. Takes come in by batches, each of them whole; an import cut short is simply
started again.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from improv.cells import from_document
from improv.counting import counted
from improv.errors import ImprovError, LogError, UsageError
from improv.files import AnyPath, beside, read_bytes, reason, shown
from improv.log.entries import About, Entry, Filter, Whole, parse_moment
from improv.log.kept_settings import settings_values
from improv.log.refresh import analyzed
from improv.log.store import Log
from improv.midi import LARGEST_FILE_BYTES

FORMAT = "improv practice log"
FORMAT_VERSION = 1
TAKES = "takes.jsonl"
MIDI = "midi"
LARGEST_LIST_BYTES = 2**31
BATCH = 50
WORDS = ("file_name", "player", "tune", "note", "added", "made_by", "made")
"""What is text in a line."""
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Imported:
    """How an import went: takes that are new, and those that were there already."""

    new: int
    known: int


def export_folder(log: Log, which: Filter, target: AnyPath) -> int:
    """Writes the takes a filter finds to a new folder, whole or not at all; returns how many.

    Like the log, the folder is the user's alone. Raises `UsageError` where no take is found.
    """
    place = Path(target)
    if os.path.lexists(place):
        raise LogError(f"{shown(place)}: is there already; name a new folder")
    part = beside(place)
    rows = log.rows(which)
    if not rows:
        raise UsageError("no takes found, and nothing was written; see 'improv log list'")
    try:
        part.mkdir(mode=0o700, parents=True)
        (part / MIDI).mkdir()
        with open(part / TAKES, "x", encoding="utf-8") as lines:
            for row in sorted(rows, key=lambda row: row.id):
                whole = log.whole(row.id)
                lines.write(json.dumps(_line(whole, part / MIDI)) + "\n")
        os.replace(part, place)
    except OSError as fault:
        raise LogError(
            f"{shown(place)}: cannot be written ({reason(fault)}); choose another place"
        ) from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return len(rows)


def _line(whole: Whole, folder: Path) -> dict[str, Any]:
    row = whole.row
    return {
        "format": FORMAT,
        "version": FORMAT_VERSION,
        "midi": _put(whole.midi, folder),
        "backing": None if whole.backing is None else _put(whole.backing, folder),
        "file_name": row.file_name,
        "player": row.player,
        "tune": row.tune,
        "day": row.day,
        "tags": list(row.tags),
        "note": whole.note,
        "added": whole.added,
        "settings": json.loads(whole.settings_text),
        "made_by": whole.made_by,
        "made": whole.made,
        "analysis": whole.document,
    }


def _put(data: bytes, folder: Path) -> str:
    digest = hashlib.sha256(data).hexdigest()
    target = folder / f"{digest}.mid"
    if not target.exists():
        target.write_bytes(data)  # the folder comes to its place whole, or not at all
    return digest


def import_folder(opened: Callable[[], Log], source: AnyPath) -> Imported:
    """Adds the takes of an exported folder. Raises `LogError` naming the line that is wrong.

    `opened` gives the log; it is asked for when takes are ready, so that a folder which holds
    none makes no log.
    """
    folder = Path(source)
    place = folder / TAKES if folder.is_dir() else folder
    text = read_bytes(place, LARGEST_LIST_BYTES, LogError)
    done, log = Imported(0, 0), None
    entries = _entries(text, place, lambda: done.new)
    while batch := list(islice(entries, BATCH)):
        log = opened() if log is None else log
        fresh = sum(added.new for added in log.add_many(batch))
        done = Imported(done.new + fresh, done.known + len(batch) - fresh)
    return done


def _entries(text: bytes, place: Path, added: Callable[[], int]) -> Iterator[Entry]:
    """The takes of the lines; `added` tells how many are in the log when a line is wrong."""
    number = 0
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip():
            try:
                yield _entry(json.loads(line), place.parent / MIDI)
            except (ImprovError, ValueError, TypeError, KeyError, RecursionError) as fault:
                before = counted(added(), "take") + " before it" if added() else "nothing"
                was = "was" if added() < 2 else "were"
                raise LogError(
                    f"{shown(place)}: line {number} is not a take of a practice log "
                    f"({_fault(fault)}); put that line right or take it out, and import again "
                    f"({before} {was} added)"
                ) from None
    if number == 0:
        raise LogError(f"{shown(place)}: holds no takes")


def _fault(fault: Exception) -> str:
    """What is wrong with a line, in words."""
    if isinstance(fault, KeyError):
        return f"'{fault.args[0]}' is missing"
    if isinstance(fault, json.JSONDecodeError | UnicodeDecodeError | RecursionError):
        return "it is no JSON: a take is one whole line in braces"
    return str(fault)


def _entry(line: Any, folder: Path) -> Entry:
    if not isinstance(line, dict) or line.get("format") != FORMAT:
        raise ValueError("it does not say it is one")
    if line["version"] != FORMAT_VERSION:
        raise ValueError(f"format version {line['version']!r}, this improv knows {FORMAT_VERSION}")
    text = json.dumps(line["settings"], sort_keys=True)
    reading, settings = settings_values(text)
    midi = _get(line["midi"], folder)
    backing = None if line["backing"] is None else _get(line["backing"], folder)
    words = {k: line[k] for k in WORDS}
    for key, word in words.items():
        if not isinstance(word, str):
            raise TypeError(f"'{key}' is not text")
    day = line["day"]
    tags = line["tags"]
    if not (day is None or isinstance(day, str)) or not isinstance(tags, list):
        raise TypeError("the day or the tags are not text")
    about = About(words["player"], words["tune"], day, tuple(map(str, tags)), words["note"])
    document, made_by, made = line["analysis"], words["made_by"], words["made"]
    if not sound(document):
        document = analyzed(midi, words["file_name"], text, backing)
        made_by = made = ""
    entry = Entry(
        midi, words["file_name"], reading, settings, document, about.checked(), backing,
        made_by or None, made or None, parse_moment(words["added"]),
    )  # fmt: skip
    _ = entry.part  # a file in which there is no such part is refused here, with the line
    return entry


def _get(digest: Any, folder: Path) -> bytes:
    if not isinstance(digest, str) or not _DIGEST.fullmatch(digest):
        raise ValueError("a file's digest is not one")
    data = read_bytes(folder / f"{digest}.mid", LARGEST_FILE_BYTES, LogError)
    if hashlib.sha256(data).hexdigest() != digest:
        raise ValueError(f"{MIDI}/{digest}.mid is not the file it was")
    return data


def sound(document: Any) -> bool:
    """Whether an analysis from elsewhere can be kept as it is."""
    try:
        head = document["take"]
        numbers = ("tempo_bpm", "notes")
        optional = ("constant_offset_ms", "spread_ms", "in_pocket")
        return bool(
            document["version"] == 1
            and all(_number(head[k]) for k in numbers)
            and all(head[k] is None or _number(head[k]) for k in optional)
            and isinstance(head["meter"], str)
            and len(document["notes"]) == head["notes"]
            and json.dumps(document, allow_nan=False).isascii()
            and from_document(document)[1].dtype is not None
        )
    except Exception:  # whatever a made-up document does, the answer is no
        return False


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
