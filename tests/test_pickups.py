"""A pickup belongs to the next bar: what is told of it, and that the JSON keeps the bars."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import take_of

from improv import Analysis, analyze
from improv.document import document
from improv.model import Floats
from improv.pages.rows import phrase_table as page_table
from improv.report import text_report
from improv.tables import phrase_table


def phrases_from(starts: list[float], meter: str = "4/4") -> Analysis:
    """Phrases of eighths from beats of the take on, each to beat 3 of its second whole bar."""
    lines: list[Floats] = []
    for start in starts:
        line = np.ceil(start / 4) * 4
        lines.append(np.arange(start, line + 6.5, 0.5))
    return analyze(take_of(np.concatenate(lines), 110.0, meter))


def flat(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


def test_pickups_are_told_with_the_bars_they_lead_to() -> None:
    """One or two eighths before bars 1, 4 and 7 make no phrase of bars 0, 3 and 6."""
    made = phrases_from([-0.5, 11.5, 23.0])
    assert [p["start"]["bar"] for p in document(made)["phrases"]] == [0, 3, 6]
    assert [p["pickup"] for p in document(made)["phrases"]] == [True] * 3
    rows = phrase_table(made)[0][3:]
    assert [row[row.index("p") :].split("  ")[0] for row in rows] == ["p 1-2", "p 4-5", "p 7-8"]
    bars = [row[1].text for row in page_table(made).rows]
    assert bars == ["1–2 with a pickup", "4–5 with a pickup", "7–8 with a pickup"]
    told = flat(text_report(made))
    assert "bars 1 to 8 with a pickup, 4/4" in told
    assert "Phrases 1 to 3, bars 1 to 8 with pickups" in told
    assert "Bars with a p: a pickup leads to them." in told


@pytest.mark.parametrize(
    ("start", "pickup", "bar"),
    [(7.5, True, 3), (6.5, True, 3), (6.0, False, 2), (5.0, False, 2), (8.0, False, 3)],
)
def test_less_than_half_a_bar_is_a_pickup(start: float, pickup: bool, bar: int) -> None:
    """From the & of 3 on; what begins on beat 3 or before begins in its own bar."""
    (phrase,) = phrases_from([start]).phrases
    assert (phrase.pickup, phrase.first_bar) == (pickup, bar)


def test_a_phrase_that_ends_before_the_bar_line_has_no_pickup() -> None:
    """Two notes at a bar's end lead nowhere."""
    made = analyze(
        take_of(np.concatenate([np.arange(5), 7.0 + np.arange(2) / 2, 12.0 + np.arange(5)]))
    )
    told = [(p.begins.bar, p.pickup) for p in made.phrases]
    assert (2, False) in told
    assert not any(pickup for _, pickup in told)
    assert "pickup" not in text_report(made)
