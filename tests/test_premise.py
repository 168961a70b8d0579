"""Is the stated tempo, is the stated start likely? Takes that must be doubted and that must not."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from core_takes import take_of

from improv import Take, analyze
from improv.assignments.proposal import propose
from improv.errors import TakeError
from improv.headline import constant_offset
from improv.model import Floats
from improv.practice import advise
from improv.premise import suspicion
from improv.tempo import constant_tempo
from improv.tempo_fit import Folded

BARS = 16


def line(*in_bar: float) -> Floats:
    """One rhythm in every bar of 4/4."""
    return np.concatenate([4.0 * bar + np.array(in_bar) for bar in range(BARS)])


EIGHTHS = line(*np.arange(8) / 2)
MIXED = line(0, 1, 1.5, 2, 2.25, 2.5, 2.75, 3)
SWUNG = line(*np.add.outer(np.arange(4), (0, 0.64)).ravel())
OFFBEATS = line(0.5, 1.5, 2.5, 3.5)
TRIPLETS = line(*np.arange(12) / 3)
SIXTEENTHS = line(*np.arange(16) / 4)


def scattered(beats: Floats, late_ms: float | Floats = 0.0, bpm: float = 100.0) -> Take:
    """A line with 12 ms of scatter."""
    noise = np.random.default_rng(3).normal(0.0, 12.0, len(beats))
    return take_of(beats, bpm, late_ms=late_ms + noise)


def stated_at(take: Take, bpm: float) -> Take:
    """The same notes over a backing stated at another tempo."""
    return replace(take, tempo_map=constant_tempo(bpm, take.tempo_map.start_sec[0]), tempo_bpm=bpm)


@pytest.mark.parametrize(
    "beats", [EIGHTHS, MIXED, SWUNG, TRIPLETS], ids=["eighths", "mixed", "swung", "triplets"]
)
@pytest.mark.parametrize("wrong", [0.96, 0.99, 1.01, 1.04])
def test_a_wrong_tempo_is_doubted(beats: Floats, wrong: float) -> None:
    """The tempo that was played is named to a tenth, and which way the notes go if it is right."""
    (said,) = analyze(stated_at(scattered(beats), 100.0 * wrong)).warnings
    (fits,) = re.findall(r"fit a steady ([\d.]+)", said)
    assert float(fits.rstrip(".")) == pytest.approx(100.0, abs=0.1)
    assert ("rushes" if wrong < 1 else "drags") in said


def loose(beats: Floats, kept: float, times: int) -> Take:
    """A line of which a share is kept, so many times over, with 20 ms of scatter."""
    random = np.random.default_rng(5)
    long = np.concatenate([beats + 4.0 * BARS * i for i in range(times)])
    long = long[random.random(len(long)) < kept]
    return take_of(long, 100.0, late_ms=random.normal(0.0, 20.0, len(long)))


FAR = {
    "eighths": scattered(EIGHTHS),
    "mixed": scattered(MIXED),
    "triplets": scattered(TRIPLETS),
    "swung": scattered(SWUNG),
    "long and loose": loose(SIXTEENTHS, 0.75, 3),
}


@pytest.mark.parametrize("name", FAR)
@pytest.mark.parametrize("wrong", [0.83, 0.9, 1.1, 1.15])
def test_a_tempo_far_from_the_stated_one_is_found(name: str, wrong: float) -> None:
    """A recorder writes 120 whatever is played: the notes name the tempo that they keep."""
    made = analyze(stated_at(FAR[name], 100.0 * wrong))
    assert made.doubt is not None and made.doubt.about == "tempo"
    assert any(f" {bpm} " in made.doubt.sentence for bpm in ("100.0", "99.9", "100.1"))


def fingers(notes: int, seed: int) -> Take:
    """Phrases of one steady rate, off every grid at 100 BPM, each begun anywhere."""
    random = np.random.default_rng(seed)
    at: list[float] = []
    begin = 0.0
    while len(at) < notes:
        size = int(random.integers(5, 14))
        at += (begin + 0.22 * np.arange(size) + random.normal(0.0, 0.012, size)).tolist()
        begin = at[-1] + random.uniform(0.6, 2.0)
    return take_of(np.sort(np.array(at[:notes])) / 0.6, 100.0)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("notes", [120, 240])
def test_fingers_at_a_rate_of_their_own_are_no_other_tempo(notes: int, seed: int) -> None:
    """Every phrase runs at the same rate, but none keeps step with the last."""
    assert suspicion(fingers(notes, seed), fits_badly=True) is None


@pytest.mark.parametrize(
    ("beats", "late_beat"),
    [
        (EIGHTHS, 0.25),
        (EIGHTHS, -0.3),
        (MIXED, -0.2),
        (MIXED, 0.3),
    ],
)
def test_a_wrong_start_is_doubted(beats: Floats, late_beat: float) -> None:
    """Steady notes beside every beat: the sentence says by how much, and on which side."""
    (said,) = analyze(scattered(beats + late_beat)).warnings
    assert "bar 1 probably begins elsewhere" in said
    assert ("behind" if late_beat > 0 else "ahead of") in said
    at_ms = float(said.split(" ms ")[0].rsplit(" ", 1)[1])
    assert at_ms == pytest.approx(abs(late_beat) * 600, abs=12)


@pytest.mark.parametrize(
    "take",
    [
        scattered(EIGHTHS),
        scattered(EIGHTHS, 35.0),
        scattered(EIGHTHS, -30.0),
        scattered(SWUNG),
        scattered(OFFBEATS),
        scattered(SIXTEENTHS),
        scattered(EIGHTHS, np.tile(np.linspace(0, 120, 32), 4)),
        scattered(EIGHTHS, np.tile(np.linspace(0, 180, 16), 8)),
        scattered(np.sort(np.random.default_rng(1).uniform(0, 64, 120))),
        scattered(EIGHTHS[:20], 120.0),
    ],
    ids=["right", "laid back", "pushing", "swung", "offbeats", "sixteenths", "drags by phrase",
         "drags by two bars", "random", "few notes"],
)  # fmt: skip
def test_ordinary_playing_is_not_doubted(take: Take) -> None:
    """Leaning, swinging, syncopating and dragging phrase by phrase are playing, not mistakes."""
    assert suspicion(take, fits_badly=True) is None


def test_bars_that_change_meter_are_not_examined() -> None:
    """There is no one bar to fold them onto."""
    assert Folded.of(take_of(np.arange(64) / 2, 100.0, "9/8+10/8")) is None


def test_other_tempi_are_tried_for_takes_that_fit_badly_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The search takes some time; a player who lies 35 ms behind every beat is no reason."""
    asked: list[bool] = []

    def note(take: Take, fits_badly: bool) -> None:
        asked.append(fits_badly)

    monkeypatch.setattr("improv.analysis.suspicion", note)
    analyze(scattered(EIGHTHS, 35.0))
    analyze(stated_at(scattered(EIGHTHS), 97.0))
    assert asked == [False, True]


def test_nothing_is_built_on_a_doubtful_premise() -> None:
    """No constant offset, no advice, no assignment: first the tempo or the start must be right."""
    made = analyze(stated_at(scattered(EIGHTHS), 97.0))
    assert made.doubt is not None and made.doubt.about == "tempo"
    assert made.doubt.sentence in made.warnings
    assert constant_offset(made) is None
    advice = advise(made)
    assert advice.hold is None and "Make sure of the tempo" in advice.text
    with pytest.raises(TakeError, match="fit a steady 100"):
        propose([made])


@pytest.mark.parametrize("seed", range(8))
def test_a_habit_in_dense_playing_is_no_wrong_start(seed: int) -> None:
    """Four bars of busy 5/4, 45 ms ahead: a sixteenth later lies as near, and is not asked for."""
    random = np.random.default_rng(seed)
    beats = np.arange(80) / 4
    beats = beats[random.uniform(size=80) < np.tile([0.75, 0.9, 0.75, 0.9], 20)]
    late_ms = random.normal(-45.0, 12.0, len(beats))
    assert suspicion(take_of(beats, 110.0, "5/4", late_ms), fits_badly=False) is None


def test_a_few_notes_tell_no_start() -> None:
    """The same playing that is doubted over 16 bars is not over four."""
    late = scattered(line(0, 1, 2, 3) + 0.3)
    assert suspicion(late, fits_badly=False) is not None
    few = scattered(line(0, 1, 2, 3)[:28] + 0.3)
    assert suspicion(few, fits_badly=False) is None


@pytest.mark.parametrize("beats", [EIGHTHS, MIXED, SIXTEENTHS], ids=["eighths", "mixed", "dense"])
@pytest.mark.parametrize("stated", [83.0, 90.0, 112.0, 140.0])
def test_the_tempo_of_the_file_is_a_candidate(beats: Floats, stated: float) -> None:
    """Stated far from what was played, and the file says what that was: it is named, no advice."""
    take = scattered(beats)
    wrong = replace(stated_at(take, stated), file_tempo_map=take.tempo_map)
    made = analyze(wrong)
    assert made.doubt is not None and made.doubt.about == "tempo"
    assert f"the file's own tempo of 100 BPM far better than {stated:g}" in made.doubt.sentence
    advice = advise(made)
    assert advice.hold is None and advice.tempo_bpm is None


@pytest.mark.parametrize("file_bpm", [120.0, 100.0, 75.0, 200.0, 50.0])
def test_a_stated_tempo_that_was_played_is_believed(file_bpm: float) -> None:
    """Many recorders write any tempo; and half or double the tempo is a way of counting."""
    for beats in (EIGHTHS, MIXED, SWUNG, SIXTEENTHS):
        take = replace(scattered(beats, 20.0), file_tempo_map=constant_tempo(file_bpm))
        assert analyze(take).doubt is None


def test_an_unsteady_take_does_not_keep_the_tempo_of_its_file() -> None:
    """Notes anywhere fit no tempo better than another."""
    notes = np.sort(np.random.default_rng(4).uniform(0, 64, 120))
    take = replace(scattered(notes), file_tempo_map=constant_tempo(120.0))
    assert suspicion(take, fits_badly=True) is None
