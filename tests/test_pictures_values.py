"""The values behind the dials, the tempo curve, the spread; letters, paper, words."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.ft2font import FT2Font, LoadFlags
from pictures_made import Row, eighths, floating, picture

from improv.errors import UsageError
from improv.grid import names_in
from improv.gridlines import grid_between, swing_of
from improv.held import subdivisions_played
from improv.meter import parse_meter
from improv.pictures.alt import alt_text
from improv.pictures.beat import SECTORS, beat_dials
from improv.pictures.chart import chart_of
from improv.pictures.letters import (
    first_fitting,
    fitted_facts,
    fitted_names,
    shortened,
    width_mm,
    wrapped,
)
from improv.pictures.local_lines import local_lines, noise_of
from improv.pictures.music import (
    beat_starts,
    events_of,
    quarters_of,
    scribbled_name,
    title_of,
)
from improv.pictures.paper import A4, Paper, parse_paper
from improv.pictures.spread import THRESHOLDS, spreads_of
from improv.pictures.tempo_curve import bar_places, tempo_curve
from improv.tempo import beats_at, constant_tempo, lay_bars, seconds_at

UNIT, SWUNG_UNIT = 3, 4


# --- letters and paper -------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "bold"), [("DejaVuSans.ttf", False), ("DejaVuSans-Bold.ttf", True)]
)
def test_letters_are_as_wide_as_the_font_says(file: str, bold: bool) -> None:
    """Every printable ASCII character, against the font file that draws it."""
    font = FT2Font(str(Path(matplotlib.get_data_path(), "fonts", "ttf", file)))
    font.set_size(1000, 72)
    for code in range(32, 127):
        advance = font.load_char(code, flags=LoadFlags.NO_HINTING).linearHoriAdvance / 65536
        mm = width_mm(chr(code), 72.0, bold)
        assert mm == pytest.approx(advance / 1000 * 25.4, abs=0.02), chr(code)


def test_texts_are_fitted_from_the_longest_to_none() -> None:
    """The first that fits is taken; where none does, none is."""
    texts = ("sixteenths", "16ths", "4")
    assert first_fitting(texts, 100.0, 7.0) == "sixteenths"
    assert first_fitting(texts, width_mm("16ths", 7.0), 7.0) == "16ths"
    assert first_fitting(texts, 0.5, 7.0) is None


def test_long_names_lose_their_middle() -> None:
    """Beginning and ending of a file name tell most."""
    name = "monday-evening-class-second-chorus-again.mid"
    cut = shortened(name, 40.0, 8.0)
    assert cut.startswith("monday") and cut.endswith(".mid") and "…" in cut
    assert width_mm(cut, 8.0) <= 40.0


def test_facts_lose_brackets_first_and_then_their_end() -> None:
    """`a (b), c` becomes `a, c` and then `a`."""
    facts = "4/4 at 96 BPM, 12 notes (a chord counts once), spread 9 ms"
    whole, bare = width_mm(facts, 8.0), width_mm("4/4 at 96 BPM, 12 notes, spread 9 ms", 8.0)
    assert fitted_facts(facts, whole, 8.0) == facts
    assert fitted_facts(facts, bare, 8.0) == "4/4 at 96 BPM, 12 notes, spread 9 ms"
    assert fitted_facts(facts, bare - 1.0, 8.0) == "4/4 at 96 BPM, 12 notes"


def test_names_there_is_no_room_for_are_counted() -> None:
    """All of them, some and a count, or the first cut short and a count; never wider."""
    names = [f"evening chorus {i}" for i in range(1, 13)]
    whole = f"Spread. {', '.join(names)}"
    assert fitted_names("Spread. ", names, width_mm(whole, 8.0), 8.0) == whole
    assert fitted_names("Spread. ", names, 100.0, 8.0) == (
        "Spread. evening chorus 1, evening chorus 2 and 10 more"
    )
    short = fitted_names("Spread. ", names, 45.0, 8.0)
    assert short.startswith("Spread. ") and "…" in short and short.endswith(" and 11 more")
    assert width_mm(short, 8.0) <= 45.0


def test_wrapped_lines_keep_all_words_within_the_room() -> None:
    """Nothing is lost and no line is too wide."""
    text = "Late notes stand to the right of their position and below the line"
    lines = wrapped(text, 40.0, 7.0)
    assert " ".join(lines) == text
    assert len(lines) > 1 and all(width_mm(line, 7.0) <= 40.0 for line in lines)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("a4", A4), ("A4", A4), ("300x200", Paper(300.0, 200.0)), ("300 x 200.5", Paper(300, 200.5))],
)
def test_paper_is_read(text: str, expected: Paper) -> None:
    """Names and sizes in mm; A4 is 210 by 297 mm (ISO 216)."""
    assert parse_paper(text) == expected


@pytest.mark.parametrize(
    ("text", "match"),
    [("a9", "write a4, letter"), ("20x300", "100 to 1200 mm"), ("9999x300", "100 to 1200 mm"),
     ("300x", "write a4"), ("nanx10", "write a4")],
)  # fmt: skip
def test_no_such_paper(text: str, match: str) -> None:
    """What cannot be a sheet is refused with what can."""
    with pytest.raises(UsageError, match=match):
        parse_paper(text)


# --- music -------------------------------------------------------------------


@pytest.mark.parametrize("meter", ["4/4", "6/8", "2+2+2+3/8", "9/8+10/8", "5/4"])
def test_quarters_of_beats_undo_beats_of_quarters(meter: str) -> None:
    """There and back, also before the first and after the last bar there is."""
    bars = lay_bars(((0.0, parse_meter(meter)),), -3.0, 40.0)
    quarter = np.linspace(-9.0, 55.0, 257)
    assert quarters_of(bars, beats_at(bars, quarter)) == pytest.approx(quarter, abs=1e-9)


def test_beats_of_a_bar_cut_short_are_those_that_began() -> None:
    """Three quarters of 4/4, then 3/4: beats at 0, 1, 2 and on from 3."""
    four, three = parse_meter("4/4"), parse_meter("3/4")
    bars = lay_bars(((0.0, four), (3.0, three)), 0.0, 6.0)
    start, owner = beat_starts(bars)
    assert start[:6].tolist() == [0, 1, 2, 3, 4, 5]
    assert owner[:6].tolist() == [0, 0, 0, 1, 1, 1]


def test_a_swung_grid_is_found_and_laid() -> None:
    """Positions at 3/5 of the beat are a ratio of 1.5, and the ratio puts them back there."""
    bars = lay_bars(((0.0, parse_meter("4/4")),), 0.0, 8.0)
    at = np.array([0.0, 0.6, 1.0, 1.6, np.nan])
    assert swing_of(bars, SWUNG_UNIT, at) == pytest.approx(1.5)
    assert swing_of(bars, UNIT, at) is None
    laid = grid_between(bars, SWUNG_UNIT, 0.0, 2.0, 1.5)
    assert laid == pytest.approx([0.0, 0.6, 1.0, 1.6])


def test_names_are_shortened_as_they_are_scribbled() -> None:
    """Note values in figures, as in narrow tables; tuplets are cut."""
    assert scribbled_name("swung sixteenths") == "swung 16ths"
    assert scribbled_name("eighth triplets") == "8th trip."
    assert scribbled_name("quarters") == "quarters"
    assert scribbled_name("quintuplets") == "quint."


def test_every_name_is_scribbled_short_and_stays_itself() -> None:
    """Of no meter's names is a short note spelt out, and no two are scribbled alike."""
    units = ("2", "4", "8", "16", "32")
    spelt = re.compile("eighth|teenth|second|fourth|sixth|[rt]uplet")
    meters = [parse_meter(f"{bar}/{unit}")[0] for bar in ("4", "6", "2+2+3") for unit in units]
    for meter in meters:
        names = names_in((meter,))
        scribbled = [scribbled_name(full) for full in names]
        assert len(set(scribbled)) == len(names)
        assert not [s for s in scribbled if spelt.search(s)]


def test_titles_are_safe_to_print() -> None:
    """No folders, no control characters."""
    assert title_of(picture(eighths(3), name_="a/b/so\nlo.mid")) == "so\ufffdlo.mid"


def test_events_are_told_by_their_first_plain_note() -> None:
    """An ornament before a chord is not the event's time."""
    analysis = picture(eighths(4, 6.0))
    notes = dataclasses.replace(
        analysis.notes, event=np.array([0, 0, 0, 1]), grace=np.array([True, False, False, False])
    )
    events = events_of(dataclasses.replace(analysis, notes=notes))
    assert events.row.tolist() == [1, 3]
    assert events.grid_quarter == pytest.approx([0.5, 1.5])


# --- where in the beat -------------------------------------------------------


def test_a_dial_counts_notes_by_their_place_in_the_beat() -> None:
    """Eighths 10 ms late at 120 BPM lie 1/50 beat after the beat and the &."""
    (dial,) = beat_dials(picture(eighths(16, 10.0))).dials
    assert dial.title == "eighths" and dial.notes == 16
    assert np.flatnonzero(dial.sectors).tolist() == [1, 37]
    assert dial.sectors[1] == dial.sectors[37] == 8 and SECTORS == 72
    assert [(p.count, p.notes) for p in dial.positions] == [("beat", 8), ("&", 8)]
    assert [p.phase_beat for p in dial.positions] == pytest.approx([0.0, 0.5])
    assert [p.mean_beat for p in dial.positions] == pytest.approx([0.02, 0.52])
    assert [p.lean_ms for p in dial.positions] == pytest.approx([10.0, 10.0])
    assert dial.note == "16 notes, 10 ms late, spread 0 ms"


def test_an_early_downbeat_is_early_and_not_very_late() -> None:
    """15 ms before the beat falls into the last sectors and leans 15 ms early."""
    (dial,) = beat_dials(picture([(float(i), -15.0, "beat") for i in range(8)])).dials
    assert np.flatnonzero(dial.sectors).tolist() == [69]
    assert dial.positions[0].lean_ms == pytest.approx(-15.0)
    assert dial.positions[0].mean_beat == pytest.approx(0.97)


def test_the_swung_position_is_its_own() -> None:
    """Ratio 1.3 : 1 puts the & at .5652 beat (Corcoran & Frieler 2021: 1.3 in solos)."""
    place = 1.3 / 2.3
    rows: list[Row] = [(i + at, 0.0, "swung-unit") for i in range(8) for at in (0.0, place)]
    (dial,) = beat_dials(picture(rows)).dials
    assert [p.count for p in dial.positions] == ["beat", "&"]
    assert dial.positions[1].phase_beat == pytest.approx(0.5652, abs=5e-5)
    assert dial.positions[1].lean_ms == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("meter", "key", "step", "counts"),
    [
        ("4/4", "triplet", 1 / 3, ["beat", "trip", "let"]),
        ("4/4", "half-unit", 1 / 4, ["beat", "e", "&", "a"]),
        ("4/4", "quintuplet", 1 / 5, ["beat", "1/5", "2/5", "3/5", "4/5"]),
        ("6/8", "unit", 1 / 2, ["beat", "la", "li"]),
    ],
)
def test_positions_are_counted_as_musicians_do(
    meter: str, key: str, step: float, counts: list[str]
) -> None:
    """Syllables where the trade has them, shares of the beat elsewhere (common practice)."""
    rows: list[Row] = [(i * step, 0.0, key) for i in range(4 * len(counts))]
    (dial,) = beat_dials(picture(rows, meter=meter)).dials
    assert [p.count for p in dial.positions] == counts


def test_beats_of_unequal_length_get_dials_of_their_own() -> None:
    """In 2+2+2+3/8 six eighths lie in short beats and three in the long one."""
    dials = beat_dials(picture(eighths(9), meter="2+2+2+3/8")).dials
    assert [(d.title, d.notes) for d in dials] == [
        ("eighths, beats of 2/8", 6),
        ("eighths, beats of 3/8", 3),
    ]
    assert [p.count for p in dials[1].positions] == ["beat", "1/3", "2/3"]


def test_notes_off_the_grid_come_last_and_have_no_positions() -> None:
    """The run's dial stands behind the others."""
    dials = beat_dials(floating()).dials
    assert [d.title for d in dials] == ["eighths", "sixteenths", "off the grid"]
    assert dials[-1].positions == () and dials[-1].notes == 8


# --- how time moves ----------------------------------------------------------


def test_places_in_bars_count_from_bar_1() -> None:
    """Quarter 10 of 4/4 is the middle of bar 3; a quarter before bar 1 is 0.75."""
    bars = lay_bars(((0.0, parse_meter("4/4")),), -4.0, 12.0)
    assert bar_places(bars, np.array([0.0, 10.0, -1.0, -8.0])) == pytest.approx([1, 3.5, 0.75, -1])


def rushing(bpm: float, own_bpm: float, count: int = 64) -> list[Row]:
    """Eighths played at a tempo of one's own over a backing."""
    quarter_sec, own_sec = 60 / bpm, 60 / own_bpm
    return [(i / 2, 1000 * (i / 2) * (own_sec - quarter_sec), "unit") for i in range(count)]


@pytest.mark.parametrize("own_bpm", [100.0, 104.0, 97.0])
def test_the_local_tempo_is_the_players_own(own_bpm: float) -> None:
    """A steady 104 over a backing at 100 reads +4 BPM throughout, with no doubt."""
    curve = tempo_curve(picture(rushing(100.0, own_bpm), bpm=100.0))
    (phrase,) = curve.phrases
    assert phrase.bpm == pytest.approx(np.full(len(phrase.bpm), own_bpm - 100.0), abs=1e-6)
    assert phrase.high_bpm - phrase.low_bpm == pytest.approx(0.0, abs=1e-3)
    assert (curve.first_bar, curve.last_bar) == (1.0, 9.0)


def test_a_phrase_that_speeds_up_is_seen_to() -> None:
    """Deviations falling as a parabola: tempo grows along the phrase, from below to above."""
    rows = [(i / 2, 30 - 0.05 * (i - 20) ** 2, "unit") for i in range(64)]
    (phrase,) = tempo_curve(picture(rows)).phrases
    assert phrase.bpm[0] < 0 < phrase.bpm[-1]
    assert (np.diff(phrase.bpm) > 0).all()


def test_few_notes_have_no_tempo() -> None:
    """Five notes give no curve; the notes themselves stay."""
    (phrase,) = tempo_curve(picture(eighths(5))).phrases
    assert len(phrase.bpm) == 0 and len(phrase.late_ms) == 5


def test_thresholds_of_tempo_scale_with_the_backing() -> None:
    """1.5 to 3 % of 120 BPM (Drake & Botte 1993) are 1.8 and 3.6 BPM."""
    assert tempo_curve(picture(eighths(8))).heard_bpm == pytest.approx((1.8, 3.6))


def test_lines_through_points_on_a_line_are_that_line() -> None:
    """Height and slope are exact, also at the ends; far places are NaN."""
    x = np.linspace(0.0, 10.0, 41)
    height, slope, _ = local_lines(x, 0.3 * x - 1.0, np.array([0.0, 4.0, 10.0, 40.0]), 1.5)
    assert height[:3] == pytest.approx([-1.0, 0.2, 2.0])
    assert slope[:3] == pytest.approx([0.3, 0.3, 0.3])
    assert np.isnan(height[3]) and np.isnan(slope[3])


def test_many_places_are_the_same_as_few() -> None:
    """Places are worked through in portions; the portions do not show."""
    rng = np.random.default_rng(4)
    x = np.sort(rng.uniform(0, 60, 300))
    y = rng.normal(0, 1, 300)
    at = np.linspace(0, 60, 201)
    whole = np.array(local_lines(x, y, at, 1.8))
    single = np.array([local_lines(x, y, at[i : i + 1], 1.8) for i in range(201)])[:, :, 0].T
    assert whole == pytest.approx(single, rel=1e-4, abs=1e-5)


@pytest.mark.parametrize("memory", [0.0, 0.5])
def test_the_band_holds_the_truth_about_95_times_in_100(memory: float) -> None:
    """Players with a steady tempo and a hand with memory: zero drift lies in the band."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(150):
        y = np.empty(64)
        y[0] = rng.normal()
        for i in range(1, 64):
            y[i] = memory * y[i - 1] + np.sqrt(1 - memory**2) * rng.normal()
        _, slope, error = local_lines(np.arange(64) * 0.15, y, np.linspace(0, 9.45, 9), 1.8)
        inside.append(np.mean(np.abs(slope) <= 2.2 * error))
    assert 0.92 <= np.mean(inside) <= 0.99


def test_noise_and_memory_are_found() -> None:
    """A long series of memory 0.6 and noise 2 about a parabola gives both back."""
    rng = np.random.default_rng(5)
    e = rng.normal(0, 2 * 0.8, 4000)
    y = np.zeros(4000)
    for i in range(1, 4000):
        y[i] = 0.6 * y[i - 1] + e[i]
    x = np.arange(4000.0)
    noise, memory = noise_of(x, y + 1e-6 * x**2)
    assert noise == pytest.approx(2.0, rel=0.05)
    assert memory == pytest.approx(0.6, abs=0.04)


# --- spread ------------------------------------------------------------------


def test_thresholds_carry_numbers_and_sources() -> None:
    """19 ms (Hofmann et al. 2017); 23 ms early, 28 ms late (preprint OSF jsg94)."""
    edges = {t.mark: (t.early_ms, t.late_ms) for t in THRESHOLDS}
    assert edges == {"A": (-19.0, 19.0), "B": (-23.0, 28.0)}
    assert ["Hofmann" in t.source or "jsg94" in t.source for t in THRESHOLDS] == [True, True]


def test_drift_is_no_spread() -> None:
    """Eighths that fall behind by 2 ms a note drag by 0.96 BPM at 120: nothing is scattered."""
    rows = [(i / 2, 2.0 * i, "unit") for i in range(30)]
    told = dataclasses.replace(picture(rows).phrases[0], drift_bpm=-120 * 2 / 250, drift_se_bpm=0.1)
    (drifting,) = spreads_of([picture(rows, phrases=(told,))]).rows
    assert drifting.spread_ms == pytest.approx(0.14, abs=0.05)
    doubtful = dataclasses.replace(told, drift_se_bpm=0.6)
    (row,) = spreads_of([picture(rows, phrases=(doubtful,))]).rows
    assert row.spread_ms == pytest.approx(2.0 * np.std(np.arange(30), ddof=1), rel=0.05)


def test_pictures_tell_the_spread_that_the_text_tells() -> None:
    """Drift, a phrase's own offset and a fumble in two phrases of two subdivisions."""
    rng = np.random.default_rng(8)
    rows = [(i / 2, 2.0 * i + rng.normal(0, 9), "unit") for i in range(24)]
    rows += [(14.0 + i / 4, 30.0 + rng.normal(0, 9), "half-unit") for i in range(16)]
    rows += [(19.0 + i / 2, 30.0 + rng.normal(0, 9), "unit") for i in range(8)]
    rows[5] = (2.5, 95.0, "unit")
    first, second = (
        dataclasses.replace(picture(rows).phrases[0], number=i + 1, start=start, stop=stop)
        for i, (start, stop) in enumerate([(0, 24), (24, 48)])
    )
    drifting = dataclasses.replace(first, drift_bpm=-120 * 2 / 250, drift_se_bpm=0.1)
    analysis = picture(rows, phrases=(drifting, second))
    told = {p.subdivision: p.spread_ms for p in subdivisions_played([analysis])}
    shown = [
        {row.subdivision: row.spread_ms for row in spreads_of([analysis]).rows},
        {dial.title: dial.spread_ms for dial in beat_dials(analysis).dials},
    ]
    assert 6.0 < told["eighths"] < 14.0  # neither 2 ms a note nor the fumble is in it
    assert shown == [pytest.approx(told)] * 2


def test_tempi_by_tens_are_those_of_the_beat_as_written() -> None:
    """90 BPM is 89.99995 in a file's whole microseconds: it belongs to 90 to 100 BPM."""
    rows = eighths(8)
    takes = [picture(rows, bpm=bpm) for bpm in (89.99995, 91.0, 93.0, 95.0, 97.0, 98.0, 99.0)]
    assert [r.tempo_text for r in spreads_of(takes).rows] == ["90 to 100 BPM"]


def test_spread_is_about_the_phrases_own_mean() -> None:
    """Deviations 10 and 30 in turn: about their mean they are -10 and 10; spread 10.35."""
    rows = [(i / 2, 10.0 if i % 2 else 30.0, "unit") for i in range(30)]
    spreads = spreads_of([picture(rows)])
    (row,) = spreads.rows
    assert (row.subdivision, row.tempo_text, row.interval_ms) == ("eighths", "120 BPM", 250.0)
    assert sorted(set(row.away_ms.round(9).tolist())) == [-10.0, 10.0]
    # A center and a line cost two of the thirty notes' freedom, as in the text.
    assert row.spread_ms == pytest.approx(10 * np.sqrt(30 / 28), rel=0.01)
    assert row.spread_se_ms == pytest.approx(row.spread_ms / np.sqrt(56), rel=0.02)
    assert row.tone_ms == pytest.approx(6.25)
    assert row.note == "30 notes\nspread 10 ± 3 ms"


def test_rows_run_from_coarse_to_fine_and_by_tempo() -> None:
    """Two takes at two tempi: eighths before sixteenths, the slower tempo first."""
    fast: list[Row] = [(i / 4, float(i % 3), "half-unit") for i in range(12)]
    slow = [*eighths(12), *((6.0 + i / 4, 0.0, "half-unit") for i in range(12))]
    spreads = spreads_of([picture(fast, bpm=140.0), picture(slow, bpm=90.0)])
    assert [(r.subdivision, r.tempo_text) for r in spreads.rows] == [
        ("eighths", "90 BPM"),
        ("sixteenths", "90 BPM"),
        ("sixteenths", "140 BPM"),
    ]
    assert spreads.title == "2 takes"


def test_many_tempi_are_gathered_by_tens() -> None:
    """A tempo map with nine tempi gives rows by tens of BPM and loses no note."""
    takes = [picture(eighths(8), bpm=float(bpm)) for bpm in range(90, 117, 3)]
    rows = spreads_of(takes).rows
    assert [r.tempo_text for r in rows] == ["90 to 100 BPM", "100 to 110 BPM", "110 to 120 BPM"]
    assert sum(len(r.away_ms) for r in rows) == 72


def test_the_density_is_that_of_a_kernel_estimate() -> None:
    """Against scipy's, on 400 normal values: the same shape within 3 % of the peak."""
    kde = pytest.importorskip("scipy.stats").gaussian_kde
    rng = np.random.default_rng(2)
    rows = [(i / 2, float(ms), "unit") for i, ms in enumerate(rng.normal(0, 12, 400))]
    (row,) = spreads_of([picture(rows)]).rows
    reference = kde(row.away_ms, bw_method="silverman")(row.density_ms)
    assert row.density == pytest.approx(reference / reference.max(), abs=0.06)


# --- words -------------------------------------------------------------------


def test_words_say_what_each_picture_shows() -> None:
    """Every kind tells its figures in whole sentences."""
    analysis = floating()
    chart = alt_text(chart_of(analysis), 1, 2)
    assert chart.startswith("Chart of solo.mid, page 1 of 2: 4/4 at 120 BPM, 40 notes")
    assert "1 run off the grid" in chart and "8 on no grid" in chart
    assert "4 behind it" in chart
    assert "eighths: 16 notes, on time" in alt_text(beat_dials(analysis))
    assert "backing at 120 BPM: phrase 1 between" in alt_text(tempo_curve(analysis))
    spread = alt_text(spreads_of([analysis]))
    assert "sixteenths at 120 BPM: 16 notes, spread" in spread and "Hofmann" in spread


def test_no_words_are_made_up_for_other_things() -> None:
    """What is no picture's data has no words."""
    with pytest.raises(TypeError, match="no picture is made of str"):
        alt_text("solo")


def test_seconds_and_quarters_agree() -> None:
    """The hand-made analyses are consistent: onset minus deviation is the grid position."""
    analysis = picture(eighths(8, 30.0), bpm=90.0)
    grid = seconds_at(constant_tempo(90.0, 4.0), np.arange(8) / 2)
    assert analysis.notes.onset_sec - 0.03 == pytest.approx(grid)
