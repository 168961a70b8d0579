"""Bar by bar: was every note on the subdivisions asked for, no finer, in its turn?

Serves `stay-on`, `allowed` and `alternate`. A bar of rests or of coarser notes keeps the
grid; a bar whose notes leave it is not met once that is sure (`SURE_BAR`), and can't be
told while a fifth of its notes are in doubt. In an alternation the finer turns must be
*heard*: a turn in which nothing but coarser notes sound does not show the change. A silent turn of
the coarsest may be a rest in it, or none of it: it can't be told.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from improv.assignments.evidence import Evidence
from improv.assignments.leaving import DOUBTED_FROM, Leaving, asked_grid
from improv.assignments.model import REST, Alternation, Assignment, Section
from improv.assignments.own_time import leaving_in_time
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, BarVerdict, Why
from improv.counting import counted
from improv.model import Floats, Ints

SURE_NOTE = 0.9
SURE_BAR = 0.98
MOST_DOUBTED = 0.2
NOT_HEARD = "silence: its turn was not heard"
REST_LEEWAY_BEAT = 0.25
"""A note this near a bar line may belong to the other side of it: a held-over or early note."""


@dataclass(frozen=True)
class Turn:
    """What is due in a bar."""

    bar: int
    due: tuple[str, ...]


def bars_of(section: Section, seen: Evidence) -> range:
    """The bars to judge: to the last one played where the section has no end."""
    if section.last_bar is not None:
        return range(section.first_bar, section.last_bar + 1)
    last = int(seen.bar.max(initial=section.first_bar))
    return range(section.first_bar, max(last, section.first_bar) + 1)


def judge_grid(
    section: Section, assignment: Assignment, seen: Evidence, part: int
) -> tuple[BarVerdict, ...]:
    """The verdict of every bar of a section that asks for subdivisions."""
    turns = [Turn(bar, _due(section, bar, part)) for bar in bars_of(section, seen)]
    readings = {
        due: leaving_in_time(seen, due, assignment.meter)
        for due in {t.due for t in turns}
        if due != (REST,)
    }
    by_bar = {turn.bar: np.flatnonzero(seen.bar == turn.bar) for turn in turns}
    judged = []
    for turn in turns:
        events = by_bar[turn.bar]
        if turn.due == (REST,):
            judged.append(_rest(turn.bar, seen, events))
        else:
            judged.append(_bar(turn.bar, seen, readings[turn.due], events))
    if section.alternate is not None:
        judged = _heard(judged, turns, section.alternate, assignment, seen, by_bar)
    return tuple(
        replace(verdict, asked=" or ".join(turn.due))
        for verdict, turn in zip(judged, turns, strict=True)
    )


def _due(section: Section, bar: int, part: int) -> tuple[str, ...]:
    turns = section.alternate
    if turns is None:
        return section.asked
    return (turns.subdivisions[turns.turn(bar - section.first_bar, part)],)


def due_in(section: Section, bar: int, part: int) -> tuple[str, ...]:
    """The subdivisions that are due in a bar; none where its turn is a rest."""
    return tuple(text for text in _due(section, bar, part) if text != REST)


def _bar(bar: int, seen: Evidence, left: Leaving, events: Ints) -> BarVerdict:
    if not len(events):
        return BarVerdict(bar, MET, 0, reason="rest")
    chance = left.chance[events]
    doubted = chance >= DOUBTED_FROM
    surely = 1.0 - float(np.prod(1.0 - chance[doubted]))
    if surely >= SURE_BAR and (chance >= SURE_NOTE).any():
        outside = events[chance >= SURE_NOTE]
        found, count = _found(seen, outside)
        return BarVerdict(bar, NOT_MET, len(events), found, count, f"{len(outside)} outside")
    if doubted.sum() > MOST_DOUBTED * len(events):
        where = seen.count[int(events[np.argmax(chance)])]
        return BarVerdict(bar, CANT_TELL, len(events), "", where, "too close to call")
    late = left.own_time[events].sum() > MOST_DOUBTED * len(events)
    return BarVerdict(bar, MET, len(events), why=Why.OWN_TIME if late else None)


def _found(seen: Evidence, outside: Ints) -> tuple[str, str]:
    """What the notes outside were called, and the count of the first of them."""
    names = Counter(seen.names[int(i)] or "off the grid" for i in outside)
    count = seen.count[int(outside[0])]
    return names.most_common(1)[0][0], count.removeprefix("near ")


def _rest(bar: int, seen: Evidence, events: Ints) -> BarVerdict:
    """A turn of silence: notes well inside the bar break it."""
    if not len(events):
        return BarVerdict(bar, MET, 0, reason="rest")
    beat = seen.bars.tempo_beat_quarter[seen.meter[events]]
    length = np.array([float(m.bar_quarters) for m in seen.bars.meters])[seen.meter[events]]
    into = seen.onset_quarter[events] - seen.bar_start[events]
    inside = (into > REST_LEEWAY_BEAT * beat) & (into < length - REST_LEEWAY_BEAT * beat)
    if inside.any():
        first = events[inside][0]
        count = seen.count[int(first)].removeprefix("near ")
        found = counted(int(inside.sum()), "note")
        return BarVerdict(bar, NOT_MET, len(events), found, count, "its turn is a rest")
    return BarVerdict(bar, CANT_TELL, len(events), "", "1", "a note on the bar line only")


def _heard(
    judged: list[BarVerdict],
    turns: list[Turn],
    alternation: Alternation,
    assignment: Assignment,
    seen: Evidence,
    by_bar: dict[int, Ints],
) -> list[BarVerdict]:
    """Turns of the finer subdivisions in which only coarser notes sound are not met.

    Nor are silent ones; of the coarsest, silence can't be told.
    """
    out = []
    start = turns[0].bar
    blocks: dict[int, list[Ints]] = {}
    for bar, played in by_bar.items():
        blocks.setdefault((bar - start) // alternation.every, []).append(played)
    chances: dict[tuple[str, ...], Floats] = {}
    for verdict, turn in zip(judged, turns, strict=True):
        events = np.concatenate(blocks[(turn.bar - start) // alternation.every])
        coarser = _coarser(turn.due, alternation, assignment)
        must_sound = bool(coarser) or REST in alternation.subdivisions
        if verdict.state != MET or turn.due == (REST,):
            out.append(verdict)
        elif not len(events) and must_sound:
            out.append(BarVerdict(turn.bar, NOT_MET, 0, "silence", "", "its turn was not heard"))
        elif not len(events):
            out.append(BarVerdict(turn.bar, CANT_TELL, 0, reason=NOT_HEARD, why=Why.UNHEARD))
        elif not coarser:
            out.append(verdict)
        else:
            if coarser not in chances:
                chances[coarser] = leaving_in_time(seen, coarser, assignment.meter).chance
            out.append(_heard_finer(verdict, chances[coarser][events], coarser[-1]))
    return out


def _heard_finer(verdict: BarVerdict, chance: Floats, coarser: str) -> BarVerdict:
    """The bar's verdict, given each note's chance to lie off the coarser turn's grid."""
    if (chance >= SURE_NOTE).any():
        return verdict
    if (chance >= DOUBTED_FROM).any():
        return replace(verdict, state=CANT_TELL, reason="too close to call")
    return replace(verdict, state=NOT_MET, found=f"nothing finer than {coarser}")


def never_heard(bars: tuple[BarVerdict, ...]) -> tuple[str, ...]:
    """What was due in turns of which not one was heard."""
    due = dict.fromkeys(bar.asked for bar in bars if bar.why is Why.UNHEARD)
    return tuple(d for d in due if all(b.why is Why.UNHEARD for b in bars if b.asked == d))


def _coarser(
    due: tuple[str, ...], alternation: Alternation, assignment: Assignment
) -> tuple[str, ...]:
    """The other subdivisions of the alternation that are coarser than what is due."""
    if due == (REST,):
        return ()
    meter = assignment.meter[0]
    size = len(asked_grid(due, meter, assignment.meter))
    others = {s for s in alternation.subdivisions if s not in (REST, *due)}
    return tuple(s for s in sorted(others) if len(asked_grid((s,), meter, assignment.meter)) < size)
