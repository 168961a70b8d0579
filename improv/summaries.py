"""From readings of events to what is said of a phrase: shares, spread, drift, verdict.

Conventions
-----------
All arrays are per event; deviations are ms, positive = late. A phrase's offset is the mean
deviation of its notes on a grid; its spread the standard deviation about offset and drift,
fumbled notes weighing little; its drift the regression slope of deviation on time, turned into
BPM against the backing, **positive = rushing**. Its standard error allows for the memory of
deviations: an AR(1) series with correlation rho holds (1 - rho)/(1 + rho) as many independent
values. The offset's is that of the phrase's own notes (`doubts`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.doubts import error_of, scatter_of
from improv.fit import Fit
from improv.grid import SUBDIVISIONS
from improv.hand import nearness
from improv.model import Bools, Floats, Ints, Verdict
from improv.stats import inflation

FEWEST_NOTES = 3
"""Notes below which a phrase is too short to judge (one interval has no rhythm)."""
FEWEST_FOR_DRIFT = 6
CALLED_AT = 0.6
"""Probability of the likeliest row below which the phrase is too close to call: about half of
such calls are right (simulated solos, tuning seeds)."""
OFF_GRID_SHARE = 0.6
MIXED_SHARE = 0.6
RANKING = (1.62, 1.44)
"""The row likeliest by mean share, at log odds x, is the phrase's own with log odds a + b x:
fitted on simulated solos, tuning seeds."""
FUMBLE_SPREADS = 3.0
OWN_SPREAD_NOTES = 6.0
"""Notes that the take's spread is worth beside a phrase's own."""
SURE_DRIFT = 3.0
"""Standard errors beyond which a slope is told as drift and taken out of a phrase's scatter. One
rule for both, or a spread would hold the drift that is told beside it. More than for a single
figure (`stats.SURE_ERRORS`): of the ten phrases of a steady take one in forty passes by chance."""
PLAIN_DRIFT = 3.5
"""The same for the take's constant offset, which is then that of the phrases' beginnings: a little
drift by chance in a long phrase would move it by more than it is worth."""


@dataclass(frozen=True, eq=False)
class Measures:
    """Per phrase, shape (phrases,); NaN where undefined."""

    events: Ints
    offset_ms: Floats
    offset_se_ms: Floats
    spread_ms: Floats
    rms_ms: Floats
    in_pocket: Floats
    slope: Floats
    slope_se: Floats
    beat_offset_ms: Floats
    offbeat_offset_ms: Floats
    beat_apart_se_ms: Floats


def measure(
    fit: Fit,
    phrase: Ints,
    count: int,
    at_ms: Floats,
    on_beat: Bools,
    tolerance_ms: float,
    constant_offset_ms: float,
) -> Measures:
    """Offset, spread, drift and pocket of every phrase at once."""
    on_grid, hand = ~np.isnan(fit.deviation_ms), fit.hand
    deviation = np.where(on_grid, fit.deviation_ms, 0.0)
    weight = on_grid.astype(np.float64)
    total = np.bincount(phrase, weight, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = _mean(deviation, weight, phrase, count)
        slope, slope_se, sure, rest = _drift(deviation, weight, at_ms, phrase, count, fit)
        usual = weight * nearness(deviation - fit.leaning_ms, np.full(len(weight), hand.spread_ms))
        fitted = 1 + (sure != 0.0)
        rest = rest - _mean(rest, usual, phrase, count)[phrase]
        kept = np.maximum(np.bincount(phrase, usual, count) - fitted, 1.0)
        spread = np.sqrt(np.bincount(phrase, usual * rest**2, count) / kept)
        rms = np.sqrt(np.bincount(phrase, weight * deviation**2, count) / total)
        inside = np.abs(deviation - constant_offset_ms) <= tolerance_ms
        pocket = _mean(inside.astype(np.float64), weight, phrase, count)
        beats = _mean(deviation, weight * on_beat, phrase, count)
        offbeats = _mean(deviation, weight * ~on_beat, phrase, count)
        scatter = scatter_of(rest, on_grid, usual > 0.5, phrase, fitted)
        share = weight / total[phrase]
        offset_se = error_of(np.where(on_grid, share, 0.0), phrase, scatter)
        apart_se = error_of(_apart(weight, on_beat, phrase, count), phrase, scatter)
    known = total >= FEWEST_NOTES
    drifts = total >= FEWEST_FOR_DRIFT
    return Measures(
        events=np.bincount(phrase, minlength=count).astype(np.int64),
        offset_ms=np.where(total > 0, offset, np.nan),
        offset_se_ms=np.where(total > 0, offset_se, np.nan),
        spread_ms=np.where(known, spread, np.nan),
        rms_ms=np.where(total > 0, rms, np.nan),
        in_pocket=np.where(total > 0, pocket, np.nan),
        slope=np.where(drifts, slope, np.nan),
        slope_se=np.where(drifts, slope_se, np.nan),
        beat_offset_ms=beats,
        offbeat_offset_ms=offbeats,
        beat_apart_se_ms=np.where(np.isnan(beats + offbeats), np.nan, apart_se),
    )


def _apart(weight: Floats, on_beat: Bools, phrase: Ints, count: int) -> Floats:
    """What each event counts for in the mean of the beats less that of the others."""
    beat, other = weight * on_beat, weight * ~on_beat
    many = [np.maximum(np.bincount(phrase, w, count), 1.0)[phrase] for w in (beat, other)]
    return np.asarray(beat / many[0] - other / many[1])


def _mean(value: Floats, weight: Floats, phrase: Ints, count: int) -> Floats:
    return np.asarray(
        np.bincount(phrase, weight * value, count) / np.bincount(phrase, weight, count)
    )


def _drift(
    deviation: Floats,
    weight: Floats,
    at_ms: Floats,
    phrase: Ints,
    count: int,
    fit: Fit,
    sure_errors: float = SURE_DRIFT,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Slope of deviation on time per phrase, its standard error, the slope where it is drift and
    not chance (else 0), and what that leaves per event."""
    limit = FUMBLE_SPREADS * fit.hand.spread_ms
    usual = weight * (np.abs(deviation - fit.leaning_ms) <= limit)
    middle = _mean(at_ms, usual, phrase, count)
    center = _mean(deviation, usual, phrase, count)
    away = np.where(usual > 0, at_ms - middle[phrase], 0.0)
    lever = np.bincount(phrase, usual * away**2, count)
    moment = np.bincount(phrase, usual * away * (deviation - center[phrase]), count)
    slope = moment / np.maximum(lever, 1e-9)
    left = deviation - center[phrase] - slope[phrase] * away
    # The phrase's own scatter: drift that goes on may have passed for the player's.
    squares = np.bincount(phrase, usual * left**2, count) + OWN_SPREAD_NOTES * fit.hand.spread_ms**2
    variance = squares / (np.bincount(phrase, usual, count) + OWN_SPREAD_NOTES)
    error = np.sqrt(variance * inflation(fit.hand.memory) / np.maximum(lever, 1e-9))
    known = np.bincount(phrase, weight, count) >= FEWEST_FOR_DRIFT
    sure = np.where(known & (np.abs(slope) > sure_errors * error), slope, 0.0)
    rest = deviation - center[phrase] - sure[phrase] * away
    return slope, error, sure, rest


def drift_part(fit: Fit, phrase: Ints, count: int, at_ms: Floats) -> Floats:
    """What each phrase's plain drift has gained or lost since its first event, in ms, (N,)."""
    on_grid = ~np.isnan(fit.deviation_ms)
    deviation = np.where(on_grid, fit.deviation_ms, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = on_grid.astype(np.float64)
        *_, sure, _ = _drift(deviation, weight, at_ms, phrase, count, fit, PLAIN_DRIFT)
    begins = at_ms[np.searchsorted(phrase, np.arange(count))]
    return np.asarray(sure[phrase] * (at_ms - begins[phrase]))


@dataclass(frozen=True, eq=False)
class Calls:
    """What each phrase is on: main row (-1 none), its chance, every row's, the verdict.

    `chance` (phrases, rows + 1) is the probability that a row is the phrase's own, free last: one
    distribution. `confidence` is that of what is called; of the likeliest row where none is.
    """

    row: Ints
    confidence: Floats
    chance: Floats
    verdict: tuple[Verdict, ...]


def call(fit: Fit, phrase: Ints, count: int, events: Ints) -> Calls:
    """The main subdivision of every phrase and how sure it is: the row likeliest on the whole."""
    starts = np.searchsorted(phrase, np.arange(count))
    rows = len(SUBDIVISIONS)
    chance = _ranked(np.add.reduceat(fit.row_probability, starts, axis=0) / events[:, None])
    label = np.where(fit.row < 0, rows, fit.row)
    notes = np.zeros((count, rows + 1))
    np.add.at(notes, (phrase, label), 1.0)
    each, main = np.arange(count), chance[:, :rows].argmax(axis=1)
    held, free = notes[each, main] / events, notes[:, rows] / events
    sure = np.bincount(phrase, fit.confidence * (fit.row < 0), count)
    verdict = tuple(map(_verdict, events, chance[each, main], held, free))
    named = np.array([said.named for said in verdict])
    off = np.array([said == Verdict.OFF_GRID for said in verdict])
    floats = np.where(off, sure / np.maximum(notes[:, rows], 1.0), chance[:, rows])
    chance = _with_free(chance, floats)
    confidence = np.where(off, floats, chance[each, main])
    # Of several rows by turns the one most notes are on is the main one, as the sentences count.
    most = notes[:, :rows].argmax(axis=1)
    turned = np.array([said == Verdict.MIXED for said in verdict])
    turned &= notes[each, most] > notes[each, main]
    of_most = fit.confidence * (fit.row == most[phrase])
    mean = np.bincount(phrase, of_most, count) / np.maximum(notes[each, most], 1.0)
    return Calls(
        row=np.where(named, np.where(turned, most, main), -1),
        confidence=np.where(turned, mean, confidence),
        chance=chance,
        verdict=verdict,
    )


def _with_free(chance: Floats, free: Floats) -> Floats:
    """One distribution with this chance of no grid at all; the rows divide the rest as before."""
    rows = chance[:, :-1] * ((1.0 - free) / np.maximum(1.0 - chance[:, -1], 1e-12))[:, None]
    return np.column_stack([rows, free])


def _ranked(share: Floats) -> Floats:
    """Probability that each row is the phrase's own, from its mean posterior share.

    The likeliest row's is calibrated; the others divide what is left in proportion.
    """
    each, top = np.arange(len(share)), share[:, :-1].argmax(axis=1)
    inside = np.clip(share[each, top], 1e-6, 1.0 - 1e-6)
    base, scale = RANKING
    chance = 1.0 / (1.0 + np.exp(-base) * ((1.0 - inside) / inside) ** scale)
    others = share.copy()
    others[each, top] = 0.0
    # A row that was never in question has no share; what nothing is left for is free.
    others[:, -1] = np.maximum(others[:, -1], 1e-12)
    ranked = others * ((1.0 - chance) / others.sum(axis=1))[:, None]
    ranked[each, top] = chance
    return np.asarray(ranked)


def _verdict(events: int, chance: float, held: float, free: float) -> Verdict:
    """`chance` of the main row, `held` and `free` the shares of notes on it and on no grid."""
    if events < FEWEST_NOTES:
        return Verdict.TOO_SHORT
    if free >= OFF_GRID_SHARE:
        return Verdict.OFF_GRID
    if chance < CALLED_AT:
        return Verdict.TOO_CLOSE
    return Verdict.ON_GRID if held >= MIXED_SHARE else Verdict.MIXED
