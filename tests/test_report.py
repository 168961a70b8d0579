"""The text report: sentences first, tables that fit, nothing said that the numbers do not say."""

from __future__ import annotations

import dataclasses
import re

import hand_made
import numpy as np
import pytest
from core_takes import take_of
from hand_made import analysis, phrase, run

from improv import analyze
from improv.headline import constant_offset, headline
from improv.model import Analysis, Passage, Phrase, Ranked
from improv.report import text_report
from improv.sentences import hear, phrase_sentences, run_text
from improv.tables import phrase_table, run_table, wrapped


def one(**changes: object) -> str:
    """The sentence about a phrase of 20 eighths changed as stated."""
    made = analysis(["unit"] * 20, (phrase(1, 0, 20, (1, 4), **changes),))
    return hear(made, made.phrases[0]).text


def flat(text: str) -> str:
    """Text without its line breaks."""
    return re.sub(r"\s+", " ", text)


def test_the_example_sentence() -> None:
    """The sentence a teacher would say: subdivision, spread, lean, and the run with its count."""
    assert (
        "Phrase 3, bars 9 to 11: sixteenths, 21 ms spread (audible in a mix), pushing by 20 ms "
        "against the whole take; from the & of 2 in bar 10 nine notes run at 4.6 to the beat, "
        "between sixteenths and quintuplets, and land 0.4 beat early for beat 1 of bar 11."
    ) in flat(text_report(hand_made.floating()))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "at 4.6 to the beat, between sixteenths and quintuplets"),
        ({"near": ("sixteenths", 0.03)}, "a little faster than sixteenths, and land"),
        ({"near": ("quintuplets", -0.04)}, "a little slower than quintuplets, and land"),
        ({"near": ("sixteenths", -0.01)}, "the rate of sixteenths but beside their places"),
        ({"between": None}, "at 4.6 to the beat, and land"),
    ],
)
def test_a_rate_is_told_as_a_musician_would(changes: dict[str, object], said: str) -> None:
    """Nobody hears 4.1 to the beat as between sixteenths and quintuplets."""
    assert said in run_text(run(0, 9, 1, **changes), hand_made.floating())


@pytest.mark.parametrize(
    ("rate", "notes", "near"),
    [(4.13, 17, "sixteenths"), (3.1, 13, "eighth triplets"), (4.5, 17, None), (3.5, 13, None)],
)
def test_a_rate_is_near_a_subdivision_within_a_twentieth(
    rate: float, notes: int, near: str | None
) -> None:
    """4.13 / 4 = 1.03 and 3.1 / 3 = 1.03; 4.5 and 3.5 are an eighth away from either side."""
    steps = [*np.arange(16) / 2, *(8 + np.arange(notes) / rate), *(13 + np.arange(16) / 2)]
    off = [r for r in analyze(take_of(np.array(steps))).runs if r.off_grid]
    assert len(off) == 1
    assert (off[0].near and off[0].near[0]) == near


def many(count: int) -> Analysis:
    """A long take whose phrases alternate between eighths and sixteenths; one has a run."""
    phrases = tuple(
        phrase(
            i + 1,
            10 * i,
            10 * i + 10,
            (2 * i + 1, 2 * i + 2),
            subdivision=("eighths", "sixteenths")[i % 2],
            per_beat=(2.0, 4.0)[i % 2],
        )
        for i in range(count)
    )
    return analysis(["unit"] * (10 * count), phrases, (run(905, 914, 91),) if count > 91 else ())


@pytest.mark.parametrize("made", [hand_made.floating(), many(3), many(200)])
@pytest.mark.parametrize("full", [False, True])
def test_the_report_fits_80_columns(made: Analysis, full: bool) -> None:
    """No line is longer than 80 columns, and none ends in a space."""
    lines = text_report(made, full).splitlines()
    assert len(lines) > 20
    for line in lines:
        assert len(line) <= 80
        assert line == line.rstrip()


def test_a_wide_table_falls_back_to_figures() -> None:
    """The longest names of note values still fit, written in figures."""
    wide = phrase(
        111, 0, 20, (-2, 1111), subdivision="swung two-hundred-fifty-sixths", swung=True,
        swing_ratio=1.62, drift_bpm=-12.5, offset_ms=-123.0, spread_ms=104.0,
    )  # fmt: skip
    lines, left_out = phrase_table(analysis(["unit"] * 20, (wide,)))
    assert max(map(len, lines)) <= 80
    assert left_out == 0
    assert "swung 256ths" in lines[-1]


def test_tables_count_what_a_listener_counts() -> None:
    """A chord is one note in both tables, and the report says so; without chords it need not."""
    chords = phrase(1, 0, 30, (1, 4), events=13)
    made = analysis(["unit"] * 30, (chords,), (run(4, 26, 1, events=9),))
    assert phrase_table(made)[0][-1].split()[2] == "13"
    assert run_table(list(made.runs))[0][-1].split()[5] == "9"
    said = "Notes: a chord counts once, a grace note not at all."
    assert said in flat(text_report(made))
    assert said not in text_report(analysis(["unit"] * 20, (phrase(1, 0, 20, (1, 4)),)))


def test_nothing_is_minus_zero() -> None:
    """A drift of -0.04 and an offset of -0.4 are 0, without a sign; what is not keeps its own."""
    made = analysis(
        ["unit"] * 40,
        (
            phrase(1, 0, 20, (1, 4), drift_bpm=-0.04, offset_ms=-0.4),
            phrase(2, 20, 40, (5, 8), drift_bpm=-0.06, offset_ms=0.6),
        ),
    )
    none, some = (row.split() for row in phrase_table(made)[0][-2:])
    assert (none[5], none[-1]) == ("0", "0.0")
    assert (some[5], some[-1]) == ("+1", "-0.1")


def test_one_note_beside_a_run_gives_no_figures() -> None:
    """A phrase off the grid with one note on it: no offset and no pocket; with three there are."""
    kept = dict(verdict="off the grid", subdivision=None, offset_ms=4.0, in_pocket=1.0)
    one_note = hand_made.phrase(1, 0, 10, (1, 2), spread_ms=None, **kept)
    three = hand_made.phrase(2, 10, 20, (3, 4), spread_ms=9.0, **kept)
    rows = phrase_table(analysis(["unit"] * 20, (one_note, three)))[0][-2:]
    assert "+4" not in rows[0] and "100" not in rows[0]
    assert "+4" in rows[1] and "100" in rows[1]


@pytest.mark.parametrize("before", range(50, 80))
def test_a_ratio_stays_on_one_line(before: int) -> None:
    """`1.7 : 1` is one thing to read, wherever the line happens to end."""
    lines = wrapped("x" * before + " swinging 1.7 : 1, laying back by 12 ms")
    assert sum("1.7 : 1," in line for line in lines) == 1


@pytest.mark.parametrize("unit", ["%", "ms", "BPM"])
def test_every_page_keeps_figures_with_their_units(unit: str) -> None:
    """Lines of checks, comparisons, maps and the log break before a figure, never after it."""
    lines = [line for before in range(50, 80) for line in wrapped("x" * before + f" at 96 {unit}")]
    assert sum(f"96 {unit}" in line for line in lines) == 30
    assert max(map(len, lines)) <= 80
    indented = wrapped(f"as long as {'a line ' * 11} of 96 {unit}", "  ", "    ")
    assert [len(line) - len(line.lstrip()) for line in indented] == [2, 4]


def test_a_long_take_is_shortened_and_says_so() -> None:
    """Of 200 phrases, twelve sentences and forty rows; the one with a finding is among them."""
    made = many(200)
    sentences, left_out = phrase_sentences(made)
    text = text_report(made)
    assert len(sentences) == 12
    assert left_out == 188
    assert any(s.startswith("Phrase 91,") for s in sentences)
    assert "... and 160 phrases more: --full shows every one." in text
    assert "188 phrases with less to tell" in flat(text)


def test_full_shortens_nothing() -> None:
    """With `full` every phrase has its sentence and its row."""
    made = many(200)
    sentences, left_out = phrase_sentences(made, full=True)
    assert (len(sentences), left_out) == (200, 0)
    assert "--full" not in text_report(made, full=True)


def test_neighbours_without_findings_share_a_sentence() -> None:
    """Three plain phrases on one subdivision are told at once, with the range of spreads."""
    phrases = tuple(
        phrase(i + 1, 10 * i, 10 * i + 10, (2 * i + 1, 2 * i + 2), spread_ms=9.0 + i)
        for i in range(3)
    )
    sentences, left_out = phrase_sentences(analysis(["unit"] * 30, phrases))
    assert sentences == ["Phrases 1 to 3, bars 1 to 6: eighths, 9 to 11 ms spread."]
    assert left_out == 0


# --- must say / must not say --------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"offset_ms": 18.0}, "laying back by 14 ms against the whole take"),
        ({"offset_ms": -16.0}, "pushing by 20 ms against the whole take"),
        (
            {"beat_offset_ms": 21.0, "offbeat_offset_ms": 3.0, "beat_apart_se_ms": 4.0},
            "the beats lie 21 ms late, the off-beats on time",
        ),
        (
            {"beat_offset_ms": -6.0, "offbeat_offset_ms": 14.0, "per_beat": 4.0},
            "the beats lie 6 ms early, the notes between 14 ms late",
        ),
        ({"spread_ms": 27.0}, "27 ms spread (audible in a mix)"),
        ({"spread_ms": 44.0}, "44 ms spread (loose)"),
        ({"drift_bpm": 4.8}, "rushing by 4.8 BPM, gaining 250 ms on the backing"),
        ({"drift_bpm": -4.8}, "dragging by 4.8 BPM, losing 250 ms on the backing"),
        ({"drift_bpm": -2.0}, "dragging by 2.0 BPM, losing 104 ms on the backing"),
        ({"swung": True, "swing_ratio": 1.62}, "swinging 1.6 : 1"),
        ({"confidence": 0.8}, "80 % sure"),
        ({"verdict": "off the grid", "subdivision": None}, "off the grid"),
    ],
)
def test_must_be_said(changes: dict[str, object], said: str) -> None:
    """Each finding has its words."""
    assert said in one(**changes)


@pytest.mark.parametrize(
    ("changes", "never"),
    [
        # Fujii et al. 2011 (read): professional drummers lie 10 ms ahead by habit.
        ({"offset_ms": -5.9}, "pushing"),
        ({"offset_ms": 13.9}, "laying back"),
        # A lean within two standard errors of nothing is chance.
        ({"offset_ms": 18.0, "spread_ms": 40.0, "offset_se_ms": 8.9}, "laying back"),
        ({"offset_ms": 18.0, "offset_se_ms": 9.5}, "laying back"),
        # Beats and off-beats that go together, or may, are not told apart.
        ({"beat_offset_ms": 30.0, "offbeat_offset_ms": 21.0}, "off-beats"),
        ({"beat_offset_ms": 21.0, "offbeat_offset_ms": 3.0, "beat_apart_se_ms": 7.0}, "off-beats"),
        # Own swing, on the beat: 1.3 : 1 is no early off-beat.
        (
            {"swung": True, "swing_ratio": 1.3, "beat_offset_ms": 2.0, "offbeat_triplet_ms": -60.0},
            "off-beats",
        ),
        # Drake & Botte 1993 (read): 1.5 to 3 % is the least tempo change that is heard.
        ({"drift_bpm": 0.96}, "rushing"),
        ({"drift_bpm": -1.4}, "dragging"),
        ({"drift_bpm": 4.8, "drift_se_bpm": 3.0}, "rushing"),
        # Hofmann, Wesolowski & Goebl 2017 (read): below 19 ms is tight.
        ({"spread_ms": 19.4}, "audible"),
        ({"spread_ms": 6.0}, "loose"),
        # A ratio measured on straight eighths is not told as swing.
        ({"swung": False, "swing_ratio": 1.05}, "swing"),
        ({"confidence": 0.97}, "sure"),
    ],
)
def test_must_not_be_said(changes: dict[str, object], never: str) -> None:
    """What is ordinary, inaudible or may be chance is not turned into a finding."""
    assert never not in one(**changes)


def test_a_professional_lead_is_told_once_and_not_as_a_fault() -> None:
    """Ten ms ahead throughout (Fujii et al. 2011, read) is the take's constant, not pushing."""
    made = analysis(
        ["unit"] * 40,
        (phrase(1, 0, 20, (1, 4), offset_ms=-10.0), phrase(2, 20, 40, (5, 8), offset_ms=-10.0)),
        constant_offset_ms=-10.0,
    )
    text = flat(text_report(made))
    assert text.count("10 ms ahead") == 1
    assert "one take cannot tell" in text
    assert "pushing" not in text
    assert "rushing by" not in text


@pytest.mark.parametrize(("offset_ms", "error_ms"), [(0.2, 1.1), (-4.0, 7.0), (0.0, None)])
def test_no_constant_offset(offset_ms: float, error_ms: float | None) -> None:
    """An offset within two standard errors of none is none, and nothing is said of equipment."""
    made = analysis(
        ["unit"] * 20, (phrase(1, 0, 20, (1, 4)),),
        constant_offset_ms=offset_ms, constant_offset_se_ms=error_ms,
    )  # fmt: skip
    said = constant_offset(made) or ""
    assert said.startswith("No constant offset can be told")
    assert f"give or take {max(2 * (error_ms or 0), 1):.0f} ms" in said
    assert "equipment" not in said


def test_an_offset_is_not_told_where_it_cannot_be() -> None:
    """Too few notes, or a start that was found from the notes themselves."""
    made = analysis(["unit"] * 20, (phrase(1, 0, 20, (1, 4)),), constant_offset_ms=22.0)
    assert constant_offset(dataclasses.replace(made, constant_offset_ms=None)) is None
    found = dataclasses.replace(made, take=dataclasses.replace(made.take, start_found=True))
    assert "no constant offset can be told" in (constant_offset(found) or "")


def test_a_dragging_take_does_not_lie_behind_on_the_whole() -> None:
    """Where most phrases drift, the constant part is told apart from that."""
    drifts = phrase(1, 0, 20, (1, 4), drift_bpm=-4.8)
    made = analysis(["unit"] * 20, (drifts,), constant_offset_ms=12.0, constant_offset_se_ms=2.0)
    assert (constant_offset(made) or "").startswith("Drift apart the notes lie 12 ms behind")


# --- words for what cannot be answered ----------------------------------------------


def test_too_close_to_call_shows_the_ranking() -> None:
    """Without a safe answer the ranking stands in its place."""
    text = one(
        verdict="too close to call",
        subdivision=None,
        ranking=(Ranked("sextuplets", 6.0, False, 0.48), Ranked("sixteenths", 4.0, False, 0.41)),
    )
    assert "too close to call (sextuplets 48 %, sixteenths 41 %)" in text


def passages(*names: str | None) -> tuple[Passage, ...]:
    """Passages of five notes each, a bar apart."""
    return tuple(
        Passage(
            5 * i, 5 * i + 5, name, None, False,
            hand_made.place(i + 1), hand_made.place(i + 1, "& of 4"),
        )
        for i, name in enumerate(names)
    )  # fmt: skip


def test_a_mixed_phrase_names_its_passages() -> None:
    """Where the subdivision changes, the place of each change is named."""
    said = one(verdict="mixed", passages=passages("eighths", "sixteenths", None))
    assert (
        "eighths, then sixteenths from beat 1 of bar 2, then off the grid from beat 1 of bar 3"
        in said
    )


def test_many_changes_are_counted() -> None:
    """Five passages and more are not listed one by one; the main one comes first."""
    names = ("eighths", "sixteenths", "eighths", "eighth triplets", "eighths")
    said = one(verdict="mixed", passages=passages(*names))
    assert "mostly eighths, with sixteenths and eighth triplets, 4 changes" in said


def test_the_band_of_the_spread_is_told_once() -> None:
    """Where the whole take is audible in a mix, its phrases do not repeat it; a tight one does."""
    phrases = (
        phrase(1, 0, 20, (1, 4), spread_ms=27.0),
        phrase(2, 20, 40, (5, 8), spread_ms=12.0),
    )
    made = analysis(["unit"] * 40, phrases, spread_ms=25.0)
    text = flat(text_report(made))
    assert text.count("(audible in a mix)") == 1
    assert "27 ms spread." in text
    assert "12 ms spread (tight)" in text


def test_neighbours_keep_the_band_of_their_spread() -> None:
    """19.7 ms is printed as 20 and audible, of tight phrases in a loose take each is told so."""
    for spread_ms, whole_ms, band in ((19.7, 12.0, "(audible in a mix)"), (12.0, 25.0, "(tight)")):
        phrases = (
            phrase(1, 0, 20, (1, 4), spread_ms=spread_ms),
            phrase(2, 20, 40, (5, 8), spread_ms=spread_ms),
        )
        made = analysis(["unit"] * 40, phrases, spread_ms=whole_ms)
        sentences, left_out = phrase_sentences(made)
        assert (len(sentences), left_out) == (2, 0)
        assert all(s.endswith(f"{spread_ms:.0f} ms spread {band}.") for s in sentences)


def test_too_short_to_judge_does_not_lean() -> None:
    """Of a phrase too short to judge nothing else is said."""
    said = one(verdict="too short to judge", subdivision=None, offset_ms=60.0, spread_ms=None)
    assert said == "Phrase 1, bars 1 to 4: too short to judge (20 notes)."


def test_figures_keep_their_units() -> None:
    """No line ends between a number and what it counts."""
    for percent in range(50, 100):
        made = dataclasses.replace(hand_made.floating(), in_pocket=percent / 100)
        text = text_report(made)
        assert not re.search(r"\d\n\s*(%|ms|BPM)\b", text)
        assert "\xa0" not in text


def test_the_headline_counts_shares_and_runs() -> None:
    """Main subdivision with its share, and how many fast runs leave the grid."""
    made = hand_made.floating()
    assert headline(made).startswith("Mostly eighths (57 % of the notes), 12 ms spread")
    assert headline(made).endswith("The one run leaves the grid.")
    held = dataclasses.replace(made, runs=(run(40, 49, 3, off_grid=False, between=None),))
    assert headline(held).endswith("The one run stays on the grid.")
    three = dataclasses.replace(made, runs=(*made.runs, *made.runs, *held.runs))
    assert headline(three).endswith("2 of 3 runs leave the grid.")


def test_nothing_heard() -> None:
    """A take without any note on a grid is said to be without one."""
    wild: Phrase = phrase(
        1, 0, 9, (1, 2), subdivision=None, verdict="off the grid", spread_ms=None, offset_ms=None
    )
    made = analysis([None] * 9, (wild,), (run(0, 9, 1),), constant_offset_ms=None)
    text = text_report(dataclasses.replace(made, spread_ms=None, in_pocket=None))
    assert "No subdivision could be heard with any safety." in text
    assert "Too few notes lie surely on one subdivision" in flat(text)


def test_too_little_is_not_a_headline() -> None:
    """Phrases too short or too close to call name no subdivision and claim no pocket."""
    short = phrase(1, 0, 2, (1, 1), subdivision=None, verdict="too short to judge")
    said = headline(analysis(["unit"] * 2, (short,), in_pocket=1.0))
    assert said == "Nothing here is long and clear enough to name a subdivision."


# --- the page around it --------------------------------------------------------------


@pytest.mark.parametrize(
    ("meter", "bpm", "said"),
    [
        ("4/4", 96.0, "4/4 at 96 BPM"),
        ("6/8", 60.0, "6/8 at 60 BPM in dotted quarters (90 in quarters)"),
        ("2/2", 66.0, "2/2 at 66 BPM in half notes (132 in quarters)"),
        ("2+2+2+3/8", 120.0, "2+2+2+3/8 at 120 BPM"),
    ],
)
def test_both_tempi_where_the_beat_is_no_quarter(meter: str, bpm: float, said: str) -> None:
    """A tempo in other beats than quarters is given in quarters too."""
    made = analysis(["unit"] * 20, (phrase(1, 0, 20, (1, 4)),))
    made = dataclasses.replace(made, take=hand_made.take(20, bpm, meter))
    assert said in flat(text_report(made))


def test_a_changing_tempo_is_given_as_a_range() -> None:
    """A ritardando written in the tempo map shows as the range under the notes."""
    made = analysis(["unit"] * 40, (phrase(1, 0, 40, (1, 4)),))
    slowing = dataclasses.replace(
        made.take.tempo_map,
        start_sec=np.array([0.0, 2.0]),
        start_quarter=np.array([0.0, 3.2]),
        quarter_sec=np.array([0.625, 0.75]),
    )
    made = dataclasses.replace(made, take=dataclasses.replace(made.take, tempo_map=slowing))
    assert "80 to 96 BPM" in flat(text_report(made))


def test_warnings_stand_at_the_top() -> None:
    """What the reader had to say comes before any number."""
    made = hand_made.floating()
    made = dataclasses.replace(made, warnings=("The file says 120 BPM; 96 was asked for.",))
    assert text_report(made).splitlines()[3] == "Warning: The file says 120 BPM; 96 was asked for."


def test_a_name_cannot_steer_the_terminal() -> None:
    """Control characters in a file's or track's name never reach the page."""
    made = hand_made.floating()
    take = dataclasses.replace(made.take, name="solo\x1b[2J.mid", track="\x07Solo\n")
    text = text_report(dataclasses.replace(made, take=take))
    assert "\x1b" not in text
    assert "\x07" not in text


def test_the_caution_is_there() -> None:
    """Advice about fast playing comes with the usual caution."""
    text = flat(text_report(hand_made.floating()))
    assert "a teacher or a clinician" in text


@pytest.mark.parametrize(
    ("meter", "bpm", "said"),
    [
        ("4/4+6/8", 120.0, "4/4+6/8 at 120 BPM (80 in dotted quarters), track"),
        ("6/8+4/4", 80.0, "6/8+4/4 at 80 BPM in dotted quarters (120 in quarters), track"),
        ("4/4+3/4", 120.0, "4/4+3/4 at 120 BPM, track"),
    ],
)
def test_the_tempo_is_told_in_every_beat_played(meter: str, bpm: float, said: str) -> None:
    """Where meters count other beats, 120 quarters are 80 dotted quarters."""
    text = text_report(analyze(take_of(np.arange(40) / 2, bpm, meter)))
    assert said in flat(text)
