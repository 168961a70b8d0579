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

from improv.model import Floats, Ints

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
    step = int(np.abs(RHO - rho).argmin())
    keys, which = np.unique(notes * 4 + fitted, return_inverse=True)
    table = np.zeros((len(keys), 2))
    for row, key in enumerate(keys.tolist()):
        count, columns = divmod(key, 4)
        if columns >= 1 and count > columns:
            trace, square, _ = _traces(min(count, LONGEST), columns, step)
            grown = (trace + max(count - LONGEST, 0)) / trace
            table[row] = trace * grown, trace**2 / square * grown
    return table[which, 0], table[which, 1]


def estimate(notes: Ints, fitted: Ints, square: Floats, product: Floats) -> float:
    """The memory that makes the neighbours' products what they are, lightly drawn to 0.5.

    Solves sum of products = sum over cells of square * tr(CSCR) / tr(CR) by bisection on
    the grid `RHO`: both sides have the same mean whatever the cells' own spreads, which
    the mean of the cells' ratios has not. Returns `PRIOR_RHO` where nothing can be told.
    """
    able = (notes >= fitted + 3) & (square > 0.0) & (fitted >= 1)
    if not able.any():
        return PRIOR_RHO
    key = np.minimum(notes[able], LONGEST) * 4 + fitted[able]
    keys, inverse = np.unique(key, return_inverse=True)
    weights = np.bincount(inverse, square[able]) / square[able].sum()
    found = float(product[able].sum() / square[able].sum())

    def expected(step: int) -> float:
        traces = [_traces(k // 4, k % 4, step) for k in keys.tolist()]
        return float(weights @ np.array([lag / trace for trace, _, lag in traces]))

    total = float(notes[able].sum())
    prior = expected(int(np.abs(RHO - PRIOR_RHO).argmin()))
    mixed = (total * found + PRIOR_NOTES * prior) / (total + PRIOR_NOTES)
    low, high = 0, len(RHO) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if expected(middle) < mixed else (low, middle)
    nearer_low = abs(expected(low) - mixed) <= abs(expected(high) - mixed)
    return float(RHO[low if nearer_low else high])
