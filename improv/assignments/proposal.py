"""An assignment proposed from a player's own takes: the advice, as something to check.

All reasoning is `practice.advise`'s, and its sentences are the reasons given: hold the
densest subdivision that is steady; then the next denser one, at a tempo where the spread
shown here is safe for it; where runs left the grid, none is to pass; where the time is what
drags or rushes, a drift smaller than the player's, over the few clicks advised. The teacher
edits what is proposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from improv.assignments import defaults
from improv.assignments.model import REST, Assignment, ClickStyle, Drift, Pocket, Section
from improv.errors import TakeError
from improv.grid import SUBDIVISIONS, find, positions
from improv.meter import Meter
from improv.model import Analysis
from improv.practice import Advice, advise
from improv.wording import bars_text, bpm_text

SECTION_BARS = 8
LEAST_SHARE = 0.25
"""Notes asked at least, as a share of what a bar offers, so that silence does not pass."""
LESS_DRIFT = 0.5
"""Drift asked for at most, as a share of the worst shown (our choice)."""
LEAST_DRIFT_BPM = 0.5


@dataclass(frozen=True)
class Proposal:
    """A proposed assignment and why, one sentence each."""

    assignment: Assignment
    reasons: tuple[str, ...]


def propose(analyses: Sequence[Analysis], title: str = "", note: str = "") -> Proposal:
    """What this player should hold next, from one take or several of one meter.

    Raises `TakeError` where the takes are in different meters, or the tempo or the start of one
    is in doubt.
    """
    for analysis in analyses:
        if analysis.doubt:
            raise TakeError(f"{analysis.take.name}: {analysis.doubt.sentence}")
    cycles = {_cycle(analysis) for analysis in analyses}
    if len(cycles) > 1:
        raise TakeError(
            "the takes are in different meters; propose an assignment from takes of one meter, "
            "or state it with --meter"
        )
    meter = cycles.pop()
    advice = advise(*analyses)
    tempo = advice.tempo_bpm or float(np.median([a.take.tempo_bpm for a in analyses]))
    reasons = list(advice.sentences)
    if advice.hold is None:
        first = defaults.first_subdivision(tempo, meter[0])
        names = [first]
        reasons.append(
            f"At {bpm_text(tempo)} BPM {first} are the densest plain subdivision that a click "
            "helps with."
        )
    else:
        names = list(dict.fromkeys((advice.hold, advice.next or advice.hold)))
    drift = _drift(advice, tempo)
    sections = tuple(
        _section(1 + i * SECTION_BARS, name, meter, advice, drift) for i, name in enumerate(names)
    )
    reasons.append(_asked(sections, tempo))
    assignment = _assignment(title, note, meter, tempo, sections, advice)
    return Proposal(assignment, (*reasons, advice.caution))


def restated(proposal: Proposal, asked: Assignment, number: int) -> Proposal:
    """The proposal with section `number` (from 1) stated otherwise in `asked`.

    Title, note and reasons follow what is asked in the end. Fewest notes that were proposed for
    another subdivision are those of the one stated.
    """
    before, after = proposal.assignment.sections, list(asked.sections)
    here = after[number - 1]
    held = before[number - 1] if number <= len(before) else None
    if held is not None and _held(held) != _held(here) and held.least_notes == here.least_notes:
        after[number - 1] = here = replace(here, least_notes=_least(here.asked, asked.meter))
    sections = tuple(after)
    if sections == before:
        return proposal
    reasons = proposal.reasons
    if [*map(_held, sections)] != [*map(_held, before)]:
        speak = ", then ".join(map(_held, before))
        stated = f"The takes alone speak for {speak}; stated instead: {_held(here)} {_where(here)}."
        reasons = (stated, *reasons[-2:])
    final = replace(asked, title=title_of(sections), note=note_of(sections), sections=sections)
    told = (*reasons[:-2], _asked(sections, asked.tempo_bpm[0]), reasons[-1])
    return Proposal(final, told)


def onto(base: Assignment, made: Assignment) -> Assignment:
    """A proposal in the place of an assignment there is: its tempo, meter and sections.

    Title and note stay unless a proposal had made them; so do the count-in, the length where
    the sections fit it, the sections' names, and the click but for beats advised.
    """
    click = base.click
    if made.click.beats is not None:
        click = replace(click, beats=made.click.beats, half_time=False)
    names = [section.name for section in base.sections]
    sections = tuple(
        replace(section, name=names[i] if i < len(names) else "")
        for i, section in enumerate(made.sections)
    )
    own_title = base.title and base.title != title_of(base.sections)
    own_note = base.note and base.note != note_of(base.sections)
    return replace(
        made,
        title=base.title if own_title else made.title,
        note=base.note if own_note else made.note,
        count_in_bars=base.count_in_bars,
        bars=base.bars if (base.bars or 0) >= (made.last_bar or 0) else None,
        sections=sections,
        click=click,
    )


def title_of(sections: Sequence[Section]) -> str:
    """What a proposal is called."""
    return f"Hold {' then '.join(map(_held, sections))}"


def note_of(sections: Sequence[Section]) -> str:
    """What the player of a proposal reads."""
    return f"Play {' then '.join(map(_held, sections))}; leave space, and play nothing finer."


def _held(section: Section) -> str:
    """What a section asks to hold, in a few words."""
    if section.allowed:
        return " or ".join(section.allowed)
    if section.alternate is not None:
        return f"{' and '.join(section.alternate.subdivisions)} in turn"
    return section.stay_on or section.nothing_faster_than or "the time"


def _cycle(analysis: Analysis) -> tuple[Meter, ...]:
    """The bars' meters as a cycle: one meter, or the alternating ones in order from bar 1."""
    bars = analysis.take.bars
    used = [bars.meters[int(m)] for m in bars.meter[bars.number >= 1]] or [bars.meters[0]]
    for length in range(1, min(len(used), 8) + 1):
        if all(used[i] == used[i % length] for i in range(len(used))):
            return tuple(used[:length])
    return (used[0],)


def _drift(advice: Advice, tempo_bpm: float) -> Drift:
    """The usual limit, or a share of the drift that the player is to get rid of."""
    if advice.drift_bpm is None:
        return Drift()
    less = max(round(LESS_DRIFT * abs(advice.drift_bpm), 1), LEAST_DRIFT_BPM)
    return Drift(min(less, round(defaults.drift_bpm(tempo_bpm), 1)))


def _section(
    first_bar: int, name: str, meter: tuple[Meter, ...], advice: Advice, drift: Drift
) -> Section:
    return Section(
        first_bar=first_bar,
        last_bar=first_bar + SECTION_BARS - 1,
        stay_on=name,
        no_off_grid_runs=advice.no_runs,
        least_notes=_least((name,), meter),
        most_drift=drift,
        pocket=Pocket(),
    )


def _where(section: Section) -> str:
    if section.last_bar is None:
        return f"from bar {section.first_bar} on"
    return f"in {bars_text(section.first_bar, section.last_bar)}"


def _least(names: Sequence[str], meter: tuple[Meter, ...]) -> int:
    """Fewest notes in a bar, so that silence does not pass: a share of the coarsest's."""
    rows = [SUBDIVISIONS[find(name, meter)] for name in names if name != REST]
    room = min((len(positions(row, m)) or 1 for row in rows for m in meter), default=1)
    return max(1, int(LEAST_SHARE * room))


def _asked(sections: tuple[Section, ...], tempo_bpm: float) -> str:
    """What the assignment asks for, after its reasons."""
    parts = [f"{_held(section)} {_where(section)}" for section in sections]
    text = f"So, at {bpm_text(tempo_bpm)} BPM: {', '.join(parts)}"
    if sections[0].no_off_grid_runs:
        text += ", and no run off the grid"
    most = sections[0].most_drift
    if most is not None and most.most_bpm is not None:
        text += f", with a drift of at most {bpm_text(most.most_bpm)} BPM"
    return text + "."


def _assignment(
    title: str,
    note: str,
    meter: tuple[Meter, ...],
    tempo: float,
    sections: tuple[Section, ...],
    advice: Advice,
) -> Assignment:
    return Assignment(
        title=title or title_of(sections),
        note=note or note_of(sections),
        meter=meter,
        tempo_bpm=(float(round(tempo, 2)),),
        sections=sections,
        count_in_bars=1,
        click=ClickStyle(beats=advice.click_beats),
    )
