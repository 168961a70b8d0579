"""The JSON document and the CSV rows: the contract other programs read."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
from pathlib import Path
from typing import Any

import hand_made
import numpy as np
import pytest

from improv.document import NOTE_KEYS, csv_text, document, json_text
from improv.model import TempoMap

ROOT = Path(__file__).resolve().parent.parent
CONTRACT = {
    "take": [
        "file", "track", "notes", "tempo_bpm", "meter", "constant_offset_ms", "spread_ms",
        "in_pocket",
    ],
    "notes": [
        "onset_sec", "bar", "beat", "count", "pitch", "velocity", "phrase", "subdivision",
        "per_beat", "swung", "position_beat", "deviation_ms", "off_grid", "confidence",
    ],
    "phrases": [
        "number", "start", "end", "notes", "subdivision", "per_beat", "swung", "confidence",
        "ranking", "offset_ms", "spread_ms", "rms_ms", "in_pocket", "swing_ratio", "drift_bpm",
        "verdict",
    ],
    "runs": [
        "start", "end", "notes", "off_grid", "notes_per_beat", "between", "kind", "lands_ms",
    ],
}  # fmt: skip


def rows(whole: dict[str, Any], key: str) -> list[dict[str, Any]]:
    """The dicts under a key, one or many."""
    return whole[key] if isinstance(whole[key], list) else [whole[key]]


@pytest.mark.parametrize("key", CONTRACT)
def test_promised_keys_in_promised_order(key: str) -> None:
    """Every promised key is there, in the promised order, before any that was added later."""
    whole = document(hand_made.floating())
    assert whole["version"] == 1
    assert rows(whole, key)
    for row in rows(whole, key):
        assert list(row)[: len(CONTRACT[key])] == CONTRACT[key]


def keys_in(value: Any) -> set[str]:
    """Every key of a document, however deep."""
    if isinstance(value, list):
        return set().union(*map(keys_in, value))
    if isinstance(value, dict):
        return set(value).union(*map(keys_in, value.values()))
    return set()


def parts_of(page: str) -> dict[str, str]:
    """The sections of the page that describes the keys, by the names in their titles."""
    return {section.partition("\n")[0]: section for section in page.split("\n## ")[1:]}


@pytest.mark.parametrize("part", ["take", "notes", "phrases", "runs", "practice"])
def test_every_key_is_described(part: str) -> None:
    """examples/json.md names each key in the section of its part, and no key that is not there."""
    page = (ROOT / "examples" / "json.md").read_text(encoding="utf-8")
    (section,) = [text for title, text in parts_of(page).items() if f"`{part}`" in title]
    keys = keys_in(document(hand_made.floating())[part])
    assert {key for key in keys if f"`{key}`" not in section} == set()
    first = [row.split(" | ")[0] for row in section.splitlines() if row.startswith("| `")]
    described = set(re.findall(r"`(\w+)`", " ".join(first))) - {"version"}
    assert described <= keys


def test_json_reads_back_as_the_document() -> None:
    """The text is the document, whatever its line breaks."""
    made = hand_made.floating()
    assert json.loads(json_text(made)) == json.loads(json.dumps(document(made)))


def test_json_has_a_line_to_a_note() -> None:
    """Notes, phrases and runs each have a line of their own, so that two texts can be compared."""
    lines = json_text(hand_made.floating()).splitlines()
    assert sum(line.startswith('  {"onset_sec"') for line in lines) == 70
    assert sum(line.startswith('  {"number"') for line in lines) == 5


def test_unknown_is_null_and_false_is_false() -> None:
    """A note off the grid has no subdivision, rate, position or deviation, and says so."""
    note = document(hand_made.floating())["notes"][56]
    assert note["off_grid"] is True
    assert note["swung"] is False
    for key in ("subdivision", "per_beat", "position_beat", "deviation_ms"):
        assert note[key] is None


def test_rates_are_whole_where_they_are() -> None:
    """Four notes to the beat are 4, quarter triplets 1.5."""
    made = hand_made.floating()
    per_beat = np.array(made.notes.per_beat)
    per_beat[:2] = 1.5
    made = dataclasses.replace(made, notes=dataclasses.replace(made.notes, per_beat=per_beat))
    text = json_text(made)
    assert '"per_beat": 1.5,' in text
    assert '"per_beat": 4,' in text
    assert '"per_beat": 4.0' not in text


def test_a_phrase_without_an_answer() -> None:
    """Too close to call: no subdivision, but the ranking stays."""
    phrase = document(hand_made.floating())["phrases"][3]
    assert phrase["subdivision"] is None
    assert phrase["verdict"] == "too close to call"
    assert [r["subdivision"] for r in phrase["ranking"]] == ["sextuplets", "sixteenths"]
    assert phrase["start"]["bar"] == 13


def test_the_tempo_a_file_goes_through() -> None:
    """Where the tempo changes under the notes, the slowest and the fastest are told."""
    made = hand_made.floating()
    told = document(made)["take"]
    assert told["lowest_tempo_bpm"] == told["highest_tempo_bpm"] == told["tempo_bpm"]
    middle = float(np.median(made.take.onset_sec))
    slower = TempoMap(np.array([0.0, middle]), np.array([0.0, 2 * middle]), np.array([0.5, 0.75]))
    take = dataclasses.replace(made.take, tempo_map=slower, tempo_bpm=120.0)
    told = document(dataclasses.replace(made, take=take))["take"]
    assert (told["lowest_tempo_bpm"], told["highest_tempo_bpm"]) == (80.0, 120.0)


def test_no_minus_nought() -> None:
    """A deviation that rounds to nothing is 0.0, not -0.0."""
    made = hand_made.floating()
    deviation = np.array(made.notes.deviation_ms)
    deviation[0] = -1e-9
    made = dataclasses.replace(made, notes=dataclasses.replace(made.notes, deviation_ms=deviation))
    assert "-0.0," not in json_text(made)


def test_names_nobody_can_print_are_harmless() -> None:
    """Bytes that are no text and control characters never reach the document."""
    made = hand_made.floating()
    take = dataclasses.replace(made.take, name="solo\udcff.mid", track="a\x1b[31mb")
    text = json_text(dataclasses.replace(made, take=take))
    assert text.isascii()
    assert "\\udcff" not in text
    assert "\\u001b" not in text
    assert json.loads(text)["take"]["file"].startswith("solo")


def test_csv_has_a_row_per_note() -> None:
    """The header, then one row per note; unknown fields are empty, flags are words."""
    table = list(csv.DictReader(io.StringIO(csv_text(hand_made.floating()))))
    assert len(table) == 70
    assert list(table[0]) == list(NOTE_KEYS)
    assert table[0]["subdivision"] == "eighths"
    assert table[0]["off_grid"] == "false"
    assert table[56]["off_grid"] == "true"
    assert table[56]["deviation_ms"] == table[56]["per_beat"] == ""


def test_csv_of_several_takes_names_the_file_first() -> None:
    """With several takes the first column is the file, and only the first take has a header."""
    made = hand_made.floating()
    both = csv_text(made, with_file=True) + csv_text(made, header=False, with_file=True)
    table = list(csv.DictReader(io.StringIO(both)))
    assert len(table) == 140
    assert next(iter(table[0])) == "file"
    assert {row["file"] for row in table} == {"solo.mid"}


def test_warnings_are_told_once() -> None:
    """A sentence said by the reader and by the analysis stands once in the document."""
    made = hand_made.floating()
    take = dataclasses.replace(made.take, warnings=("The tempo differs.",))
    made = dataclasses.replace(made, take=take, warnings=("The tempo differs.", "Short."))
    assert document(made)["take"]["warnings"] == ["The tempo differs.", "Short."]
