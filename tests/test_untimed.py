"""A stroke cut to the very start of a recording: it has its place, and tells no timing."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import Analysis, Take, analyze, csv_text
from improv.assignments.evidence import evidence
from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.document import document
from improv.held import scatter_on_grid
from improv.listening.on_grid import place_on_grid
from improv.meter import parse_meter
from improv.tempo import constant_tempo, lay_bars

EIGHTHS = 33
BPM = 120.0


def from_the_start(first_sec: float) -> Take:
    """Eighths from bar 1 on, which begins with the recording; the first at a time of its own."""
    take = take_of(np.arange(EIGHTHS) / 2.0, BPM, late_ms=12.0 + scattered(EIGHTHS, 8.0, 5))
    lead = float(take.tempo_map.start_sec[0])
    onset = take.onset_sec - lead
    onset[0] = first_sec
    return replace(
        take,
        onset_sec=onset,
        release_sec=take.release_sec - lead,
        tempo_map=constant_tempo(BPM, 0.0),
        bars=lay_bars(((0.0, parse_meter("4/4")),), 0.0, EIGHTHS / 2.0),
    )


@pytest.fixture(scope="module")
def cut() -> Analysis:
    """The first stroke lies at exactly 0 seconds, on beat 1 of bar 1."""
    return analyze(from_the_start(0.0))


def test_its_deviation_is_not_known(cut: Analysis) -> None:
    """On the grid at bar 1 beat 1 like any other note, but for its deviation."""
    notes = cut.notes
    assert np.flatnonzero(np.isnan(notes.deviation_ms)).tolist() == [0]
    assert set(notes.subdivision_name) == {"eighths"} and not notes.off_grid.any()
    assert (notes.position_beat[0], notes.bar[0], notes.count[0]) == (0.0, 1, "1")


def test_a_stroke_just_after_the_start_is_timed() -> None:
    """Four milliseconds in, it was recorded when it was played."""
    notes = analyze(from_the_start(0.004)).notes
    assert notes.deviation_ms[0] == pytest.approx(4.0)


def test_in_json_and_csv_it_is_left_open(cut: Analysis) -> None:
    """`null` in the one, an empty cell in the other; the rest are numbers."""
    told = document(cut)["notes"]
    found = [note["deviation_ms"] for note in told]
    assert found[0] is None and None not in found[1:]
    assert told[0]["position_beat"] == 0.0
    rows = list(csv.DictReader(io.StringIO(csv_text(cut))))
    assert [i for i, row in enumerate(rows) if row["deviation_ms"] == ""] == [0]
    assert rows[0]["subdivision"] == "eighths"


def test_it_is_no_part_of_the_spread(cut: Analysis) -> None:
    """All events but this one scatter."""
    assert scatter_on_grid(cut).row.tolist() == list(range(1, EIGHTHS))


def test_it_is_no_part_of_the_pocket(cut: Analysis) -> None:
    """An assignment's share of notes in the pocket is one of all others."""
    assert np.flatnonzero(evidence(cut).untimed).tolist() == [0]
    asked = parse_assignment(
        f'tempo = {BPM:g}\n[[section]]\nbars = "1-4"\nstay-on = "eighths"\n'
        "pocket = { share = 0.5, within-ms = 40 }\n"
    )
    (pocket,) = [o for o in judge(asked, cut, 1).outcomes if o.kind == "pocket"]
    assert pocket.reason.startswith(f"100 % of {EIGHTHS - 2} notes within 40 ms")


def test_on_the_grid_it_stays_on_its_place(cut: Analysis) -> None:
    """Heard on the grid it sounds on beat 1, as called, and the others sound after it."""
    placed = place_on_grid(cut)
    assert (placed.quarter[0], placed.onset_sec[0]) == (0.0, 0.0)
    assert placed.row[0] == cut.notes.subdivision[0]
    assert placed.quarter.tolist() == pytest.approx([i / 2 for i in range(EIGHTHS)])
