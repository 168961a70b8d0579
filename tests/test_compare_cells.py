"""Cells and memory: what a comparison is made from."""

from __future__ import annotations

import numpy as np
import pytest

from improv.cells import (
    CELL,
    FEWEST_FOR_LINE,
    Kind,
    from_document,
    phrase_numbers,
    residuals,
    timing_cells,
)
from improv.errors import UsageError
from improv.material import Material
from improv.measures import pocket_column, values
from improv.memory import RHO, degrees, estimate
from tests.log_material import entry


def test_residuals_worked_by_hand() -> None:
    """Below eight notes the mean goes, from eight on the line: 0, 1, ..., 9 leaves nothing."""
    at = np.arange(10.0)
    rest, mean, slope, fitted = residuals(at, 3.0 + 2.0 * at)
    assert np.allclose(rest, 0.0) and slope == pytest.approx(2.0) and fitted == 2
    assert mean == pytest.approx(12.0)
    rest, mean, slope, fitted = residuals(at[:3], np.array([1.0, 2.0, 6.0]))
    assert rest.tolist() == [-2.0, -1.0, 3.0] and fitted == 1 and np.isnan(slope)
    assert FEWEST_FOR_LINE == 8


def test_a_rushing_phrase_has_a_positive_drift() -> None:
    """Notes that come 5 ms earlier every second are played 0.5 % too fast."""
    at = np.arange(12) * 0.25
    (cell,) = timing_cells([(at, -5.0 * at)], 0.0, [250.0])
    assert cell["drift"] == pytest.approx(0.005)
    assert cell["square_ms2"] == pytest.approx(0.0, abs=1e-6)


def test_one_fumbled_note_hardly_counts() -> None:
    """A note 300 ms out among sixty of 10 ms moves the spread less than 30 %, not threefold."""
    rng = np.random.default_rng(5)
    at = np.arange(60) * 0.25
    plain = 10.0 * rng.standard_normal(60)
    fumbled = plain.copy()
    fumbled[30] += 300.0
    spreads = []
    for deviation in (plain, fumbled):
        cells = timing_cells([(at, deviation)], 0.0, [250.0])
        spreads.append(float(np.exp(values(cells, "spread", 0.0).value[0])))
    assert spreads[1] < 1.3 * spreads[0]


def test_degrees_of_freedom_without_memory_are_the_textbooks() -> None:
    """n - 1 about a mean and n - 2 about a line, as in any textbook, when nothing is remembered."""
    notes, fitted = np.array([5, 20, 200]), np.array([1, 2, 2])
    effective, chi = degrees(notes, fitted, 0.0)
    assert effective == pytest.approx([4.0, 18.0, 198.0])
    assert chi == pytest.approx([4.0, 18.0, 198.0])


def test_memory_makes_short_phrases_know_less() -> None:
    """With memory 0.6 five notes about their mean hold fewer degrees, as simulated."""
    rng = np.random.default_rng(6)
    rho, draws = 0.6, []
    for _ in range(20_000):
        fresh = rng.standard_normal(5)
        stray = np.empty(5)
        stray[0] = fresh[0]
        for i in range(1, 5):
            stray[i] = rho * stray[i - 1] + 0.8 * fresh[i]
        draws.append(np.sum((stray - stray.mean()) ** 2))
    effective, _ = degrees(np.array([5]), np.array([1]), rho)
    assert effective[0] == pytest.approx(np.mean(draws), rel=0.03)
    assert effective[0] < 4.0


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
def test_memory_is_found_again(rho: float) -> None:
    """From 400 phrases of 12 notes the memory comes back within two steps of its grid."""
    rng = np.random.default_rng(7)
    parts = []
    for _ in range(400):
        stray = np.empty(12)
        stray[0] = rng.standard_normal()
        for i in range(1, 12):
            stray[i] = rho * stray[i - 1] + np.sqrt(1 - rho**2) * rng.standard_normal()
        parts.append((np.arange(12) * 0.2, 12.0 * stray))
    cells = timing_cells(parts, 0.0, [200.0] * 400)
    found = estimate(
        cells["on"].astype(int), cells["fitted"].astype(int),
        cells["square_ms2"].astype(float), cells["product_ms2"].astype(float),
    )  # fmt: skip
    assert found == pytest.approx(rho, abs=2 * (RHO[1] - RHO[0]))


def test_cells_of_a_real_document() -> None:
    """Two phrases, eighths and sixteenths, with all their notes, none of them twice."""
    kinds, cells = from_document(entry().document)
    counts = {kinds[c["subdivision"]].name: int(c["on"]) for c in cells}
    assert counts == {"eighths": 16, "sixteenths": 16}
    steps = {kinds[c["subdivision"]].name: float(c["interval_ms"]) for c in cells}
    assert steps["eighths"] == pytest.approx(312.5, abs=0.01)
    assert steps["sixteenths"] == pytest.approx(156.25, abs=0.01)


def test_a_chord_counts_once_and_an_ornament_not_at_all() -> None:
    """Doubling every note of an event, or adding grace notes, changes no cell."""
    document = entry().document
    doubled = [dict(n) for n in document["notes"] for _ in range(2)]
    ornament = {**document["notes"][0], "grace": True, "event": 10_000}
    changed = {**document, "notes": [*doubled, ornament]}
    assert from_document(changed)[1].tobytes() == from_document(document)[1].tobytes()


def run_at(rate: float, on_grid: tuple[str, float] | None = None) -> Kind:
    """What nine notes at this rate, off the grid, count as an attempt at; `on_grid`: played too."""
    document = entry().document
    phrase = {**document["phrases"][0], "subdivision": None, "number": 1}
    notes = [
        {**document["notes"][0], "event": i, "off_grid": True, "subdivision": None,
         "deviation_ms": None, "onset_sec": 1.0 + 0.1 * i}
        for i in range(9)
    ]  # fmt: skip
    if on_grid is not None:
        notes += [
            {**document["notes"][0], "event": 100 + i, "subdivision": on_grid[0],
             "per_beat": on_grid[1], "onset_sec": 9.0 + 0.1 * i}
            for i in range(16)
        ]  # fmt: skip
    run = {
        "off_grid": True, "notes_per_beat": rate, "between": ["sixteenths", "quintuplets"],
        "start": {"onset_sec": 1.0}, "end": {"onset_sec": 1.8},
    }  # fmt: skip
    kinds, cells = from_document({**document, "notes": notes, "phrases": [phrase], "runs": [run]})
    off = {kinds[c["subdivision"]]: int(c["off"]) for c in cells if c["off"]}
    assert list(off.values()) == [9]
    return next(iter(off))


@pytest.mark.parametrize(
    ("rate", "on_grid", "attempted"),
    [
        (4.6, None, "sixteenths"),
        (4.6, ("quintuplets", 5.0), "quintuplets"),
        (4.6, ("eighths", 2.0), "sixteenths"),
        (3.4, ("sixteenths", 4.0), "sixteenths"),
        (3.4, ("eighths", 2.0), "eighth triplets"),
        (5.4, ("eighths", 2.0), "sextuplets"),
    ],
)
def test_an_off_grid_run_was_an_attempt_at_what_is_played(
    rate: float, on_grid: tuple[str, float] | None, attempted: str
) -> None:
    """Of what the player plays the nearest, where near enough; else what is commonly met."""
    assert run_at(rate, on_grid).name == attempted


def test_nothing_played_is_no_cell() -> None:
    """A document without notes has no kinds and no cells, of the right type."""
    kinds, cells = from_document({**entry().document, "notes": [], "runs": []})
    assert kinds == () and len(cells) == 0 and cells.dtype == CELL


def test_only_counted_pockets_can_be_asked_for() -> None:
    """A half-width nobody counted is refused with those there are."""
    assert pocket_column(20.0) == 2
    with pytest.raises(UsageError, match="7 ms is not kept in the log; choose 10, 15, 20"):
        pocket_column(7.0)


def test_phrases_beyond_65535_are_told_apart() -> None:
    """Phrase 65 537 of one take is not phrase 1 of the next, nor phrase 1 of its own."""
    document = entry().document
    phrases = [{**document["phrases"][0], "number": n} for n in (1, 65_537)]
    notes = [
        {**document["notes"][0], "event": i, "phrase": (1, 65_537)[i % 2], "onset_sec": 0.1 * i}
        for i in range(40)
    ]
    parts = [from_document({**document, "phrases": phrases, "notes": notes, "runs": []})] * 2
    material = Material.of(parts, [-1, -1], [96.0, 96.0], ["a", "b"])
    assert phrase_numbers(material.cells).tolist() == [1, 65_537] * 2
    assert len(set(material.phrase_block.tolist())) == 4


def test_cells_kept_by_an_earlier_improv_read_as_they_are() -> None:
    """What was packed with two bytes for `fitted` has the same size, and says the same."""
    earlier = [
        (f, t) if f != "fitted" else (f, "<u2")
        for f, (t, _) in ((n, CELL.fields[n]) for n in CELL.names)  # type: ignore[union-attr, index]
        if f != "phrase_high"
    ]
    old = np.zeros(2, dtype=earlier)
    old["phrase"], old["fitted"], old["drift"] = [1, 40_000], [1, 2], [0.01, 0.02]
    read = np.frombuffer(old.tobytes(), dtype=CELL)
    assert read["fitted"].tolist() == [1, 2]
    assert phrase_numbers(read).tolist() == [1, 40_000]
    assert read["drift"] == pytest.approx([0.01, 0.02])
