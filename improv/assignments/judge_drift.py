"""Rushing and dragging within the phrases, judged beside a limit.

Conventions
-----------
Drift is the slope of deviation on time within a phrase, in BPM, positive = rushing. The grid
is followed from note to note (`following`): a player who drifts past the half of a step goes
on drifting, even where the analysis can only call the notes off the grid. Where the
assignment's tempo steps, a phrase is cut: each step has its own tempo, and by default its
own limit. A phrase that is long enough and yet keeps no grid that can be followed is *lost*:
where too much is lost nothing can be called met. One that steadily keeps the asked subdivision at
quite another tempo is not lost; it drifts by as much (eighths or sixteenths where none is asked).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from improv.assignments import defaults
from improv.assignments.following import MOST_SLOPE, Grids, Lane, Track, asked_rows, followed, lanes
from improv.assignments.judge_case import Case, outcome_of, tempi_text
from improv.assignments.judge_limits import measured
from improv.assignments.judge_measure import (
    FUMBLE_SPREADS,
    PRIOR_MEMORY,
    PRIOR_MEMORY_NOTES,
    Measured,
    beat_quarter,
    rows_in,
)
from improv.assignments.verdict import (
    CANT_TELL,
    GIVE_OR_TAKE,
    MET,
    NO_GRID,
    NO_PHRASE,
    NOT_MET,
    BarVerdict,
    Outcome,
    Why,
    beside,
    together,
)
from improv.counting import counted
from improv.model import Floats, Ints
from improv.stats import inflation, memory_of
from improv.wording import HEARD_DRIFT_SHARE, bars_text, bpm_text, listed

FEWEST_FOR_DRIFT = 6
SHORTEST_DRIFT_BEATS = 4.0
UNASKED_SLOPE = 0.06
"""Most drift looked for on a subdivision that was not asked for: beyond it, others are near."""
OTHER_TEMPO_BEATS, OTHER_TEMPO_NOTES = 8.0, 16
"""How long an asked subdivision must be kept at quite another tempo to count as a drift."""
MOST_LOST = 0.25
"""Share of the notes in lost phrases from which nothing is called met (our choice)."""
SURE_ALONE = 2.5
"""Standard errors from which one phrase's drift alone breaks the limit: one of many phrases
strays beyond two by chance."""


SHORT_PHRASES = "no phrase is long enough to show a drift"


@dataclass(frozen=True)
class PhraseDrift:
    """One phrase's drift in BPM, the bars it reaches over, the most it may drift and its tempo."""

    first_bar: int
    last_bar: int
    drift: Measured
    most_bpm: float
    tempo_bpm: float

    @property
    def state(self) -> str:
        """The phrase beside its own limit."""
        return beside(self.drift.value, self.drift.doubt, -self.most_bpm, self.most_bpm)

    @property
    def surely_over(self) -> float:
        """BPM by which it is beyond its limit even if it is measured badly; negative if not."""
        return abs(self.drift.value) - SURE_ALONE * self.drift.doubt - self.most_bpm


@dataclass(frozen=True)
class Lost:
    """A phrase whose grid can't be followed, though it is long enough to drift."""

    first_bar: int
    last_bar: int
    notes: int


# --- measuring --------------------------------------------------------------


def phrase_drifts(case: Case) -> tuple[list[PhraseDrift], list[Lost]]:
    """Drift of every phrase that has notes and time enough, and the phrases that are lost."""
    seen, bars = case.seen, case.seen.bars
    rows = rows_in(seen, case.bars[0], case.bars[-1])
    asked = lanes(asked_rows(case.section, case.assignment.meter), bars)
    grids = Grids.of(seen)
    found: list[PhraseDrift] = []
    lost: list[Lost] = []
    for here in _pieces(case, rows):
        # Time in quarters of the backing: a tempo that changes as asked is no drift.
        at = seen.onset_quarter[here]
        beat = beat_quarter(seen)[here]
        beats = float(at[-1] - at[0]) / float(beat.mean())
        if len(here) < FEWEST_FOR_DRIFT or beats < SHORTEST_DRIFT_BEATS:
            continue
        first, last = int(seen.bar[here].min()), int(seen.bar[here].max())
        along = _track(here, beats, asked, grids)
        if along is None:
            lost.append(Lost(first, last, len(here)))
            continue
        deviation = along.deviation_quarter
        bpm = 60_000.0 / (seen.bars.stated_beat_quarter * float(np.mean(seen.quarter_ms[here])))
        known = ~np.isnan(deviation)
        slope, doubt = _line(at[known], deviation[known])
        # The player's tempo is (1 - slope) times the backing's.
        drift = Measured(-slope * bpm, doubt * bpm, int(known.sum()))
        found.append(PhraseDrift(first, last, drift, _most(case, bpm), bpm))
    return found, lost


def _pieces(case: Case, rows: Ints) -> Iterable[Ints]:
    """The events of each phrase, apart for each step of the assignment's tempo."""
    phrase, bar, each = case.seen.phrase[rows], case.seen.bar[rows], case.assignment.bars_per_tempo
    tempi = len(case.assignment.tempo_bpm)
    step = np.clip((bar - 1) // (each or 1), 0, tempi - 1)
    key = phrase * tempi + step
    return (rows[key == k] for k in np.unique(key).tolist())


def _track(here: Ints, beats: float, asked: tuple[Lane, ...], grids: Grids) -> Track | None:
    """The track along what was asked if that can be followed, else along what can be."""
    at = grids.at_quarter[here]
    found = followed(at, asked) if asked else grids.followed(here)
    if found is None and asked:
        found = followed(at, grids.common, UNASKED_SLOPE) or grids.as_called(here)
    if beats < OTHER_TEMPO_BEATS or len(at) < OTHER_TEMPO_NOTES:
        return found
    return grids.at_another_tempo(here, asked, found)


def _most(case: Case, tempo_bpm: float) -> float:
    drift = case.section.most_drift
    assert drift is not None
    return defaults.drift_bpm(tempo_bpm) if drift.most_bpm is None else drift.most_bpm


def _line(at: Floats, values: Floats) -> tuple[float, float]:
    """A straight line by least squares, once more without fumbles: slope and its error."""
    keep = np.ones(len(values), dtype=np.bool_)
    slope = doubt = spread = 0.0
    for _ in range(3):
        away, kept = at[keep] - at[keep].mean(), values[keep]
        lever = max(float(away @ away), 1e-9)
        slope = float(away @ (kept - kept.mean())) / lever
        rest = kept - kept.mean() - slope * away
        spread = float(np.sqrt(rest @ rest / max(len(kept) - 2, 1)))
        # A fitted line takes about two notes' worth of correlation away.
        memory = memory_of(rest, PRIOR_MEMORY, PRIOR_MEMORY_NOTES, fitted=2.0)
        doubt = spread / float(np.sqrt(lever)) * float(np.sqrt(inflation(memory)))
        far = values - kept.mean() - slope * (at - at[keep].mean())
        keep = np.abs(far) <= FUMBLE_SPREADS * max(spread, 1e-4)
        if keep.sum() < FEWEST_FOR_DRIFT - 1:
            break
    return slope, max(doubt, 1e-9)


def pooled(drifts: list[PhraseDrift]) -> tuple[Measured, float]:
    """The drift of all phrases together, each weighted by how sure it is, and their limit."""
    weight = np.array([1.0 / d.drift.doubt**2 for d in drifts])
    value, most = (
        float(weight @ np.array(v) / weight.sum())
        for v in ([d.drift.value for d in drifts], [d.most_bpm for d in drifts])
    )
    notes = sum(d.drift.notes for d in drifts)
    return Measured(value, float(1.0 / np.sqrt(weight.sum())), notes), most


# --- judging ----------------------------------------------------------------


def judge_drift(case: Case) -> Outcome:
    """Rushing and dragging within the phrases."""
    found, lost = phrase_drifts(case)
    limit = tempi_text(tuple(_most(case, tempo) for tempo in case.tempi_bpm))
    asked = f"drift of at most {limit} BPM within a phrase"
    bars = _drift_bars(case, found, lost)
    if not found:
        reason = "no phrase keeps a steady grid to tell a drift by" if lost else SHORT_PHRASES
        return outcome_of(case, "most-drift", asked, CANT_TELL, bars, reason=reason)
    whole, most = pooled(found)
    worst = max(found, key=lambda d: d.surely_over)
    alone = worst.surely_over > 0
    shown, most = (worst.drift, worst.most_bpm) if alone else (whole, most)
    outcome = measured(
        case, "most-drift", asked, shown, bars, -most, most,
        reason=_worst_text(worst, found) if alone
        else f"{_drift_text(whole, most, found[0].tempo_bpm)} over {counted(len(found), 'phrase')}",
        how_far=_how_far(abs(shown.value) - most),
        limit=most, unit="BPM", tempo_asked=True,
        next_step=f"You are {'rushing' if shown.value > 0 else 'dragging'}: play it at "
        f"{case.tempo_text} BPM with fewer clicks (on 2 and 4, or one to the bar) and meet "
        "every one.",
    )  # fmt: skip
    return replace(outcome, state=NOT_MET) if alone else _covered(outcome, found, lost)


def _how_far(over_bpm: float) -> str:
    return f"{bpm_text(round(over_bpm, 1))} BPM too much" if over_bpm > 0 else ""


def _covered(outcome: Outcome, found: list[PhraseDrift], lost: list[Lost]) -> Outcome:
    """The outcome, not met being told from a part, and met only from nearly all of the notes."""
    gone = sum(one.notes for one in lost)
    if outcome.state != MET or not gone:
        return outcome
    places = listed(bars_text(one.first_bar, one.last_bar) for one in lost)
    reason = f"{outcome.reason}; {places} can't be told: {NO_GRID}"
    known = sum(d.drift.notes for d in found)
    state = MET if gone <= MOST_LOST * (gone + known) else CANT_TELL
    return replace(outcome, state=state, reason=reason)


def _worst_text(worst: PhraseDrift, found: list[PhraseDrift]) -> str:
    """The worst phrase, and in how many of them the drift is marked as too much."""
    broken, phrases = [d.state for d in found].count(NOT_MET), counted(len(found), "phrase")
    way = _way(worst.drift.value)
    if abs(worst.drift.value) > MOST_SLOPE * worst.tempo_bpm:
        where = bars_text(worst.first_bar, worst.last_bar)
        kept = bpm_text(round(worst.tempo_bpm + worst.drift.value))
        way += f" ({where}: steady at about {kept} BPM)"
    if broken == 1:
        return f"{way} in {'the one phrase' if len(found) == 1 else f'one of {phrases}'}"
    return f"drifting too much in {broken} of {phrases}, at worst {way}"


def _drift_text(drift: Measured, most: float, tempo_bpm: float) -> str:
    """`rushing by 1.2 BPM`; `no drift` where it may be chance, and no limit is in doubt.

    Nor is a drift called that nobody hears, unless a limit is as strict as that.
    """
    doubt = GIVE_OR_TAKE * drift.doubt
    inside = abs(drift.value) + doubt < most
    heard = abs(drift.value) >= HEARD_DRIFT_SHARE * tempo_bpm and abs(drift.value) > doubt
    return "no drift" if inside and not heard or not round(drift.value, 1) else _way(drift.value)


def _way(drift_bpm: float) -> str:
    way = "rushing" if drift_bpm > 0 else "dragging"
    return f"{way} by {bpm_text(abs(round(drift_bpm, 1)))} BPM"


def _drift_bars(case: Case, found: list[PhraseDrift], lost: list[Lost]) -> tuple[BarVerdict, ...]:
    """A bar has the verdict of the phrases in it."""
    out = []
    for bar in case.bars:
        notes = int((case.seen.bar == bar).sum())
        here = [d for d in found if d.first_bar <= bar <= d.last_bar]
        told = ", ".join(f"{d.drift.value:+.1f} BPM" for d in here)
        off = any(one.first_bar <= bar <= one.last_bar for one in lost)
        out.append(
            BarVerdict(
                bar, together([d.state for d in here]), notes,
                reason=told or (NO_GRID if off else NO_PHRASE),
                why=None if told else Why.UNMEASURED,
            )
        )  # fmt: skip
    return tuple(out)
