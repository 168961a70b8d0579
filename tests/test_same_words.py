"""Text, tables, page and chart tell the same of a phrase and of a run."""

from __future__ import annotations

import dataclasses

import hand_made
import numpy as np
import pytest
from core_takes import take_of
from hand_made import analysis, phrase

from improv import Settings, analyze
from improv.headline import headline
from improv.listening.on_grid import place_on_grid
from improv.model import Passage
from improv.pages.flagged import flagged
from improv.pages.rows import phrase_table as page_table
from improv.pictures.chart import chart_of
from improv.report import text_report
from improv.sentences import hear, run_text
from improv.tables import phrase_table


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
    assert said in run_text(run)
    assert said in run_text(run, ("eighths", "sixteenths"))
    assert said not in run_text(run, ("eighths",))


def test_all_subdivisions_are_no_restriction() -> None:
    """Without `--subdivisions` the headline says just that runs leave the grid."""
    made = hand_made.floating()
    assert "The one run leaves the grid." in headline(made)
    settings = dataclasses.replace(made.settings, subdivisions=("8ths", "sixteenths"))
    asked = headline(dataclasses.replace(made, settings=settings))
    assert "leaves the grid of the subdivisions asked for (eighths and sixteenths)." in asked
