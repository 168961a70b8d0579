"""An oracle: told where each segment begins and ends, and the true noise, it names the grid.

It knows the true offset, spread, memory, swing ratio and drift of each phrase, not which
subdivision or kind of rhythm a segment is. For each segment it weighs

* every subdivision the meter offers: the most likely path of the notes over its positions,
  deviations following the true AR(1) law with the true share of fumbles, times the
  probability of the positions left empty (a filled grid or a written rhythm);
* no grid at all: the marginal likelihood of onsets at a steady, gliding or uneven rate.

On filled grids and free runs it is near the best that can be done with what it is told. On
written rhythms it is no ceiling: it is not told the rhythm, nor that a segment is one, weighs
its empty positions by a rough law, and gives the whole segment one row, where an answer that
may change with every beat is scored beat by beat.
"""

from __future__ import annotations

import numpy as np
from scipy.special import betaln, logsumexp

from improv import grid
from improv.meter import Meter
from improv.model import Bools, Floats, Ints, Take
from improv.synth import Truth
from improv.synth_plan import holders, row_positions
from improv.synth_truth import PhraseTruth
from improv.tempo import beats_at, seconds_at

FREE_SHARE = 0.12
FILLED_SHARE = 0.5
FILLED = (18.0, 4.3)
"""Beta law of the share of filled positions: mean 0.81, as the generator draws 0.70 to 0.92."""
WRITTEN = ((4.0, 1.0), (2.0, 1.0), (1.0, 1.5))
"""The same for written rhythms: of beats, of whole units, of the positions between."""
UNIT = [s.key for s in grid.SUBDIVISIONS].index("unit")
START_MS = 2000.0
"""A segment's first onset may fall anywhere in a stretch this long."""
STEP_MEAN_MS, STEP_SD_MS = 140.0, 45.0
"""Mean and spread of the steps of free runs as they are drawn."""
_GLIDES = (-0.8, -0.65, -0.5, -0.35, 0.35, 0.5, 0.65, 0.8)
FREE_KINDS = (
    (0.45, 0.0, 0.0),
    *((0.3 / len(_GLIDES), glide, 0.0) for glide in _GLIDES),
    *((0.25 / 3, 0.0, uneven) for uneven in (0.12, 0.19, 0.26)),
)
"""Share, change of log step over the run, and standard deviation of the log step."""
SHORTEST_STEP_MS, SHORTEST_SWUNG_MS = 60.0, 80.0
SWUNG_LEEWAY = 0.97
"""A phrase may swing a little more than its player does at large."""
REACH = 3
"""Positions tried on either side of the nearest one."""
NOWHERE = -1e9

Call = tuple[Ints, Floats]


def oracle(take: Take, truth: Truth) -> Call:
    """Subdivision row (-1 off the grid) and position in beats of every note."""
    subdivision = np.full(len(take), -1, dtype=np.int64)
    position = np.full(len(take), np.nan)
    mains = np.flatnonzero(truth.main)
    mains = mains[np.argsort(truth.event[mains])]
    for segment in np.unique(truth.segment[mains]):
        rows = mains[truth.segment[mains] == segment]
        row, place = _segment(take, truth, rows)
        subdivision[rows], position[rows] = row, place
    of_event = np.zeros(int(truth.event.max()) + 1, dtype=np.int64)
    of_event[truth.event[mains]] = mains
    source = of_event[truth.event]
    return subdivision[source], beats_at(take.bars, position[source] + 1e-9)


def _segment(take: Take, truth: Truth, rows: Ints) -> tuple[int, Floats]:
    """The most probable reading of one segment: row and straight positions in quarters."""
    phrase = truth.phrases[int(truth.phrase[rows[0]])]
    onset_sec = _undrifted(take, truth, rows, phrase) - phrase.offset_ms / 1000.0
    meter = take.bars.meters[0]
    fumbles, size = truth.hand.fumbles, truth.hand.fumble_size
    best: tuple[float, int, Floats] = (
        np.log(FREE_SHARE) + _free(onset_sec, phrase, truth),
        -1,
        np.full(len(rows), np.nan),
    )
    noise = (phrase.spread_ms, truth.hand.memory, fumbles, size)
    for row in grid.offered(meter):
        found = _on_grid(take, row, phrase, onset_sec, noise)
        if found is not None and np.log(1 - FREE_SHARE) + found[0] > best[0]:
            best = (float(np.log(1 - FREE_SHARE)) + found[0], row, found[1])
    return best[1], best[2]


def _undrifted(take: Take, truth: Truth, rows: Ints, phrase: PhraseTruth) -> Floats:
    """Onsets as they would be had the phrase kept the backing's tempo."""
    onset = take.onset_sec[rows]
    first_row = phrase.start + int(np.flatnonzero(truth.main[phrase.start : phrase.stop])[0])
    first = float(seconds_at(take.tempo_map, truth.due_quarter[[first_row]])[0])
    stretch = (truth.line.tempo_bpm + phrase.drift_bpm) / truth.line.tempo_bpm
    return np.asarray(first + (onset - first) * stretch, dtype=np.float64)


def _on_grid(
    take: Take,
    row: int,
    phrase: PhraseTruth,
    onset_sec: Floats,
    noise: tuple[float, float, float, float],
) -> tuple[float, Floats] | None:
    """Log probability density (per ms) and the positions of the best path over a grid."""
    quarter_sec = float(take.tempo_map.quarter_sec[0])
    zero = float(take.tempo_map.start_sec[0])
    start, stop = ((onset_sec[[0, -1]] - zero) / quarter_sec).tolist()
    ratios = (phrase.swing_ratio, phrase.half_swing_ratio)
    straight, swung = row_positions(take.bars, row, ratios, start - 2.5, stop + 2.5)
    if len(straight) < len(onset_sec):
        return None
    path_score, path = _best_path(onset_sec, zero + swung * quarter_sec, noise)
    if path is None:
        return None
    bar = np.array([*_bar_of(take, row, ratios), float(take.bars.meters[0].bar_quarters)])
    gaps_ms = 1000.0 * quarter_sec * np.diff(bar)
    step_ms = float(gaps_ms.mean())
    if grid.SUBDIVISIONS[row].swung and gaps_ms.min() < SHORTEST_SWUNG_MS * SWUNG_LEEWAY:
        return None
    filled, written = _weights(take.bars.meters[0], row, step_ms)
    played = np.zeros(len(straight), dtype=np.bool_)
    played[path] = True
    offered = slice(int(path[0]), int(path[-1]) + 1)
    level = _levels(take, straight)[offered]
    if not _coarsest(take, row, straight[path]):
        written = NOWHERE
    charge = np.logaddexp(
        filled + _pattern(played[offered], FILLED),
        written + sum(_pattern(played[offered][level == n], WRITTEN[n]) for n in range(3)),
    )
    return path_score + float(charge) + float(np.log(step_ms / START_MS)), straight[path]


def _bar_of(take: Take, row: int, ratios: tuple[float, float]) -> tuple[float, ...]:
    """One bar of the row's grid as swung, in quarters."""
    subdivision = grid.SUBDIVISIONS[row]
    ratio = ratios[subdivision.key != "swung-unit"]
    return grid.swung_positions(subdivision, take.bars.meters[0], ratio)


def _coarsest(take: Take, row: int, positions: Floats) -> bool:
    """Whether no coarser straight row holds all the positions, as of a written rhythm's row."""
    meter = take.bars.meters[0]
    counts = [len(grid.positions(s, meter)) for s in grid.SUBDIVISIONS]
    held = holders(take.bars, positions).all(axis=0)
    return not any(
        held[other] and 0 < counts[other] < counts[row] and not grid.SUBDIVISIONS[other].swung
        for other in grid.offered(meter)
    )


def _levels(take: Take, straight: Floats) -> Ints:
    """0 for positions on a beat, 1 for whole units (eighths in 4/4 and 6/8), 2 between."""
    beat = beats_at(take.bars, straight + 1e-9)
    on_beat = np.abs(beat - np.round(beat)) < 1e-3
    on_unit = holders(take.bars, straight, (UNIT,))[:, UNIT]
    return np.where(on_beat, 0, np.where(on_unit, 1, 2)).astype(np.int64)


def _weights(meter: Meter, row: int, step_ms: float) -> tuple[float, float]:
    """Log prior of a row as a filled grid, and as the coarsest row of a written rhythm.

    Filled grids are drawn by the root of the table's weight; written music keeps to the
    common rows more than the table says.
    """
    weight = np.array([s.prior_weight(meter.kind) for s in grid.SUBDIVISIONS])
    filled = FILLED_SHARE * weight[row] ** 0.5 / (weight**0.5).sum()
    written = (1 - FILLED_SHARE) * weight[row] ** 2 / (weight**2).sum()
    if step_ms < SHORTEST_STEP_MS - 0.5:
        filled *= 1e-6
    return float(np.log(filled)), float(np.log(written))


def _pattern(played: Bools, law: tuple[float, float]) -> float:
    """Log probability of one pattern of positions played and left empty."""
    notes = int(played.sum())
    return float(betaln(law[0] + notes, law[1] + len(played) - notes) - betaln(*law))


def _best_path(
    onset_sec: Floats, places_sec: Floats, noise: tuple[float, float, float, float]
) -> tuple[float, Ints | None]:
    """Viterbi over positions: strictly ascending, deviations AR(1) with fumbles."""
    sigma, memory, fumbles, size = noise
    nearest = np.abs(onset_sec[:, None] - places_sec).argmin(axis=1)
    options = nearest[:, None] + np.arange(-REACH, REACH + 1)
    inside = (options >= 0) & (options < len(places_sec))
    places = places_sec[np.clip(options, 0, len(places_sec) - 1)]
    away = np.where(inside, 1000.0 * (onset_sec[:, None] - places), 1e4)
    score = _log_density(away[0], sigma, fumbles, size)
    back = np.zeros(options.shape, dtype=np.int64)
    for n in range(1, len(onset_sec)):
        due = memory * away[n - 1]
        step = _log_density(
            away[n][:, None] - due, sigma * np.sqrt(1 - memory**2), fumbles, size * 1.2
        )
        allowed = options[n][:, None] > options[n - 1]
        total = np.where(allowed, score + step, NOWHERE)
        back[n] = total.argmax(axis=1)
        score = total.max(axis=1)
    at = int(score.argmax())
    best = float(score[at])
    if best < NOWHERE / 2:
        return best, None
    path = np.empty(len(onset_sec), dtype=np.int64)
    for n in range(len(onset_sec) - 1, -1, -1):
        if not inside[n, at]:
            return NOWHERE, None
        path[n] = options[n, at]
        at = int(back[n, at])
    return best, path


def _log_density(away_ms: Floats, sigma: float, fumbles: float, size: float) -> Floats:
    """Log density per ms of a deviation: Gaussian, or fumbled with a wider one."""
    wide = sigma * np.sqrt(1.0 + size**2)
    plain = np.log1p(-fumbles) - 0.5 * (away_ms / sigma) ** 2 - np.log(sigma)
    missed = np.log(fumbles + 1e-9) - 0.5 * (away_ms / wide) ** 2 - np.log(wide)
    return np.asarray(np.logaddexp(plain, missed) - 0.5 * np.log(2 * np.pi))


def _free(onset_sec: Floats, phrase: PhraseTruth, truth: Truth) -> float:
    """Log density per ms of onsets at a steady, gliding or uneven rate, as free runs are drawn."""
    at = 1000.0 * (onset_sec - onset_sec[0])
    count = len(at)
    if count < 3:
        return NOWHERE
    step = float(at[-1]) / (count - 1)
    number = np.arange(count, dtype=np.float64)
    sigma = min(phrase.spread_ms, truth.hand.free_scatter * step)
    noise = sigma**2 * truth.hand.memory ** np.abs(number[:, None] - number) + 0.01 * np.eye(count)
    walk = step**2 * np.minimum(number[:, None], number)
    found = []
    for share, glide, uneven in FREE_KINDS:
        curve = np.concatenate([[0.0], np.cumsum(np.exp(glide * number[1:] / count))])
        curve *= (count - 1) / curve[-1]
        cover = noise + uneven**2 * walk + START_MS**2 / 12.0
        cover += STEP_SD_MS**2 * np.outer(curve, curve)
        away = at - STEP_MEAN_MS * curve
        log_det = np.linalg.slogdet(cover)[1]
        fit = float(away @ np.linalg.solve(cover, away))
        found.append(np.log(share) - 0.5 * (fit + log_det + count * np.log(2 * np.pi)))
    return float(logsumexp(found))
