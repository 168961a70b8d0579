"""Every kind of requirement: takes that must pass and takes that must fail.

Each at two tempi and in two meters, simple and compound. The takes are simulated, with
known truth; the hand lays back and scatters as players do. A "pass" must be met, a "fail"
not met; "can't tell" is wrong in both, for the margins here are wide.
"""

from __future__ import annotations

import re
from functools import cache

import pytest

from improv.analysis import analyze
from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, Outcome, Verdict
from improv.model import Analysis
from improv.synth import FreeRun, Hand, Line, Piece, Rest, Stretch, play
from tests.assigned import RUNS

HAND = Hand(offset_ms=12.0, spread_ms=9.0)
GROUNDS = (("4/4", 88.0), ("4/4", 126.0), ("6/8", 58.0), ("6/8", 76.0))
BEATS = {"4/4": 4, "6/8": 2}
QUARTERS = {"4/4": "quarters", "6/8": "dotted quarters"}
COARSE = {"4/4": "half notes", "6/8": "dotted halves"}
THREES = {"4/4": "eighth triplets", "6/8": "duplets"}


def check(
    meter: str, tempo: float, asks: str, pieces: tuple[Piece, ...], hand: Hand = HAND,
    drift_bpm: float = 0.0, bars: str = "1-8", part: int = 1,
) -> Verdict:  # fmt: skip
    """The verdict on one simulated take."""
    text = f'tempo = {tempo}\nmeter = "{meter}"\n[[section]]\nbars = "{bars}"\n{asks}\n'
    return judge(parse_assignment(text), heard(meter, tempo, pieces, hand, drift_bpm), part)


@cache
def heard(
    meter: str, tempo: float, pieces: tuple[Piece, ...], hand: Hand, drift_bpm: float
) -> Analysis:
    """The analysis of a simulated take; many rows of the tables share one."""
    take, _ = play(Line(pieces, meter, tempo, drift_bpm=drift_bpm), hand, seed=11)
    return analyze(take)


def bars_of(meter: str, *names: str, filled: float = 1.0) -> tuple[Piece, ...]:
    """One bar of each name; "-" is a bar of rest."""
    beats = BEATS[meter]
    return tuple(Rest(beats) if n == "-" else Stretch(n, beats, filled) for n in names)


Table = dict[str, tuple[str, tuple[str, ...]]]
"""What is played -> what is asked and the eight bars, in the words of 4/4."""

EIGHT = ("eighths",) * 8
PASS: Table = {
    "eighths on eighths": ('stay-on = "eighths"', EIGHT),
    "coarser notes on eighths": ('stay-on = "eighths"', ("eighths", "quarters") * 4),
    "rests on eighths": ('stay-on = "eighths"', ("eighths", "eighths", "-", "eighths") * 2),
    "eighths under sixteenths": ('stay-on = "sixteenths"', ("eighths", "sixteenths") * 4),
    "two of two allowed": ('allowed = ["eighths", "threes"]', ("eighths", "threes") * 4),
    "one of two allowed": ('allowed = ["eighths", "threes"]', EIGHT),
    "turns every bar": ('alternate = ["eighths", "coarse"]', ("eighths", "coarse") * 4),
    "turns every two": (
        'alternate = ["eighths", "coarse"]\nevery = 2',
        ("eighths", "eighths", "coarse", "coarse") * 2,
    ),
    "enough notes beside rests": (
        'alternate = ["rest", "eighths"]\nleast-notes = BEATS', ("-", "eighths") * 4,
    ),
    "turns with rests": ('alternate = ["eighths", "rest"]', ("eighths", "-") * 4),
    "at the ceiling": ('nothing-faster-than = "eighths"', EIGHT),
    "under the ceiling": ('nothing-faster-than = "sixteenths"', ("eighths", "quarters") * 4),
    "fast runs on the grid": ("no-off-grid-runs = true", ("eighths", "sixteenths") * 4),
    "slow notes have no runs": ("no-off-grid-runs = true", ("eighths", "quarters") * 4),
    "just enough notes": ("least-notes = BEATS", ("quarters", "eighths") * 4),
    "more than enough notes": ("least-notes = 2", EIGHT),
    "straight in a straight band": ('stay-on = "halves"\nswing = [0.8, 1.25]', ("halves",) * 8),
    "tight pocket": ("pocket = { share = 0.8, within-ms = 20 }", EIGHT),
    "pocket in per cent": ("pocket = { share = 0.8, within-percent = 12 }", EIGHT),
    "pocket by default": ("pocket = true", EIGHT),
    "steady within a limit": ("most-drift = 2", EIGHT),
    "steady by default": ("most-drift = true", EIGHT),
}  # fmt: skip
FAIL: Table = {
    "sixteenths on eighths": ('stay-on = "eighths"', ("eighths",) * 6 + ("sixteenths", "eighths")),
    "threes on eighths": ('stay-on = "eighths"', ("eighths", "threes") * 4),
    "eighths on quarters": ('stay-on = "quarters"', ("quarters",) * 5 + ("eighths",) * 3),
    "quintuplets on sixteenths": (
        'stay-on = "sixteenths"', ("sixteenths", "sixteenths", "quintuplets", "quintuplets") * 2,
    ),
    "a third where two are allowed": (
        'allowed = ["eighths", "threes"]', ("eighths", "sixteenths") * 4,
    ),
    "sixteenths where none is allowed": ('allowed = ["quarters", "eighths"]', ("sixteenths",) * 8),
    "never changing": ('alternate = ["eighths", "coarse"]', EIGHT),
    "only the coarser turn": ('alternate = ["eighths", "coarse"]', ("coarse",) * 8),
    "changing a bar late": ('alternate = ["eighths", "coarse"]', ("coarse", "eighths") * 4),
    "silent in a turn beside rests": (
        'alternate = ["eighths", "rest"]', ("eighths", "-", "-", "-") * 2,
    ),
    "playing in a rest": ('alternate = ["eighths", "rest"]', EIGHT),
    "over the ceiling": ('nothing-faster-than = "eighths"', ("eighths", "sixteenths") * 4),
    "far over the ceiling": ('nothing-faster-than = "quarters"', ("quarters", "sixteenths") * 4),
    "silence is not enough": ("least-notes = 1", ("eighths", "eighths", "-", "eighths") * 2),
    "too few notes": ("least-notes = 6", ("eighths",) * 5 + ("coarse",) + ("eighths",) * 2),
    "straight where swing is asked": ('stay-on = "halves"\nswing = [1.5, 3.0]', ("halves",) * 8),
}  # fmt: skip


def worded(text: str, meter: str) -> str:
    """A row of the tables in the words of the meter."""
    for word, name in (
        ("quarters", QUARTERS[meter]), ("threes", THREES[meter]), ("coarse", COARSE[meter]),
        ("halves", "eighths" if meter == "4/4" else "sixteenths"), ("BEATS", str(BEATS[meter])),
    ):  # fmt: skip
        text = text.replace(f'"{word}"', f'"{name}"') if f'"{word}"' in text else text
        text = name if text == word else text
    return text.replace("= BEATS", f"= {BEATS[meter]}")


@cache
def table_verdict(meter: str, tempo: float, asks: str, bars: tuple[str, ...]) -> Verdict:
    """A row of a table, judged."""
    pieces = bars_of(meter, *(worded(bar, meter) for bar in bars))
    return check(meter, tempo, worded(asks, meter), pieces)


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("row", PASS)
def test_must_pass(row: str, meter: str, tempo: float) -> None:
    """Takes that hold what was asked are met."""
    verdict = table_verdict(meter, tempo, *PASS[row])
    assert verdict.state == MET, [(o.kind, o.reason) for o in verdict.outcomes]


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("row", FAIL)
def test_must_fail(row: str, meter: str, tempo: float) -> None:
    """Takes that break what was asked are not met, with a reason and a next step."""
    verdict = table_verdict(meter, tempo, *FAIL[row])
    assert verdict.state == NOT_MET, [(o.kind, o.reason) for o in verdict.outcomes]
    broken = next(o for o in verdict.outcomes if o.state == NOT_MET)
    assert broken.reason and broken.how_far
    assert verdict.next_step == broken.next_step
    assert broken.tempo_asked == ("BPM" in verdict.next_step) == bool(verdict.caution)


def run_pieces(meter: str, rate: float, notes: int) -> tuple[Piece, ...]:
    """Two bars of eighths, a run at `rate`, eighths again."""
    beats = BEATS[meter]
    return (
        Stretch("eighths", 2 * beats), FreeRun((1 / rate,) * notes), Stretch("eighths", 4 * beats),
    )  # fmt: skip


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("asks", ["no-off-grid-runs = true", 'nothing-faster-than = "eighths"'])
def test_a_floating_run_must_fail(asks: str, meter: str, tempo: float) -> None:
    """A run between two subdivisions is off the grid, and faster than eighths."""
    rate = 4.5 if meter == "4/4" else 7.4
    pieces = run_pieces(meter, rate, int(rate * (2 * BEATS[meter] - 1)))
    verdict = check(meter, tempo, asks, pieces)
    assert verdict.state == NOT_MET
    assert "to the beat" in verdict.outcomes[0].reason


SWINGS = ((1.6, MET), (1.9, MET), (2.9, NOT_MET), (1.1, NOT_MET))


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize(("ratio", "state"), SWINGS)
def test_swing_in_a_band(ratio: float, state: str, meter: str, tempo: float) -> None:
    """1.6 and 1.9 lie between 1.4 and 2.2; 2.9 and 1.1 do not."""
    name = "swung eighths" if meter == "4/4" else "swung sixteenths"
    hand = Hand(10.0, 7.0, swing_ratio=ratio, half_swing_ratio=ratio)
    asks = f"{'' if meter == '4/4' else 'stay-on = ' + repr(name)}\nswing = [1.4, 2.2]"
    verdict = check(meter, tempo, asks, bars_of(meter, *(name,) * 8), hand)
    outcome = next(o for o in verdict.outcomes if o.kind == "swing")
    assert outcome.state == state
    assert outcome.value == pytest.approx(ratio, abs=0.05 + 4 * (outcome.standard_error or 0))


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize(
    ("drift", "state"), [(1.0, MET), (-1.0, MET), (4.5, NOT_MET), (-4.5, NOT_MET)]
)
def test_drift_within_a_limit(drift: float, state: str, meter: str, tempo: float) -> None:
    """1 BPM either way keeps a limit of 2.5; 4.5 BPM breaks it, even past half a step."""
    verdict = check(
        meter, tempo, "most-drift = 2.5", bars_of(meter, *EIGHT), Hand(8.0, 7.0), drift_bpm=drift
    )
    assert verdict.state == state
    assert verdict.outcomes[0].value == pytest.approx(drift, abs=0.6)


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize(
    ("spread", "state"), [(7.0, MET), (10.0, MET), (30.0, NOT_MET), (38.0, NOT_MET)]
)
def test_pocket_by_spread(spread: float, state: str, meter: str, tempo: float) -> None:
    """Of a normal scatter of 7 (10) ms, 99 (95) % lie within 20 ms; of 30 (38) ms, 50 (40) %."""
    asks = 'stay-on = "eighths"\npocket = { share = 0.8, within-ms = 20 }'
    verdict = check(meter, tempo, asks, bars_of(meter, *EIGHT), Hand(12.0, spread))
    assert next(o for o in verdict.outcomes if o.kind == "pocket").state == state


def test_a_pocket_says_where_it_counts_notes_off_the_grid() -> None:
    """Other shares are of the notes on a grid; one that counts the others as outside says so."""

    def reason(pieces: tuple[Piece, ...]) -> str:
        return check("4/4", 96.0, "pocket = true", pieces).outcomes[0].reason

    form = (
        r".* of (\d+) notes within 20 ms of the grid, (\d+) notes off the grid counted as outside"
    )
    found = re.match(form, reason(RUNS))
    assert found is not None and 20 <= int(found[2]) < int(found[1])
    assert "off the grid" not in reason(bars_of("4/4", *EIGHT))


MUST_NOT_FLAG = {
    "laid back by 34 ms": Hand(34.0, 8.0),
    "a drummer's 10 ms lead": Hand(-10.0, 8.0),
    "fumbled notes": Hand(5.0, 8.0, fumbles=0.03),
    "audible scatter": Hand(5.0, 22.0),
}


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("feel", MUST_NOT_FLAG)
def test_a_feel_is_no_breach(feel: str, meter: str, tempo: float) -> None:
    """Eighths stay eighths however they lie: no bar is said to be finer."""
    asks = 'stay-on = "eighths"\nnothing-faster-than = "eighths"\nno-off-grid-runs = true'
    pieces = bars_of(meter, *EIGHT, filled=0.85)
    verdict = check(meter, tempo, asks, pieces, MUST_NOT_FLAG[feel])
    assert [o.kind for o in verdict.outcomes if o.state == NOT_MET] == []


@pytest.mark.parametrize("tempo", [96.0, 140.0])
@pytest.mark.parametrize("ratio", [1.3, 1.6, 2.0, 2.5])
def test_swung_eighths_are_eighths(ratio: float, tempo: float) -> None:
    """Swing breaks neither "stay on eighths" nor a ceiling of eighths, triplet-like or not."""
    asks = 'stay-on = "eighths"\nnothing-faster-than = "eighths"'
    hand = Hand(5.0, 8.0, swing_ratio=ratio)
    verdict = check("4/4", tempo, asks, bars_of("4/4", *("swung eighths",) * 8), hand)
    assert verdict.state == MET


def test_the_reason_is_in_a_musicians_words() -> None:
    """Bars, what was found, from which count, and what was asked."""
    outcome = stay_on_outcome()
    assert outcome.reason == "Bar 7: sixteenths from the e of 1; asked for eighths"
    assert outcome.how_far == "1 of 8 bars not met"
    assert outcome.next_step == "Bar 7: play eighths only, leave the sixteenths out."
    assert [b.state for b in outcome.bars] == [MET] * 6 + [NOT_MET, MET]


def stay_on_outcome() -> Outcome:
    """Bar 7 of eight has sixteenths."""
    return table_verdict("4/4", 88.0, *FAIL["sixteenths on eighths"]).outcomes[0]


def test_nothing_played_cannot_be_told() -> None:
    """A section without a note is neither met nor broken, unless notes are asked for."""
    pieces = bars_of("4/4", "eighths", "eighths")
    verdict = check("4/4", 96.0, 'stay-on = "eighths"\npocket = true', pieces, bars="5-8")
    assert [o.state for o in verdict.outcomes] == [CANT_TELL, CANT_TELL]
    assert verdict.next_step == "Play something in bars 5 to 8."
    silent = check("4/4", 96.0, "least-notes = 1", pieces, bars="5-8")
    assert silent.state == NOT_MET
    assert "4 notes missing in all" in silent.outcomes[0].how_far


def test_a_limit_met_exactly_cannot_be_told() -> None:
    """A drift at its limit is too close to call, and counts for neither side."""
    pieces = bars_of("4/4", *EIGHT)
    states = set()
    for limit in (2.9, 3.0, 3.1):
        verdict = check("4/4", 100.0, f"most-drift = {limit}", pieces, Hand(0, 12), drift_bpm=3.0)
        states.add(verdict.state)
    assert CANT_TELL in states


def test_parts_take_opposite_turns() -> None:
    """What is right for part 1 is wrong for part 2, and the other way round."""
    asks = 'alternate = ["eighths", "half notes"]\nplayers = 2'
    pieces = bars_of("4/4", *("half notes", "eighths") * 4)
    assert check("4/4", 100.0, asks, pieces, part=2).state == MET
    assert check("4/4", 100.0, asks, pieces, part=1).state == NOT_MET


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("every", [1, 2])
def test_a_turn_that_is_never_heard_cannot_be_told(meter: str, tempo: float, every: int) -> None:
    """Silent in every turn of the coarser: neither met nor broken, and it is said what to play."""
    asks = worded(f'alternate = ["eighths", "coarse"]\nevery = {every}', meter)
    asks = asks.replace('"coarse"', f'"{COARSE[meter]}"')
    bars = (("eighths",) * every + ("-",) * every) * (4 // every)
    verdict = check(meter, tempo, asks, bars_of(meter, *bars))
    (outcome,) = verdict.outcomes
    assert outcome.state == CANT_TELL
    assert outcome.reason == f"nothing was played in the turns of {COARSE[meter]}"
    assert f": play {COARSE[meter]}, so that the turns can be heard." in verdict.next_step
    assert [b.state for b in outcome.bars] == [MET if b == "eighths" else CANT_TELL for b in bars]


def test_a_coarse_turn_now_and_then_silent_is_met() -> None:
    """One turn of three silent: heard often enough, and the silent bar is named."""
    bars = ("eighths", "half notes", "eighths", "-", "eighths", "half notes", "eighths")
    asks = 'alternate = ["eighths", "half notes"]'
    verdict = check("4/4", 100.0, asks, bars_of("4/4", *bars), bars="1-7")
    assert verdict.state == MET
    assert "bar 4 can't be told" in verdict.outcomes[0].reason


def test_density_spares_turns_of_rest() -> None:
    """Least notes are asked of the turns that play."""
    asks = 'alternate = ["eighths", "rest"]\nleast-notes = 6'
    assert check("4/4", 100.0, asks, bars_of("4/4", *("eighths", "-") * 4)).state == MET


@pytest.mark.parametrize(
    ("bars", "first"),
    [(("eighths", "eighths", "eighths", "-"), "most-drift"),
     (("eighths",) * 4 + ("-",) * 4, "most-drift"),
     (("eighths",) * 4 + ("-",) * 12, "least-notes")],
)  # fmt: skip
def test_what_was_played_is_mended_first(bars: tuple[str, ...], first: str) -> None:
    """A drift comes before a few silent bars; where most bars are silent, they come first."""
    pieces = bars_of("4/4", *bars * (16 // len(bars)))
    asks = "least-notes = 1\nmost-drift = 1"
    text = f'tempo = 96\n[[section]]\nbars = "1-16"\n{asks}\n'
    take, _ = play(Line(pieces, "4/4", 96.0, drift_bpm=-2.5), Hand(8.0, 6.0), seed=11)
    verdict = judge(parse_assignment(text), analyze(take))
    missed = {o.kind: o for o in verdict.outcomes if o.state == NOT_MET}
    assert set(missed) >= {first, "least-notes"}
    assert verdict.next_step == missed[first].next_step


def test_all_met_leads_on() -> None:
    """Where nothing is wrong, the next step is a faster tempo, with the caution beside it."""
    verdict = table_verdict("4/4", 88.0, *PASS["eighths on eighths"])
    assert verdict.next_step == "The same at 92 BPM, now that all is met."
    assert "clinician" in verdict.caution


def test_rests_in_turn_need_no_notes() -> None:
    """What is asked says so, and a turn of rest is met without a note."""
    asks = 'alternate = ["rest", "eighths"]\nleast-notes = 4'
    outcome = check("4/4", 88.0, asks, bars_of("4/4", *("-", "eighths") * 4)).outcomes[1]
    assert outcome.asked == "at least 4 notes in every bar but the rests"
    assert outcome.bars[0].reason == "its turn is a rest"
