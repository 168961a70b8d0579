"""How sure a phrase's means are, and what is said of phrases that lean this way and that."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import Analysis, analyze
from improv.doubts import Scatter, error_of, scatter_of
from improv.model import Floats
from improv.report import text_report

PLAYED = np.concatenate([16 * k + np.delete(np.arange(26) / 2.0, [5, 11, 17]) for k in range(4)])
"""Four phrases of 23 eighths, a bar's rest and more between them."""


def leaning(lean_ms: list[float], spread_ms: float = 6.0, memory: float = 0.4) -> Analysis:
    """Four phrases of eighths at 110 BPM, each with a lean of its own."""
    stray = np.concatenate([scattered(23, spread_ms, 20 + k, memory) for k in range(4)])
    return analyze(take_of(PLAYED, 110.0, late_ms=np.repeat(lean_ms, 23) + stray))


def heard(analysis: Analysis) -> str:
    """What is said in sentences."""
    return " ".join(text_report(analysis).partition("In figures")[0].split())


def test_phrases_that_lean_this_way_and_that_are_told() -> None:
    """22 ms ahead, behind, ahead, behind: each phrase knows its own lean to a few ms."""
    analysis = leaning([-22.0, 22.0, -22.0, 22.0])
    for phrase, lean_ms in zip(analysis.phrases, [-22, 22, -22, 22], strict=True):
        assert phrase.offset_ms == pytest.approx(lean_ms, abs=3.0)
        assert phrase.offset_se_ms == pytest.approx(2.0, abs=1.0)
    told = heard(analysis)
    assert told.count("pushing by 22 ms") == told.count("laying back by 22 ms") == 2
    assert analysis.constant_offset_se_ms is not None
    assert analysis.constant_offset_se_ms > 4.0  # how far phrases differ is the take's doubt


def test_one_phrase_that_lays_back_is_told_against_the_whole_take() -> None:
    """The sentence and the table have two numbers, so the sentence says what its own is of."""
    analysis = leaning([15.0, 15.0, 40.0, 15.0])
    told = heard(analysis)
    assert told.count("laying back") == 1
    assert analysis.constant_offset_ms is not None
    lean_ms = 40.0 - analysis.constant_offset_ms
    assert f"laying back by {lean_ms:.0f} ms against the whole take" in told


@pytest.mark.parametrize("memory", [0.3, 0.8])
@pytest.mark.parametrize("lean_ms", [[0.0] * 4, [-4.0, 4.0, -4.0, 4.0], [12.0] * 4])
def test_wander_of_a_few_ms_is_no_lean(lean_ms: list[float], memory: float) -> None:
    """A constant offset and phrases a few ms apart are human (Fujii et al. 2011, read)."""
    told = heard(leaning(lean_ms, 9.0, memory))
    assert "pushing" not in told
    assert "laying back" not in told


def test_one_fumbled_note_is_no_lean() -> None:
    """A note 170 ms late moves the mean of 23 by 7 ms, and makes it that much less sure."""
    late_ms = scattered(92, 6.0, 3)
    late_ms[[30, 31]] += 170.0
    assert "laying back" not in heard(analyze(take_of(PLAYED, 110.0, late_ms=late_ms)))


def test_error_of_a_mean_of_notes_that_remember() -> None:
    """Of n notes at memory rho: spread^2 / n^2 times the sum of rho^|i - j| (DERIVED)."""
    memory, count = 0.6, 9
    at = np.arange(count)
    by_hand = 8.0 * np.sqrt((memory ** np.abs(at[:, None] - at)).sum()) / count
    phrase = np.repeat([0, 1], count)
    scatter = Scatter(np.array([8.0, 4.0]), memory)
    found = error_of(np.full(2 * count, 1.0 / count), phrase, scatter)
    assert found == pytest.approx([by_hand, by_hand / 2])


def series(seed: int) -> Floats:
    """Forty phrases of twelve notes with 10 ms of scatter and a memory of 0.5."""
    fresh = np.random.default_rng(seed).standard_normal((40, 12))
    for i in range(1, 12):
        fresh[:, i] = 0.5 * fresh[:, i - 1] + np.sqrt(0.75) * fresh[:, i]
    return np.asarray(10.0 * fresh)


def test_scatter_is_recovered_from_short_phrases() -> None:
    """About each phrase's own middle the scatter seems too small; what is found is not."""
    made = np.concatenate([series(seed) for seed in (1, 2, 3)])
    rest = (made - made.mean(axis=1, keepdims=True)).ravel()
    phrase = np.repeat(np.arange(len(made)), 12)
    timed = np.ones(len(rest), dtype=np.bool_)
    found = scatter_of(rest, timed, timed, phrase, np.ones(len(made), dtype=np.int64))
    assert np.sqrt(np.mean(found.spread_ms**2)) == pytest.approx(10.0, abs=0.7)
    assert found.memory == pytest.approx(0.5, abs=0.08)


@pytest.mark.parametrize("drift_ms", [0.0, 150.0])
def test_a_take_of_one_phrase_has_one_spread(drift_ms: float) -> None:
    """The headline and the phrase tell the same notes alike."""
    late_ms = scattered(12, 20.0, 4) + np.linspace(0.0, drift_ms, 12)
    (phrase,) = (made := analyze(take_of(np.arange(12) / 2.0, 90.0, late_ms=late_ms))).phrases
    assert phrase.spread_ms == pytest.approx(made.spread_ms, abs=1e-6)


def test_a_phrase_of_fumbles_alone_leaves_the_others_their_scatter() -> None:
    """It has no middle to stray from (NaN); the memory and spread of the others are known."""
    rest = np.concatenate([scattered(20, 8.0, 3), np.full(4, np.nan)])
    phrase = np.repeat([0, 1], [20, 4])
    timed = np.ones(24, dtype=np.bool_)
    scatter = scatter_of(rest, timed, timed, phrase, np.ones(2, dtype=np.int64))
    assert np.isfinite(scatter.memory)
    assert scatter.spread_ms[0] == pytest.approx(8.0, rel=0.25)
    assert np.isfinite(scatter.spread_ms[1])
