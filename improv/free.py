"""Off any grid: how likely a stretch of onsets is as one free run.

Conventions
-----------
Input are onset times in ms, shape (phrases, events), padded; output are log densities
per ms for every stretch of `LENGTHS` events, indexed by its last event, -inf where the
stretch does not exist. A free run pays no heed to the beat, but fingers are regular:
its onsets lie on a smooth curve of time against note number (steady, or gliding
faster or slower), or its steps scatter about one length (uneven, wild). The curve's
coefficients are integrated out under priors of human scale, so a run is not
rewarded for bending to whatever was played. Closed form: Bayesian linear regression on
an orthonormal polynomial basis (Gram's polynomials on equally spaced points).

A run that keeps to a subdivision's rate and place is no free run, however smoothly it is
played: such curves are taken out of the prior (`HOLDS_CHARGE`). Only a rate that excludes
every subdivision, or a place that keeps sliding, is off the grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from improv.model import Bools, Floats, Ints

LENGTHS = tuple(range(5, 25))
"""Events in a stretch scored as one; longer runs are stretches in a row."""
STEP_RANGE_MS = (45.0, 600.0)
"""A run's steps: faster than this is a grace, slower is not a run."""
LONGEST_STEP_BEAT = 1.0
LOG_STEP_SPAN = float(np.log(STEP_RANGE_MS[1] / STEP_RANGE_MS[0]))
LOG_GAP_SPAN = float(np.log(2000.0 / 40.0))
STEADY_BEND = 0.05
"""A steady run bends by no more than this share of what a gliding one may."""
GLIDE_SD = 0.35
"""Prior deviation of the relative change of step from end to end of a gliding run."""
FIRST_GAP_MS = 500.0
"""Stands for the step before a phrase."""
KIND_WEIGHTS = (0.4, 0.4, 0.195, 0.005)
"""Prior shares of steady, gliding, uneven and wild runs."""
SMOOTH_SHARE = 0.12
"""A flying hand's scatter about its own curve is at most this share of its step."""
SLOW_STEP_MS = 240.0
SLOW_CHARGE = 0.15
"""Per ms beyond: slower notes that leave the beat are drifting, not flying (our choice)."""
WILD_CHARGE = 0.02
"""The same of a hand that keeps no step: it does not drift (tuned; benchmarks)."""
HOLDS_CHARGE = 10.0
HOLDS_NOTE = 1.8
"""A run that holds a grid or chain pays this, and so much a note if that is more: what the grid
itself is charged for the positions a chain passes over."""
HOLDS_SHARE = 0.2
HOLDS_EDGE = 0.04
"""A run holds a grid while it stays within this share of a step from its positions; over the edge
it ceases to."""
FARTHEST = 50.0
"""So far beyond the edge nothing holds at all; what lies farther still could overflow."""
PLACE_WEIGHT = 0.75
HOLDS_STEP_MS = 170.0
"""Of a longer step no larger share than of this one counts as holding it."""
UNEVEN_SHARE = 0.22
"""Scatter of an uneven run's steps as a share of the step."""
WILD_SHARE = 0.45
WILD_FROM = 0.28
"""The same of a hand that keeps no step at all, and the least share that counts as such."""
_HALF_LOG_TAU = 0.5 * float(np.log(2.0 * np.pi))


@dataclass(frozen=True, eq=False)
class _Basis:
    """Orthonormal polynomials of degree 0 to 3 on L points, and what is drawn from them."""

    columns: Floats
    slope_norm: float
    bend_norm: float


@cache
def _basis(length: int) -> _Basis:
    x = np.arange(length, dtype=np.float64)
    q, r = np.linalg.qr(np.vander(x, 4, increasing=True))
    return _Basis(q, abs(float(r[1, 1])), abs(float(r[2, 2])))


@cache
def _table() -> Floats:
    """Per length: norms of slope and bend, the line's basis at both ends, the bow's range."""
    rows = []
    for length in LENGTHS:
        b = _basis(length)
        ends = (*b.columns[0, :2], *b.columns[-1, :2])
        rows.append((b.slope_norm, b.bend_norm, *ends, float(np.ptp(b.columns[:, 2]))))
    return np.array(rows)


@dataclass(frozen=True, eq=False)
class Ground:
    """What lies under the phrases of a batch, in ms.

    `spread_ms` has shape (phrases,); `steps_ms` (phrases, rows) are the steps
    of the even grids on offer; `chains_ms` (phrases, chains, 2) the steps of chains, and of the
    grids they keep to; `in_bar_ms` (phrases, events) is each onset's distance from its bar line,
    the hand's lean taken out.
    """

    spread_ms: Floats
    steps_ms: Floats
    chains_ms: Floats
    in_bar_ms: Floats


@dataclass(frozen=True, eq=False)
class Stretches:
    """All stretches of a batch, one row each: where they are, and their sums.

    `kind` indexes `LENGTHS`; `coefficient` (rows, 4) on the orthonormal basis, the first
    onset at 0; `squares` of the onsets, `step_squares` of the steps; `step` the mean step in ms,
    `gap` the step before the first.
    """

    kind: Ints
    phrase: Ints
    start: Ints
    length: Floats
    coefficient: Floats
    squares: Floats
    step_squares: Floats
    step: Floats
    gap: Floats


def gather(onset_ms: Floats, valid: Bools, beat_ms: Floats) -> Stretches | None:
    """Every stretch of short steps, of every length; `None` where there is none.

    `onset_ms` and `valid` have shape (phrases, events), `beat_ms` (phrases, 1). What
    is gathered does not depend on the hand, so it serves all that are tried.
    """
    count, width = onset_ms.shape
    step = np.diff(onset_ms, axis=1)
    shortest, longest = STEP_RANGE_MS
    longest_ms = np.minimum(longest, LONGEST_STEP_BEAT * beat_ms)
    runs_on = (step >= shortest) & (step <= longest_ms) & valid[:, 1:]
    broken = np.concatenate([np.zeros((count, 1)), np.cumsum(~runs_on, axis=1)], axis=1)
    step_squares = np.concatenate([np.zeros((count, 1)), np.cumsum(step**2, axis=1)], axis=1)
    gap = np.concatenate([np.full((count, 1), FIRST_GAP_MS), np.maximum(step, 1.0)], axis=1)
    parts = []
    for k, length in enumerate(LENGTHS):
        if length > width:
            break
        intact = broken[:, length - 1 :] == broken[:, : width - length + 1]
        intact &= valid[:, length - 1 :]
        rows, at = np.nonzero(intact)
        if not len(rows):
            break  # no longer stretch can be intact either
        local = onset_ms[rows[:, None], at[:, None] + np.arange(length)]
        local -= local[:, :1]
        squares = np.einsum("ij,ij->i", local, local)
        of_steps = step_squares[rows, at + length - 1] - step_squares[rows, at]
        full = np.full(len(rows), float(length))
        kind = np.full(len(rows), k)
        mean_step = local[:, -1] / (length - 1)
        coefficient = local @ _basis(length).columns
        before = gap[rows, at]
        parts.append((kind, rows, at, full, coefficient, squares, of_steps, mean_step, before))
    return Stretches(*map(np.concatenate, zip(*parts, strict=True))) if parts else None


def stretch_scores(found: Stretches, shape: tuple[int, int], ground: Ground) -> Floats:
    """Log density per stretch: shape (events, lengths, phrases), indexed by last event.

    `shape` is (events, phrases). The density covers the stretch's onsets given the one before.
    """
    scores = np.full((shape[0], len(LENGTHS), shape[1]), -np.inf)
    score = _score(found, ground.spread_ms[found.phrase])
    score -= np.log(found.gap * LOG_GAP_SPAN)
    score -= np.maximum(HOLDS_CHARGE, HOLDS_NOTE * found.length) * _holds(found, ground)
    last = found.start + found.length.astype(np.int64) - 1
    scores[last, found.kind, found.phrase] = score
    return scores


def _holds(found: Stretches, ground: Ground) -> Floats:
    """How far each stretch keeps to a grid: 1 wholly, 0 not at all.

    The stretch's straight line and its bow are compared with as many successive positions of
    the even grid nearest its rate, and of the nearest chain: every second or third position of
    one, such as dotted eighths.
    """
    line = _Line.of(found, ground)
    steps = ground.steps_ms[found.phrase]
    chains = ground.chains_ms[found.phrase]
    each = np.arange(len(steps))
    step = steps[each, line.nearest(steps)]
    chain_step, base = chains[each, line.nearest(chains[..., 0])].T
    share = np.minimum(line.misses(step, step), line.misses(chain_step, base))
    beyond = np.minimum((share - HOLDS_SHARE) / HOLDS_EDGE, FARTHEST)
    return np.asarray(1.0 / (1.0 + np.exp(beyond)))


@dataclass(frozen=True, eq=False)
class _Line:
    """Straight lines through stretches: step, first place in the bar, span in steps, bow (ms)."""

    step: Floats
    place: Floats
    span: Floats
    bow: Floats

    @staticmethod
    def of(found: Stretches, ground: Ground) -> _Line:
        table = _table()[found.kind]
        c0, c1, c2 = found.coefficient[:, 0], found.coefficient[:, 1], found.coefficient[:, 2]
        first = c0 * table[:, 2] + c1 * table[:, 3]
        last = c0 * table[:, 4] + c1 * table[:, 5]
        span = found.length - 1
        place = ground.in_bar_ms[found.phrase, found.start] + first
        return _Line((last - first) / span, place, span, c2 * table[:, 6])

    def nearest(self, steps_ms: Floats) -> Ints:
        """Which of some steps, (stretches, choices), is nearest by ratio."""
        apart = np.abs(np.log(steps_ms / np.maximum(self.step, 1.0)[:, None]))
        return np.asarray(apart.argmin(axis=1))

    def misses(self, step_ms: Floats, base_ms: Floats) -> Floats:
        """How far lines stray from successive places `step_ms` apart on the grid `base_ms`: the
        farthest, as a share of that grid's step."""
        place = self.place / base_ms
        early = (place - np.round(place)) * base_ms
        late = early + (self.step - step_ms) * self.span
        away = PLACE_WEIGHT * np.maximum(np.abs(early), np.abs(late))
        farthest = np.maximum(np.maximum(np.abs(late - early), np.abs(self.bow)), away)
        return np.asarray(farthest / np.minimum(base_ms, HOLDS_STEP_MS))


def _score(found: Stretches, spread_ms: Floats) -> Floats:
    """Log marginal density of stretches under the four kinds."""
    table = _table()[found.kind]
    length, step = found.length, found.step
    explained = np.einsum("ij,ij->i", found.coefficient, found.coefficient)
    residual = np.maximum(found.squares - explained, 0.0)
    # Flat priors on place and log-uniform on step, in the basis' own coordinates.
    shared = -0.5 * np.log(length) - np.log(step * LOG_STEP_SPAN * table[:, 0])
    bend = GLIDE_SD * step / (2.0 * length) * table[:, 1]
    smooth_ms = np.minimum(spread_ms, SMOOTH_SHARE * step)
    steady, gliding = (
        np.logaddexp(
            _curve(found, residual, smooth_ms, bend * scale),
            _curve(found, residual, 0.5 * smooth_ms, bend * scale),
        )
        for scale in (STEADY_BEND, 1.0)
    )
    log_steady, log_gliding, log_uneven, log_wild = np.log(KIND_WEIGHTS)
    smooth = np.logaddexp(log_steady + steady, log_gliding + gliding) + np.log(0.5) + shared
    regular = np.logaddexp(smooth, log_uneven + _uneven(found, UNEVEN_SHARE))
    slow_ms = np.maximum(step - SLOW_STEP_MS, 0.0)
    wild = log_wild + _uneven(found, WILD_SHARE) - HOLDS_CHARGE * _regular(found)
    return np.asarray(np.logaddexp(regular - SLOW_CHARGE * slow_ms, wild - WILD_CHARGE * slow_ms))


def _curve(found: Stretches, residual: Floats, spread_ms: Floats, bend_ms: Floats) -> Floats:
    """Residual scatter plus the prior on the two bending coefficients."""
    square = spread_ms**2
    total = -(found.length - 4) * (0.5 * np.log(square) + _HALF_LOG_TAU) - residual / (2.0 * square)
    for degree, share in ((2, 1.0), (3, 0.5)):
        variance = square + (share * bend_ms) ** 2
        total -= _HALF_LOG_TAU + 0.5 * np.log(variance)
        total -= found.coefficient[:, degree] ** 2 / (2.0 * variance)
    return np.asarray(total)


def _uneven(found: Stretches, share: float) -> Floats:
    """Steps scattered about one length by a share of it, independent of one another."""
    count = found.length - 1
    scatter = share * found.step
    squares = np.maximum(found.step_squares - count * found.step**2, 0.0)
    return np.asarray(
        -(count - 1) * (np.log(scatter) + _HALF_LOG_TAU)
        - squares / (2.0 * scatter**2)
        - 0.5 * np.log(count)
        - np.log(found.step * LOG_STEP_SPAN)
    )


def _regular(found: Stretches) -> Floats:
    """How far each stretch's steps are too much alike to be wild: 1 wholly, 0 not at all."""
    count = found.length - 1
    squares = np.maximum(found.step_squares - count * found.step**2, 0.0)
    share = np.sqrt(squares / count) / found.step
    return np.asarray(1.0 / (1.0 + np.exp((share - WILD_FROM) / HOLDS_EDGE)))
