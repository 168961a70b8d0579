"""`improv safety` on takes written note by note: exact ones, runs that leave the grid."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import mido
import numpy as np
import pytest
from click.testing import CliRunner, Result

from improv.cli import cli

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
TICKS = 480


pytestmark = pytest.mark.usefixtures("own_log")


def run(*words: object) -> Result:
    """One call of the command line, tracebacks let through."""
    return CliRunner().invoke(cli, [str(w) for w in words], catch_exceptions=False)


def write(path: Path, onset_beat: Sequence[float], bpm: float) -> Path:
    """Single notes at these beats, in ticks, after a bar of rest."""
    file = mido.MidiFile(ticks_per_beat=TICKS)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
    at = 0
    for i, beat in enumerate(onset_beat):
        tick = round((4.0 + beat) * TICKS)
        pitch = 60 + (5 * i) % 12
        track.append(mido.Message("note_on", note=pitch, velocity=80, time=tick - at))
        track.append(mido.Message("note_off", note=pitch, velocity=0, time=40))
        at = tick + 40
    file.save(path)
    return path


def bars(per_beat: int, first: int, count: int) -> list[float]:
    """Every place of a subdivision in so many bars of four."""
    return [4.0 * first + i / per_beat for i in range(4 * count * per_beat)]


def keep(folder: Path, takes: Sequence[Sequence[float]], bpm: float = 90.0) -> None:
    """The takes in the log, a day apart."""
    for day, onset_beat in enumerate(takes, 1):
        path = write(folder / f"take-{day}.mid", onset_beat, bpm)
        done = run("log", "add", path, "--count-in", 1, "--player", "Ana",
                   "--date", f"2026-01-0{day}")  # fmt: skip
        assert done.exit_code == 0, done.stderr


def human(beats: Sequence[float], seed: int, spread_beat: float = 0.02) -> list[float]:
    """The same beats by a hand that scatters."""
    return list(np.array(beats) + np.random.default_rng(seed).normal(0.0, spread_beat, len(beats)))


def test_exact_takes_are_no_map(tmp_path: Path) -> None:
    """Three quantised takes have no spread to measure: that is said, with no traceback."""
    keep(tmp_path, [bars(2, 0, 4 + n) for n in range(3)])
    done = run("safety")
    assert done.exit_code == 2
    assert "no spread can be measured, for the notes lie exactly on the grid" in done.stderr


def test_what_is_exact_is_left_out(tmp_path: Path) -> None:
    """Sixteenths exact, eighths human: eighths are mapped, sixteenths named as left out."""
    takes = [human(bars(2, 0, 6), seed) + bars(4, 7, 4) for seed in range(3)]
    keep(tmp_path, takes)
    done = run("safety")
    assert done.exit_code == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "Left out: sixteenths (no spread to measure: exactly on the grid, or few" in said
    told = json.loads(run("safety", "--format", "json").stdout)
    assert [row["subdivision"] for row in told["subdivisions"]] == ["eighths"]
    assert told["left_out"] == [{"subdivision": "sixteenths", "reason": "no spread to measure"}]


def test_runs_that_leave_the_grid_are_on_the_map() -> None:
    """Runs at 4.5 to the beat failed at sixteenths: on the map, and asked for more slowly.

    As the advice on the take itself says; no quintuplets, which nobody played.
    """
    take = EXAMPLES / "tarek-floats.mid"
    assert run("log", "add", take, "--count-in", 1, "--player", "Tarek").exit_code == 0
    told = json.loads(run("safety", "--format", "json").stdout)
    assert [row["subdivision"] for row in told["subdivisions"]] == ["eighths", "sixteenths"]
    assert told["subdivisions"][1]["limit"] == "runs leave the grid"
    assert told["next"]["subdivision"] == "sixteenths" and told["next"]["tempo_bpm"] == 72
    said = "Stay on eighths at 96 BPM; attempts at sixteenths left the grid at 96 BPM"
    assert told["next"]["text"].startswith(said)
    advice = " ".join(run("analyze", take, "--count-in", 1).stdout.split())
    assert "Then sixteenths at 72 BPM" in advice


def with_runs(seed: int) -> list[float]:
    """Bars of sixteenths, every fifth with nine notes at 4.2 speeding up to 5.1 to the beat."""
    steps = 1.0 / (4.65 * (0.9 + 0.2 * np.arange(9) / 9))
    run_beats = [0.0, 0.5, 1.0, *(1.6 + np.cumsum(steps) - steps[0]).tolist()]
    beats: list[float] = []
    for bar in range(15):
        beats += [4.0 * bar + b for b in run_beats] if bar % 5 == 4 else bars(4, bar, 1)
    return human(beats, seed, 0.009)


def test_no_faster_for_the_map_where_the_advice_says_so(tmp_path: Path) -> None:
    """Every phrase of sixteenths ends off the grid: neither asks for more tempo."""
    keep(tmp_path, [with_runs(seed) for seed in range(3)], bpm=80.0)
    advice = " ".join(run("analyze", tmp_path / "take-3.mid", "--count-in", 1).stdout.split())
    assert "Stay on sixteenths, at 60 BPM, and play nothing faster" in advice
    assert "3 of 3 attempts at them left the grid" in advice
    told = json.loads(run("safety", "--format", "json").stdout)["next"]
    assert (told["subdivision"], told["tempo_bpm"]) == ("sixteenths", 60.0)
    assert "on the last three days at 80 BPM 9 of 9 attempts at sixteenths left" in told["text"]


def floating(seed: int) -> list[float]:
    """Eighths, then sixteenths whose third bar goes at 4.55 to the beat, twice over."""
    run_beats = (8.0 + np.cumsum(np.full(14, 1 / 4.55))).tolist()
    beats: list[float] = []
    for bar in (0, 8):
        beats += bars(2, bar, 3)
        beats += bars(4, bar + 4, 2) + [4.0 * (bar + 4) + b for b in run_beats]
    return human(beats, seed, 0.012)


def steady(seed: int) -> list[float]:
    """The same, with all of its sixteenths on the grid."""
    return human([*bars(2, 0, 3), *bars(4, 4, 3), *bars(2, 8, 3), *bars(4, 12, 3)], seed, 0.012)


@pytest.mark.parametrize(
    ("kinds", "asked"),
    [
        ("fsfsfs", "sixteenths at 72"),  # half of all float; the last day does not
        ("sssfsf", "sixteenths at 72"),
        ("ssssss", "raise"),
        ("fffsss", "raise"),  # what was so before the last three days is not held against it
    ],
)
def test_the_map_agrees_with_what_was_heard_last(tmp_path: Path, kinds: str, asked: str) -> None:
    """One take a day at 96 BPM, floating or steady."""
    makers = {"f": floating, "s": steady}
    keep(tmp_path, [makers[kind](seed) for seed, kind in enumerate(kinds)], bpm=96.0)
    told = json.loads(run("safety", "--format", "json").stdout)["next"]
    if asked == "raise":
        assert told["tempo_bpm"] > 96.0 and "raise the tempo" in told["text"]
        advice = " ".join(run("analyze", tmp_path / "take-6.mid", "--count-in", 1).stdout.split())
        assert "nothing faster" not in advice
    else:
        assert (told["subdivision"], told["tempo_bpm"]) == ("sixteenths", 72.0)
        assert "on the last three days at 96 BPM" in told["text"]
        assert "raise" not in told["text"] and "safe" not in told["text"]


def test_tempo_asked_for_is_the_tempo_played(tmp_path: Path) -> None:
    """A file's 90 BPM is 89.99995 in whole microseconds, and is 90 all the same."""
    keep(tmp_path, [human(bars(2, 0, 12), seed, 0.09) for seed in range(3)])
    told = json.loads(run("safety", "--format", "json").stdout)["next"]
    assert told["tempo_bpm"] == 90.0 and "play them at 90 BPM" in told["text"]


@pytest.mark.parametrize(("rate", "count"), [(2.45, 9), (2.7, 7), (3.5, 9)])
def test_a_lone_run_of_the_latest_take_stops_the_map(
    tmp_path: Path, rate: float, count: int
) -> None:
    """Sixteenths were held before; over eighths one faster run left the grid: no more tempo.

    The run is slower than sixteenths, but faster than anything the take itself holds.
    """
    lone = [4.0 * 9 + 1.6 + i / rate for i in range(count)]
    eighths = [*bars(2, 0, 9), 36.0, 36.5, 37.0, *lone, *bars(2, 11, 4)]
    keep(tmp_path, [human(bars(4, 0, 12), seed, 0.009) for seed in range(3)]
         + [human(eighths, 7, 0.009)], bpm=80.0)  # fmt: skip
    advice = " ".join(run("analyze", tmp_path / "take-4.mid", "--count-in", 1).stdout.split())
    assert "Hold eighths" in advice and "Play nothing faster" in advice
    told = json.loads(run("safety", "--format", "json").stdout)["next"]
    assert told["tempo_bpm"] == 80.0
    assert "play nothing faster until fast runs stay on the grid" in told["text"]
