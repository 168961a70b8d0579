"""Analyzing kept takes: from bytes to documents, one take or the whole log again.

A refresh lays every new analysis aside and swaps them in together when all are there. A
take this improv refuses keeps the analysis it had. A refresh that was cut short goes on
where it stopped; until the swap, every list and comparison sees the old results.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import improv
from improv.analysis import analyze
from improv.document import document
from improv.errors import ImprovError
from improv.files import AnyPath, printable, read_bytes
from improv.log.entries import About, Entry
from improv.log.kept_settings import settings_values
from improv.log.store import Log
from improv.midi import LARGEST_FILE_BYTES, take_of_bytes
from improv.model import Analysis, Reading, Settings

BATCH = 25


@dataclass(frozen=True)
class Refreshed:
    """How a refresh went: takes made new, takes that kept the old result and why."""

    renewed: int
    resumed: int
    kept: tuple[tuple[int, str], ...]


def read_entry(
    path: AnyPath, reading: Reading, settings: Settings, about: About
) -> tuple[Entry, Analysis]:
    """Reads, analyzes and wraps one file; the bytes kept are the bytes that were analyzed.

    Only base names are kept: where a file lay on this machine is nobody's business.
    """
    data = read_bytes(path, LARGEST_FILE_BYTES)
    backing = None
    kept = reading
    if reading.backing is not None:
        backing = read_bytes(reading.backing, LARGEST_FILE_BYTES)
        kept = replace(reading, backing=_base_name(reading.backing))
    name = _base_name(path)
    take = take_of_bytes(data, printable(os.fspath(path)), kept, backing)
    analysis = analyze(take, settings)
    whole = document(replace(analysis, take=replace(analysis.take, name=name)))
    return Entry(data, name, kept, settings, whole, about, backing), analysis


def refresh(log: Log, step: Callable[[int, int], None] = lambda done, total: None) -> Refreshed:
    """Analyzes every take of the log again and swaps the results in together.

    `step` is told how many are done, of how many, after each.
    """
    waiting, resumed = log.to_refresh(improv.__version__)
    ready: list[tuple[int, str, dict[str, Any]]] = []
    kept: list[tuple[int, str]] = []
    for done, take in enumerate(waiting, 1):
        found = log.source(take)
        if found is not None:
            name, text, data, backing = found
            try:
                ready.append((take, text, analyzed(data, name, text, backing)))
            except ImprovError as error:
                kept.append((take, str(error)))
        if len(ready) >= BATCH:
            log.stage(ready, improv.__version__)
            ready = []
        step(done, len(waiting))
    if ready:
        log.stage(ready, improv.__version__)
    return Refreshed(log.swap(), resumed, tuple(kept))


def analyzed(data: bytes, name: str, text: str, backing: bytes | None) -> dict[str, Any]:
    """The document of a file's bytes under kept settings."""
    reading, settings = settings_values(text)
    return document(analyze(take_of_bytes(data, name, reading, backing), settings))


def _base_name(path: AnyPath) -> str:
    return printable(os.path.basename(os.fspath(path)))
