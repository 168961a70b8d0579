"""What to practise: held, safe, and the one next thing, each from stated numbers."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Collection, Sequence

import hand_made
import numpy as np
import pytest
from core_takes import heard
from hand_made import analysis, phrase, run

from improv.analysis import analyze
from improv.cells import from_document
from improv.document import document
from improv.held import (
    CLOSEST_MS,
    Played,
    failed_runs,
    is_held,
    safe_tempo_bpm,
    subdivisions_played,
)
from improv.model import Analysis, TempoMap
from improv.practice import advise
from improv.synth import Hand, Line, Stretch, play


@pytest.mark.parametrize(
    ("per_beat", "spread_ms", "bpm"),
    [
        (4.0, 20.0, 125.0),  # 6 x 20 = 120 ms apart: 60000 / (4 x 120), by hand
        (4.0, 25.0, 100.0),  # 150 ms apart
        (3.0, 20.0, 166.6667),
        # Below 16.7 ms the limit is not the spread but 100 ms between notes:
        # Repp 2006, "Rate limits of sensorimotor synchronization" (read): 8 to 10 a second.
        (4.0, 10.0, 150.0),
        (4.0, 0.0, 150.0),
    ],
)
def test_safe_tempo(per_beat: float, spread_ms: float, bpm: float) -> None:
    """Six spreads between neighbours, and never less than 100 ms."""
    assert safe_tempo_bpm(per_beat, spread_ms) == pytest.approx(bpm, abs=1e-4)


def test_what_is_held_already_is_not_too_close() -> None:
    """Who holds notes 85 ms apart is not told that 100 ms is the limit; nobody is sent below 80.

    80 to 100 ms: Polak 2017, trained hands in meter (read).
    """
    assert safe_tempo_bpm(6.0, 10.0, held_step_ms=85.0) == pytest.approx(117.647, abs=1e-3)
    assert safe_tempo_bpm(6.0, 10.0, held_step_ms=300.0) == 100.0
    assert safe_tempo_bpm(6.0, 10.0, held_step_ms=50.0) == 125.0


@pytest.mark.parametrize(
    ("spreads_apart", "strays"),
    # Normal law, handbook table values: 4.550 % beyond two deviations, 0.270 % beyond three.
    [(4.0, 0.0455), (6.0, 0.0027)],
)
def test_how_often_a_note_strays(spreads_apart: float, strays: float) -> None:
    """Neighbours four spreads apart: 1 note in 20 strays past halfway; six: 3 in 1000."""
    away = np.abs(np.random.default_rng(5).normal(0.0, 1.0, 1_000_000)) > spreads_apart / 2
    assert away.mean() == pytest.approx(strays, rel=0.05)


@pytest.mark.parametrize(
    ("played", "held"),
    [
        (Played("eighths", 2.0, 16, 20.0, 0, 250.0), True),
        (Played("eighths", 2.0, 80, 12.0, 20, 250.0), True),
        (Played("sixteenths", 4.0, 80, 18.0, 0, 72.0), True),
        (Played("thirty-seconds", 8.0, 80, 14.0, 0, 62.0), True),
        (Played("quintuplets", 5.0, 40, 12.0, 0, 125.0, 0.85), True),
        (Played("eighths", 2.0, 15, 8.0, 0, 250.0), False),
        (Played("eighths", 2.0, 80, 20.5, 0, 250.0), False),
        (Played("sixteenths", 4.0, 40, 12.0, 11, 150.0), False),
        (Played("sixteenths", 4.0, 80, 18.0, 0, 71.0), False),
        (Played("thirty-seconds", 8.0, 104, 18.0, 0, 62.5), False),
        (Played("quintuplets", 5.0, 40, 12.0, 0, 125.0, 0.55), False),
        (Played("eighths", 2.0, 80, float("inf"), 0, 250.0), False),
    ],
)
def test_held(played: Played, held: bool) -> None:
    """Enough notes, surely heard, tight, far enough apart for it, four attempts in five on grid."""
    assert is_held(played, tolerance_ms=20.0) is held


def test_spread_leaves_out_offset_drift_and_fumbles() -> None:
    """Seeded scatter of 12 ms is found again under an offset, a drift and one fumbled note."""
    kinds: list[str | None] = ["unit"] * 400
    # 60 ms in 400 notes, 0.15625 s apart, are 0.963 ms a second: 0.0924 BPM of 96, by hand.
    drifts = phrase(1, 0, 400, (1, 50), drift_bpm=-0.0924, drift_se_bpm=0.01)
    made = analysis(kinds, (drifts,), spread_ms=12.0)
    bent = np.array(made.notes.deviation_ms) + 25.0 + np.linspace(0.0, 60.0, 400)
    bent[17] += 180.0
    made = dataclasses.replace(made, notes=dataclasses.replace(made.notes, deviation_ms=bent))
    (played,) = subdivisions_played([made])
    assert played.events == 400
    assert played.spread_ms == pytest.approx(12.0, rel=0.1)


@pytest.mark.parametrize("spread_ms", [6.0, 12.0, 18.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_advice_has_the_tables_spread(spread_ms: float, seed: int) -> None:
    """A take of one phrase and one subdivision: the advice says what the table prints."""
    take, _ = play(Line((Stretch("eighths", 48),), tempo_bpm=100.0), Hand(5.0, spread_ms), seed)
    made = analyze(take)
    known = [p for p in made.phrases if p.spread_ms is not None]
    pooled = sum((p.events - 2) * (p.spread_ms or 0.0) ** 2 for p in known)
    table_ms = (pooled / sum(p.events - 2 for p in known)) ** 0.5
    (played,) = subdivisions_played([made])
    assert played.spread_ms == pytest.approx(table_ms, abs=0.5)


def test_a_chord_counts_once() -> None:
    """Notes of one event are one attempt; a grace shares its note's event and takes none away."""
    made = hand_made.floating()
    event = np.array(made.notes.event)
    grace = np.zeros(len(event), dtype=bool)
    event[1] = event[0]  # A chord of two,
    event[3], grace[2] = event[2], True  # and a grace before its note: each is one event.
    notes = dataclasses.replace(made.notes, event=event, grace=grace)
    counts = {p.subdivision: p.events for p in subdivisions_played([made])}
    fewer = {
        p.subdivision: p.events
        for p in subdivisions_played([dataclasses.replace(made, notes=notes)])
    }
    assert fewer["eighths"] == counts["eighths"] - 2


@pytest.mark.parametrize(
    ("event", "grace", "counted"),
    [
        ([0, 1, 2], "...", [1, 1, 1]),
        ([0, 0, 1], "...", [1, 0, 1]),  # a chord
        ([0, 1, 1], ".g.", [1, 0, 1]),  # a grace, then its note
        ([0, 0, 0, 0], "gg..", [0, 0, 1, 0]),  # two graces before a chord
        ([0, 1], ".g", [1, 0]),
        ([0, 0], ".g", [1, 0]),
        ([], "", []),
    ],
)
def test_which_notes_count(event: list[int], grace: str, counted: list[int]) -> None:
    """Of every event the first note that is no grace."""
    made = hand_made.notes(["unit"] * len(event), [1] * len(event))
    notes = dataclasses.replace(
        made, event=np.array(event, dtype=np.int64), grace=np.array([g == "g" for g in grace], bool)
    )
    assert notes.counted.tolist() == [bool(c) for c in counted]


def test_a_graced_line_counts_like_a_plain_one() -> None:
    """Through the whole core: a crushed grace before every fourth note loses none of them."""
    plain, _ = play(Line((Stretch("eighths", 32),), tempo_bpm=100.0), Hand(0.0, 8.0), 3)
    main = plain.onset_sec[4::4]
    rows = {
        "onset_sec": (plain.onset_sec, main - 0.04),
        "release_sec": (plain.release_sec, main - 0.005),
        "pitch": (plain.pitch, plain.pitch[4::4] + 1),
        "velocity": (plain.velocity, plain.velocity[4::4] // 2),
        "released": (plain.released, plain.released[4::4]),
    }
    joined = {name: np.concatenate(parts) for name, parts in rows.items()}
    order = np.argsort(joined["onset_sec"], kind="stable")
    made = analyze(dataclasses.replace(plain, **{name: row[order] for name, row in joined.items()}))
    assert int(made.notes.grace.sum()) == len(main)
    (played,) = subdivisions_played([made])
    assert played.events == len(plain) == sum(p.events for p in made.phrases)


def test_floating_runs_hold_the_slower_first() -> None:
    """Runs at 4.6 to the beat: hold eighths, then sixteenths at three quarters of the tempo."""
    advice = advise(hand_made.floating())
    assert advice.hold == "eighths"
    assert advice.next == "sixteenths"
    assert advice.tempo_bpm == 72.0
    assert "left the grid" in advice.text


def test_a_wide_spread_lowers_the_next_tempo() -> None:
    """The safe tempo rules where it is below the backing: 19 ms spread, sixteenths at 130 BPM."""
    made = analysis(["unit"] * 300, (phrase(1, 0, 300, (1, 38)),), spread_ms=19.0)
    spread = subdivisions_played([made])[0].spread_ms
    made = dataclasses.replace(made, take=hand_made.take(300, 160.0))
    made = dataclasses.replace(made, settings=dataclasses.replace(made.settings, tolerance_ms=25.0))
    advice = advise(made)
    assert advice.next == "eighth triplets"
    assert advice.tempo_bpm == float(int(min(160.0, safe_tempo_bpm(3.0, spread))))


def test_everything_held_goes_on_to_the_next() -> None:
    """Where nothing fails, the next denser subdivision is given at the take's own tempo."""
    advice = advise(scattered(9.0, "half-unit"))
    assert (advice.hold, advice.next) == ("sixteenths", "sextuplets")
    assert "left the grid" not in advice.text


def test_a_drifting_tempo_comes_before_speed() -> None:
    """Where the grid holds but the phrase drags by 5 %, the time is what to practise."""
    slow = phrase(1, 0, 60, (1, 8), drift_bpm=-4.8, drift_se_bpm=0.5)
    advice = advise(analysis(["unit"] * 60, (slow,), spread_ms=9.0))
    assert advice.hold == advice.next == "eighths"
    assert "dragging by 4.8 BPM" in advice.text
    assert "on 2 and 4 only" in advice.text
    assert advice.click_beats == (2, 4)


def test_nothing_held_settles_first() -> None:
    """A spread beyond the tolerance: stay on what was played, nothing faster."""
    made = analysis(["unit"] * 60, (phrase(1, 0, 60, (1, 8)),), spread_ms=40.0)
    advice = advise(made)
    assert advice.hold == advice.next == "eighths"
    assert advice.tempo_bpm == 96.0
    assert "play nothing faster" in advice.text
    assert "at 20 ms or less they are held" in advice.text


@pytest.mark.parametrize("verdict", ["too close to call", "too short to judge"])
def test_advice_names_nothing_the_text_could_not(verdict: str) -> None:
    """Where no phrase could be judged, no subdivision is to be stayed on."""
    unsure = phrase(1, 0, 60, (1, 8), verdict=verdict, subdivision=None)
    advice = advise(analysis(["unit"] * 60, (unsure,), spread_ms=40.0))
    assert advice.hold is advice.next is advice.tempo_bpm is None
    assert "Too few notes lie" in advice.text and "eighths" not in advice.text


def test_what_is_less_than_likely_is_not_stayed_on() -> None:
    """A subdivision whose notes are 40 % sure on the whole is no advice."""
    made = analysis(["unit"] * 60, (phrase(1, 0, 60, (1, 8)),), spread_ms=40.0)
    notes = dataclasses.replace(made.notes, confidence=np.full(60, 0.4))
    assert advise(dataclasses.replace(made, notes=notes)).hold is None


@pytest.mark.parametrize(
    ("spread_ms", "said"),
    [(27.3, "27 ms;"), (20.4, "20.4 ms;"), (20.6, "21 ms;"), (20.0007, "just over 20 ms;")],
)
def test_a_spread_beyond_the_limit_is_shown_beyond_it(spread_ms: float, said: str) -> None:
    """Never "their spread is 20 ms; at 20 ms or less they are held"."""
    advice = advise(scattered(spread_ms))
    assert f"their spread is {said} at 20 ms or less they are held" in advice.text


@pytest.mark.parametrize(
    ("spread_ms", "said"), [(12.4, "12 ms"), (19.6, "19.6 ms"), (19.4, "19 ms")]
)
def test_a_spread_within_the_limit_is_shown_within_it(spread_ms: float, said: str) -> None:
    """What is held is not printed as 20 ms either."""
    advice = advise(scattered(spread_ms))
    assert f"({said} spread over 60 notes)" in advice.text


def scattered(spread_ms: float, kind: str = "unit", bpm: float = 96.0) -> Analysis:
    """Sixty notes in one phrase with exactly this spread."""
    called, per_beat = hand_made.NAMES[kind]
    made = analysis([kind] * 60, (phrase(1, 0, 60, (1, 8), subdivision=called, per_beat=per_beat),))
    z = np.tile([-1.0, 1.0], 30) * np.sqrt(58 / 60)
    onset_sec = np.arange(60) * 60.0 / (bpm * per_beat)
    notes = dataclasses.replace(made.notes, deviation_ms=4.0 + spread_ms * z, onset_sec=onset_sec)
    return dataclasses.replace(made, notes=notes, spread_ms=spread_ms, take=hand_made.take(60, bpm))


def test_what_is_too_close_for_its_spread_is_slowed_down() -> None:
    """Sixteenths at 240 BPM are 62.5 ms apart: 18 ms of spread is too much for that."""
    advice = advise(scattered(18.0, "half-unit", 240.0))
    assert advice.hold == advice.next == "sixteenths"
    # Six spreads of 18 ms are 108 ms: 60000 / (4 x 108) = 138.9 BPM, by hand.
    assert advice.tempo_bpm == 138.0
    assert "at 240 BPM they lie 62 ms apart" in advice.text
    assert "more than one note in 20" in advice.text


def quickest(spread_ms: float, bpm: float) -> Analysis:
    """Sixty thirty-seconds, the densest subdivision there is."""
    made = scattered(spread_ms, "half-unit", bpm)
    row = hand_made.INDEX["quarter-unit"]
    notes = dataclasses.replace(
        made.notes,
        subdivision=np.full(60, row, dtype=np.int64),
        subdivision_name=("thirty-seconds",) * 60,
        per_beat=np.full(60, 8.0),
        onset_sec=made.notes.onset_sec / 2.0,
    )
    fast = dataclasses.replace(made.phrases[0], subdivision="thirty-seconds", per_beat=8.0)
    return dataclasses.replace(made, notes=notes, phrases=(fast,))


@pytest.mark.parametrize("bpm", [76.0, 90.0, 110.0, 120.0])
def test_what_lies_close_is_never_made_faster(bpm: float) -> None:
    """Thirty-seconds less than 100 ms apart (75 BPM, by hand), held or not: no higher tempo."""
    for spread_ms in (6.0, 12.0, 15.0, 19.0):
        advice = advise(quickest(spread_ms, bpm))
        assert advice.tempo_bpm is not None and advice.tempo_bpm <= bpm
        assert "up by" not in advice.text and "take the tempo" not in advice.text


@pytest.mark.parametrize(("bpm", "asked", "most"), [(60.0, 64.0, 75), (50.0, 54.0, 75)])
def test_where_nothing_is_denser_the_tempo_goes_up_as_far_as_is_safe(
    bpm: float, asked: float, most: int
) -> None:
    """Thirty-seconds at 60 BPM are 125 ms apart; ten a second, at 75 BPM, is where it ends."""
    advice = advise(quickest(9.0, bpm))
    assert (advice.next, advice.tempo_bpm) == ("thirty-seconds", asked)
    assert f"to {most} BPM at most: few hands hold more than ten notes a second" in advice.text
    assert 60_000.0 / (8.0 * most) >= CLOSEST_MS


@pytest.mark.parametrize(
    ("spread_ms", "up"),
    # Six spreads of 12 and 18 ms are 72 and 108 ms: sixteenths up to 150 (100 ms apart) and 138
    # BPM; three quarters of 180 BPM are 135, which leaves room for 4 BPM more once only.
    [(12.0, True), (18.0, False)],
)
def test_a_lower_tempo_goes_up_only_as_far_as_is_safe(spread_ms: float, up: bool) -> None:
    """Below the safe tempo: up by small steps; at it: no step up is advised."""
    made = scattered(spread_ms, "triplet", 180.0)
    off = run(0, 9, 1, notes_per_beat=4.6)
    advice = advise(dataclasses.replace(made, runs=(off,)))
    assert (advice.next, advice.tempo_bpm) == ("sixteenths", 135.0)
    assert ("up by 3 to 5 BPM" in advice.text) is up


def test_where_nothing_is_denser_and_the_spread_forbids_more() -> None:
    """19 ms of spread at 64 BPM, 117 ms apart: neither denser nor faster."""
    advice = advise(quickest(19.0, 64.0))
    assert (advice.next, advice.tempo_bpm) == ("thirty-seconds", 64.0)
    assert "closer is not safe with 19 ms spread" in advice.text


@pytest.mark.parametrize(
    ("kind", "spread_ms", "bpm", "asked", "said"),
    [
        # Sextuplets at 96 BPM lie 104 ms apart: nothing binds. 18 ms of spread asks for 108.
        ("half-unit", 9.0, 96.0, 96, "104 ms apart."),
        ("half-unit", 18.0, 96.0, 92, "109 ms apart: with 18 ms spread, any faster and"),
        ("half-unit", 9.0, 120.0, 100, "100 ms apart: few hands hold more than ten notes"),
        ("half-unit", 9.0, 176.0, 117, "85 ms apart: no closer than the sixteenths held already."),
        ("half-unit", 9.0, 200.0, 125, "80 ms apart: even trained hands seldom hold"),
        ("unit", 9.0, 96.0, 96, "208 ms apart."),
    ],
)
def test_a_limit_is_told_only_where_it_binds(
    kind: str, spread_ms: float, bpm: float, asked: int, said: str
) -> None:
    """One clause, the spread or the speed of hands, and none where the take's tempo is safe."""
    advice = advise(scattered(spread_ms, kind, bpm))
    assert advice.tempo_bpm == asked
    assert advice.sentences[1].startswith("Next: ") and said in advice.sentences[1]
    assert "safe up to" not in advice.text


def test_a_limit_above_the_takes_tempo_is_not_told_of_runs() -> None:
    """Where runs left the grid at 96 BPM, no word says that they are safe up to 150."""
    advice = advise(hand_made.floating())
    assert "150" not in advice.text and "few hands" not in advice.text
    assert advice.sentences[-1] == (
        "Then sixteenths at 72 BPM, 208 ms apart, and up by 3 to 5 BPM whenever they stay on the "
        "grid."
    )


def two_kinds(wide_ms: float, confidence: float = 0.95) -> Analysis:
    """Thirty-two eighths of 10 ms spread, then forty-eight sixteenths of another."""
    kinds: list[str | None] = ["unit"] * 32 + ["half-unit"] * 48
    fast = phrase(2, 32, 80, (6, 8), subdivision="sixteenths", per_beat=4.0)
    phrases = (phrase(1, 0, 32, (1, 4)), fast)
    made = analysis(kinds, phrases)
    z = np.tile([-1.0, 1.0], 40)
    z[:32] *= 10.0 * np.sqrt(30 / 32)
    z[32:] *= wide_ms * np.sqrt(46 / 48)
    sure = np.where(np.arange(80) < 32, 0.95, confidence)
    notes = dataclasses.replace(made.notes, deviation_ms=z, confidence=sure)
    return dataclasses.replace(made, notes=notes, spread_ms=wide_ms)


@pytest.mark.parametrize(
    ("wide_ms", "asked"),
    # Six spreads of 45 ms are 270 ms: 60000 / (4 x 270) = 55.6 BPM; three quarters of 96 are 72.
    [(45.0, 55.0), (25.0, 72.0)],
)
def test_what_was_tried_and_not_held_comes_next(wide_ms: float, asked: float) -> None:
    """Sixteenths too wide to be held: those again, slower, and not triplets, which nobody tried."""
    advice = advise(two_kinds(wide_ms))
    assert (advice.hold, advice.next, advice.tempo_bpm) == ("eighths", "sixteenths", asked)
    assert f"Sixteenths are not held yet: their spread is {wide_ms:g} ms" in advice.text
    assert "triplets" not in advice.text


@pytest.mark.parametrize(
    ("wide_ms", "confidence", "following"),
    [(12.0, 0.95, "sextuplets"), (45.0, 0.4, "eighth triplets")],
)
def test_what_is_held_or_was_hardly_heard_is_not_tried_again(
    wide_ms: float, confidence: float, following: str
) -> None:
    """Held sixteenths go on to the next; what was probably something else is no attempt."""
    assert advise(two_kinds(wide_ms, confidence)).next == following


def test_up_to_what_is_safe_below_the_takes_tempo() -> None:
    """A spread of 25 ms is safe for sixteenths up to 100 BPM, by hand: told at 120, not at 96.

    99, since the outer notes count a little less and the spread comes out above 25 ms.
    """
    at_120 = dataclasses.replace(two_kinds(25.0), take=hand_made.take(80, 120.0))
    assert "to 99 BPM at most: with 25 ms spread" in advise(at_120).text
    assert "at most" not in advise(two_kinds(25.0)).text


def test_unsure_subdivisions_are_not_blamed_on_runs() -> None:
    """Where only the calls are unsure, that is what is said."""
    made = scattered(9.0)
    unsure = dataclasses.replace(made.notes, confidence=np.full(60, 0.6))
    advice = advise(dataclasses.replace(made, notes=unsure))
    assert "it is not sure enough what they are (60 % sure over 60 notes)" in advice.text
    assert "attempts" not in advice.text


def test_too_few_notes_promise_nothing() -> None:
    """Five notes are no ground for advice about tempo."""
    advice = advise(analysis(["unit"] * 5, (phrase(1, 0, 5, (1, 1)),)))
    assert advice.hold is None
    assert advice.tempo_bpm is None
    assert "Too few notes" in advice.text


@pytest.mark.parametrize(
    ("rate", "between", "judged", "attempt"),
    [
        (4.5, ("sixteenths", "quintuplets"), (), "sixteenths"),
        (4.61, ("sixteenths", "quintuplets"), (), "sixteenths"),
        (4.61, ("sixteenths", "quintuplets"), ("quintuplets",), "quintuplets"),
        # What is played comes first where it is near enough: 5 / 4.3 is 1.163, by hand.
        (4.3, ("sixteenths", "quintuplets"), ("quintuplets",), "quintuplets"),
        (4.1, ("sixteenths", "quintuplets"), ("quintuplets",), "sixteenths"),
        # 4 / 3.5 is nearer to 1 than 3.5 / 3; 2.3 / 2 than 3 / 2.3; by hand.
        (3.5, ("eighth triplets", "sixteenths"), (), "sixteenths"),
        (3.4, ("eighth triplets", "sixteenths"), (), "eighth triplets"),
        (2.3, ("eighths", "eighth triplets"), (), "eighths"),
        # 6 / 4.9 is a hair nearer to 1 than 4.9 / 4; what lies beyond all is the densest.
        (4.9, ("sixteenths", "quintuplets"), (), "sextuplets"),
        (9.5, None, (), "thirty-seconds"),
    ],
)
def test_a_floating_run_is_one_attempt_at_most(
    rate: float, between: tuple[str, str] | None, judged: tuple[str, ...], attempt: str
) -> None:
    """The nearer by ratio of what is common or played; never two subdivisions for one run."""
    made = hand_made.floating()
    made = dataclasses.replace(made, runs=(run(56, 65, 3, notes_per_beat=rate, between=between),))
    assert attempts([made], judged) == {attempt: 9}


def attempts(analyses: Sequence[Analysis], judged: Collection[str]) -> Counter[str]:
    """Notes of runs off the grid by what these were attempts at."""
    found: Counter[str] = Counter()
    for failed in failed_runs(analyses, judged):
        found[failed.subdivision] += failed.events
    return found


@pytest.mark.parametrize("spoken", ["unit", "swung-unit", "half-unit", "quintuplet"])
@pytest.mark.parametrize("rate", [2.0, 2.45, 2.7, 3.0, 3.45, 4.0, 4.4, 4.85, 5.5, 6.5, 7.2, 9.0])
def test_the_log_counts_attempts_as_the_advice_does(spoken: str, rate: float) -> None:
    """At every rate, whatever is played, both name one subdivision, and as many notes of it."""
    kinds: list[str | None] = [spoken] * 40 + [None] * 9
    made = analysis(kinds, (phrase(1, 0, 40, (1, 10)), phrase(2, 40, 49, (11, 13))))
    first, last = made.notes.onset_sec[[40, 48]].tolist()
    off = run(40, 49, 2, notes_per_beat=rate, between=None, begins=hand_made.place(11, "1", first),
              ends=hand_made.place(13, "1", last))  # fmt: skip
    made = dataclasses.replace(made, runs=(off,))
    called, cells = from_document(document(made))
    logged = {called[c["subdivision"]].name: int(c["off"]) for c in cells if c["off"]}
    judged = [p.subdivision for p in subdivisions_played([made])]
    assert attempts([made], judged) == logged
    assert list(logged.values()) == [9]


@pytest.mark.parametrize("meter", ["9/8+10/8", "10/8+9/8", "4/4", "6/8"])
@pytest.mark.parametrize("rate", [2.3, 4.4, 6.6, 8.5])
def test_the_log_counts_attempts_alike_in_any_meter(meter: str, rate: float) -> None:
    """Rates are told to the first meter's beat: so are those they are held against."""
    made = analysis([None] * 9, (phrase(1, 0, 9, (1, 2), subdivision=None, per_beat=None),))
    off = run(0, 9, 1, notes_per_beat=rate, between=None,
              ends=hand_made.place(3, "1", made.notes.onset_sec[8]))  # fmt: skip
    off = dataclasses.replace(off, begins=hand_made.place(1))
    made = dataclasses.replace(made, runs=(off,), take=hand_made.take(9, meter=meter))
    called, cells = from_document(document(made))
    logged = {called[c["subdivision"]].name: int(c["off"]) for c in cells if c["off"]}
    assert attempts([made], []) == logged
    assert list(logged.values()) == [9]


@pytest.mark.parametrize("bpm", [(90.0, 180.0), (120.0, 60.0)])
def test_neighbours_lie_as_far_apart_as_the_tempo_there_says(bpm: tuple[float, float]) -> None:
    """Half the eighths at one tempo, half at another: the mean step, in advice and log alike."""
    made = analysis(["unit"] * 40, (phrase(1, 0, 20, (1, 5)), phrase(2, 20, 40, (6, 10))))
    quarter_sec = 60.0 / np.array(bpm)
    change_sec = 2.0 * 20 * quarter_sec[0] / 4
    onset_sec = np.concatenate(
        [np.arange(20) * quarter_sec[0] / 2, change_sec + np.arange(20) * quarter_sec[1] / 2]
    )
    tempo_map = TempoMap(np.array([0.0, change_sec]), np.array([0.0, 10.0]), quarter_sec)
    take = dataclasses.replace(made.take, tempo_map=tempo_map, tempo_bpm=bpm[0])
    parts = [dataclasses.replace(p, tempo_bpm=t) for p, t in zip(made.phrases, bpm, strict=True)]
    notes = dataclasses.replace(made.notes, onset_sec=onset_sec)
    made = dataclasses.replace(made, take=take, notes=notes, phrases=tuple(parts))
    (played,) = subdivisions_played([made])
    assert played.step_ms == pytest.approx(float(quarter_sec.mean()) * 500.0)
    _, cells = from_document(document(made))
    assert cells["interval_ms"] == pytest.approx(quarter_sec * 500.0, rel=1e-6)


def test_steps_where_beats_of_other_lengths_alternate() -> None:
    """Eighths in 9/8+10/8 at 80 dotted quarters: 250 ms apart, in one bar as in the other."""
    made = heard(Stretch("eighths", 16), meter="9/8+10/8", tempo_bpm=80.0)
    assert {p.subdivision for p in made.phrases} == {"eighths"}
    (played,) = subdivisions_played([made])
    assert played.step_ms == pytest.approx(250.0)
    kinds, cells = from_document(document(made))
    assert {kind.per_beat for kind in kinds} == {2.0, 3.0}
    assert cells["interval_ms"] == pytest.approx(250.0, rel=1e-3)


def test_a_floating_run_counts_against_what_was_played() -> None:
    """Runs near sixteenths are failed sixteenths; what stays on the grid is no failure."""
    made = hand_made.floating()
    failed = {p.subdivision: p.off_grid_events for p in subdivisions_played([made])}
    assert failed == {"eighths": 0, "sixteenths": 9}
    steady = dataclasses.replace(made, runs=(run(40, 56, 3, off_grid=False),))
    assert {p.off_grid_events for p in subdivisions_played([steady])} == {0}


def test_runs_are_told_to_be_what_they_were_nearest_to() -> None:
    """Runs at 3.8 to the beat were sixteenths, though only triplets lie below that rate."""
    off = run(40, 49, 1, notes_per_beat=3.8, between=("eighth triplets", "sixteenths"))
    kinds: list[str | None] = ["unit"] * 40 + [None] * 9
    made = analysis(kinds, (phrase(1, 0, 49, (1, 8)),), spread_ms=9.0)
    advice = advise(dataclasses.replace(made, runs=(off,)))
    assert (advice.hold, advice.next) == ("eighths", "sixteenths")
