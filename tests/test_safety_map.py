"""The map of safety: its model, its ceilings, what it says comes next."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.histories import Player, Side, side
from improv.cells import CELL, Kind
from improv.held import CLOSEST_MS, SAFE_SPREADS, TRAINED_MS
from improv.material import Material, joined
from improv.pictures.history import zones
from improv.safety import (
    CLOSEST,
    LEAVES,
    SPREAD,
    SafetyMap,
    _crossing,
    safety_map,
)
from improv.safety_fit import log_spread
from improv.safety_report import document, table, text_report, what_next

LOOSE = Player(floor_ms=22.0, share=0.03, fumbles=0.0, off_grid=0.0, day_wander=0.05)
TIGHT = Player(floor_ms=7.0, share=0.025, fumbles=0.0, off_grid=0.0, day_wander=0.05)
PLAN = Side(20, tempo_bpm=(60.0, 160.0), phrases=5)


def mapped(player: Player, plan: Side = PLAN, seed: int = 1) -> SafetyMap:
    """The map of a simulated player."""
    found = safety_map(side(player, plan, np.random.default_rng(seed)))
    assert found is not None
    return found


def test_the_models_parts_are_published() -> None:
    """Spread goes from the floor at short intervals to a share of the interval at long ones."""
    theta = np.array([math.log(6.0), math.log(0.025), 0.0])
    fitted, _ = log_spread(theta, np.array([10.0, 240.0, 1e5]), np.zeros(3, dtype=int))
    spread = np.exp(fitted)
    assert spread[0] == pytest.approx(6.0, rel=1e-2)
    # 6 ms and 2.5 % meet at 240 ms, as Friberg & Sundberg's thresholds do (sources: READ).
    assert spread[1] == pytest.approx(6.0 * math.sqrt(2.0), rel=1e-6)
    assert spread[2] == pytest.approx(2500.0, rel=1e-3)


def test_gradient_is_the_slope() -> None:
    """The gradient agrees with differences taken by hand."""
    theta, at, own = np.array([2.2, -3.4, 0.1]), np.array([80.0, 300.0]), np.zeros(2, dtype=int)
    _, gradient = log_spread(theta, at, own)
    for i in range(3):
        moved = theta.copy()
        moved[i] += 1e-6
        slope = (log_spread(moved, at, own)[0] - log_spread(theta, at, own)[0]) / 1e-6
        assert gradient[:, i] == pytest.approx(slope, abs=1e-5)


def test_a_loose_player_is_limited_by_spread() -> None:
    """Six spreads of 22 ms and 3 % of the interval: the ceiling is where the algebra puts it."""
    found = mapped(LOOSE)
    step = SAFE_SPREADS * LOOSE.floor_ms / math.sqrt(1 - (SAFE_SPREADS * LOOSE.share) ** 2)
    assert found.ceilings
    for ceiling in found.ceilings:
        assert ceiling.limit == SPREAD and not ceiling.in_pocket
        assert ceiling.tempo_bpm == pytest.approx(60_000 / (step * ceiling.per_beat), rel=0.15)
        assert ceiling.low_bpm is not None and ceiling.high_bpm is not None
        assert ceiling.low_bpm < ceiling.tempo_bpm < ceiling.high_bpm


def test_a_tight_player_is_limited_by_any_hand() -> None:
    """With 7 ms of floor nothing gives before the speed at which hands are known to keep apart."""
    ceilings = mapped(TIGHT).ceilings
    assert ceilings
    for ceiling in ceilings:
        assert ceiling.limit == CLOSEST and ceiling.in_pocket
        assert ceiling.tempo_bpm is not None
        step = 60_000 / (ceiling.tempo_bpm * ceiling.per_beat)
        assert TRAINED_MS <= step <= CLOSEST_MS + 1e-6


def test_runs_that_leave_the_grid_are_a_limit() -> None:
    """Sixteenths that fall off at fast tempi only: that is what gives first, and below it."""
    material = side(TIGHT, PLAN, np.random.default_rng(2))
    cells = material.cells.copy()
    fast = (cells["subdivision"] == 2) & (cells["interval_ms"] < 140.0)
    cells["off"][fast] = 3 * cells["on"][fast]
    found = safety_map(
        Material(cells, material.take, material.kinds, material.day, material.tempo_bpm,
                 material.label)
    )  # fmt: skip
    assert found is not None
    ceiling = {c.subdivision: c for c in found.ceilings}["sixteenths"]
    assert ceiling.limit == LEAVES and ceiling.tempo_bpm is not None
    assert 85.0 < ceiling.tempo_bpm < 120.0  # 140 ms is 107 BPM


def test_more_takes_make_it_surer() -> None:
    """The interval narrows with the days logged."""
    few, many = (mapped(LOOSE, replace(PLAN, days=d)) for d in (5, 40))
    widths = [
        math.log(m.ceilings[-1].high_bpm / m.ceilings[-1].low_bpm)  # type: ignore[operator]
        for m in (few, many)
    ]
    assert widths[1] < 0.6 * widths[0]


def test_what_was_not_tried_is_said() -> None:
    """A player heard at 90 BPM only: the map goes on, and says that it is the model's word."""
    found = mapped(TIGHT, replace(PLAN, tempo_bpm=(89.0, 91.0)))
    assert found.ceilings and all(c.beyond_tried for c in found.ceilings)
    assert "the model's word alone" in text_report(found)


def test_too_little_is_no_map() -> None:
    """Nothing logged, or a phrase of a few notes, gives no map."""
    nothing = Material(
        np.zeros(0, dtype=CELL), np.zeros(0, dtype=int), (), np.zeros(0, dtype=int),
        np.zeros(0), (),
    )  # fmt: skip
    assert safety_map(nothing) is None
    short = side(TIGHT, Side(1, phrases=1, notes=(4, 5)), np.random.default_rng(3))
    assert safety_map(short) is None


def test_a_crossing_by_hand() -> None:
    """A curve that is 0 at 200 ms crosses there; its band's edges cross on either side."""
    from improv.safety import _GRID_MS

    curve = np.log(_GRID_MS / 200.0)
    middle, careful, hopeful = _crossing(curve, curve - math.log(1.25), curve + math.log(1.25))
    assert middle == pytest.approx(200.0, rel=1e-4)
    assert careful == pytest.approx(250.0, rel=1e-4) and hopeful == pytest.approx(160.0, rel=1e-4)
    assert _crossing(*(curve - 10.0,) * 3)[0] == math.inf


def test_what_comes_next_for_a_loose_player() -> None:
    """The coarsest subdivision that is not safe yet, slower than its usual tempo."""
    found = mapped(LOOSE)
    following = what_next(found)
    assert following.subdivision == "eighths" and following.tempo_bpm is not None
    assert following.tempo_bpm <= found.usual_bpm


def test_what_comes_next_for_a_tight_player() -> None:
    """Everything is safe at the usual tempo: raise it, by no more than 5 BPM."""
    found = mapped(TIGHT)
    following = what_next(found)
    assert following.subdivision == "sixteenths" and following.tempo_bpm is not None
    assert found.usual_bpm < following.tempo_bpm <= found.usual_bpm + 5


def test_text_fits_and_warns() -> None:
    """Eighty columns, a row per subdivision, and the caution about pain."""
    for player in (LOOSE, TIGHT):
        found = mapped(player)
        text = text_report(found, "Ana")
        assert max(map(len, text.splitlines())) <= 80
        assert len(table(found)) == 1 + len(found.ceilings)
        assert "clinician" in text
        assert len(document(found)["subdivisions"]) == len(zones(found)) == 3


def test_one_name_in_two_meters_is_told_apart() -> None:
    """Eighths of 4/4 and of 6/8 have a ceiling each; a long name stands above its figures."""
    simple = side(TIGHT, PLAN, np.random.default_rng(4))
    kinds = tuple(replace(kind, per_beat=1.5 * kind.per_beat) for kind in simple.kinds)
    found = safety_map(joined(simple, replace(simple, kinds=kinds)))
    assert found is not None and len({c.subdivision for c in found.ceilings}) == 6
    lines = table(found)
    assert "eighth triplets (4.5 a beat)" in lines and max(map(len, lines)) <= 80
    assert any(line.startswith("eighths (2 a beat) ") for line in lines)


def test_the_longest_row_fits() -> None:
    """Loose, limited by runs that leave the grid, and beyond what was tried: eighty columns."""
    found = mapped(LOOSE)
    row = replace(
        found.ceilings[0], subdivision="swung eighths long", limit=LEAVES, tempo_bpm=299.0,
        low_bpm=100.0, high_bpm=300.0, tried_bpm=(100.0, 120.0), in_pocket=False,
    )  # fmt: skip
    line = table(replace(found, ceilings=(row,)))[1]
    assert line.endswith("runs leave it, loose *") and len(line) <= 80


def test_a_few_failed_attempts_are_not_forgotten() -> None:
    """Nine notes that left the grid are too few to map, and enough not to raise the tempo."""
    material = side(TIGHT, replace(PLAN, kinds=1), np.random.default_rng(5))
    kinds = (*material.kinds, Kind("sixteenths", 4.0, False))
    row = material.cells[:1].copy()
    row["subdivision"], row["on"], row["off"], row["square_ms2"] = len(kinds) - 1, 0, 9, 0.0
    row["interval_ms"] = 150.0  # sixteenths at 100 BPM
    found = safety_map(
        replace(
            material, kinds=kinds, cells=np.concatenate([material.cells, row]),
            take=np.append(material.take, 0),
        )
    )  # fmt: skip
    assert found is not None and "sixteenths" not in {c.subdivision for c in found.ceilings}
    following = what_next(found)
    assert (following.subdivision, following.tempo_bpm) == ("sixteenths", 75.0)
    assert "left the grid at 100 BPM: play them at 75 BPM" in following.text
    said = " ".join(text_report(found).split())
    assert "Left out: sixteenths (too few notes, most of them off the grid)." in said


@pytest.mark.parametrize(("share", "asked"), [(-0.02, "dragging by "), (0.02, "rushing by ")])
def test_the_time_is_kept_before_the_tempo_is_raised(share: float, asked: str) -> None:
    """The latest take drifts: its tempo is not to be raised. An earlier one may have drifted."""
    material = side(TIGHT, PLAN, np.random.default_rng(6))
    steady = material.cells.copy()
    steady["drift"] = 0.0
    latest = material.take == len(material.label) - 1
    for drifting, told in ((latest, True), (~latest, False)):
        cells = steady.copy()
        cells["drift"][drifting], cells["span_sec2"][drifting] = share, 40.0
        cells["square_ms2"][drifting] = 64.0 * cells["on"][drifting]
        found = safety_map(replace(material, cells=cells))
        assert found is not None
        following = what_next(found)
        assert following.tempo_bpm is not None
        assert (asked in following.text and "before going faster" in following.text) == told
        assert (following.tempo_bpm > found.usual_bpm + 1) == (not told)


def test_no_tempo_is_raised_over_runs_that_left_the_grid() -> None:
    """In the latest take, though held on the whole; not in an earlier one, nor a note or two."""
    material = side(TIGHT, PLAN, np.random.default_rng(6))
    finest = material.cells["subdivision"] == 2
    latest = np.flatnonzero(finest & (material.take == len(material.label) - 1))[0]
    earlier = np.flatnonzero(finest & (material.take == 0))[0]
    material.cells["drift"] = 0.0
    for row, off, asked in ((latest, 9, True), (latest, 3, False), (earlier, 9, False)):
        cells = material.cells.copy()
        cells["off"] = 0
        cells["off"][row] = off
        found = safety_map(replace(material, cells=cells))
        assert found is not None
        following = what_next(found)
        assert following.subdivision == "sixteenths" and following.tempo_bpm is not None
        assert ("in the latest take nine notes left it" in following.text) == asked
        assert (following.tempo_bpm > found.usual_bpm + 1) == (not asked)


def test_what_is_surely_not_held_is_not_asked_for() -> None:
    """Nineteen attempts of twenty left the grid: never above all its ceiling may be."""
    material = side(TIGHT, replace(PLAN, tempo_bpm=(95.0, 105.0)), np.random.default_rng(7))
    cells = material.cells.copy()
    finest = cells["subdivision"] == 2
    cells["off"][finest] = 19 * cells["on"][finest]
    found = safety_map(replace(material, cells=cells))
    assert found is not None
    ceiling = found.ceilings[-1]
    assert ceiling.high_bpm is not None and ceiling.high_bpm < 0.7 * found.usual_bpm
    following = what_next(found)
    assert following.subdivision == ceiling.subdivision == "sixteenths"
    assert following.tempo_bpm is not None and following.tempo_bpm <= ceiling.high_bpm


def machine_made(material: Material, kinds: tuple[int, ...]) -> Material:
    """The material with these kinds' notes set exactly where they belong."""
    cells = material.cells.copy()
    exact = np.isin(cells["subdivision"], kinds)
    cells["square_ms2"][exact] = 0.0
    cells["product_ms2"][exact] = 0.0
    return replace(material, cells=cells)


def test_notes_set_by_a_machine_are_left_out_of_the_map() -> None:
    """They tell nothing of a hand; the last kind, the first, or all of them."""
    played = side(Player(), Side(8), np.random.default_rng(5))
    whole = safety_map(played)
    assert whole is not None
    named = [c.subdivision for c in whole.ceilings]
    for exact in ((0,), (2,), (0, 1)):
        found = safety_map(machine_made(played, exact))
        assert found is not None
        kept = [played.kinds[k].name for k in range(3) if k not in exact]
        assert [c.subdivision for c in found.ceilings] == [n for n in named if n in kept]
    assert safety_map(machine_made(played, (0, 1, 2))) is None


def test_runs_that_left_the_grid_are_not_called_safe() -> None:
    """A subdivision tried and hardly ever held is on the map for that, and comes next, slower."""
    played = side(Player(), Side(8), np.random.default_rng(5))
    cells = played.cells.copy()
    finest = cells["subdivision"] == 2
    cells["on"][finest], cells["off"][finest] = 0, 9
    found = safety_map(replace(played, cells=cells))
    assert found is not None
    assert found.ceilings[-1].subdivision == "sixteenths" and found.ceilings[-1].leaves
    told = what_next(found)
    assert told.subdivision == "sixteenths"
    assert told.tempo_bpm is not None and told.tempo_bpm < 0.8 * found.usual_bpm
    assert "left the grid" in told.text
