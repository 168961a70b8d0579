"""What a phrase is called, and that its chances are one distribution."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import Analysis, Settings, analyze
from improv.document import document
from improv.report import text_report

RUN = np.concatenate([[0.0, 0.5], 1.13 + np.arange(16) / 4.6])
EIGHTHS = np.arange(16) / 2.0


def chances(analysis: Analysis) -> list[float]:
    """Of each phrase: all that is ranked and being off the grid, together."""
    return [
        sum(r["probability"] for r in phrase["ranking"]) + phrase["off_grid_probability"]
        for phrase in document(analysis)["phrases"]
    ]


@pytest.mark.parametrize("onset", [RUN, EIGHTHS, EIGHTHS[:2], np.arange(24) / 6.0])
def test_chances_of_a_phrase_make_one(onset: np.ndarray) -> None:
    """Off the grid, on it or too short: what is ranked and the rest are parts of one whole.

    The ranking leaves out what is very unlikely.
    """
    late_ms = scattered(len(onset), 8.0, 2)
    totals = chances(analyze(take_of(onset, 92.0, late_ms=late_ms)))
    assert totals and all(0.9 < total < 1.0002 for total in totals)


def test_a_phrase_off_the_grid_is_as_sure_as_its_own_chance() -> None:
    """Its confidence is the chance of being off the grid, and no row's is more than is left."""
    (phrase,) = analyze(take_of(RUN, 92.0)).phrases
    assert phrase.verdict == "off the grid"
    assert phrase.confidence == phrase.off_grid_probability > 0.6
    assert sum(r.probability for r in phrase.ranking) <= 1.0 - phrase.confidence + 1e-9


def test_a_phrase_on_the_grid_is_as_sure_as_its_row() -> None:
    """The ranking's first is the subdivision called, at its confidence."""
    (phrase,) = analyze(take_of(EIGHTHS, 92.0)).phrases
    assert phrase.ranking[0].subdivision == phrase.subdivision == "eighths"
    assert phrase.ranking[0].probability == phrase.confidence


def test_only_what_was_asked_for_is_ranked() -> None:
    """With one subdivision in question the whole is that one or none."""
    asked = Settings(subdivisions=("quarters",))
    (phrase,) = analyze(take_of(EIGHTHS, 92.0), asked).phrases
    assert {r.subdivision for r in phrase.ranking} <= {"quarters"}
    named = sum(r.probability for r in phrase.ranking)
    assert named + phrase.off_grid_probability == pytest.approx(1.0, abs=6e-3)


def test_what_cannot_be_asked_for_is_not_made_up() -> None:
    """Thirty-seconds 47 ms apart are no rhythm; asked for alone they leave nothing to rank."""
    notes = np.arange(64) / 8.0
    made = analyze(
        take_of(notes, 160.0, late_ms=scattered(64, 5.0, 2)),
        Settings(subdivisions=("thirty-seconds",)),
    )
    assert made.phrases
    for phrase in made.phrases:
        assert {r.subdivision for r in phrase.ranking} <= {"thirty-seconds"}
    assert "half notes" not in text_report(made).partition("What to practise")[0]
