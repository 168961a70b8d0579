"""One take's way through the core: `analyze(take, settings) -> Analysis`.

    notes  -> near      only those about the bars asked for (and afterwards only those in them)
    near   -> events    a chord is one event, a grace note belongs to its main note
    events -> phrases   split at rests
    phrases -> learned  the player's hand, swing and accents; ornaments weighed once more
    phrases -> fit      which subdivision, note by note; which runs are off any grid
    fit -> measures     offset, spread, drift, swing; per phrase, per run, per take
    measures -> Analysis

No files, no printing. Conventions: `model`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv import graces, ornaments
from improv import runs as run_finder
from improv.errors import TakeError, UsageError
from improv.events import Events, events_of
from improv.fit import Fit, candidate_rows, fit
from improv.grid import find
from improv.hand import nearness
from improv.landing import landings
from improv.learn import learn
from improv.model import Analysis, Bools, Floats, Ints, Notes, Settings, Take
from improv.phrases import numbers, split
from improv.places import Places
from improv.premise import suspicion
from improv.stats import inflation
from improv.stories import tell_phrases, tell_runs
from improv.strokes import Strokes
from improv.summaries import call, drift_part, measure
from improv.tempo import beats_at
from improv.within import near, within

POSITION_DIGITS = 6
"""Positions are exact but for rounding: to so many digits of a beat."""
FEWEST_FOR_OFFSET = 4
DOUBTFUL_SHARE = 0.5
DOUBTFUL_OFFSET_MS = 60.0
"""With fewer notes in the pocket, or an offset that nobody has, tempo or start may be wrong."""


def analyze(take: Take, settings: Settings | None = None) -> Analysis:
    """Everything heard in one take.

    Raises `TakeError` when no note lies in the bars asked for, `UsageError` for a
    subdivision the meter does not have.
    """
    chosen = settings or Settings()
    heard, events, edges, reading = _in_bars(take, chosen)
    count = len(edges) - 1
    phrase = numbers(edges)
    at_ms = events.onset_sec * 1000.0
    # Strokes cut to the very start of a recording keep their place but tell no timing.
    timed = replace(reading, deviation_ms=np.where(events.untimed, np.nan, reading.deviation_ms))
    offset, offset_se, spread = _take_timing(timed, phrase, drift_part(timed, phrase, count, at_ms))
    at_quarter = np.where(reading.row < 0, events.quarter, reading.quarter)
    on_beat = _on_beat(heard, at_quarter)
    measures = measure(
        timed,
        phrase,
        count,
        at_ms,
        on_beat,
        chosen.tolerance_ms,
        offset or 0.0,
    )
    calls = call(reading, phrase, count, measures.events)
    places = Places.of(heard, events.onset_sec, at_quarter, reading.row)
    free_chance = reading.row_probability[:, -1]
    runs = run_finder.find_runs(events, phrase, reading.row < 0, free_chance, heard.bars)
    landed = landings(runs, events, phrase, reading, heard.bars, offset or 0.0)
    first_note = np.searchsorted(events.of_note, np.arange(len(events) + 1))
    pocket = _pocket(timed, offset, chosen.tolerance_ms)
    doubt = suspicion(heard, _fits_badly(timed, offset, pocket))
    return Analysis(
        take=heard,
        settings=chosen,
        notes=_notes(heard, events, phrase, timed, places),
        phrases=tell_phrases(heard, events, phrase, timed, measures, calls, places, first_note),
        runs=tell_runs(heard, phrase, reading, runs, landed, places, first_note),
        constant_offset_ms=offset,
        constant_offset_se_ms=offset_se,
        spread_ms=spread,
        in_pocket=pocket,
        warnings=heard.warnings + ((doubt.sentence,) if doubt else ()),
        doubt=doubt,
        heeded=reading.heeded,
    )


def _read(take: Take, settings: Settings) -> tuple[Events, Ints, Fit]:
    """Events, the edges of phrases, and their reading, ornaments told from notes by the way."""
    strokes = Strokes.of(take, settings.chord_spread_ms)
    guess = ornaments.guess(strokes)
    events = events_of(take, strokes, guess)
    edges = split(events, take.bars, settings.phrase_rest_beat)
    learned = learn(events, edges, take.bars, _candidates(take, settings))
    phrase = numbers(edges)
    ornament = graces.weigh(take, strokes, guess, phrase, learned)
    if not np.array_equal(ornament, guess):
        events = events_of(take, strokes, ornament)
        edges = split(events, take.bars, settings.phrase_rest_beat)
    return events, edges, fit(events, edges, take.bars, learned)


def _fits_badly(reading: Fit, offset: float | None, pocket: float | None) -> bool:
    share = (pocket or 0.0) * float((reading.row >= 0).mean())
    return share < DOUBTFUL_SHARE or abs(offset or 0.0) > DOUBTFUL_OFFSET_MS


def _in_bars(take: Take, settings: Settings) -> tuple[Take, Events, Ints, Fit]:
    """The take's notes in the bars asked for, and their reading."""
    heard = near(take, settings)
    if len(heard):
        read = within(heard, *_read(heard, settings), settings)
        if len(read[0]):
            return read
    raise TakeError(f"{take.name}: no notes in the bars asked for; the take has {_span(take)}")


def _span(take: Take) -> str:
    """The bars the whole take is said to have, by the bars its notes were meant for."""
    if not len(take):
        return "no notes"
    phrases = analyze(take).phrases
    return f"notes in bars {phrases[0].first_bar} to {phrases[-1].ends.bar}"


def _candidates(take: Take, settings: Settings) -> tuple[int, ...]:
    offered = candidate_rows(take.bars)
    if settings.subdivisions is None:
        return offered
    wanted = {find(text, take.bars.meters) for text in settings.subdivisions}
    if not wanted:
        raise UsageError("no subdivision to choose from: name at least one")
    return tuple(row for row in offered if row in wanted)


def _take_timing(
    reading: Fit, phrase: Ints, drift_ms: Floats
) -> tuple[float | None, float | None, float | None]:
    """Constant offset of the take, its standard error, and the spread about it, in ms."""
    on_grid = ~np.isnan(reading.deviation_ms)
    if on_grid.sum() < FEWEST_FOR_OFFSET:
        return None, None, None
    deviation = reading.deviation_ms[on_grid]
    lean = reading.leaning_ms[on_grid]
    # A fumble is known by its distance from where the player leaned just then.
    weight = nearness(deviation - lean, np.full(len(lean), reading.hand.spread_ms))
    # What is gained or lost on the way is drift: neither offset nor scatter.
    steady = deviation - drift_ms[on_grid]
    offset = float(weight @ steady / weight.sum())
    rest = steady - offset
    # Each drift taken out costs a note: the spread of a take of one phrase is the phrase's own.
    drifts = len(np.unique(phrase[on_grid & (drift_ms != 0.0)]))
    spread = float(np.sqrt(weight @ rest**2 / max(weight.sum() - 1.0 - drifts, 1.0)))
    independent = weight.sum() / inflation(reading.hand.memory)
    return offset, spread / float(np.sqrt(max(independent, 1.0))), spread


def _on_beat(take: Take, at_quarter: Floats) -> Bools:
    beat = np.round(beats_at(take.bars, at_quarter), POSITION_DIGITS)
    return np.asarray(beat == np.round(beat))


def _pocket(reading: Fit, offset: float | None, tolerance_ms: float) -> float | None:
    on_grid = ~np.isnan(reading.deviation_ms)
    if not on_grid.any():
        return None
    inside = np.abs(reading.deviation_ms[on_grid] - (offset or 0.0)) <= tolerance_ms
    return float(inside.mean())


def _notes(take: Take, events: Events, phrase: Ints, reading: Fit, places: Places) -> Notes:
    """Events back to notes: a chord's notes share a row, an ornament has no place of its own."""
    of = events.of_note
    plain = ~events.grace_note
    row = np.where(plain, reading.row[of], -1)
    per_beat, swung, names = places.subdivision_columns(row, of)
    position = np.round(beats_at(take.bars, reading.quarter), POSITION_DIGITS)
    counts = np.array(places.count, dtype=object)[of]
    return Notes(
        onset_sec=take.onset_sec,
        pitch=take.pitch,
        velocity=take.velocity,
        event=of,
        grace=events.grace_note,
        bar=places.bar[of],
        beat=places.beat[of],
        count=tuple(counts.tolist()),
        phrase=phrase[of] + 1,
        subdivision=row,
        subdivision_name=names,
        per_beat=per_beat,
        swung=swung,
        position_beat=np.where(plain, position[of], np.nan),
        deviation_ms=np.where(plain, reading.deviation_ms[of], np.nan),
        off_grid=(reading.row[of] < 0) & plain,
        confidence=reading.confidence[of],
    )
