"""What pictures of a history show, as values: a trend, before and after, the map of safety.

Days are day numbers (`date.toordinal`), spreads milliseconds, tempi BPM. Subdivisions come
coarsest first. An interval is 95 % throughout; a day's interval is from the working
variances of `measures` alone, the comparison's own words carry the robust one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.cells import Cells, Kind
from improv.compare import BETTER, TOO_FEW, WORSE, Comparison, Finding
from improv.compare_figures import chance, short_verdict, too_few
from improv.material import Material, at_equal_tempo, joined, told_apart
from improv.measures import BY_KEY, values
from improv.model import Floats, Ints, _Frozen
from improv.safety import Ceiling, SafetyMap

TWO_SIDED = 1.96


@dataclass(frozen=True, eq=False)
class Trend(_Frozen):
    """Spread of one subdivision over days; `line` is (first, last) in ms, `None` if not told.

    `shown` says whether a change could be shown: the line of any other may be chance.
    """

    subdivision: str
    day: Ints
    spread_ms: Floats
    low_ms: Floats
    high_ms: Floats
    line_ms: tuple[float, float] | None
    note: str
    shown: bool


@dataclass(frozen=True, eq=False)
class BeforeAfter(_Frozen):
    """Spreads of the phrases on one subdivision, before and after, each sorted, in ms."""

    subdivision: str
    before_ms: Floats
    after_ms: Floats
    note: str


@dataclass(frozen=True)
class Zone:
    """One subdivision on the map of safety: what was tried, what is held, how sure."""

    subdivision: str
    tried_bpm: tuple[float, float]
    held_to_bpm: float | None
    interval_bpm: tuple[float, float] | None
    pocket_from_bpm: float | None
    loose: bool
    note: str


def trends(material: Material, comparison: Comparison) -> tuple[Trend, ...]:
    """One trend per subdivision that has a spread on two days or more."""
    dated = material.keep(material.day >= 0)
    found = []
    for number, kind in _by_density(dated):
        here = np.flatnonzero(dated.cells["subdivision"] == number)
        spread = values(dated.cells[here], "spread", comparison.memory)
        day = dated.day[dated.take[here[spread.rows]]]
        days, index = np.unique(day, return_inverse=True)
        if len(days) < 2:
            continue
        weight = 1.0 / (BY_KEY["spread"].wander ** 2 + spread.variance)
        total = np.bincount(index, weight).astype(np.float64)
        mean = np.bincount(index, weight * spread.value) / total
        reach = TWO_SIDED / np.sqrt(total)
        finding = _finding(comparison, kind, "spread")
        line = _line(days.astype(np.float64), mean, total, finding)
        found.append(
            Trend(
                kind.name, days.astype(np.int64), np.exp(mean), np.exp(mean - reach),
                np.exp(mean + reach), line, _note(finding, comparison.block),
                finding is not None and finding.verdict in (BETTER, WORSE),
            )
        )  # fmt: skip
    return tuple(found)


def _line(
    days: Floats, mean: Floats, weight: Floats, finding: Finding | None
) -> tuple[float, float] | None:
    """The comparison's own change through the middle of what was played."""
    if finding is None or finding.change is None:
        return None
    place = (days - days[0]) / (days[-1] - days[0])
    centre = float(weight @ mean / weight.sum())
    slope = float(np.log(finding.change))
    at = float(weight @ place / weight.sum())
    return float(np.exp(centre - slope * at)), float(np.exp(centre + slope * (1.0 - at)))


def before_and_after(
    before: Material, after: Material, comparison: Comparison
) -> tuple[BeforeAfter, ...]:
    """Spreads of phrases on each subdivision that both sides have."""
    if comparison.equal_tempo:
        before, after = at_equal_tempo(before, after)
    both = joined(before, after)
    early = both.take < len(before.label)
    found = []
    for number, kind in _by_density(both):
        here = both.cells["subdivision"] == number
        sides = [_spreads(both.cells[here & side], comparison.memory) for side in (early, ~early)]
        if all(map(len, sides)):
            note = _note(_finding(comparison, kind, "spread"), comparison.block)
            found.append(BeforeAfter(kind.name, sides[0], sides[1], note))
    return tuple(found)


def _spreads(cells: Cells, memory: float) -> Floats:
    return np.sort(np.exp(values(cells, "spread", memory).value))


def zones(found: SafetyMap) -> tuple[Zone, ...]:
    """The map's rows."""
    return tuple(_zone(ceiling) for ceiling in found.ceilings)


def _zone(ceiling: Ceiling) -> Zone:
    interval = None
    if ceiling.tempo_bpm is not None:
        low = ceiling.low_bpm or ceiling.tried_bpm[0]
        interval = (min(low, ceiling.tempo_bpm), ceiling.high_bpm or ceiling.tempo_bpm)
    held = "not held yet" if ceiling.tempo_bpm is None else f"to {ceiling.tempo_bpm:.0f} BPM"
    if ceiling.tempo_bpm is not None and not ceiling.in_pocket:
        held += ", loose"
    return Zone(
        ceiling.subdivision, ceiling.tried_bpm, ceiling.tempo_bpm, interval,
        ceiling.slowest_bpm, not ceiling.in_pocket, held,
    )  # fmt: skip


def _by_density(material: Material) -> list[tuple[int, Kind]]:
    kinds = told_apart(material).kinds
    order = sorted(range(len(kinds)), key=lambda i: (kinds[i].per_beat, i))
    return [(i, kinds[i]) for i in order]


def _finding(comparison: Comparison, kind: Kind, measure: str) -> Finding | None:
    for finding in comparison.findings:
        same = (finding.subdivision, finding.per_beat) == (kind.name, kind.per_beat)
        if same and finding.measure.key == measure:
            return finding
    return None


def _note(finding: Finding | None, block: str) -> str:
    if finding is None:
        return "too few notes"
    short = finding.verdict == TOO_FEW
    verdict = too_few(finding, block) if short else short_verdict(finding)
    if finding.change is None or finding.low is None or finding.high is None:
        return verdict
    return (
        f"{verdict}: {finding.change:.2f} times "
        f"({finding.low:.2f} to {finding.high:.2f}), chance {chance(finding)}"
    )
