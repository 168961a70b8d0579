"""The map of safety: for each subdivision, up to which tempo this player holds it.

The model, fitted to every logged phrase of one player
-----------------------------------------------------
* Spread at an interval d between notes: sigma(d)^2 = floor^2 + (share d)^2, times a factor
  of the subdivision's own. Published anchors: a floor of about 5 to 10 ms below 250 ms, a
  share of 2 to 4 % above (Repp 2005; Repp & Su 2013, both from memory; two independent
  sources of variance, one of them growing with the interval: Wing & Kristofferson 1973,
  from memory). They enter as priors (`safety_fit`), so that a log that has
  seen one tempo only still knows roughly how spread goes with tempo.
* Share of notes that stay on the grid, of those on it and those of failed attempts at it
  (`attempts`): logistic in log d, with the subdivision's own
  shift. Priors wide; no source.

What is held, and so where the ceiling lies
-------------------------------------------
A subdivision is held at a tempo when neighbours lie at least `SAFE_SPREADS` spreads apart
(a note strays past the halfway point 3 times in 1000), at least `HELD_SHARE` of those notes
stay on the grid, and neighbours lie at least 100 ms apart (Repp 2006: synchronisation
fails beyond 8 to 10 notes a second), or as close as this player has been heard to manage,
down to 80 ms (Polak 2017 measured 80 to 100 ms in trained hands). The ceiling is the first of
these to give. In the pocket means sigma(d) at most the tolerance; since spread grows with the
interval, that bounds the tempo from below as well.

Intervals: read off where the 95 % band of each criterion crosses. The spread's is a sandwich
over days (or takes, or phrases) with few-days corrections, the uncertainty of the memory
included (`sandwich`, `safety_fit`), the share's a profile likelihood scaled by what those blocks
do to it (`safety_share`); the priors' own uncertainty is in both. Pure: no files, no printing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from improv.cells import Cells, Kind
from improv.held import CLOSEST_MS, HELD_SHARE, SAFE_SPREADS, closest_safe_ms
from improv.material import Material, told_apart
from improv.measures import BY_KEY, spread_by_memory, values
from improv.memory import estimate as estimate_memory
from improv.memory import influence
from improv.model import Floats, Ints
from improv.safety_fit import Spreads, fit_spread, log_spread
from improv.safety_kinds import (
    FEWEST_NOTES,
    Failed,
    failed_besides,
    failing,
    mappable,
)
from improv.safety_lately import Latest, Tried, attempts_by_take, latest
from improv.safety_share import Shares, fit_share, share_design
from improv.sandwich import Fit

FEWEST_BLOCKS = 3
FEWEST_DAYS = 5
SLOWEST_BPM = 30.0
PHRASE_SD = BY_KEY["spread"].wander
_GRID_MS = np.exp(np.linspace(math.log(50.0), math.log(4000.0), 877))
_EVERY = 16
"""How surely runs stay on the grid changes slowly: it is found at every so manieth interval."""

SPREAD, LEAVES, CLOSEST = "spread", "runs leave the grid", "speed of any hand"


@dataclass(frozen=True)
class Ceiling:
    """One subdivision on the map. Tempi in BPM of the meter's beat; `None` where not known.

    `notes` lie on its grid, `off_grid` are those of failed attempts at it.
    `tempo_bpm` with `low_bpm` and `high_bpm` (95 %) is the tempo up to which it is held;
    `limit` says what gives first there. `slowest_bpm` is where the spread leaves the pocket
    on the slow side, if it does above 30 BPM. `tried_bpm` are the slowest and the fastest
    tempo heard; beyond the fastest the map is the model's word alone. `in_pocket` is False
    where the spread exceeds the tolerance even at the ceiling.
    """

    subdivision: str
    per_beat: float
    notes: int
    off_grid: int
    takes: int
    tempo_bpm: float | None
    low_bpm: float | None
    high_bpm: float | None
    limit: str | None
    spread_ms: float | None
    in_pocket: bool
    slowest_bpm: float | None
    tried_bpm: tuple[float, float]

    @property
    def beyond_tried(self) -> bool:
        """Whether the ceiling lies above, or below, everything heard."""
        if self.tempo_bpm is None:
            return False
        return self.tempo_bpm > 1.02 * self.tried_bpm[1] or self.below_tried

    @property
    def below_tried(self) -> bool:
        """Whether the ceiling lies below everything heard."""
        return self.tempo_bpm is not None and 1.02 * self.tempo_bpm < self.tried_bpm[0]

    @property
    def leaves(self) -> bool:
        """Whether more notes of its attempts left the grid, over all tempi heard, than may."""
        return bool(failing(self.notes, self.off_grid))


@dataclass(frozen=True, eq=False)
class SafetyMap:
    """The whole map. `floor_ms` and `share` are the player's own timing model.

    `points` are what it was fitted to, one row per phrase and subdivision: interval in ms,
    spread in ms, index of the subdivision in `ceilings` (-1: too little to map). `exact` are
    subdivisions left out because no spread can be measured in them; `failed` those at which
    too few notes were attempted to map them, most of which left the grid. `latest` is what the
    latest take has that comes before any more speed, `tried` the attempts in every take.
    """

    ceilings: tuple[Ceiling, ...]
    floor_ms: float
    share: float
    tolerance_ms: float
    usual_bpm: float
    block: str
    interval_ms: Floats
    spread_ms: Floats
    which: Ints
    exact: tuple[str, ...] = ()
    failed: tuple[Failed, ...] = ()
    latest: Latest = Latest()
    tried: tuple[Tried, ...] = ()


def safety_map(material: Material, tolerance_ms: float = 20.0) -> SafetyMap | None:
    """The map of one player's takes; `None` where no subdivision has notes enough."""
    material = told_apart(material)
    cells = material.cells
    known, exact = mappable(cells, len(material.kinds))
    units, called = _blocks(material)
    names, block = np.unique(units, return_inverse=True)
    if not len(known) or len(names) < FEWEST_BLOCKS:
        return None
    order = {int(kind): i for i, kind in enumerate(known)}
    own = np.array([order.get(k, -1) for k in cells["subdivision"].tolist()], dtype=np.int64)
    step = cells["interval_ms"].astype(np.float64)
    rows, data = _spreads(cells, step, own, block)
    if not len(rows):
        return None
    spreads = fit_spread(data, len(known))
    kept = own >= 0
    shares = fit_share(cells[kept], step[kept], own[kept], block[kept], len(names))
    ceilings = tuple(
        _ceiling(material, material.kinds[k], int(k), i, spreads, shares, tolerance_ms)
        for i, k in enumerate(known)
    )
    return SafetyMap(
        tuple(sorted(ceilings, key=lambda c: (c.per_beat, c.subdivision))),
        math.exp(spreads.theta[0]), math.exp(spreads.theta[1]), tolerance_ms,
        float(np.median(material.tempo_bpm)), called, step[rows], np.exp(data.value),
        _sorted_index(ceilings)[own[rows]], tuple(material.kinds[k].name for k in exact),
        failed_besides(material, np.concatenate([known, exact])), latest(material, tolerance_ms),
        attempts_by_take(material),
    )  # fmt: skip


def _sorted_index(ceilings: tuple[Ceiling, ...]) -> Ints:
    order = sorted(
        range(len(ceilings)), key=lambda i: (ceilings[i].per_beat, ceilings[i].subdivision)
    )
    return np.argsort(np.array(order, dtype=np.int64))


def _spreads(cells: Cells, step: Floats, own: Ints, block: Ints) -> tuple[Ints, Spreads]:
    """The rows that have a spread, and what the spread is fitted to."""
    sums = (
        cells["on"].astype(np.int64), cells["fitted"].astype(np.int64),
        cells["square_ms2"].astype(np.float64), cells["product_ms2"].astype(np.float64),
    )  # fmt: skip
    memory = estimate_memory(*sums)
    spread = values(cells, "spread", memory)
    mine = own[spread.rows] >= 0
    rows = spread.rows[mine]
    return rows, Spreads(
        spread.value[mine], PHRASE_SD**2 + spread.variance[mine], step[rows], own[rows],
        block[rows], spread_by_memory(cells[rows], memory), influence(*sums, memory, block),
    )  # fmt: skip


def _blocks(material: Material) -> tuple[Ints, str]:
    dated = material.day >= 0
    if dated.all() and len(np.unique(material.day)) >= FEWEST_DAYS:
        return material.day[material.take], "day"
    if len(material.label) >= FEWEST_BLOCKS:
        return material.take, "take"
    return material.phrase_block, "phrase"


# --- ceilings --------------------------------------------------------------------


def _ceiling(
    material: Material,
    kind: Kind,
    number: int,
    own: int,
    spreads: Fit,
    shares: Shares,
    tolerance_ms: float,
) -> Ceiling:
    here = material.cells["subdivision"] == number
    cells = material.cells[here]
    tried = 60_000.0 / (cells["interval_ms"][cells["on"] >= 4].astype(np.float64) * kind.per_beat)
    if not len(tried):
        tried = 60_000.0 / (cells["interval_ms"].astype(np.float64) * kind.per_beat)
    index = np.full(len(_GRID_MS), own)
    sigma, gradient = log_spread(spreads.theta, _GRID_MS, index)
    apart = np.log(_GRID_MS) - sigma - math.log(SAFE_SPREADS)
    band = spreads.band(gradient)
    crossings = {
        SPREAD: _crossing(apart, apart - band, apart + band),
        LEAVES: _leaving(shares, own),
        CLOSEST: (_closest(cells),) * 3,
    }
    nearest = [max(c[i] for c in crossings.values()) for i in range(3)]
    limit = max(crossings, key=lambda name: crossings[name][0])
    tempo, low, high = (_bpm(step, kind) for step in nearest)
    at = None if tempo is None else float(np.exp(np.interp(nearest[0], _GRID_MS, sigma)))
    return Ceiling(
        kind.name, kind.per_beat, int(cells["on"].sum()), int(cells["off"].sum()),
        len(np.unique(material.take[here])), tempo, low, high,
        limit if tempo is not None else None, at, at is not None and at <= tolerance_ms,
        _slowest(sigma, kind, tolerance_ms), (float(tried.min()), float(tried.max())),
    )  # fmt: skip


def _leaving(shares: Shares, own: int) -> tuple[float, float, float]:
    """The interval down to which runs stay on the grid, see `_crossing`."""
    limit = math.log(HELD_SHARE / (1.0 - HELD_SHARE))
    design = share_design(_GRID_MS, np.full(len(_GRID_MS), own), len(shares.theta))
    at = np.unique(np.append(np.arange(0, len(_GRID_MS), _EVERY), len(_GRID_MS) - 1))
    standing = np.interp(np.arange(len(_GRID_MS)), at, shares.standing(design[at], limit))
    return _crossing(design @ shares.theta - limit, standing - 1.0, standing + 1.0)


def _crossing(held: Floats, careful: Floats, hopeful: Floats) -> tuple[float, float, float]:
    """The interval down to which each curve stays positive: estimate, cautious, hopeful bound.

    Each curve is followed downwards from where it is highest: far outside what was heard the
    band opens, and being unsure there says nothing about here. Never positive: infinite.
    """
    found = []
    for curve in (held, careful, hopeful):
        top = int(curve.argmax())
        negative = np.flatnonzero(curve[:top] < 0.0)
        if curve[top] <= 0.0:
            found.append(math.inf)
        elif not len(negative):
            found.append(float(_GRID_MS[0]))
        else:
            i = int(negative[-1])
            part = -curve[i] / (curve[i + 1] - curve[i])
            found.append(float(_GRID_MS[i] * (_GRID_MS[i + 1] / _GRID_MS[i]) ** part))
    return found[0], found[1], found[2]


def _closest(cells: Cells) -> float:
    """100 ms, or as close as this player has shown, but no closer than trained hands."""
    fastest = np.argsort(cells["interval_ms"], kind="stable")
    shown = np.flatnonzero(np.cumsum(cells["on"][fastest]) >= FEWEST_NOTES)
    if not len(shown):
        return CLOSEST_MS
    step = float(cells["interval_ms"][fastest[shown[0]]])
    return closest_safe_ms(step)


def _bpm(step_ms: float, kind: Kind) -> float | None:
    """The tempo at an interval; `None` below `SLOWEST_BPM`, where nobody practises."""
    tempo = 60_000.0 / (step_ms * kind.per_beat) if math.isfinite(step_ms) else 0.0
    return tempo if tempo >= SLOWEST_BPM else None


def _slowest(sigma: Floats, kind: Kind, tolerance_ms: float) -> float | None:
    """The tempo below which the spread is wider than the pocket."""
    inside = np.flatnonzero(sigma <= math.log(tolerance_ms))
    if not len(inside) or inside[-1] == len(_GRID_MS) - 1:
        return None
    return _bpm(float(_GRID_MS[inside[-1]]), kind)
