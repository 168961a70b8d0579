"""An assignment proposed from a player's own analyses, with the reasons stated.

Reasoning (all of it `practice`'s): over all takes, the densest subdivision that is *held*
(notes enough, spread within the tolerance, few runs off the grid) is to be held first;
then the next denser one, at the tempo where the spread shown here is safe for it. Where
runs left the grid, no such run is asked for outright. The teacher edits what is proposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from improv.assignments import defaults
from improv.assignments.model import Assignment, Drift, Pocket, Section
from improv.errors import TakeError
from improv.grid import SUBDIVISIONS, find, positions
from improv.meter import Meter
from improv.model import Analysis
from improv.practice import (
    BACK_OFF,
    CAUTION,
    CLOSEST_MS,
    SAFE_SPREADS,
    Played,
    advise,
    is_held,
    safe_tempo_bpm,
    subdivisions_played,
)
from improv.wording import bpm_text, counted

SECTION_BARS = 8
LEAST_SHARE = 0.25
"""Notes asked at least, as a share of what a bar offers, so that silence does not pass."""


@dataclass(frozen=True)
class Proposal:
    """A proposed assignment and why, one sentence each."""

    assignment: Assignment
    reasons: tuple[str, ...]


def propose(analyses: Sequence[Analysis], title: str = "", note: str = "") -> Proposal:
    """What this player should hold next, from one take or several of one meter.

    Raises `TakeError` where the takes are in different meters.
    """
    cycles = {_cycle(analysis) for analysis in analyses}
    if len(cycles) > 1:
        raise TakeError(
            "the takes are in different meters; propose an assignment from takes of one meter, "
            "or state it with --meter"
        )
    meter = cycles.pop()
    played = _together([p for a in analyses for p in subdivisions_played(a)])
    tolerance = analyses[0].settings.tolerance_ms
    tempo = float(np.median([a.take.tempo_bpm for a in analyses]))
    held = [p for p in played if is_held(p, tolerance)]
    if not held:
        return _settle(meter, played, tempo, tolerance, title, note)
    densest = max(held, key=lambda p: (p.per_beat, p.events))
    return _hold_then_next(analyses, meter, densest, tempo, title, note)


def _cycle(analysis: Analysis) -> tuple[Meter, ...]:
    """The bars' meters as a cycle: one meter, or the alternating ones in order from bar 1."""
    bars = analysis.take.bars
    used = [bars.meters[int(m)] for m in bars.meter[bars.number >= 1]] or [bars.meters[0]]
    for length in range(1, min(len(used), 8) + 1):
        if all(used[i] == used[i % length] for i in range(len(used))):
            return tuple(used[:length])
    return (used[0],)


def _together(played: list[Played]) -> list[Played]:
    """One row per subdivision over all takes; spreads pooled by their notes."""
    found = []
    for name in dict.fromkeys(p.subdivision for p in played):
        rows = [p for p in played if p.subdivision == name]
        known = [p for p in rows if np.isfinite(p.spread_ms)]
        events = sum(p.events for p in rows)
        weight = sum(p.events for p in known)
        squares = sum(p.events * p.spread_ms**2 for p in known)
        spread = float(np.sqrt(squares / weight)) if weight else float("inf")
        failed = sum(p.off_grid_events for p in rows)
        sure = sum(p.events * p.confidence for p in rows) / events
        found.append(Played(name, rows[0].per_beat, events, spread, failed, sure))
    return sorted(found, key=lambda p: p.per_beat)


def _hold_then_next(
    analyses: Sequence[Analysis],
    meter: tuple[Meter, ...],
    held: Played,
    tempo: float,
    title: str,
    note: str,
) -> Proposal:
    advice = max((advise(a) for a in analyses), key=lambda a: a.hold == held.subdivision)
    floats = [
        r for a in analyses for r in a.runs if r.off_grid and r.notes_per_beat > held.per_beat
    ]
    target = advice.next if advice.hold == held.subdivision else None
    reasons = [
        f"{_capital(held.subdivision)} are the densest subdivision this player holds: "
        f"{held.spread_ms:.0f} ms spread over {counted(held.events, 'note')}.",
    ]
    asked_bpm = tempo
    sections = [_section(1, held.subdivision, meter, bool(floats))]
    if target is not None and target != held.subdivision:
        per_beat = _per_beat(target, meter)
        safe = safe_tempo_bpm(per_beat, held.spread_ms)
        asked_bpm = float(int(min(safe, tempo * (BACK_OFF if floats else 1.0))))
        sections.append(_section(1 + SECTION_BARS, target, meter, bool(floats)))
        spacing = 60_000.0 / (asked_bpm * per_beat)
        reasons.append(
            f"{_capital(target)} come next, at {bpm_text(asked_bpm)} BPM: there they lie "
            f"{spacing:.0f} ms apart, and this spread is safe for them up to "
            f"{bpm_text(float(int(safe)))} BPM ({SAFE_SPREADS:.0f} spreads, and "
            f"{CLOSEST_MS:.0f} ms, between neighbours)."
        )
    if floats:
        reasons.append(
            f"{counted(len(floats), 'faster run')} left the grid at {bpm_text(tempo)} BPM, so the "
            "tempo starts lower and no run off the grid is to pass."
        )
    return Proposal(_assignment(title, note, meter, asked_bpm, sections), (*reasons, CAUTION))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _settle(
    meter: tuple[Meter, ...],
    played: list[Played],
    tempo: float,
    tolerance: float,
    title: str,
    note: str,
) -> Proposal:
    """Nothing is held yet: stay on what was played most, or on what the tempo suggests."""
    known = [p for p in played if p.events >= 4]
    if not known:
        name = defaults.first_subdivision(tempo, meter[0])
        why = (
            "Too few notes lie on one subdivision to say what is held; at this tempo "
            f"{name} lie at least {defaults.HELPFUL_STEP_MS:.0f} ms apart."
        )
    else:
        most = max(known, key=lambda p: p.events)
        name = most.subdivision
        spread = f"{most.spread_ms:.0f} ms" if np.isfinite(most.spread_ms) else "unknown"
        why = (
            f"No subdivision is held yet; {name} were played most ({counted(most.events, 'note')}, "
            f"spread {spread}; held is {tolerance:.0f} ms or less)."
        )
    sections = [_section(1, name, meter, no_runs=True)]
    return Proposal(_assignment(title, note, meter, tempo, sections), (why, CAUTION))


def _per_beat(name: str, meter: tuple[Meter, ...]) -> float:
    row = SUBDIVISIONS[find(name, meter)]
    return max(float(row.per_beat(m.kind) or 0) for m in meter)


def _section(first_bar: int, name: str, meter: tuple[Meter, ...], no_runs: bool) -> Section:
    row = SUBDIVISIONS[find(name, meter)]
    room = min(len(positions(row, m)) or 1 for m in meter)
    return Section(
        first_bar=first_bar,
        last_bar=first_bar + SECTION_BARS - 1,
        stay_on=name,
        no_off_grid_runs=no_runs,
        least_notes=max(1, int(LEAST_SHARE * room)),
        most_drift=Drift(),
        pocket=Pocket(),
    )


def _assignment(
    title: str, note: str, meter: tuple[Meter, ...], tempo: float, sections: list[Section]
) -> Assignment:
    held = " then ".join(dict.fromkeys(s.stay_on or "" for s in sections))
    return Assignment(
        title=title or f"Hold {held}",
        note=note or f"Play {held}; leave space, and play nothing finer.",
        meter=meter,
        tempo_bpm=(float(round(tempo, 2)),),
        sections=tuple(sections),
        count_in_bars=1,
    )
