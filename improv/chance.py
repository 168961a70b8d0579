"""What is chance: Student's t, Holm's correction, and one careful weighted regression.

Conventions: all probabilities are two-sided. `robust_line` gives an estimate whose standard
error does not believe the stated weights: it is the leverage-corrected sandwich (HC2) with
the degrees of freedom of Bell & McCaffrey (2002, Survey Methodology 28, 169-181), which
keeps intervals honest for a handful of unequal blocks, where the plain block bootstrap and
the normal interval are too short (`benchmarks/comparison.py` shows both).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from improv.model import Floats

MANY_BLOCKS = 250
"""From here on the degrees of freedom are blocks less columns; the exact ones cost a square."""
_TINY = 1e-300


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function (Abramowitz & Stegun 26.5.8)."""
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1.0) or _TINY)
    total = d
    for m in range(1, 400):
        for top in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / ((1.0 + top * d) or _TINY)
            c = (1.0 + top / c) or _TINY
            total *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return total


def incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b), for a, b > 0 and 0 <= x <= 1."""
    if x <= 0.0 or x >= 1.0:
        return float(x >= 1.0)
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = math.exp(log_front + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def t_probability(t: float, df: float) -> float:
    """P(|T| >= |t|) for Student's t with `df` degrees of freedom (Abramowitz & Stegun 26.7.1)."""
    if math.isinf(df):
        return math.erfc(abs(t) / math.sqrt(2.0))
    return incomplete_beta(df / 2.0, 0.5, df / (df + t * t))


def _t_density(t: float, df: float) -> float:
    """Student's density at t."""
    if math.isinf(df):
        return math.exp(-t * t / 2.0) / math.sqrt(2.0 * math.pi)
    log_front = math.lgamma((df + 1.0) / 2.0) - math.lgamma(df / 2.0)
    front = math.exp(log_front) / math.sqrt(df * math.pi)
    return front * math.exp(-(df + 1.0) / 2.0 * math.log1p(t * t / df))


def t_quantile(level: float, df: float) -> float:
    """The t with P(|T| <= t) = `level`: Newton's steps, kept between ever closer bounds."""
    low, high = 0.0, 1.0
    while t_probability(high, df) > 1.0 - level:
        low, high = high, high * 2.0
    t = (low + high) / 2.0
    for _ in range(100):
        over = t_probability(t, df) - (1.0 - level)
        low, high = (t, high) if over > 0.0 else (low, t)
        step = t + over / (2.0 * _t_density(t, df))
        step = step if low < step < high else (low + high) / 2.0
        if abs(step - t) <= 1e-13 * t:
            return step
        t = step
    return t


def holm(probabilities: Sequence[float]) -> list[float]:
    """Adjusted probabilities: the chance of any false finding stays at the level.

    Holm 1979, Scandinavian Journal of Statistics 6, 65-70: the smallest of m is multiplied
    by m, the next by m - 1, ..., none below an earlier one, none above 1.
    """
    adjusted = [1.0] * len(probabilities)
    highest = 0.0
    order = sorted(range(len(probabilities)), key=lambda i: probabilities[i])
    for rank, i in enumerate(order):
        highest = max(highest, (len(order) - rank) * probabilities[i])
        adjusted[i] = min(highest, 1.0)
    return adjusted


@dataclass(frozen=True)
class Estimate:
    """One estimate with its robust standard error and degrees of freedom."""

    value: float
    se: float
    df: float

    @property
    def probability(self) -> float:
        """Two-sided chance of an estimate this far from 0 if the truth were 0."""
        if self.se <= 0.0:
            return 1.0 if self.value == 0.0 else 0.0
        return t_probability(self.value / self.se, self.df)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """The confidence interval."""
        half = t_quantile(level, self.df) * self.se
        return self.value - half, self.value + half


@dataclass(frozen=True)
class Prior:
    """What is known of one column's coefficient beforehand: mean and standard deviation."""

    column: int
    mean: float
    sd: float


def robust_line(
    y: Floats, columns: Floats, variance: Floats, want: int, prior: Prior | None = None
) -> Estimate | None:
    """The coefficient `want` of a weighted regression of `y` (n,) on `columns` (n, k).

    `variance` (n,) are working variances, right up to a common factor. `prior` enters as
    one more observation whose own uncertainty is added in full. `None` when the data cannot
    tell the coefficient: fewer rows than columns, or columns that say the same.
    """
    rows = len(y)
    solved = _solved(y, columns, variance, prior)
    if solved is None:
        return None
    x, z, inverse, _ = solved
    beta = inverse @ (x.T @ z)
    a = x @ inverse[:, want]
    leverage = np.minimum(np.einsum("ij,jk,ik->i", x, inverse, x), 1.0 - 1e-9)
    rest = z - x @ beta
    g = a / np.sqrt(1.0 - leverage)
    data = slice(0, rows)
    robust = float(np.sum((g[data] * rest[data]) ** 2))
    df = _degrees(x, inverse, g, rows)
    if prior is None:
        return Estimate(float(beta[want]), math.sqrt(robust), df)
    known = float(a[-1] ** 2)
    total = robust + known
    whole_df = total**2 / (robust**2 / df) if robust > 0.0 else math.inf
    return Estimate(float(beta[want]), math.sqrt(total), min(whole_df, 1e6))


def line_weights(
    y: Floats, columns: Floats, variance: Floats, want: int, prior: Prior | None = None
) -> tuple[float, Floats, float] | None:
    """`robust_line`'s coefficient as a sum over `y`: value, weights (n,), what a prior leaves open.

    The last is a standard deviation. With a column of ones the weights sum to 0.
    """
    solved = _solved(y, columns, variance, prior)
    if solved is None:
        return None
    x, z, inverse, root = solved
    a = np.asarray(x @ inverse[:, want], dtype=np.float64)
    open_sd = abs(float(a[-1])) if prior is not None else 0.0
    return float(a @ z), a[: len(y)] / root, open_sd


def _solved(
    y: Floats, columns: Floats, variance: Floats, prior: Prior | None
) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Rows and values at unit variance (a prior's row last), (X'X)^-1, the rows' deviations."""
    rows, k = columns.shape
    if rows <= k - (prior is not None):
        return None
    scale = _dispersion(y, columns, variance, prior)
    root = np.sqrt(variance * scale)
    x, z = columns / root[:, None], y / root
    if prior is not None:
        extra = np.zeros((1, k))
        extra[0, prior.column] = 1.0 / prior.sd
        x, z = np.vstack([x, extra]), np.append(z, prior.mean / prior.sd)
    information = x.T @ x
    if np.linalg.cond(information) > 1e12:
        return None
    return x, z, np.asarray(np.linalg.inv(information), dtype=np.float64), root


def _dispersion(y: Floats, columns: Floats, variance: Floats, prior: Prior | None) -> float:
    """The factor by which the working variances fall short, so that a prior weighs rightly."""
    if prior is None:
        return 1.0
    root = np.sqrt(variance)
    x, z = columns / root[:, None], y / root
    beta, _, rank, _ = np.linalg.lstsq(x, z, rcond=1e-10)
    free = len(y) - int(rank)
    if free < 3:
        return 1.0
    return max(float(np.sum((z - x @ beta) ** 2)) / free, 1e-6)


def _degrees(x: Floats, inverse: Floats, g: Floats, rows: int) -> float:
    """Bell & McCaffrey's degrees of freedom, (tr B)^2 / tr(B^2) with B = G'G, G = (I - H) g."""
    if rows > MANY_BLOCKS:
        return float(rows - x.shape[1])
    maker = np.eye(len(x)) - x @ inverse @ x.T
    spread = maker[:, :rows] * g[:rows]
    b = spread.T @ spread
    return max(float(np.trace(b) ** 2 / np.sum(b * b)), 1.0)
