"""Verdicts: what must be called better or worse, and what must not."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import reduce

import numpy as np
import pytest

from benchmarks.histories import Player, Side
from improv import compare_data, compare_figures, compare_report
from improv.cells import Kind
from improv.compare import (
    BETTER,
    CHANGED,
    NO_DIFFERENCE,
    TOO_FEW,
    WORSE,
    Comparison,
    compare_over_time,
    compare_sets,
    judged_among,
)
from improv.contrasts import TOGETHER
from improv.errors import UsageError
from improv.material import Material, joined
from improv.measures import MEASURES
from improv.pages.build import Choices, build
from tests.hand_made import floating
from tests.log_material import history

STEADY = Player(day_wander=0.03, take_wander=0.03, phrase_wander=0.1, off_grid=0.02)


STRAIGHT = {measure.key for measure in MEASURES} - {"swing"}
"""What can be measured of players who swing nothing."""


def verdicts(found: Comparison, measure: str) -> set[str]:
    """What was said about one measure."""
    return {f.verdict for f in found.findings if f.measure.key == measure}


MUST_FLAG = [
    ("spread a third narrower", Side(8, spread_times=0.65), "spread", BETTER),
    ("spread half as wide again", Side(8, spread_times=1.5), "spread", WORSE),
    ("25 ms later", Side(8, offset_more_ms=25.0), "offset", CHANGED),
    ("runs leave the grid five times as often", Side(8, off_grid_times=20.0), "off_grid", WORSE),
    ("more in the pocket", Side(8, spread_times=0.5), "pocket", BETTER),
]
MUST_NOT_FLAG = [
    ("the same again", Side(8)),
    ("fewer notes", Side(4, phrases=2)),
    ("shorter phrases", Side(8, notes=(6, 10))),
    ("longer phrases", Side(8, notes=(20, 32))),
    ("a slower tempo", Side(8, tempo_bpm=(70.0, 80.0))),
    ("a faster tempo", Side(8, tempo_bpm=(120.0, 130.0))),
    ("more takes a day", Side(8, takes=3, phrases=3)),
]


@pytest.mark.parametrize(("name", "after", "measure", "verdict"), MUST_FLAG)
def test_must_flag(name: str, after: Side, measure: str, verdict: str) -> None:
    """A change nobody would miss is named, and named rightly."""
    found = compare_sets(*history(1, Side(8), after, STEADY))
    assert verdict in verdicts(found, measure), name
    assert found.clearest is not None


@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize(("name", "after"), MUST_NOT_FLAG)
def test_must_not_flag(name: str, after: Side, seed: int) -> None:
    """What is not a change of spread or offset is not called one (drifts kept out)."""
    player = replace(STEADY, drift_wander=0.0)
    found = compare_sets(*history(seed, Side(8), after, player))
    for measure in ("spread", "offset"):
        told = verdicts(found, measure)
        assert told and not told & {BETTER, WORSE, CHANGED}, f"{name}: {measure}"


def test_style_is_never_better_or_worse() -> None:
    """Playing later is a change, whichever way; a constant offset may be the equipment."""
    for more in (-40.0, 40.0):
        found = compare_sets(*history(2, Side(8), Side(8, offset_more_ms=more), STEADY))
        assert verdicts(found, "offset") == {CHANGED}


def test_too_few_notes_say_so() -> None:
    """Two short takes of a phrase each: nothing can be told, and that is what is said."""
    few = Side(1, phrases=1, notes=(8, 10))
    found = compare_sets(*history(3, few, few, STEADY))
    assert {f.verdict for f in found.findings} == {TOO_FEW}
    assert found.clearest is None
    assert compare_report.text_report(found).lower().count("too few notes to tell") == 1


def test_a_set_against_itself_differs_by_nothing() -> None:
    """The same takes on both sides: every change is none, exactly."""
    before, _ = history(4, Side(6), Side(6), STEADY)
    found = compare_sets(before, before)
    changes = [(f.change, f.measure) for f in found.findings if f.change is not None]
    assert {measure.key for _, measure in changes} == STRAIGHT
    for change, measure in changes:
        assert change == pytest.approx(1.0 if measure.ratio else 0.0, abs=1e-9)
    assert found.clearest is None


def test_copies_are_no_evidence() -> None:
    """The same take under eight days agrees to the last digit; nothing is concluded from that."""
    one, _ = history(21, Side(1), Side(1), STEADY)
    whole = one
    for day in range(1, 8):
        again = Material(
            one.cells, one.take, one.kinds, one.day + 7 * day, one.tempo_bpm, one.label
        )
        whole = joined(whole, again)
    found = compare_over_time(whole)
    assert found.clearest is None and found.span_days == 50


def test_turned_round_the_change_is_turned_round() -> None:
    """Before and after exchanged: ratios invert, differences change sign, chances stay."""
    a, b = history(5, Side(6), Side(6, spread_times=0.7), STEADY)
    there, back = compare_sets(a, b), compare_sets(b, a)
    told = [f.measure.key for f in there.findings if f.change is not None]
    assert set(told) == STRAIGHT
    for f, g in zip(there.findings, back.findings, strict=True):
        if f.change is None:
            assert g.change is None
            continue
        expected = 1.0 / f.change if f.measure.ratio else -f.change
        assert g.change == pytest.approx(expected, rel=1e-5, abs=1e-9)
        assert g.raw_probability == pytest.approx(f.raw_probability, rel=1e-4, abs=1e-9)


def test_twice_the_scatter_is_a_ratio_of_two() -> None:
    """Deviations doubled about their means: the spread's ratio is 2 exactly, whatever the noise."""
    before, _ = history(6, Side(5), Side(5), STEADY)
    cells = before.cells.copy()
    cells["square_ms2"] *= 4.0
    cells["product_ms2"] *= 4.0
    wider = Material(
        cells, before.take, before.kinds, before.day + 100, before.tempo_bpm, before.label
    )
    found = compare_sets(before, wider).findings
    changes = [f.change for f in found if f.measure.key == "spread"]
    assert len(changes) == 4
    assert changes == pytest.approx([2.0] * 4, rel=1e-5)


def test_days_then_takes_then_phrases_are_the_unit_of_chance() -> None:
    """The largest unit of which both sides have three is counted."""
    assert compare_sets(*history(7, Side(3), Side(3))).block == "day"
    assert compare_sets(*history(7, Side(1, 3), Side(1, 3))).block == "take"
    assert compare_sets(*history(7, Side(1), Side(1))).block == "phrase"


def test_tempo_is_accounted_for() -> None:
    """A player whose spread is a fixed share of the interval, faster after: no change at equal
    tempo, though the plain spread is narrower."""
    player = replace(STEADY, floor_ms=1.0, share=0.06)
    fast = Side(10, tempo_bpm=(120.0, 140.0))
    found = compare_sets(*history(8, Side(10, tempo_bpm=(80.0, 100.0)), fast, player))
    spreads = [f for f in found.findings if f.measure.key == "spread"]
    rows = [f for f in spreads if f.subdivision != TOGETHER.name]
    assert len(rows) == 3
    for f in rows:
        assert f.before is not None and f.after is not None
        assert f.after < 0.85 * f.before
        assert f.low is not None and f.high is not None and f.low < 1.0 < f.high
        assert f.tempo_share is not None and f.tempo_share < 0.95


def test_equal_tempo_keeps_only_counterparts() -> None:
    """Of 90 and 120 BPM against 92 BPM only the first two are compared; none at all is refused."""
    slow, _ = history(9, Side(3, tempo_bpm=(90.0, 90.1)), Side(3))
    fast, _ = history(9, Side(3, tempo_bpm=(120.0, 120.1)), Side(3))
    other, _ = history(10, Side(3, tempo_bpm=(92.0, 92.1)), Side(3))
    found = compare_sets(joined(slow, fast), other, equal_tempo=True)
    assert found.takes == (3, 3)
    with pytest.raises(UsageError, match="no two takes lie within 4 % of one tempo"):
        compare_sets(fast, other, equal_tempo=True)


def test_over_time_needs_two_days() -> None:
    """Takes of one day, or without dates, have no course over time."""
    before, _ = history(11, Side(1, 5), Side(1))
    with pytest.raises(UsageError, match="over time: the takes found lie on one day$"):
        compare_over_time(before)
    for days, why in (
        ([], "no takes were found"),
        ([-1], "only one take was found"),
        ([739_000], "only one take was found"),
        ([-1, -1], "none of the takes found has a date"),
        ([739_000, -1], "only one of the takes found has a date"),
        ([739_000, 739_000, -1], "the takes found lie on one day or have no date"),
    ):
        some = before.keep(np.arange(5) < len(days))
        with pytest.raises(UsageError, match=f"over time: {why}$"):
            compare_over_time(replace(some, day=np.array(days, dtype=np.int64)))


def test_over_time_finds_a_steady_narrowing() -> None:
    """Ten days from 100 % to 60 % of the spread: better, and the change is near what it was."""
    parts = []
    for d in range(10):
        one, _ = history(
            20 + d, Side(1, spread_times=1.0 - 0.4 * d / 9, first_day=739_000 + 7 * d), Side(1)
        )
        parts.append(one)
    whole = parts[0]
    for part in parts[1:]:
        whole = joined(whole, part)
    found = compare_over_time(whole)
    assert found.span_days == 64 and found.clearest is not None
    assert found.clearest.verdict == BETTER
    together = [f for f in found.findings if f.subdivision == TOGETHER.name]
    spread = next(f for f in together if f.measure.key == "spread")
    assert spread.low is not None and spread.high is not None and spread.low < 0.6 < spread.high


def test_empty_sets_are_refused() -> None:
    """A side without a take is a mistake in asking."""
    before, after = history(12, Side(3), Side(3))
    nobody = before.keep(np.zeros(len(before.label), dtype=bool))
    with pytest.raises(UsageError, match="one of the two sets holds no take"):
        compare_sets(nobody, after)


def test_a_class_counts_its_size() -> None:
    """One player's chance among thirty is thirty times as large, and findings may fall."""
    found = compare_sets(*history(13, Side(8), Side(8, spread_times=0.75), STEADY))
    among = judged_among(found, 30)
    pairs = list(zip(found.findings, among.findings, strict=True))
    assert any(f.probability is not None for f, _ in pairs)
    for f, g in pairs:
        if f.probability is None:
            assert g.probability is None
        else:
            assert g.probability == pytest.approx(min(1.0, 30 * f.probability))
    named = {BETTER, WORSE, CHANGED}
    fallen = [g for f, g in pairs if f.verdict in named and g.verdict not in named]
    assert fallen
    unlikely = [g.verdict for _, g in pairs if g.probability is not None and g.probability > 0.05]
    assert unlikely and not named & set(unlikely)
    assert judged_among(found, 1) is found


def test_text_fits_and_names_the_clearest_first() -> None:
    """Eighty columns; the clearest change is the first thing after what was compared."""
    found = compare_sets(*history(14, Side(8), Side(8, spread_times=0.6), STEADY))
    lines = compare_report.text_report(found).splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[2].startswith("The clearest change: ")
    assert "-0 " not in " ".join(lines)


def test_data_says_what_the_words_say() -> None:
    """JSON and CSV carry every finding with the same verdicts."""
    found = compare_sets(*history(15, Side(6), Side(6), STEADY))
    data = json.loads(json.dumps(compare_data.document(found), allow_nan=False))
    assert [f["verdict"] for f in data["findings"]] == [f.verdict for f in found.findings]
    rows = compare_data.csv_text(found, ("Ana",)).splitlines()
    assert rows[0].startswith("player,subdivision,per_beat,measure")
    assert len(rows) == 1 + len(found.findings)


def section_of(found: Comparison) -> str:
    """The section of a report's page that tells a comparison."""
    page = build(floating(), Choices(history=found))
    return page[page.index('<section id="history"') : page.index('<section id="reading"')]


def test_html_is_harmless() -> None:
    """A subdivision named by markup, as a tampered log may have it, stays text."""
    found = compare_sets(*history(16, Side(3), Side(3)))
    first = replace(found.findings[0], subdivision="<script>alert(1)</script>")
    section = section_of(replace(found, findings=(first, *found.findings[1:])))
    assert "<script>" not in section and "&lt;script&gt;" in section
    assert section.count("<tr>") == 1 + len(found.findings)


def test_html_says_every_figure_of_the_text_table() -> None:
    """The section groups by subdivision and holds each row's figures as the text has them."""
    found = compare_sets(*history(16, Side(6), Side(6, spread_times=0.6), STEADY))
    section = section_of(found)
    names = list(dict.fromkeys(f.subdivision for f in found.findings))
    assert section.count('class="group"') == len(names) == 4
    for f in found.findings:
        assert compare_figures.interval_figure(f) in section
        assert f">{compare_figures.short_verdict(f)}<" in section


@pytest.mark.parametrize("seed", range(3))
def test_intervals_cover_and_nothing_is_found_in_nothing(seed: int) -> None:
    """A small part of the benchmark: of 3 x 40 null comparisons, about 95 % cover, few find."""
    inside, better = [], 0
    for i in range(40):
        found = compare_sets(*history(1000 * seed + i, Side(4, kinds=2), Side(4, kinds=2)))
        better += any(f.verdict == BETTER for f in found.findings)
        for f in found.findings:
            if f.measure.key in ("spread", "offset") and f.low is not None and f.high is not None:
                inside.append(f.low <= (1.0 if f.measure.ratio else 0.0) <= f.high)
    assert np.mean(inside) > 0.88 and better <= 6


def in_two_meters(first: Side, second: Side) -> tuple[Material, Material]:
    """Two sides that both hold eighths of 4/4 and eighths of 6/8, which are not the same."""
    before, after = history(16, first, second, STEADY)
    compound = (Kind("eighths", 3.0, False), *before.kinds[1:])
    return (
        joined(before, replace(before, kinds=compound)),
        joined(after, replace(after, kinds=compound)),
    )


def test_one_name_in_two_meters_is_told_apart() -> None:
    """Eighths are two a beat in 4/4 and three in 6/8: each is named by that, once."""
    found = compare_sets(*in_two_meters(Side(5), Side(5)))
    names = {f.subdivision for f in found.findings}
    assert {"eighths (2 a beat)", "eighths (3 a beat)", "sixteenths"} <= names
    text = compare_report.text_report(found)
    assert "\neighths (2 a beat; " in text and "\neighths (3 a beat; " in text
    assert max(map(len, text.splitlines())) <= 80


def test_a_meter_that_only_others_play_changes_no_name() -> None:
    """A log knows everybody's subdivisions; a player is told of their own, by their plain names."""
    sides = [
        replace(side, kinds=(*side.kinds, Kind("eighths", 3.0, False)))
        for side in history(16, Side(5), Side(5), STEADY)
    ]
    found = compare_sets(sides[0], sides[1])
    assert {f.subdivision for f in found.findings} >= {"eighths", "sixteenths"}
    assert not any("a beat" in f.subdivision for f in found.findings)


def test_notes_enough_in_too_few_takes_is_not_called_too_few_notes() -> None:
    """Three takes over time: what is missing is takes, and that is what is said first."""
    few, _ = history(17, Side(3), Side(1), STEADY)
    text = compare_report.text_report(compare_over_time(few))
    assert "Too few takes to tell: no subdivision was played in five takes." in text
    assert "comparisons made here" not in text  # for none was made


def test_one_comparison_is_called_one() -> None:
    """The sentence on how many comparisons were allowed for counts as people do."""
    found = compare_sets(*history(18, Side(5), Side(5), STEADY))
    tested = [f for f in found.findings if f.probability is not None]
    assert f"allows for all {len(tested)} comparisons" in " ".join(
        compare_report.reading(found).split()
    )
    one = replace(found, findings=(tested[0],))
    assert "'Chance' is that of the one comparison made here." in compare_report.reading(one)


def after_too_few(found: Comparison, **of_sixteenths: object) -> Comparison:
    """The comparison with its sixteenths off the grid as told, over too few notes."""
    rows = tuple(
        replace(f, verdict=TOO_FEW, probability=None, low=None, high=None, **of_sixteenths)
        if (f.subdivision, f.measure.key) == ("sixteenths", "off_grid")
        else replace(f, verdict=NO_DIFFERENCE)
        for f in found.findings
        if f.subdivision in ("eighths", "sixteenths")
    )
    return replace(found, findings=rows, clearest=None)


@pytest.mark.parametrize(
    ("before", "after", "notes", "said"),
    [
        # A quarter of the notes is a change nobody would miss (`Measure.coarse`).
        (0.52, 0.0, (22, 33), "sixteenths, off grid 52 % before and 0 % after, over too few notes"),
        (0.0, 0.30, (30, 30), "sixteenths, off grid 0 % before and 30 % after, over too few day"),
        (0.20, 0.0, (22, 33), None),
        (0.52, 0.0, (4, 33), None),
        (None, 0.5, (22, 33), None),
    ],
)
def test_what_cannot_be_told_is_not_called_chance(
    before: float | None, after: float, notes: tuple[int, int], said: str | None
) -> None:
    """A wide difference over too few notes is named, and chance is said of the others only."""
    found = compare_sets(*history(14, Side(8), Side(8), STEADY))
    told = compare_report.clearest_sentence(
        after_too_few(found, before=before, after=after, notes=notes)
    )
    if said is None:
        assert told == "No change can be shown: what differs is no more than chance would do."
    else:
        assert told.startswith("No change can be shown where enough was played to tell: what dif")
        assert f"The rest can't be told yet, wide as it differs: {said}" in told


def test_mostly_too_few_is_said_first() -> None:
    """Where most rows tell nothing, the sentence does not speak for them."""
    found = compare_sets(*history(14, Side(8), Side(8), STEADY))
    rows = tuple(
        replace(f, verdict=NO_DIFFERENCE if f.subdivision == "eighths" else TOO_FEW)
        for f in found.findings
    )
    told = compare_report.clearest_sentence(replace(found, findings=rows, clearest=None))
    assert told.startswith("No change can be shown in eighths: what differs there is no more than")
    assert told.endswith("The rest can't be told: too few notes or days.")


def test_over_time_the_sentence_says_what_its_figures_are() -> None:
    """The sides are means of halves, the change is along a line: no difference of the two."""
    parts = [
        history(
            20 + d, Side(1, spread_times=1.0 - 0.4 * d / 9, first_day=739_000 + 7 * d), Side(1)
        )[0]
        for d in range(10)
    ]
    found = compare_over_time(reduce(joined, parts))
    said = compare_report.clearest_sentence(found)
    assert " in the first half, " in said and " in the second, as played; along a straight" in said
    assert " before, " not in said and " after: " not in said
    assert "'Before' and 'after' are the means of the first and the second half" in (
        compare_report.reading(found)
    )


def test_of_two_sides_the_change_is_told_apart_from_the_figures() -> None:
    """Slower and tighter: what was played is said as that, the change as one at equal tempo."""
    slower = Side(8, tempo_bpm=(70.0, 80.0), spread_times=0.5)
    found = compare_sets(*history(1, Side(8), slower, STEADY))
    said = compare_report.clearest_sentence(found)
    assert " before, " in said and " after, as played; at equal tempo " in said
    assert "'Before' and 'after' are as played" in compare_report.reading(found)


def test_nothing_has_a_minus_that_is_nothing() -> None:
    """An offset or a drift that rounds to nothing has no sign."""
    found = compare_sets(*history(1, Side(4), Side(4)))
    offset, drift = (
        next(f for f in found.findings if f.measure.key == key) for key in ("offset", "drift")
    )
    assert compare_figures.figure(offset, -0.04) == "0.0 ms"
    assert compare_figures.figure(drift, -0.0004) == "0.0 %"
    assert compare_figures.figure(offset, -0.06) == "-0.1 ms"
