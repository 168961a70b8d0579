"""Where phrases end: at rests, long against the beat and against the player's own notes.

Conventions
-----------
Input are events in time order; output are half-open ranges of event indices that
cover them all. A rest is silence (no note sounding) of at least
`phrase_rest_beat` beats after which the next onset comes clearly later than the notes
around have been following one another (`REST_AGAINST_STEP`). A last note held until the next
phrase counts as a rest where it is much longer than that. Playing without a rest
(a drummer's groove) is cut at bar lines every `LONGEST_BARS` bars or, where one comes after a
longer wait, a little earlier, so that each part can be judged. Empty input gives no phrases.
"""

from __future__ import annotations

import numpy as np

from improv.events import Events
from improv.model import Bars, Bools, Floats, Ints
from improv.tempo import bar_index

REST_AGAINST_STEP = 1.8
"""A gap ends a phrase when it is this many times the usual step around it (our choice)."""
NEARLY = 0.82
"""A rest may come out so much shorter, where the line before it drags: yet more than the three
quarters of a beat that four sixteenths with three left out leave."""
HELD_RESTS, HELD_AGAINST_STEP = 3.0, 6.0
"""The same for a note held on: so many rests long, so many times the usual step (our choice)."""
LONGER_WAIT = 1.5
"""A bar line after a wait this much longer than elsewhere is the better place to cut."""
FEWEST_EVENTS = 3
"""A phrase of fewer says nothing on its own: over a short rest it belongs to its neighbour."""
CRUMB_RESTS = 2.0
"""A rest this many times the least that ends a phrase sets even one or two notes apart."""
NEIGHBOURS = 6
"""Steps on each side that make up "around it"."""
LONGEST_BARS = 8
EARLY_QUARTER = 0.12
"""An early downbeat belongs to the bar it opens."""
LONGEST_EVENTS = 192


def numbers(edges: Ints) -> Ints:
    """The phrase number of each event, from 0, of phrases bounded by `edges`."""
    return np.repeat(np.arange(len(edges) - 1), np.diff(edges))


def split(events: Events, bars: Bars, phrase_rest_beat: float) -> Ints:
    """Phrase boundaries: indices [0, …, len(events)], ascending, one phrase between each two."""
    count = len(events)
    if count == 0:
        return np.zeros(1, dtype=np.int64)
    rest, silence_beat = _rests(events, phrase_rest_beat)
    rests = np.flatnonzero(rest)
    short = silence_beat[rests] < CRUMB_RESTS * phrase_rest_beat
    rests = rests[~_beside_crumbs(rests, silence_beat[rests], short, count)]
    edges = np.concatenate([[0], rests + 1, [count]])
    wait = np.diff(events.onset_sec, prepend=-np.inf)
    return _cut_long(edges, bar_index(bars, events.quarter + EARLY_QUARTER), wait)


def _rests(events: Events, phrase_rest_beat: float) -> tuple[Bools, Floats]:
    """Whether a phrase ends at each step between two events, and the silence in it, in beats."""
    step_beat = np.diff(events.beat)
    beat_sec = np.diff(events.onset_sec) / np.maximum(step_beat, 1e-9)
    usual = _usual_step(step_beat)
    sounding_beat = (events.end_sec - events.onset_sec)[:-1] / np.maximum(beat_sec, 1e-9)
    # A note struck short fills its step all the same: pads and staccato rest no sooner.
    silence_beat = step_beat - np.maximum(sounding_beat, np.where(np.isinf(usual), 0.0, usual))
    long_rest = silence_beat >= 3.0 * phrase_rest_beat
    rest = (silence_beat >= phrase_rest_beat * NEARLY) & (step_beat > REST_AGAINST_STEP * usual)
    breath = (step_beat >= HELD_RESTS * phrase_rest_beat) & (step_beat > HELD_AGAINST_STEP * usual)
    return np.asarray(rest | (long_rest & (step_beat > 1.2 * usual)) | breath), silence_beat


def _beside_crumbs(rests: Ints, silence_beat: Floats, short: Bools, count: int) -> Bools:
    """Which of the rests do not end a phrase: one or two notes beside a short rest join on.

    Events after which a rest comes, ascending; the silence in each, and whether that is short.
    Between two short rests the notes join over the shorter one.
    """
    joined = np.zeros(len(rests), dtype=np.bool_)
    sizes = np.diff(rests, prepend=-1, append=count - 1)
    reach = np.concatenate([[np.inf], np.where(short, silence_beat, np.inf), [np.inf]])
    crumbs = np.flatnonzero(sizes < FEWEST_EVENTS)
    left = reach[crumbs] <= reach[crumbs + 1]
    side = crumbs - left
    near = np.minimum(reach[crumbs], reach[crumbs + 1]) < np.inf
    joined[side[near]] = True
    return joined


def _usual_step(step_beat: Floats) -> Floats:
    """Median of the steps around each step, itself left out."""
    if not len(step_beat):
        return step_beat
    padded = np.full(len(step_beat) + 2 * NEIGHBOURS, np.nan)
    padded[NEIGHBOURS : NEIGHBOURS + len(step_beat)] = step_beat
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1).copy()
    windows[:, NEIGHBOURS] = np.nan
    filled = np.sort(windows, axis=1)  # NaN sorts last
    known = np.sum(~np.isnan(filled), axis=1)
    middle = filled[np.arange(len(filled)), np.maximum(known - 1, 0) // 2]
    return np.asarray(np.where(known > 0, middle, np.inf))


def _cut_long(edges: Ints, bar: Ints, wait_sec: Floats) -> Ints:
    """Cut phrases longer than `LONGEST_BARS` at bar lines, and any longer than `LONGEST_EVENTS`."""
    cuts: list[int] = [0]
    for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        at = start
        while at < stop:
            end = _part_end(bar[at:stop], wait_sec[at:stop])
            at += min(end, LONGEST_EVENTS)
            cuts.append(at)
    return np.array(cuts, dtype=np.int64)


def _part_end(bar: Ints, wait_sec: Floats) -> int:
    """Events in the first part of a phrase, whose bars and waits before each event are given."""
    bars = int(bar[-1] - bar[0]) + 1
    if bars <= LONGEST_BARS:
        return len(bar)
    # Parts of like length: nine bars are five and four, not eight and a crumb.
    part = -(-bars // -(-bars // LONGEST_BARS))
    usual, *others = (
        max(int(np.searchsorted(bar, bar[0] + length)), 1)
        for length in (part, *range((part + 1) // 2, LONGEST_BARS + 1))
    )
    best = max(others, key=lambda end: wait_sec[end])
    return best if wait_sec[best] > LONGER_WAIT * wait_sec[usual] else usual
