"""The benchmarks' own arithmetic: scoring, calibration error, oracle and simple methods."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

# After the installed package, so that a tested wheel stays the one that is tested.
sys.path.append(str(Path(__file__).parent.parent))

from benchmarks import __main__ as run_benchmarks
from benchmarks import speed
from benchmarks.baselines import grid_per_beat, nearest_point
from benchmarks.calibration import expected_calibration_error, reliability
from benchmarks.goals import at_least, at_most, conclude
from benchmarks.long_takes import BPM, long_take
from benchmarks.material import REPORTING_SEED, rhythm_pool, solo
from benchmarks.oracle import oracle
from benchmarks.scoring import acceptable, score
from benchmarks.solo_failures import failures
from benchmarks.solos import Sheet, goals_of, table
from improv import grid
from improv.model import Take
from improv.synth import Hand, Line, Notated, Rest, Stretch, Truth, play, steady_run
from improv.synth_solos import METERS
from improv.tempo import beats_at

KEYS = [s.key for s in grid.SUBDIVISIONS]
EXACT = Hand(spread_ms=0.0)


def _names(take: Take, truth: Truth) -> list[set[str]]:
    """Accepted rows of each note, by key."""
    return [{KEYS[r] for r in np.flatnonzero(row)} for row in acceptable(take, truth)]


def _called(take: Take, truth: Truth, key: str) -> float:
    """Share right if every note is called `key` at its true position."""
    row = np.full(len(take), KEYS.index(key) if key else -1)
    return float(score(take, truth, row, beats_at(take.bars, truth.due_quarter)).right.mean())


def test_filled_grids_accept_their_own_row_only():
    """Filled sixteenths are not eighths although half of them lie on eighths."""
    take, truth = play(Line((Stretch("sixteenths", 4),)), EXACT, 0)
    assert set(map(frozenset, _names(take, truth))) == {frozenset({"half-unit"})}
    assert _called(take, truth, "half-unit") == 1.0
    assert _called(take, truth, "unit") == 0.0
    assert _called(take, truth, "") == 0.0


def test_rows_with_the_same_grid_are_the_same_answer():
    """On beat 3 of 3/4 half notes, quarter triplets and quarters all offer just the beat."""
    line = Line((Stretch("quarters", 3),), meter="3/4")
    accepted = _names(*play(line, EXACT, 0))
    assert accepted == [{"beat"}, {"beat"}, {"two-beat", "beat", "three-in-two"}]


def test_in_a_group_of_three_eighths_a_triplet_is_the_eighths():
    """The 3 of 2+3/8 filled with eighths; two-beat blocks tell them apart only with the 2."""
    take, truth = play(Line((Stretch("eighths", 2),), meter="2+3/8"), EXACT, 0)
    assert _names(take, truth) == [{"unit"}] * 5
    take, truth = play(Line((Stretch("eighths", 3),), meter="2+2+3/8"), EXACT, 0)
    assert [sorted(n) for n in _names(take, truth)][-3:] == [["triplet", "unit"]] * 3


def test_written_rhythms_accept_what_holds_the_beat_and_is_no_denser():
    """A quarter, two eighths, four sixteenths: the stretch is sixteenths, each beat its own."""
    onsets = (0, 1, 1.5, 2, 2.25, 2.5, 2.75)
    take, truth = play(Line((Notated(onsets, 4),)), EXACT, 0)
    accepted = _names(take, truth)
    assert accepted[0] >= {"beat", "unit", "half-unit", "triplet"}
    assert not accepted[0] & {"quintuplet", "sextuplet", "septuplet", "quarter-unit"}
    assert accepted[1] == {"unit", "half-unit"}
    assert accepted[3] == {"half-unit"}


def test_a_written_note_called_at_the_wrong_place_is_wrong():
    """Position counts in written rhythms: a sixteenth early is not the same rhythm."""
    take, truth = play(Line((Notated((0, 0.75, 1, 1.75), 2),)), EXACT, 0)
    row = np.full(4, KEYS.index("half-unit"))
    at = beats_at(take.bars, truth.position_quarter + np.array([0, -0.25, 0, 0]))
    assert score(take, truth, row, at).right.tolist() == [True, False, True, True]


def test_swung_positions_may_be_told_straight_or_swung():
    """The off-beat of swung eighths at 0.5 or at 2/3 is the same note; at the beat it is not."""
    hand = Hand(spread_ms=0.0, swing_ratio=2.0)
    take, truth = play(Line((Stretch("swung eighths", 2),)), hand, 0)
    row = np.full(4, KEYS.index("swung-unit"))
    for at, placed in (
        (truth.position_quarter, [True] * 4),
        (truth.due_quarter, [True] * 4),
        (np.floor(truth.due_quarter), [True, False, True, False]),
    ):
        assert score(take, truth, row, at).placed.tolist() == placed


def test_free_notes_are_right_off_the_grid_and_events_count_once():
    """Nine free notes called off grid; a chord's companions and graces are not scored."""
    line = Line((Stretch("quarters", 4), steady_run(9, 4.6)), chords=0.6, graces=0.3)
    take, truth = play(line, EXACT, 1)
    result = score(take, truth, truth.subdivision, beats_at(take.bars, truth.due_quarter))
    assert len(take) > 13 == len(result.rows)
    assert result.right.all() and result.called_free.sum() == 9


@pytest.mark.parametrize("method", ["oracle", "grid_per_beat", "nearest_point"])
def test_every_method_reads_an_exact_take(method):
    """Eighths and triplets without scatter: nothing to get wrong, except a point's own row."""
    line = Line((Stretch("eighths", 8), Rest(4), Stretch("eighth triplets", 8)))
    take, truth = play(line, Hand(spread_ms=0.5), 0)
    call = {
        "oracle": lambda: oracle(take, truth),
        "grid_per_beat": lambda: grid_per_beat(take),
        "nearest_point": lambda: nearest_point(take),
    }[method]()
    result = score(take, truth, *call)
    assert result.placed.all()
    # Points alone: of 16 eighths the 8 between beats, of 24 triplets the 8 that are no quarter
    # triplets (the first and last of four between two beats): 16 of 40.
    assert result.right.mean() == pytest.approx(0.4 if method == "nearest_point" else 1.0)


def test_the_oracle_is_ahead_of_the_simple_methods():
    """Over ten random solos; the benchmark gives the margin."""
    right = {"oracle": [], "per beat": [], "nearest": []}
    for seed in range(10):
        take, truth = solo(seed)
        for name, call in (
            ("oracle", oracle(take, truth)),
            ("per beat", grid_per_beat(take)),
            ("nearest", nearest_point(take)),
        ):
            right[name] += score(take, truth, *call).right.tolist()
    oracle_share, beat_share, nearest_share = (float(np.mean(r)) for r in right.values())
    assert oracle_share > 0.9 > beat_share > nearest_share


def test_expected_calibration_error_by_hand():
    """Four calls at 0.95, three right; two at 0.55, one right: (4·0.20 + 2·0.05) / 6 = 0.15."""
    said = np.array([0.95] * 4 + [0.55] * 2)
    right = np.array([True, True, True, False, True, False])
    assert expected_calibration_error(said, right) == pytest.approx(0.15)
    assert "0.9-1.0          4   0.950   0.750" in reliability("notes", said, right)
    assert expected_calibration_error(np.ones(3), np.ones(3, dtype=bool)) == 0.0


def test_material_is_there_and_seeds_do_not_meet():
    """The pool serves most meters of the solos; reporting seeds lie above all tuning seeds."""
    meters = {rhythm.meter for rhythm in rhythm_pool()}
    assert len(rhythm_pool()) > 100
    assert len(meters & {m for m, _ in METERS}) >= 5
    assert REPORTING_SEED > 9999


def test_an_unknown_benchmark_is_refused(capsys):
    """Exit status 2 and the names there are."""
    assert run_benchmarks.main(["tempo"]) == 2
    assert "there are: solos, calibration, estimates, notated" in capsys.readouterr().err


def test_a_benchmarks_exit_status_is_passed_on(monkeypatch, capsys):
    """The highest of those run; 0 for one that returns nothing."""
    for name, status in (("solos", None), ("notated", 1), ("speed", 0)):
        fake = SimpleNamespace(main=lambda arguments, status=status: status)
        monkeypatch.setitem(sys.modules, f"benchmarks.{name}", fake)
    assert run_benchmarks.main(["solos"]) == 0
    assert run_benchmarks.main(["notated"]) == 1
    monkeypatch.setattr(run_benchmarks, "BENCHMARKS", ("solos", "notated", "speed"))
    assert run_benchmarks.main([]) == 1
    assert "== notated" in capsys.readouterr().out


def test_every_benchmark_is_known():
    """Each module with a `main` that takes arguments can be run by name."""
    folder = Path(run_benchmarks.__file__).parent
    mains = {
        path.stem
        for path in folder.glob("*.py")
        if re.search(r"^def main\(arg", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert mains - {"__main__", "log_worker"} == set(run_benchmarks.BENCHMARKS)


def test_long_takes_are_as_long_as_asked_for():
    """In time order, phrases and rests over many bars, and the same each time."""
    one, other = long_take(700), long_take(700)
    assert len(one) == 700
    assert one.onset_sec.tolist() == other.onset_sec.tolist()
    assert np.all(np.diff(one.onset_sec) >= 0)
    assert np.diff(one.onset_sec).max() > 2 * 60.0 / BPM
    assert one.bars.number[-1] > 60


def test_a_goal_is_met_or_not(capsys):
    """At least and at most, the bound included; a figure that is none meets nothing."""
    assert at_least("share", 0.9, 0.9).met and not at_least("share", 0.899, 0.9).met
    assert at_most("error", 0.04, 0.04).met and not at_most("error", 0.041, 0.04).met
    assert not at_least("share", np.nan, 0.9).met and not at_most("error", np.nan, 0.9).met
    assert conclude([at_least("share", 0.95, 0.9), at_most("error", 0.1, 0.04, "ms")]) == 1
    printed = capsys.readouterr().out
    assert "0.950    at least 0.9: met" in printed
    assert "0.100 ms at most 0.04: NOT MET" in printed
    assert conclude([at_least("share", 0.95, 0.9)]) == 0


def sheet_of(right: list[bool], oracle: list[bool], takes: int = 11) -> Sheet:
    """Some sixteenths of a player of 100 BPM and 12 ms, a tenth of them free, none called so."""
    size = len(right)
    free = np.arange(size) % 10 == 0
    both = {"improv": np.array(right), "oracle": np.array(oracle)}
    return Sheet(
        np.arange(size) % takes,
        np.full(size, 100.0),
        np.full(size, 12.0),
        np.full(size, 150.0),
        np.where(free, -1, KEYS.index("half-unit")),
        np.zeros(size, dtype=bool),
        both,
        both,
        {"improv": free & (np.arange(size) % 20 == 0), "oracle": free},
    )


def test_the_goals_of_the_solos_by_hand():
    """90 of 100 right against 96: 0.9375 of the oracle; half of the free notes: F1 2/3."""
    sheet = sheet_of([i >= 10 for i in range(100)], [i >= 4 for i in range(100)])
    ratio, middle, free = goals_of(sheet)
    # Of the ten free notes (0, 10, ... 90) improv has nine right, as has the oracle.
    on_grid = (81 / 90) / (87 / 90)
    assert (ratio.value, ratio.met) == (pytest.approx(on_grid), False)
    assert ratio.what == "vs oracle: filled grids, 90 notes"
    assert (middle.value, middle.met) == (0.9, False)
    assert (free.value, free.met) == (pytest.approx(2 / 3), False)


def test_a_ratio_of_few_takes_is_shown_and_not_judged():
    """Nine takes: in brackets, beside their notes and takes, and no goal."""
    sheet = sheet_of([True] * 90, [i >= 9 for i in range(90)], takes=9)
    goals = goals_of(sheet)
    assert goals and not any("oracle" in goal.what for goal in goals)
    line = next(row for row in table(sheet).splitlines() if row.startswith("all "))
    assert line.split() == ["all", "90", "9", "1.000", "0.900", "(1.111)"]


def test_the_speed_benchmark_prints_its_goals(capsys):
    """A short take and one long one: goals with their figures, and a status that sums them up."""
    status = speed.main(["--notes", "1000", "--repeats", "1"])
    printed = capsys.readouterr().out
    assert printed.count("at most") == 3
    assert status == ("NOT MET" in printed)


def test_the_solos_benchmark_prints_its_table(capsys):
    """One command, one table; the same seeds give the same figures."""
    printed = []
    for _ in range(2):
        assert run_benchmarks.main(["solos", "--takes", "2", "--tuning", "--only", "nearest"]) == 0
        printed.append(capsys.readouterr().out)
    assert printed[0] == printed[1]
    assert "share right" in printed[0] and "70-200 BPM, 6-25 ms" in printed[0]


@pytest.mark.parametrize(
    ("name", "expected", "goals"),
    [
        (
            "calibration",
            ["notes        calls", "phrases      calls", "expected calibration error"],
            2,
        ),
        (
            "estimates",
            ["swing ratio (pairs)", "constant offset, ms", "spread, share", "drift, BPM"],
            4,
        ),
    ],
)
def test_calibration_and_estimates_print_their_tables(capsys, name, expected, goals):
    """Two takes each: every table is there, no figure is missing, the status sums up the goals."""
    status = run_benchmarks.main([name, "--takes", "2", "--tuning"])
    printed = capsys.readouterr().out
    assert all(text in printed for text in expected)
    assert "nan" not in printed
    assert printed.count(": met") + printed.count(": NOT MET") == goals
    assert status == ("NOT MET" in printed)


def test_failures_are_listed_worst_first():
    """Each line gives notes and how many of them were wrong; the first has most."""
    lines = failures(range(4), fewest=1)
    counts = [re.search(r"(\d+) +(\d+)  (?:filled|written|run) ", line) for line in lines]
    notes, wrong = zip(*((int(c[1]), int(c[2])) for c in counts if c), strict=True)
    assert len(wrong) == len(lines) and list(wrong) == sorted(wrong, reverse=True)
    assert all(0 < bad <= all_notes for bad, all_notes in zip(wrong, notes, strict=True))
