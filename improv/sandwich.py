"""Bands round a fitted curve that are honest about blocks: days that differ as a whole.

A regression drawn towards priors, X its gradient, W its working weights (which may tie the
rows of a block together), P the priors' precision. With M = (X'WX + P)^-1 the estimate moves
by M times the sum of the blocks' scores X_g'W_g r_g, so its variance is estimated from those
scores, each made as large as it would be had the fit not followed it (HC2 by clusters: Bell &
McCaffrey 2002, Survey Methodology 28, 169-181), with a prior's own uncertainty, M P M, added
in full. The degrees of freedom are theirs too, for every point of the curve its own: few days,
or one day that alone tells the slope, make t wide there and only there. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.chance import MANY_BLOCKS, t_quantile
from improv.model import Floats, Ints

LEVEL = 0.95
_EVERY = 40
"""Degrees of freedom change slowly along a curve: they are found at every so manieth point."""
_LEAST_LEFT = 1e-6


@dataclass(frozen=True, eq=False)
class Fit:
    """Parameters and what their uncertainty is made of; k parameters, G blocks.

    `inverse` M (k, k); `scores` (G, k) adjusted; `own` and `plain` (G, k, k) are square roots
    of the blocks' information, adjusted and as it is; `known` M P M (k, k).
    """

    theta: Floats
    inverse: Floats
    scores: Floats
    own: Floats
    plain: Floats
    known: Floats

    def band(self, gradient: Floats) -> Floats:
        """Half-width of the 95 % band for values with these gradients, (points, parameters)."""
        lead = gradient @ self.inverse
        robust = np.sum((lead @ self.scores.T) ** 2, axis=1)
        known = np.einsum("ij,jk,ik->i", gradient, self.known, gradient)
        total = np.maximum(robust + known, 0.0)
        at = np.unique(np.append(np.arange(0, len(lead), _EVERY), len(lead) - 1))
        df = self._degrees(lead[at])
        # Satterthwaite 1946: what the priors say is as sure as they say it is.
        whole = total[at] ** 2 / np.maximum(robust[at] ** 2 / df, 1e-300)
        t = [t_quantile(LEVEL, min(float(d), 1e6)) for d in whole]
        return np.asarray(np.interp(np.arange(len(lead)), at, t) * np.sqrt(total))

    def _degrees(self, lead: Floats) -> Floats:
        """(tr B)^2 / tr(B^2) for the quadratic form of the blocks' scores, at each point."""
        blocks = len(self.scores)
        if blocks > MANY_BLOCKS:
            return np.full(len(lead), float(blocks - len(self.theta)))
        turned = np.einsum("ij,gjk->gik", lead, self.own)
        moved = np.einsum("gik,gjk->gij", turned, self.plain)
        alone = np.sum(turned**2, axis=2)
        shared = np.sum((moved @ self.inverse) * moved, axis=2)
        mixed = np.einsum("gij,gik->ijk", moved, moved) @ self.inverse
        square = np.sum(alone**2 - 2.0 * alone * shared, axis=0)
        square += np.einsum("ijk,ikj->i", mixed, mixed)
        trace = np.sum(alone - shared, axis=0)
        return np.asarray(np.maximum(trace**2 / np.maximum(square, 1e-300), 1.0))


def sandwich(
    theta: Floats,
    precision: Floats,
    gradient: Floats,
    weighted: Floats,
    rest: Floats,
    block: Ints,
    blocks: int,
) -> Fit:
    """The fit with its bands. `gradient` X and `weighted` WX are (rows, k), `rest` the residuals.

    `precision` (k,) is the diagonal of P; `block` (rows,) counts from 0 to `blocks` - 1.
    """
    k = len(theta)
    part, score = np.zeros((blocks, k, k)), np.zeros((blocks, k))
    order = np.argsort(block, kind="stable")
    edges = np.searchsorted(block[order], np.arange(blocks + 1)).tolist()
    for g, (start, stop) in enumerate(zip(edges[:-1], edges[1:], strict=True)):
        rows = order[start:stop]
        part[g] = weighted[rows].T @ gradient[rows]
        score[g] = rest[rows] @ weighted[rows]
    inverse = np.asarray(np.linalg.inv(part.sum(axis=0) + np.diag(precision)))
    value, vector = np.linalg.eigh((part + part.transpose(0, 2, 1)) / 2.0)
    told = value > 1e-10 * np.maximum(value[:, -1:], 1e-300)
    root = np.sqrt(np.where(told, value, 0.0))
    plain = vector * root[:, None, :]
    inner = np.einsum("gji,gj->gi", vector, score) / np.where(told, root, 1.0) * told
    left, turn = np.linalg.eigh(np.eye(k) - plain.transpose(0, 2, 1) @ inverse @ plain)
    undo = (turn / np.sqrt(np.maximum(left, _LEAST_LEFT))[:, None, :]) @ turn.transpose(0, 2, 1)
    own = plain @ undo
    adjusted = np.einsum("gij,gj->gi", own, inner)
    return Fit(theta, inverse, adjusted, own, plain, inverse @ np.diag(precision) @ inverse)
