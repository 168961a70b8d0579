"""What is told of one phrase agrees with itself: drift and spread, sentence and table."""

from __future__ import annotations

import numpy as np
import pytest
from core_takes import scattered, take_of

from improv import analyze
from improv.sentences import hear
from improv.summaries import SURE_DRIFT
from improv.tables import phrase_table
from improv.wording import drift_text, others_told

EIGHTHS = np.concatenate([8.0 * p + np.arange(14) / 2.0 for p in range(8)])


@pytest.mark.parametrize("drift", [-0.025, -0.018, 0.018])
def test_the_spread_of_a_phrase_told_to_drift_has_the_drift_out(drift: float) -> None:
    """Scatter of 8 ms about a line that gains or loses 60 to 80 ms a phrase."""
    since_ms = np.tile(np.arange(14) / 2.0, 8) * 500.0
    late = scattered(len(EIGHTHS), 8.0, 3) + drift * since_ms
    told = [p for p in analyze(take_of(EIGHTHS, 120.0, late_ms=late)).phrases if drift_text(p)]
    assert len(told) >= 6
    assert all(p.spread_ms is not None and p.spread_ms < 13.0 for p in told)
    how = "dragging" if drift > 0 else "rushing"
    so = "losing" if drift > 0 else "gaining"
    assert all(f"{how} by" in str(drift_text(p)) for p in told)
    assert all(f"{so} " in str(drift_text(p)) for p in told)


def test_steady_playing_is_hardly_ever_told_to_drift() -> None:
    """Slow waves of 15 ms, no drift: of 30 takes of eight phrases at most two have one told."""
    found = 0
    for seed in range(30):
        late = scattered(len(EIGHTHS), 15.0, seed)
        found += any(map(drift_text, analyze(take_of(EIGHTHS, 120.0, late_ms=late)).phrases))
    assert found <= 2


def test_subdivisions_by_turns_are_told_alike_everywhere() -> None:
    """A bar of quarters, then the & of 1 and beat 2: sentence, table and JSON name quarters."""
    pair = np.array([0.0, 1.0, 2.0, 3.5, 4.0])
    beats = np.concatenate([6.0 * i + pair for i in range(12)])
    analysis = analyze(take_of(beats, 120.0, "3/4", scattered(60, 8.0, 1)))
    mixed = [p for p in analysis.phrases if p.verdict == "mixed"]
    assert len(mixed) >= 6
    rows, _ = phrase_table(analysis, full=True)
    for phrase in mixed:
        assert phrase.subdivision == "quarters"
        assert others_told(analysis, phrase) == ("eighths",)
        assert "quarters, with eighths by turns" in hear(analysis, phrase).text
        assert any("quarters +" in row for row in rows)


def test_drift_is_told_where_it_is_taken_out_and_nowhere_else() -> None:
    """Slopes of 2.9 and 3.1 standard errors, loud enough to be heard."""
    from hand_made import phrase

    at = [
        drift_text(phrase(1, 0, 20, (1, 4), drift_bpm=3.0, drift_se_bpm=3.0 / errors))
        for errors in (SURE_DRIFT - 0.1, SURE_DRIFT + 0.1)
    ]
    assert at[0] is None and at[1] is not None
