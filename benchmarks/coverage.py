"""How often intervals held the truth: the share, its mark where it misses 95 %, its doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

LOW, HIGH = 0.93, 0.97
"""Coverage that is near enough to the nominal 95 %."""


def mark_of(share: float, may_be_wide: bool = False) -> str:
    """ "!" where coverage lies outside the bounds; "~" above them where that cannot be helped."""
    if LOW <= share <= HIGH:
        return ""
    return "~" if may_be_wide and share > HIGH else "!"


def standard_error(covered: Sequence[float], weight: Sequence[float] | None = None) -> float:
    """Standard error of a mean over histories, each counting by its weight; 0 of none."""
    if not len(covered):
        return 0.0
    each = np.ones(len(covered)) if weight is None else np.asarray(weight)
    away = each * (np.asarray(covered) - np.average(covered, weights=each))
    return math.sqrt(float(np.sum(away**2))) / float(each.sum())
