"""What memory does to a spread: effective degrees of freedom under an AR(1) scatter.

Neighbouring deviations resemble each other (correlation rho about 0.3 to 0.8), so the
residuals of a short phrase about its own mean are too small. For n residuals C a with C
the projection off the mean (or the line) and R the AR(1) correlation matrix,

    E[sum of squares]  = sigma^2 tr(C R)              the effective degrees of freedom
    E[sum of products] = sigma^2 tr(C S C R)          S pairs each note with the next
    chi-square degrees = tr(C R)^2 / tr(C R C R)      Satterthwaite 1946, Biometrics 2, 110-114

which are exact for equally spaced notes. All functions are pure; n is capped at `LONGEST`,
beyond which what is missing from n stays the same.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from improv.model import Bools, Floats, Ints

LONGEST = 64
RHO = np.linspace(0.0, 0.9, 37)
"""The memories tried; a negative one is a drummer's exact correction and is taken for none."""
PRIOR_RHO = 0.5
PRIOR_NOTES = 15.0


@cache
def _traces(notes: int, fitted: int, step: int) -> tuple[float, float, float]:
    """tr(CR), tr(CRCR) and tr(CSCR) for `notes` notes at the memory `RHO[step]`."""
    at = np.arange(notes, dtype=np.float64)
    design = np.vander(at - at.mean(), fitted, increasing=True)
    basis = np.linalg.qr(design)[0]
    project = np.eye(notes) - basis @ basis.T
    mixed = project @ RHO[step] ** np.abs(at[:, None] - at[None, :])
    shifted = np.eye(notes, k=1) @ mixed
    square = float(np.sum(mixed * mixed.T))
    return float(np.trace(mixed)), square, float(np.sum(project * shifted.T))


def degrees(notes: Ints, fitted: Ints, rho: float) -> tuple[Floats, Floats]:
    """Effective and chi-square degrees of freedom of each cell, both (cells,)."""
    step, part = _between(rho)
    keys, which = np.unique(notes * 4 + fitted, return_inverse=True)
    table = np.zeros((len(keys), 2))
    for row, key in enumerate(keys.tolist()):
        count, columns = divmod(key, 4)
        if columns >= 1 and count > columns:
            ends = [_degrees(count, columns, i) for i in (step, step + 1)]
            table[row] = [a + part * (b - a) for a, b in zip(*ends, strict=True)]
    return table[which, 0], table[which, 1]


def _between(rho: float) -> tuple[int, float]:
    """The point of the grid `RHO` below a memory, and its share of the way to the next."""
    at = float(np.interp(rho, RHO, np.arange(len(RHO))))
    step = min(int(at), len(RHO) - 2)
    return step, at - step


def _degrees(count: int, columns: int, step: int) -> tuple[float, float]:
    """Effective and chi-square degrees of `count` notes at the memory `RHO[step]`."""
    trace, square, _ = _traces(min(count, LONGEST), columns, step)
    grown = (trace + max(count - LONGEST, 0)) / trace
    return trace * grown, trace**2 / square * grown


def estimate(notes: Ints, fitted: Ints, square: Floats, product: Floats) -> float:
    """The memory that makes the neighbours' products what they are, lightly drawn to 0.5.

    Solves sum of products = sum over cells of square * tr(CSCR) / tr(CR) by bisection on
    the grid `RHO`, in a straight line between its points: both sides have the same mean
    whatever the cells' own spreads, which the mean of the cells' ratios has not. Returns
    `PRIOR_RHO` where nothing can be told.
    """
    able = _telling(notes, fitted, square)
    if not able.any():
        return PRIOR_RHO
    expected = _Expected(notes[able], fitted[able], square[able])
    found = float(product[able].sum() / square[able].sum())
    total = float(notes[able].sum())
    prior = expected.ratio(int(np.abs(RHO - PRIOR_RHO).argmin()))
    mixed = (total * found + PRIOR_NOTES * prior) / (total + PRIOR_NOTES)
    low, high = 0, len(RHO) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if expected.ratio(middle) < mixed else (low, middle)
    ends = [expected.ratio(low), expected.ratio(high)]
    return float(np.interp(mixed, ends, RHO[[low, high]]))


def influence(
    notes: Ints, fitted: Ints, square: Floats, product: Floats, rho: float, block: Ints
) -> Floats:
    """How far each block has moved the memory found, (blocks,); `block` counts from 0.

    The blocks' parts of the estimating equation over its slope (the delta method for
    estimating equations: Stefanski & Boos 2002, American Statistician 56, 29-38). Their
    root sum of squares is the memory's standard error.
    """
    moved = np.zeros(int(block.max()) + 1)
    able = _telling(notes, fitted, square)
    if not able.any():
        return moved
    expected = _Expected(notes[able], fitted[able], square[able])
    step = min(max(int(np.abs(RHO - rho).argmin()), 1), len(RHO) - 2)
    slope = (expected.ratio(step + 1) - expected.ratio(step - 1)) / (RHO[step + 1] - RHO[step - 1])
    own = product[able] - expected.each(rho) * square[able]
    total = float(notes[able].sum())
    np.add.at(moved, block[able], own / (slope * square[able].sum()))
    return moved * total / (total + PRIOR_NOTES)


def _telling(notes: Ints, fitted: Ints, square: Floats) -> Bools:
    """Which cells tell anything of the memory."""
    return np.asarray((notes >= fitted + 3) & (square > 0.0) & (fitted >= 1))


class _Expected:
    """What neighbours' products are expected to be, as a share of the squares."""

    def __init__(self, notes: Ints, fitted: Ints, square: Floats) -> None:
        key = np.minimum(notes, LONGEST) * 4 + fitted
        self.keys, self.which = np.unique(key, return_inverse=True)
        self.weights = np.bincount(self.which, square) / square.sum()

    def _by_key(self, step: int) -> Floats:
        traces = [_traces(k // 4, k % 4, step) for k in self.keys.tolist()]
        return np.array([lag / trace for trace, _, lag in traces])

    def ratio(self, step: int) -> float:
        """Of all cells together, at the memory `RHO[step]`."""
        return float(self.weights @ self._by_key(step))

    def each(self, rho: float) -> Floats:
        """Of every cell, at any memory."""
        step, part = _between(rho)
        low, high = self._by_key(step), self._by_key(step + 1)
        return np.asarray((low + part * (high - low))[self.which])
