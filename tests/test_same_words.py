"""Text, tables, page and chart tell the same of a phrase and of a run."""

from __future__ import annotations

import dataclasses

import hand_made
import numpy as np
import pytest
from core_takes import take_of
from hand_made import analysis, phrase

from improv import Settings, analyze
from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.document import document
from improv.headline import headline
from improv.listening.on_grid import place_on_grid
from improv.log_report import _percent
from improv.meter import parse_meter
from improv.model import Passage
from improv.pages.build import Choices, build
from improv.pages.flagged import flagged
from improv.pages.rows import phrase_table as page_table
from improv.pictures.chart import chart_of
from improv.report import text_report
from improv.sentences import hear, run_text
from improv.tables import phrase_table
from improv.tempo import lay_bars
from improv.wording import rate_beat, tempo_beat_name


def flat(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


def passages(*parts: tuple[str | None, int]) -> tuple[Passage, ...]:
    """Passages by name and number of notes, one after another."""
    rates = {"eighths": 2.0, "sixteenths": 4.0, None: None}
    found, start = [], 0
    for i, (name, notes) in enumerate(parts):
        begins, ends = hand_made.place(i + 1), hand_made.place(i + 1, "& of 4")
        found.append(Passage(start, start + notes, name, rates[name], False, begins, ends))
        start += notes
    return tuple(found)


@pytest.mark.parametrize(
    ("verdict", "parts", "several"),
    [
        ("mixed", [("eighths", 12), (None, 8)], False),
        ("mixed", [("eighths", 12), ("sixteenths", 4), (None, 4)], True),
        ("on the grid", [("eighths", 14), ("sixteenths", 6)], True),
        ("on the grid", [("eighths", 17), ("sixteenths", 3)], False),
        ("on the grid", [("eighths", 20)], False),
    ],
)
def test_the_main_one_of_several(
    verdict: str, parts: list[tuple[str | None, int]], several: bool
) -> None:
    """`+` in the table and "mainly" on page and chart, just where the sentence names another."""
    kinds = [{"eighths": "unit", "sixteenths": "half-unit", None: None}[n] for n, m in parts
             for _ in range(m)]  # fmt: skip
    told = phrase(1, 0, 20, (1, 4), verdict=verdict, passages=passages(*parts))
    made = analysis(kinds, (told,))
    assert ("sixteenths" in hear(made, told).text) is several
    row = phrase_table(made)[0][3]
    assert ("eighths +" in row) is several
    assert ("with '+'" in flat(text_report(made))) is several
    assert ("mainly eighths" in [c.text for c in page_table(made).rows[0]]) is several
    assert ("mainly eighths" in chart_of(made).phrases[0].texts[0]) is several


def test_what_was_left_out_is_not_beside_its_places() -> None:
    """Eighths where only quarters are asked for are said to be left out, here and on the page."""
    eighths = np.concatenate([8 * k + np.arange(10) / 2.0 for k in range(4)])
    made = analyze(take_of(eighths), Settings(subdivisions=("quarters",)))
    assert any(run.off_grid for run in made.runs)
    assert "of the subdivisions asked for (quarters)" in headline(made)
    told = flat(text_report(made))
    assert "the rate of eighths, which were not asked for" in told
    assert "beside their places" not in told
    assert not any("beside" in flag.sentence for flag in flagged(made, place_on_grid(made)))


def test_what_was_asked_for_may_lie_beside_its_places() -> None:
    """The rate of a subdivision in question, beside its places, is told as that."""
    run = hand_made.run(0, 9, 1, near=("sixteenths", 0.0), between=None)
    said = "the rate of sixteenths but beside their places"
    for asked, tells in ((None, True), (("eighths", "sixteenths"), True), (("eighths",), False)):
        made = analysis(
            ["unit"] * 20, (phrase(1, 0, 20, (1, 4)),), settings=Settings(subdivisions=asked)
        )
        assert (said in run_text(run, made)) is tells


def test_all_subdivisions_are_no_restriction() -> None:
    """Without `--subdivisions` the headline says just that runs leave the grid."""
    made = hand_made.floating()
    assert "The one run leaves the grid." in headline(made)
    settings = dataclasses.replace(made.settings, subdivisions=("8ths", "sixteenths"))
    asked = headline(dataclasses.replace(made, settings=settings))
    assert "leaves the grid of the subdivisions asked for (eighths and sixteenths)." in asked


@pytest.mark.parametrize(
    ("meter", "beat", "rate"),
    [("9/8+10/8", "dotted quarter", 3.0), ("10/8+9/8", "quarter", 2.0), ("9/8", "beat", 3.0)],
)
def test_one_pace_has_one_rate(meter: str, beat: str, rate: float) -> None:
    """Fast eighths through bars of dotted and of plain beats run at one rate, to one named beat."""
    cycle = parse_meter(meter)
    onset = np.concatenate([12 * k + np.arange(18) / 2.0 for k in range(4)])  # quarters
    made = analyze(take_of(onset / float(cycle[0].tempo_beat_quarter), 128.0, meter))
    assert len(made.runs) >= 4
    assert [run.notes_per_beat for run in made.runs] == pytest.approx(
        [rate] * len(made.runs), abs=0.02
    )
    assert rate_beat(made.take) == beat


def test_a_rate_is_told_to_the_same_beat_in_either_meter() -> None:
    """4.3 to the quarter is faster than sixteenths in bars of dotted and of plain beats."""
    meters = parse_meter("9/8+10/8")
    asked = (
        'tempo = 66\nmeter = "9/8+10/8"\n[[section]]\nbars = "1-4"\n'
        'nothing-faster-than = "sixteenths"\nno-off-grid-runs = true\n'
    )
    for start in (9.8, 14.2):
        run = start + np.arange(16) / 4.3
        after = np.ceil(run[-1] + 0.4) + np.arange(12) / 2.0
        onset = np.concatenate([np.arange(int(2 * start)) / 2.0, run, after])
        made = analyze(take_of(onset / float(meters[0].tempo_beat_quarter), 66.0, "9/8+10/8"))
        (off,) = [r for r in made.runs if r.off_grid]
        assert off.notes_per_beat == pytest.approx(6.45, abs=0.15)
        assert off.between is not None
        assert off.between[0] == "sixteenths"
        told = flat(text_report(made))
        rate = f"{off.notes_per_beat:.1f} to the dotted quarter"
        assert f"{rate}, " in told
        assert chart_of(made).runs[0].texts[1] == rate
        outcomes = judge(parse_assignment(asked), made).outcomes
        assert [rate in outcome.reason for outcome in outcomes] == [True, True]
        assert document(made)["take"]["rate_beat"] == "dotted quarter"
        assert "Rate: notes to the dotted quarter, which the tempo counts." in told


@pytest.mark.parametrize(
    ("meter", "stepping", "told"),
    [
        ("4/4", True, "4/4 at 80 to 96 BPM (in quarters, as the tempo map has it)"),
        ("6/8", True, "6/8 at 80 to 96 BPM (in quarters, as the tempo map has it)"),
        ("6/8", False, "6/8 at 64 BPM in dotted quarters (96 in quarters)"),
        ("4/4+6/8", False, "4/4+6/8 at 96 BPM (64 in dotted quarters)"),
    ],
)
def test_text_chart_and_page_tell_one_tempo(meter: str, stepping: bool, told: str) -> None:
    """The tempo, its range under the notes and its beats are the same wherever they stand."""
    made = analysis(["unit"] * 40, (phrase(1, 0, 40, (1, 4)),))
    take = hand_made.take(40, 64.0 if meter == "6/8" else 96.0, meter)
    if stepping:
        steps = dataclasses.replace(
            take.tempo_map,
            start_sec=np.array([0.0, 2.0]),
            start_quarter=np.array([0.0, 3.2]),
            quarter_sec=np.array([0.625, 0.75]),
        )
        take = dataclasses.replace(take, tempo_map=steps)
    made = dataclasses.replace(made, take=take)
    assert told in flat(text_report(made))
    assert told in chart_of(made).facts
    assert told in build(made, Choices())


def test_a_share_is_whole_only_where_it_is() -> None:
    """996.7 in a thousand read 99 in the sentence, the table, on the page and in the log."""
    almost = phrase(1, 0, 20, (1, 4), confidence=0.9967, in_pocket=0.9967)
    made = analysis(["unit"] * 20, (almost,), in_pocket=0.9967)
    assert "99 % within 20 ms" in headline(made)
    assert phrase_table(made)[0][3].split()[4:8] == ["99", "+4", "12", "99"]
    cells = page_table(made).rows[0]
    assert [(cells[i].text, cells[i].key) for i in (4, 7)] == [("99", pytest.approx(99.67))] * 2
    assert (_percent(0.9967), _percent(1.0), _percent(0.004)) == ("99", "100", "0")


@pytest.mark.parametrize(
    ("late_ms", "said"), [(4.9, "on time"), (-4.9, "on time"), (5.1, "5 ms late")]
)
def test_on_time_is_one_span(late_ms: float, said: str) -> None:
    """Below 5 ms sentence and chart say "on time"; what the whole take lies behind is a figure."""
    told = phrase(1, 0, 20, (1, 4), offset_ms=late_ms, beat_offset_ms=30.0,
                  offbeat_offset_ms=late_ms)  # fmt: skip
    made = analysis(["unit"] * 20, (told,), constant_offset_ms=4.0)
    assert f"the off-beats {said}" in hear(made, told).text
    assert chart_of(made).phrases[0].texts[0].endswith(f", {said}")
    assert chart_of(made).facts.endswith("on the whole 4 ms behind")
    assert "On the whole the notes lie 4 ms behind" in flat(text_report(made))


@pytest.mark.parametrize(
    ("meter", "said", "beat"),
    [
        ("4/4", "quarters", "quarter"),
        ("2/2", "half notes", "half note"),
        ("4/32", "thirty-seconds", "thirty-second"),
        ("6/8", "dotted quarters", "dotted quarter"),
        ("6/4", "dotted halves", "dotted half"),
        ("6/32", "dotted sixteenths", "dotted sixteenth"),
        ("2+2+3/8", "quarters", "quarter"),
        ("2+2+3/16", "eighths", "eighth"),
    ],
)
def test_what_a_tempo_counts_has_its_grid_name(meter: str, said: str, beat: str) -> None:
    """The beat of a tempo is called as the subdivision of one to the beat, and one of them too."""
    (one,) = parse_meter(meter)
    assert tempo_beat_name(one) == said
    other = parse_meter("4/8" if meter != "2+2+3/16" else "4/4")[0]
    bars = lay_bars(((0.0, (one, other)),), 0.0, 8.0)
    assert rate_beat(dataclasses.replace(hand_made.take(8), bars=bars)) == beat
