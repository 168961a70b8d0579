"""The bars asked for: which notes are read for them, and which of these then belong there.

A note belongs to the bar of the place it was meant for: one struck early for beat 1 of bar 13
is in bar 13, and a chord is in one bar. That is known only once it is read. So the notes of the
bars asked for are read with those that lie just outside, and what turns out to belong to
another bar is dropped: what is heard depends on these bars, whatever the rest of the take is.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from improv.counting import count_places
from improv.events import Events
from improv.fit import Fit
from improv.model import Bools, Ints, Settings, Take
from improv.tempo import bar_index, quarters_at

LEEWAY_QUARTER = 0.4
"""Nobody strays farther over a bar line; the eighth and the triplet before it stay outside."""


def near(take: Take, settings: Settings) -> Take:
    """The notes in the bars asked for, and those that may have been meant for them."""
    if _all(settings):
        return take
    quarter = quarters_at(take.tempo_map, take.onset_sec)
    later, earlier = (
        take.bars.number[bar_index(take.bars, quarter + away)]
        for away in (LEEWAY_QUARTER, -LEEWAY_QUARTER)
    )
    return take.at(_inside(later, settings) | _inside(earlier, settings))


def within(
    take: Take, events: Events, edges: Ints, reading: Fit, settings: Settings
) -> tuple[Take, Events, Ints, Fit]:
    """What was read, less the events that belong to other bars, and phrases left empty."""
    if _all(settings):
        return take, events, edges, reading
    at_quarter = np.where(reading.row < 0, events.quarter, reading.quarter)
    kept = _inside(count_places(take.bars, at_quarter, reading.row)[0], settings)
    if kept.all():
        return take, events, edges, reading
    notes = kept[events.of_note]
    here = replace(
        events.at(np.flatnonzero(kept)),
        of_note=(np.cumsum(kept) - 1)[events.of_note][notes],
        grace_note=events.grace_note[notes],
    )
    still = np.unique(np.append(0, np.cumsum(kept))[edges])
    part: dict[str, Any] = {
        f.name: column[kept]
        for f in fields(reading)
        if isinstance(column := getattr(reading, f.name), np.ndarray)
    }
    return take.at(notes), here, still, replace(reading, **part)


def _all(settings: Settings) -> bool:
    return settings.first_bar is None and settings.last_bar is None


def _inside(number: Ints, settings: Settings) -> Bools:
    low = -np.inf if settings.first_bar is None else settings.first_bar
    high = np.inf if settings.last_bar is None else settings.last_bar
    return np.asarray((number >= low) & (number <= high))
