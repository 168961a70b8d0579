"""A grid followed from note to note, so that a drift past half a step stays a drift.

Conventions
-----------
Everything is in quarter notes of the backing, an even scale in every meter: the beats of an
additive meter are not alike. A *lane* is all positions a subdivision has in the bars there
are, at a swing ratio where it swings. A deviation is onset minus position, positive = late.
A *slope* is the deviation gained per quarter note: 0.03 is a player dragging by 3 %.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from improv.assignments.evidence import Evidence
from improv.assignments.model import Section
from improv.grid import (
    COMMON_WEIGHT,
    SUBDIVISIONS,
    Subdivision,
    find,
    row_of,
    straight_twin,
    swung_positions,
)
from improv.gridlines import over_bars
from improv.meter import Meter
from improv.model import Bars, Floats, Ints

FOLLOW = 0.4
"""How far the expected deviation follows each note's (our choice)."""
LOOSEST_FIT, LEAST_LOOSE, FEW_NOTES = 0.26, 0.12, 0.45
CALLED_LESS = 0.02
"""Scatter as a share of the step beyond which no grid is followed (`loosest`), and how much less
it may be where each note brings its own grid: of notes at random two phrases in a hundred pass, of
those under a dozen notes more (measured)."""
FIRM_FIT = 0.06
"""Scatter below which no other slope needs to be tried."""
MOST_SLOPE = 0.12
"""A tempo further than this from the backing is another subdivision, not a drift."""
SLOPES = (0.0, 0.04, -0.04, 0.08, -0.08, 0.12, -0.12)
"""Drifts that a grid is looked for at, near enough for the next note's place to be foreseen."""
OTHER_TEMPO_SLOPES = (0.16, -0.16, 0.2, -0.2, 0.24, -0.24, 0.28, -0.28)
MOST_OTHER_SLOPE, FAR_TIGHTER = 0.3, 0.6
"""How far another tempo may be, and how much tighter it must be kept than one near the backing's:
eighths at four fifths of the tempo lie on thirty-seconds, too."""
RATIOS = (1.4, 1.8, 2.4, 3.2)
"""Swing ratios of swung lanes: any other lies within 0.03 of a pair from one of them."""
LEAST_CALLED = 0.75
"""Share of a phrase's notes that must be on some subdivision to follow them on those."""
FEWEST_TO_FOLLOW, FEWEST_FOR_SLOPES = 3, 12


@dataclass(frozen=True, eq=False)
class Lane:
    """Ascending positions in quarter notes, and the usual distance between them."""

    at_quarter: list[float]
    step_quarter: float

    def nearest(self, quarter: float) -> float:
        """The position nearest to a place."""
        i = bisect_left(self.at_quarter, quarter, 1, len(self.at_quarter) - 1)
        before, after = self.at_quarter[i - 1], self.at_quarter[i]
        return after if after - quarter < quarter - before else before


@dataclass(frozen=True, eq=False)
class Track:
    """Deviations from a lane, and their scatter about what was expected, as a share of the step."""

    deviation_quarter: Floats
    scatter: float

    def slope(self, at_quarter: Floats) -> float:
        """The deviation gained per quarter note, by least squares."""
        away = at_quarter - at_quarter.mean()
        return float(away @ self.deviation_quarter) / max(float(away @ away), 1e-9)


def lanes(rows: Iterable[Subdivision], bars: Bars) -> tuple[Lane, ...]:
    """The lanes of some subdivisions over the bars, and over as many more as a drift may reach."""
    length = float(bars.start_quarter[-1] - bars.start_quarter[0])
    each = [float(meter.bar_quarters) for meter in bars.meters]
    first, last = each[bars.meter[0]], each[bars.meter[-1]]
    more = int(np.ceil(2.5 * MOST_SLOPE * length / min(first, last))) + 1
    beyond = np.arange(1, more + 1)
    lines = np.concatenate([
        bars.start_quarter[0] - first * beyond[::-1],
        bars.start_quarter,
        bars.start_quarter[-1] + last * beyond,
    ])  # fmt: skip
    meter = np.pad(bars.meter, more, mode="edge")
    usual = float(np.mean(np.array(each)[meter]))
    found = []
    for row in rows:
        for ratio in RATIOS if row.swung else (1.0,):
            within = [np.array(swung_positions(_coarsest(row, m), m, ratio)) for m in bars.meters]
            notes_to_bar = float(np.mean(np.array([len(inside) for inside in within])[meter]))
            found.append(Lane(over_bars(lines, meter, within).tolist(), usual / notes_to_bar))
    return tuple(found)


def _coarsest(row: Subdivision, meter: Meter) -> Subdivision:
    """The row itself; of rows that have no note on every beat of the meter, its beats."""
    per_beat = row.per_beat(meter.kind)
    return row if per_beat and per_beat >= 1 else SUBDIVISIONS[row_of("beat")]


def asked_rows(section: Section, meters: tuple[Meter, ...]) -> tuple[Subdivision, ...]:
    """The subdivisions a section asks for; none where it names none."""
    return tuple(SUBDIVISIONS[i] for i in dict.fromkeys(find(t, meters) for t in section.asked))


def common_rows(meters: Sequence[Meter]) -> tuple[Subdivision, ...]:
    """The subdivisions that are often met in the first of the meters."""
    kind = meters[0].kind
    return tuple(r for r in SUBDIVISIONS if r.prior_weight(kind) >= COMMON_WEIGHT)


def track(at_quarter: Floats, each: Sequence[Lane], slope: float = 0.0) -> Track:
    """Deviations from lanes, one for each note, that are followed as the player drifts.

    Each note is laid on the position nearest to where the deviation of the notes before, and
    a drift of about `slope`, let it be expected.
    """
    places = at_quarter.tolist()
    deviation, missed = np.zeros(len(places)), np.zeros(len(places))
    before = places[0]
    expected = before - each[0].nearest(before)
    for i, (at, lane) in enumerate(zip(places, each, strict=True)):
        expected += slope * (at - before)
        deviation[i] = at - lane.nearest(at - expected)
        away = deviation[i] - expected
        missed[i] = away / lane.step_quarter
        expected += FOLLOW * away
        before = at
    return Track(deviation, 1.2533 * float(np.abs(missed).mean()))


def loosest(notes: int) -> float:
    """The scatter beyond which so many notes keep no grid: by chance, few may scatter little."""
    return max(LEAST_LOOSE, LOOSEST_FIT - FEW_NOTES / float(np.sqrt(notes)))


def followed(
    at_quarter: Floats,
    choices: tuple[Lane, ...],
    most_slope: float = MOST_SLOPE,
    slopes: tuple[float, ...] = SLOPES,
) -> Track | None:
    """The track along the lane that fits best; `None` if none does.

    The fit is the scatter as a share of the step: a grid twice as dense must scatter half as
    much to win.
    """
    if len(at_quarter) < FEWEST_TO_FOLLOW:
        return None
    best, found = loosest(len(at_quarter)), None
    for slope in slopes if len(at_quarter) >= FEWEST_FOR_SLOPES else slopes[:1]:
        for lane in choices:
            tried = track(at_quarter, [lane] * len(at_quarter), slope)
            if tried.scatter < best and abs(tried.slope(at_quarter)) < most_slope:
                best, found = tried.scatter, tried
        if best < FIRM_FIT:
            break
    return found


@dataclass(frozen=True, eq=False)
class Grids:
    """All that the events of a take may be followed on.

    `common` are the lanes often met, `plain` the units of the meter and their halves. `lane` is
    the one each event was called on, and `called_quarter` its place there, with swung ones moved
    to the straight: they serve phrases of more than one subdivision, which no one lane fits.
    """

    at_quarter: Floats
    common: tuple[Lane, ...]
    plain: tuple[Lane, ...]
    called_quarter: Floats
    lane: tuple[Lane | None, ...]

    @staticmethod
    def of(seen: Evidence) -> Grids:
        """The lanes over a take's bars, and those the analysis called."""
        own = {
            row: lanes([SUBDIVISIONS[straight_twin(row)]], seen.bars)[0]
            for row in np.unique(seen.row[seen.on_grid]).tolist()
        }
        place = seen.onset_quarter - seen.deviation_ms / seen.quarter_ms
        moved = np.nan_to_num(seen.straight_quarter - place)
        common = lanes(common_rows(seen.bars.meters), seen.bars)
        each = tuple(own.get(row) for row in seen.row.tolist())
        plain = lanes((SUBDIVISIONS[row_of(key)] for key in ("unit", "half-unit")), seen.bars)
        return Grids(seen.onset_quarter, common, plain, seen.onset_quarter + moved, each)

    def followed(self, events: Ints) -> Track | None:
        """The track along what fits some events; `None` if they keep no grid together."""
        found = followed(self.at_quarter[events], self.common)
        return self.as_called(events) if found is None else found

    def as_called(self, events: Ints) -> Track | None:
        """The same on the subdivision that each was called; NaN for those off the grid."""
        known = np.array([self.lane[i] is not None for i in events.tolist()])
        each = [lane for i in events.tolist() if (lane := self.lane[i]) is not None]
        if len(each) < max(FEWEST_TO_FOLLOW, LEAST_CALLED * len(events)):
            return None
        at = self.called_quarter[events[known]]
        tried = min((track(at, each, slope) for slope in SLOPES), key=lambda t: t.scatter)
        if tried.scatter >= loosest(len(each)) - CALLED_LESS or abs(tried.slope(at)) >= MOST_SLOPE:
            return None
        deviation = np.full(len(events), np.nan)
        deviation[known] = tried.deviation_quarter
        return Track(deviation, tried.scatter)

    def at_another_tempo(
        self, events: Ints, asked: tuple[Lane, ...], nearer: Track | None
    ) -> Track | None:
        """What was asked, or the plain lanes, kept steadily at quite another tempo.

        `nearer` is the track found near the backing's tempo, returned where it is about as good.
        """
        if nearer is not None and nearer.scatter <= FIRM_FIT:
            return nearer
        at = self.at_quarter[events]
        found = followed(at, asked or self.plain, MOST_OTHER_SLOPE, OTHER_TEMPO_SLOPES)
        if found is None or (nearer and found.scatter > FAR_TIGHTER * nearer.scatter):
            return nearer
        return found
