"""Which subdivisions the map of safety tells of, which it leaves out. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.cells import Cells
from improv.held import HELD_SHARE
from improv.material import Material
from improv.measures import FEWEST_FOR_SPREAD
from improv.model import Bools, Floats, Ints

FEWEST_NOTES = 24
LEAST_SPREAD_MS = 1.0
"""Less is what rounding to ticks leaves of a machine's notes: no hand is so even."""


@dataclass(frozen=True)
class Failed:
    """A subdivision attempted in vain, too little to be mapped, and how slowly it was tried."""

    subdivision: str
    per_beat: float
    slowest_bpm: float


def without_spread(material: Material) -> bool:
    """Whether there are notes enough for a map, but no spread can be measured in any of them."""
    kinds = len(material.kinds)
    return len(mappable(material.cells, kinds)[1]) > 0 and not _measured(material.cells).any()


def mappable(cells: Cells, kinds: int) -> tuple[Ints, Ints]:
    """Subdivisions attempted with notes enough, and those left out as exact, by number.

    Failed attempts are attempts: what mostly leaves the grid is on the map for that. Exact
    are those in which no spread can be measured: copied or quantised notes, or a few at a time.
    """
    on, off = (sums(cells, field, kinds) for field in ("on", "off"))
    enough = on + off >= FEWEST_NOTES
    seen = np.bincount(cells["subdivision"], _measured(cells), kinds) > 0
    told = seen | failing(on, off)
    return np.flatnonzero(enough & told), np.flatnonzero(enough & ~told)


def _measured(cells: Cells) -> Bools:
    """The cells whose scatter can be a hand's."""
    human = cells["square_ms2"] > LEAST_SPREAD_MS**2 * cells["on"]
    return np.asarray((cells["on"] >= FEWEST_FOR_SPREAD) & human)


def failing(on: Floats | int, off: Floats | int) -> Bools:
    """Whether more notes left the grid than may, of those on it and those off it."""
    return np.asarray(on < HELD_SHARE * (np.asarray(on) + off))


def sums(cells: Cells, field: str, kinds: int) -> Floats:
    """A field's sum over the cells of each subdivision, by number."""
    return np.asarray(np.bincount(cells["subdivision"], cells[field], kinds), dtype=np.float64)


def failed_besides(material: Material, told: Ints) -> tuple[Failed, ...]:
    """The subdivisions besides those told of at which most attempts left the grid."""
    cells, kinds = material.cells, len(material.kinds)
    mostly_off = failing(sums(cells, "on", kinds), sums(cells, "off", kinds))
    found = []
    for number in np.setdiff1d(np.flatnonzero(mostly_off), told).tolist():
        kind = material.kinds[number]
        tried = cells["interval_ms"][(cells["subdivision"] == number) & (cells["off"] > 0)]
        slowest = 60_000.0 / (float(tried.max()) * kind.per_beat)
        found.append(Failed(kind.name, kind.per_beat, slowest))
    return tuple(sorted(found, key=lambda f: (f.per_beat, f.subdivision)))
