"""Excerpts, versions, clicks and grid places of a take to listen to."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hand_made import analysis as hand_analysis
from hand_made import phrase as hand_phrase
from hand_made import run as hand_run
from hearing import bursts_heard, onsets_heard, read_wav

from improv.analysis import analyze
from improv.errors import TakeError, UsageError
from improv.listening.click_track import bar_clicks, beat_clicks, clicks_for
from improv.listening.excerpts import one_phrase, run_excerpts, some_bars, whole
from improv.listening.on_grid import nearest_in_order, place_on_grid
from improv.listening.program import (
    GRID,
    LEAD_SEC,
    PLAYED,
    SLOW,
    SLOW_GRID,
    Hearing,
    check_length,
    plan,
    program_score,
)
from improv.meter import parse_meter
from improv.model import Analysis
from improv.sound import RATE, blocks, render, wav_bytes
from improv.sound.score import CLICK, Score
from improv.synth import Hand, Line, Rest, Stretch, play, steady_run
from improv.tempo import lay_bars, seconds_at

STEADY = (Stretch("eighths", 8), Rest(2), Stretch("sixteenths", 4))
FLOATING = (
    Stretch("sixteenths", 4),
    steady_run(11, 4.55),
    Stretch("eighths", 5),
    Rest(4),
    Stretch("eighths", 8),
)


def heard(pieces: tuple[object, ...] = FLOATING, seed: int = 1, **line: object) -> Analysis:
    """What is heard in a synthetic take."""
    return analyze(play(Line(pieces, **line), Hand(offset_ms=9.0, spread_ms=8.0), seed)[0])  # type: ignore[arg-type]


def split(score: Score) -> tuple[np.ndarray, np.ndarray]:
    """Times of the notes and of the clicks in a score."""
    is_click = score.voice == CLICK
    return score.onset_sec[~is_click], score.onset_sec[is_click]


# --- on the grid ---------------------------------------------------------------


def test_called_notes_lie_on_their_position() -> None:
    """Position in seconds is onset minus deviation, chords and tempo included."""
    take = heard(STEADY)
    placed = place_on_grid(take)
    notes = take.notes
    on = ~np.isnan(notes.deviation_ms)
    beats = seconds_at(take.take.tempo_map, notes.position_beat[on])
    np.testing.assert_allclose(placed.onset_sec[on], beats, atol=1e-6)


def test_swung_notes_keep_the_players_own_swing() -> None:
    """The second of each pair lies at ratio / (1 + ratio) of the beat (model of grid.py)."""
    line = (Stretch("swung eighths", 24),)
    take, _ = play(Line(line), Hand(spread_ms=4.0, swing_ratio=1.8), seed=2)
    analysis = analyze(take)
    placed = place_on_grid(analysis)
    share = placed.quarter % 1.0
    seconds = share[(share > 0.3) & (share < 0.9)]
    assert len(seconds) > 15
    np.testing.assert_allclose(seconds, 1.8 / 2.8, atol=0.03)


def test_a_free_run_goes_to_the_nearer_of_its_neighbours() -> None:
    """4.55 to the beat is nearer 5 than 4 by ratio: quintuplets, each position once, in order."""
    take = heard()
    off = next(run for run in take.runs if run.off_grid)
    placed = place_on_grid(take)
    quarter = placed.quarter[off.start : off.stop]
    np.testing.assert_allclose(quarter * 5, np.round(quarter * 5), atol=1e-6)
    assert (np.diff(quarter) > 0.199).all()
    played = take.notes.onset_sec[off.start : off.stop]
    assert np.abs(placed.onset_sec[off.start : off.stop] - played).max() < 0.1


def hand_floating(rate: float, count: int = 9) -> Analysis:
    """Eighths, then a hand-made run of `count` notes at `rate` to the beat from beat 10.2 on."""
    base = hand_analysis(
        ["unit"] * 8 + [None] * count + ["unit"],
        (hand_phrase(1, 0, 9 + count, (1, 6)),),
        (hand_run(8, 8 + count, 1, notes_per_beat=rate),),
    )
    beat_sec = 60 / 96
    start = 10.2
    at = [0.5 * i for i in range(8)] + [start + i / rate for i in range(count)]
    after = float(np.ceil(at[-1] + 0.3))
    at.append(after)
    onset = np.array(at) * beat_sec
    position = np.where(base.notes.off_grid, np.nan, at)
    notes = dataclasses.replace(
        base.notes,
        onset_sec=onset,
        position_beat=position,
        deviation_ms=np.where(base.notes.off_grid, np.nan, 0.0),
    )
    take = dataclasses.replace(
        base.take,
        onset_sec=onset,
        release_sec=onset + 0.1,
        bars=lay_bars(((0.0, parse_meter("4/4")),), 0.0, after + 4),
    )
    return dataclasses.replace(base, take=take, notes=notes, constant_offset_ms=0.0)


@pytest.mark.parametrize(
    ("rate", "per_beat"),
    [(2.4, 2), (3.3, 3), (3.6, 4), (4.4, 4), (4.55, 5), (5.4, 5), (6.4, 6), (9.0, 8)],
)
def test_the_nearest_rate_is_by_ratio(rate: float, per_beat: int) -> None:
    """Worked by hand: 3.6 / 3 = 1.2 and 4 / 3.6 = 1.11, so 3.6 goes to sixteenths."""
    placed = place_on_grid(hand_floating(rate))
    quarter = placed.quarter[8:17]
    np.testing.assert_allclose(quarter * per_beat, np.round(quarter * per_beat), atol=1e-6)
    assert (np.diff(placed.quarter) > 0).all()


def test_too_few_positions_take_the_next_denser() -> None:
    """12 notes at 3 to the beat squeezed before a note 2 beats on go to a denser grid."""
    analysis = hand_floating(3.0, 12)
    onset = analysis.notes.onset_sec.copy()
    squeezed = 10.2 + 2.0 * np.arange(12) / 12
    onset[8:20] = squeezed * 60 / 96
    onset[20] = 13.0 * 60 / 96
    position = analysis.notes.position_beat.copy()
    position[20] = 13.0
    notes = dataclasses.replace(analysis.notes, onset_sec=onset, position_beat=position)
    placed = place_on_grid(dataclasses.replace(analysis, notes=notes))
    assert (np.diff(placed.quarter) > 0).all()
    assert placed.quarter[19] < 13.0


def test_the_constant_offset_is_taken_out_before_placing() -> None:
    """A run played 120 ms late throughout is placed where it was meant."""
    plain = hand_floating(4.0)
    late = dataclasses.replace(
        plain,
        constant_offset_ms=120.0,
        notes=dataclasses.replace(
            plain.notes,
            onset_sec=plain.notes.onset_sec + 0.12,
            deviation_ms=plain.notes.deviation_ms + 120.0,
        ),
    )
    np.testing.assert_allclose(place_on_grid(late).quarter, place_on_grid(plain).quarter)


def test_nearest_in_order_beats_every_other_choice() -> None:
    """Against all ascending choices, tried one by one (the definition)."""
    from itertools import combinations

    rng = np.random.default_rng(0)
    for _ in range(20):
        grid = np.sort(rng.uniform(0, 3, 8))
        wanted = np.sort(rng.uniform(0, 3, 4))
        cost = ((nearest_in_order(wanted, grid) - wanted) ** 2).sum()
        least = min(((grid[list(c)] - wanted) ** 2).sum() for c in combinations(range(8), 4))
        assert cost == pytest.approx(least)


def test_chords_fall_together_and_ornaments_keep_their_lead() -> None:
    """A rolled chord becomes one stroke; a grace note stands as far before as it was played."""
    beat = 60 / 96
    base = hand_analysis(["unit"] * 5, (hand_phrase(1, 0, 5, (1, 1)),))
    onset = np.array([0.0, 0.01, 0.02, beat - 0.05, beat + 0.02])
    notes = dataclasses.replace(
        base.notes,
        onset_sec=onset,
        event=np.array([0, 0, 0, 1, 1]),
        grace=np.array([False, False, False, True, False]),
        deviation_ms=np.array([0.0, 0.0, 0.0, np.nan, 20.0]),
        position_beat=np.array([0.0, 0.0, 0.0, np.nan, 1.0]),
    )
    take = dataclasses.replace(base.take, onset_sec=onset, release_sec=onset + 0.1)
    placed = place_on_grid(dataclasses.replace(base, take=take, notes=notes))
    np.testing.assert_allclose(placed.onset_sec, [0, 0, 0, beat - 0.07, beat], atol=1e-9)


# --- the click -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("meter", "expected"),
    [
        ("4/4", [(0, "downbeat"), (1, "beat"), (2, "beat"), (3, "beat")]),
        ("6/8", [(0, "downbeat"), (1.5, "beat")]),
        ("3+2/4", [(0, "downbeat"), (1, "beat"), (2, "beat"), (3, "group"), (4, "beat")]),
        (
            "2+3/8",
            [
                (0, "downbeat"), (0.5, "subdivision"), (1, "group"),
                (1.5, "subdivision"), (2, "subdivision"),
            ],
        ),
    ],
)  # fmt: skip
def test_clicks_of_one_bar(meter: str, expected: list[tuple[float, str]]) -> None:
    """Beats, downbeat, groups; the units of an additive bar sound between them."""
    assert list(bar_clicks(parse_meter(meter)[0])) == expected


def test_nine_eight_in_two_two_two_three() -> None:
    """2+2+2+3/8 is accented on units 1, 3, 5, 7 (MusicXML 4.0, `time`: the groups as written)."""
    accents = [q for q, k in bar_clicks(parse_meter("2+2+2+3/8")[0]) if k != "subdivision"]
    assert accents == [0.0, 1.0, 2.0, 3.0]


def test_a_bar_cut_short_has_no_clicks_past_its_end() -> None:
    """A change to 3/4 two beats into a 4/4 bar leaves that bar two beats."""
    bars = lay_bars(((0.0, parse_meter("4/4")), (6.0, parse_meter("3/4"))), 0.0, 9.0)
    clicks = beat_clicks(bars)
    inside = (clicks.quarter >= 0) & (clicks.quarter < 9)
    np.testing.assert_allclose(clicks.quarter[inside], np.arange(9.0))
    downs = [
        q for q, k in zip(clicks.quarter.tolist(), clicks.kind, strict=True) if k == "downbeat"
    ]
    assert downs[:3] == [0.0, 4.0, 6.0]


def test_clicks_go_on_two_beats_beyond_the_bars() -> None:
    """An excerpt at the very start still has its two beats before."""
    bars = lay_bars(((0.0, parse_meter("4/4")),), 0.0, 3.0)
    last = int(bars.start_quarter[-1])
    assert beat_clicks(bars).quarter.tolist() == list(range(-2, last + 2))


def test_the_subdivision_in_force_sounds() -> None:
    """Eighths sound under eighths and sixteenths under sixteenths, none in the rest."""
    take = heard((Stretch("eighths", 8), Rest(8), Stretch("sixteenths", 4)))
    clicks = clicks_for(take, place_on_grid(take), "subdivision")
    sub = clicks.quarter[[k == "subdivision" for k in clicks.kind]]
    np.testing.assert_allclose(sub[sub < 8] % 1.0, 0.5)
    assert set(np.round(sub[sub >= 16] % 1.0, 6)) == {0.25, 0.5, 0.75}
    assert not ((sub > 8) & (sub < 16)).any()


def test_a_named_subdivision_sounds_throughout() -> None:
    """Triplets asked for are triplets in every beat."""
    take = heard(STEADY)
    clicks = clicks_for(take, place_on_grid(take), "eighth triplets")
    inside = (clicks.quarter >= 0) & (clicks.quarter < 12)
    np.testing.assert_allclose(clicks.quarter[inside], np.arange(36) / 3, atol=1e-5)
    with pytest.raises(UsageError, match="no subdivision 'tuplets'.*or none, beats"):
        clicks_for(take, place_on_grid(take), "tuplets")
    assert len(clicks_for(take, place_on_grid(take), "none").quarter) == 0


# --- excerpts --------------------------------------------------------------------


def test_the_whole_take_runs_from_bar_line_to_bar_line() -> None:
    """All notes, over whole bars."""
    take = heard()
    excerpt = whole(take, place_on_grid(take))
    assert len(excerpt.rows) == len(take.notes)
    assert excerpt.start_quarter % 4 == 0 and excerpt.stop_quarter % 4 == 0


def test_an_early_downbeat_belongs_to_its_bar() -> None:
    """A note 40 ms ahead of bar 2 sounds with bar 2, not with bar 1."""
    line = Line((Stretch("quarters", 12),), tempo_bpm=96)
    take, _ = play(line, Hand(offset_ms=-40.0, spread_ms=2.0), seed=4)
    analysis = analyze(take)
    excerpt = some_bars(analysis, place_on_grid(analysis), 2, 2)
    assert excerpt.rows.tolist() == [4, 5, 6, 7]
    score = program_score(
        analysis, place_on_grid(analysis), plan(analysis, [excerpt], [PLAYED], 1.0), Hearing()
    )
    notes, clicks = split(score)
    np.testing.assert_allclose(notes - clicks, -0.04, atol=0.012)


def test_bars_without_notes_are_named() -> None:
    """The message says where the notes are."""
    take = heard()
    with pytest.raises(TakeError, match="nothing to hear in bars 70 to 71.*has notes in bars 1 to"):
        some_bars(take, place_on_grid(take), 70, 71)


def test_a_phrase_has_two_beats_around_it() -> None:
    """Phrase 2 begins on bar 5: the excerpt two beats earlier, and holds its notes."""
    take = heard()
    excerpt = one_phrase(take, place_on_grid(take), 2)
    phrase = take.phrases[1]
    first = place_on_grid(take).quarter[phrase.start]
    assert excerpt.start_quarter == np.floor(first + 1e-6) - 2
    assert set(range(phrase.start, phrase.stop)) <= set(excerpt.rows.tolist())
    with pytest.raises(UsageError, match="no phrase 9; .* 2 phrases"):
        one_phrase(take, place_on_grid(take), 9)


def test_each_run_off_the_grid_has_two_beats_around_it() -> None:
    """The excerpt begins two beats before the beat of its first note and ends two after."""
    take = heard()
    placed = place_on_grid(take)
    off = [run for run in take.runs if run.off_grid]
    excerpts = run_excerpts(take, placed)
    assert len(excerpts) == len(off) == 1
    quarter = placed.quarter[off[0].start : off[0].stop]
    assert excerpts[0].start_quarter == np.floor(quarter[0] + 1e-6) - 2
    assert excerpts[0].stop_quarter >= quarter[-1] + 2


def test_no_run_off_the_grid_is_said() -> None:
    """Nothing to hear is an error with a way on."""
    take = heard(STEADY)
    with pytest.raises(TakeError, match="no run leaves the grid.*leave --runs away"):
        run_excerpts(take, place_on_grid(take))


# --- the program -----------------------------------------------------------------


def test_slow_is_stretched_exactly() -> None:
    """At 60 % every time is 1 / 0.6 of the played one, note by note and click by click."""
    take = heard()
    placed = place_on_grid(take)
    excerpt = whole(take, placed)
    played = split(program_score(take, placed, plan(take, [excerpt], [PLAYED], 0.6), Hearing()))
    slowed = split(program_score(take, placed, plan(take, [excerpt], [SLOW], 0.6), Hearing()))
    assert len(played) == 2 and all(len(part) for part in played)
    for fast, slow in zip(played, slowed, strict=True):
        np.testing.assert_allclose(slow - LEAD_SEC, (fast - LEAD_SEC) / 0.6, atol=1e-9)


def test_on_the_grid_notes_and_clicks_coincide() -> None:
    """With the subdivision sounding, every note of the grid version lies on a click."""
    take = heard(STEADY)
    placed = place_on_grid(take)
    sections = plan(take, [whole(take, placed)], [GRID], 1.0)
    notes, clicks = split(program_score(take, placed, sections, Hearing("subdivision")))
    away = np.abs(notes[:, None] - clicks[None, :]).min(axis=1)
    assert away.max() < 1e-4


def test_sections_follow_one_another() -> None:
    """Versions of excerpts come in order, each with its lead and rest, none overlapping."""
    take = heard()
    placed = place_on_grid(take)
    sections = plan(take, run_excerpts(take, placed), (PLAYED, SLOW, GRID, SLOW_GRID), 0.5)
    ends = [s.begins_sec + s.length_sec for s in sections]
    assert [s.begins_sec for s in sections[1:]] == pytest.approx(ends[:-1])
    score = program_score(take, placed, sections, Hearing())
    last_stroke = (score.onset_sec + np.minimum(score.duration_sec, 0.5))[score.voice != CLICK]
    for section, end in zip(sections, ends, strict=True):
        inside = (score.onset_sec >= section.begins_sec) & (score.onset_sec < end)
        assert inside.sum() > 5
    assert last_stroke.max() < ends[-1]
    assert sections[1].title.endswith("slowed to 50 %")


def test_the_same_notes_sound_in_every_version() -> None:
    """Comparing by ear needs the same notes: pitches agree from version to version."""
    take = heard()
    placed = place_on_grid(take)
    excerpt = run_excerpts(take, placed)[0]
    pitches = []
    for version in (PLAYED, SLOW, GRID):
        score = program_score(take, placed, plan(take, [excerpt], [version], 0.5), Hearing())
        pitches.append(score.pitch[score.voice != CLICK].tolist())
    assert pitches[0] == pitches[1] == pitches[2]


def test_too_long_asks_for_bars() -> None:
    """More than a quarter of an hour of sound is refused with a way on."""
    take = heard()
    placed = place_on_grid(take)
    sections = plan(take, [whole(take, placed)] * 40, [SLOW], 0.1)
    with pytest.raises(UsageError, match="minutes of sound.*name bars, like --bars 1-32"):
        check_length(sections)


@pytest.mark.parametrize("meter", ["4/4", "6/8", "2+2+2+3/8"])
@pytest.mark.parametrize("seed", [3, 4])
def test_the_written_sound_holds_what_was_played(meter: str, seed: int) -> None:
    """Heard in the WAV: notes within 5 ms on the left, beats within 1 ms on the right."""
    name = {"6/8": "eighths"}.get(meter, "eighths")
    line = Line(
        (Stretch(name, 8, filled=0.8),), tempo_bpm=90 if meter != "6/8" else 60, meter=meter
    )
    take, _ = play(line, Hand(spread_ms=10.0), seed=seed)
    take = dataclasses.replace(take, release_sec=take.onset_sec + 0.08)
    analysis = analyze(take)
    placed = place_on_grid(analysis)
    sections = plan(analysis, [whole(analysis, placed)], [PLAYED], 1.0)
    score = program_score(analysis, placed, sections, Hearing())
    rate, sound = read_wav(wav_bytes(blocks(score)))
    assert rate == RATE
    start = seconds_at(take.tempo_map, np.array([sections[0].excerpt.start_quarter]))[0]
    expected = take.onset_sec - start + LEAD_SEC
    notes = onsets_heard(sound[:, 0], rate)
    assert len(notes) == len(expected)
    assert np.abs(notes - expected).max() < 0.005
    bars = take.bars
    beats = [
        float(line_ + b)
        for line_, m in zip(bars.start_quarter, bars.meter, strict=False)
        for b in bars.meters[m].beat_starts_quarter
    ]
    excerpt = sections[0].excerpt
    inside = [b for b in beats if excerpt.start_quarter <= b < excerpt.stop_quarter]
    clicks = bursts_heard(sound[:, 1], rate)
    assert inside
    for beat in seconds_at(take.tempo_map, np.array(inside)) - start + LEAD_SEC:
        assert np.abs(clicks - beat).min() < 0.001


def test_the_written_slow_version_is_stretched_as_heard() -> None:
    """Heard in samples: onsets at half speed lie twice as far apart, within 5 ms."""
    take = heard()
    placed = place_on_grid(take)
    excerpt = run_excerpts(take, placed)[0]
    found = {}
    for version in (PLAYED, SLOW):
        sections = plan(take, [excerpt], [version], 0.5)
        sound = render(program_score(take, placed, sections, Hearing("none")))[:, 0]
        found[version] = onsets_heard(sound, RATE)
    assert len(found[PLAYED]) == len(found[SLOW]) == len(excerpt.rows)
    np.testing.assert_allclose(found[SLOW] - LEAD_SEC, 2 * (found[PLAYED] - LEAD_SEC), atol=0.005)
