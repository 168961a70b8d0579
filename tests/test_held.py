"""What one attempt is, when it failed, and what is held: through the whole core, and by hand."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import hand_made
import numpy as np
import pytest
from core_takes import scattered, take_of
from hand_made import analysis, phrase

from improv import Analysis, analyze
from improv.attempts import ATTEMPT_BEATS, attempts_in
from improv.held import Played, is_held, rate_stays, subdivisions_played
from improv.practice import Advice, advise
from improv.practice_words import not_held_text


def even(per_beat: float, bars: int) -> list[float]:
    """Every place of a subdivision in so many bars of four."""
    return [i / per_beat for i in range(int(4 * bars * per_beat))]


FLOAT = [*even(4, 1), *(4.0 + np.cumsum(np.full(14, 1 / 4.55))).tolist()]
"""A bar of sixteenths, then 14 notes at 4.55 to the beat."""
FASTER = [*even(4, 1), *(4.1 + np.cumsum(np.full(18, 1 / 5.6))).tolist()]
"""A bar of sixteenths, then 18 notes at 5.6 to the beat."""


def played(*phrases: Sequence[float], bpm: float = 96.0, spread_ms: float = 8.0) -> Analysis:
    """Phrases with at least a bar of rest between, each from a bar line on, by one hand."""
    beats: list[float] = []
    for beats_of_one in phrases:
        first = 4.0 * (np.ceil(beats[-1] / 4.0) + 1.0) if beats else 0.0
        beats += [first + beat for beat in beats_of_one]
    late_ms = scattered(len(beats), spread_ms, 3)
    return analyze(take_of(np.array(beats), bpm, late_ms=late_ms))


def told(advice: Advice) -> tuple[str | None, str | None, float | None]:
    """What to hold, what comes next, and at which tempo."""
    return advice.hold, advice.next, advice.tempo_bpm


EIGHTHS, SIXTEENTHS = even(2, 3), even(4, 3)


@pytest.mark.parametrize(
    ("phrases", "hold", "bpm"),
    [
        ([even(4, 8), FLOAT], "sixteenths", 72.0),  # two attempts and one that failed
        ([EIGHTHS, FLOAT], "eighths", 72.0),
        ([EIGHTHS, SIXTEENTHS, EIGHTHS, FLOAT], "eighths", 72.0),
        ([EIGHTHS, SIXTEENTHS, SIXTEENTHS, SIXTEENTHS, FLOAT], "eighths", 72.0),
        ([EIGHTHS, *[SIXTEENTHS] * 5, FLOAT], "sixteenths", 86.0),  # 1 of 6: held, nine tenths
    ],
)
def test_a_failed_attempt_is_one_at_what_it_was_meant_for(
    phrases: list[list[float]], hold: str, bpm: float
) -> None:
    """Sixteenths that float are asked for more slowly, and never sextuplets that nobody tried."""
    advice = advise(played(*phrases))
    assert told(advice) == (hold, "sixteenths", bpm)
    assert advice.no_runs and "sextuplets" not in advice.text
    assert ("faster run" in advice.text) == (hold == "eighths")


@pytest.mark.parametrize(
    ("phrases", "following"),
    [
        ([EIGHTHS, SIXTEENTHS, SIXTEENTHS], "96"),  # nothing failed: at the take's own tempo
        ([EIGHTHS, SIXTEENTHS, SIXTEENTHS, FASTER], "72"),  # sextuplets were tried
    ],
)
def test_what_was_meant_to_be_denser_is_still_a_faster_run(
    phrases: list[list[float]], following: str
) -> None:
    """Sixteenths stay held where all of them stay, whatever became of sextuplets."""
    advice = advise(played(*phrases))
    assert advice.hold == "sixteenths" and advice.next == "sextuplets"
    assert f"sextuplets at {following} BPM" in advice.text
    assert ("a faster run left the grid" in advice.text) == advice.no_runs == (following == "72")


def test_advice_from_many_takes_does_not_flip() -> None:
    """Every other take floats: over the first one, two, three or four the advice is the same."""
    floats, holds = played(EIGHTHS, SIXTEENTHS, FLOAT), played(EIGHTHS, SIXTEENTHS, SIXTEENTHS)
    takes = [floats, holds, floats, holds]
    for count in range(1, 5):
        assert told(advise(*takes[:count])) == ("eighths", "sixteenths", 72.0)
    assert told(advise(holds, holds)) == ("sixteenths", "sextuplets", 96.0)


@pytest.mark.parametrize(
    ("notes", "per_beat", "attempts"),
    [
        (3, 4.0, 0),  # fewer than any run has
        (4, 4.0, 1),
        (127, 4.0, 1),  # 32 beats of sixteenths are 128 notes, by hand
        (128, 4.0, 2),
        (512, 4.0, 8),
        (128, 2.0, 4),
    ],
)
def test_a_long_phrase_is_more_than_one_attempt(notes: int, per_beat: float, attempts: int) -> None:
    """A phrase is one attempt, of a long one every sixteen beats' worth of notes."""
    assert ATTEMPT_BEATS == 16.0
    assert attempts_in(np.array([notes]), np.array([per_beat])).tolist() == [attempts]


def test_one_slip_in_a_long_phrase_does_not_undo_it() -> None:
    """Of 32 bars without a rest the last floats: one attempt of seven, and still held."""
    bars = even(4, 31)
    advice = advise(played([*bars, *(124.0 + np.cumsum(np.full(14, 1 / 4.55))).tolist()]))
    assert told(advice) == ("sixteenths", "sixteenths", 86.0)
    assert "at 96 BPM 1 of 7 attempts at them left the grid" in advice.text


def tried(attempts: int, failed: int, on: int = 80, off: int = 0) -> Played:
    """Sixteenths of a steady hand, so many attempts at them, so many failed."""
    return Played("sixteenths", 4.0, on, 12.0, off, 156.0, 0.95, attempts, failed)


@pytest.mark.parametrize(
    ("one", "held", "said"),
    [
        (tried(5, 1), True, ""),
        (tried(10, 2, 80, 20), True, ""),
        (tried(0, 0), True, ""),
        (tried(4, 1, 80, 5), False, "1 of 4 attempts at them left the grid"),
        (tried(1, 1, 80, 9), False, "the one attempt at them left the grid"),
        (tried(10, 2, 79, 21), False, "only 79 % of the notes of all attempts at them"),
        (tried(24, 12, 850, 180), False, "12 of 24 attempts at them left the grid"),
    ],
)
def test_held_by_attempts_and_by_notes(one: Played, held: bool, said: str) -> None:
    """Four in five of both, and the one that is less is what is told."""
    assert is_held(one, 20.0) is held
    if said:
        assert said in not_held_text(one, 20.0, 96.0)


def test_swung_and_straight_at_one_rate_stay_together() -> None:
    """Half of the sixteenths leave the grid: a few swung ones are not held in their stead."""
    swung = dataclasses.replace(tried(1, 0, 23), subdivision="swung sixteenths")
    eighths = Played("eighths", 2.0, 80, 12.0, 0, 312.0)
    failing, steady = tried(24, 12, 850, 180), tried(24, 2, 850, 30)
    assert not rate_stays(swung, [eighths, failing, swung])
    assert rate_stays(swung, [eighths, steady, swung])
    assert rate_stays(eighths, [eighths, failing, swung])


def test_what_failed_at_its_rate_is_not_counted_as_its_own() -> None:
    """Swung sixteenths of which none failed, beside straight ones that did: no "0 of 9"."""
    swung = Played("swung sixteenths", 4.0, 200, 12.0, 0, 150.0, attempts=9, failed=0)
    said = not_held_text(swung, 20.0, 96.0)
    assert said == "runs of as many notes to the beat left the grid"


@pytest.mark.parametrize("as_told", ["quarters", "eighths"])
def test_only_what_the_report_names_is_held(as_told: str) -> None:
    """Phrases told to be quarters: no advice about eighths below, and the other way round."""
    walking = [b + off for b in range(64) for off in ((0.0, 0.5) if b % 8 == 3 else (0.0,))]
    made = analyze(take_of(np.array(walking), 132.0, late_ms=scattered(72, 11.0, 91)))
    per_beat = {"quarters": 1.0, "eighths": 2.0}[as_told]
    said = [
        dataclasses.replace(p, subdivision=as_told, per_beat=per_beat, passages=())
        for p in made.phrases
    ]
    notes = dataclasses.replace(
        made.notes,
        subdivision_name=tuple("eighths" if i % 3 else "quarters" for i in range(72)),
        per_beat=np.where(np.arange(72) % 3, 2.0, 1.0),
        subdivision=np.where(np.arange(72) % 3, hand_made.INDEX["unit"], hand_made.INDEX["beat"]),
        confidence=np.full(72, 0.95),
    )
    made = dataclasses.replace(made, phrases=tuple(said), notes=notes)
    assert {"quarters", "eighths"} == {p.subdivision for p in subdivisions_played([made])}
    assert advise(made).hold == as_told


@pytest.mark.parametrize(
    ("step_beat", "bpm", "in_a_row"),
    [(0.75, 120.0, False), (0.25, 90.0, True)],
)
def test_dotted_eighths_are_no_sixteenths_held(
    step_beat: float, bpm: float, in_a_row: bool
) -> None:
    """375 ms apart all the way: the grid is that of sixteenths, no hand has played any."""
    made = played(*[[step_beat * i for i in range(9)]] * 8, bpm=bpm)
    (one,) = subdivisions_played([made])
    assert one.subdivision == "sixteenths" and one.in_a_row is in_a_row
    advice = advise(made)
    if in_a_row:
        assert told(advice) == ("sixteenths", "sextuplets", 90.0)
    else:
        assert told(advice) == ("sixteenths", "sixteenths", 120.0)
        assert "Hold" not in advice.text and "sextuplets" not in advice.text
        assert "sixteenths in a row at 120 BPM, 125 ms apart" in advice.text


@pytest.mark.parametrize(
    ("together", "alone", "in_a_row"),
    [(2, 16, False), (8, 8, True), (8, 9, False), (16, 60, True), (15, 60, False), (16, 0, True)],
)
def test_how_many_neighbours_are_a_row(together: int, alone: int, in_a_row: bool) -> None:
    """Half of the notes, or sixteen, beside another one; the others with two places left out."""
    kinds: list[str | None] = ["half-unit"] * (together + alone)
    said = phrase(1, 0, len(kinds), (1, 40), subdivision="sixteenths", per_beat=4.0)
    made = analysis(kinds, (said,))
    step_sec = 60.0 / (96.0 * 4)
    steps = np.concatenate([np.arange(together), together + 2 + 3 * np.arange(alone)])
    notes = dataclasses.replace(made.notes, onset_sec=steps * step_sec)
    (one,) = subdivisions_played([dataclasses.replace(made, notes=notes)])
    assert one.in_a_row is in_a_row


def test_what_is_held_in_a_row_comes_before_what_is_not() -> None:
    """Eighths note by note and dotted eighths: hold eighths, then sixteenths in a row."""
    dotted = [0.75 * i for i in range(9)]
    advice = advise(played(EIGHTHS, EIGHTHS, *[dotted] * 6, bpm=100.0))
    assert told(advice) == ("eighths", "sixteenths", 100.0)
    assert advice.sentences[0].startswith("Hold eighths")


@pytest.mark.parametrize("ratio", [1.0, 2.0, 3.0])
def test_swung_eighths_are_played_in_a_row(ratio: float) -> None:
    """The long note of a swung pair leaves no place out; nor do rests within a line."""
    share = ratio / (1.0 + ratio)
    line = [beat + part for beat in range(12) for part in (0.0, share) if (beat, part) != (5, 0.0)]
    made = played(line, line, line, bpm=120.0)
    assert all(p.in_a_row for p in subdivisions_played([made]) if p.events >= 16)


def test_attempts_are_counted_phrase_by_phrase() -> None:
    """By hand: three phrases of eighths, a fourth whose nine notes left the grid."""
    kinds: list[str | None] = ["unit"] * 60 + [None] * 9
    phrases = (*(phrase(i + 1, 20 * i, 20 * i + 20, (4 * i, 4 * i + 3)) for i in range(3)),
               phrase(4, 60, 69, (13, 14), subdivision=None, verdict="off the grid"))  # fmt: skip
    run = hand_made.run(60, 69, 4, notes_per_beat=2.2)
    (one,) = subdivisions_played([analysis(kinds, phrases, (run,))])
    assert (one.attempts, one.failed, one.events, one.off_grid_events) == (4, 1, 60, 9)
    assert one.attempts_share == 0.75 and one.notes_share == pytest.approx(60 / 69)
