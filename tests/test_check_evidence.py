"""What an analysis says of single notes, as a check weighs it: where a stretch is long enough."""

from __future__ import annotations

import pytest
from pictures_made import Row, eighths, picture

from improv.assignments.evidence import evidence
from improv.assignments.leaving import FEWEST_FREE, leaving


def free(count: int, start: float) -> list[Row]:
    """Notes off the grid, an eighth of a beat behind eighths from `start` on."""
    return [(start + i / 2 + 0.06, 0.0, None) for i in range(count)]


def chances(rows: list[Row]) -> list[float]:
    """Of every note, that it is no eighth."""
    seen = evidence(picture(rows))
    return leaving(seen, ("eighths",), seen.bars.meters).chance.tolist()


@pytest.mark.parametrize("place", ["first", "within", "last"])
def test_three_notes_off_the_grid_are_a_stretch_wherever_they_stand(place: str) -> None:
    """The take's last three notes weigh like three in its middle; two are only fumbled."""
    told = {}
    for count in (FEWEST_FREE - 1, FEWEST_FREE, FEWEST_FREE + 1):
        before = {"first": 0, "within": 8, "last": 16}[place]
        rows = [*eighths(before), *free(count, before / 2)]
        rows += eighths(16 - before, start=(before + count) / 2)
        found = chances(rows)
        told[count] = found[before : before + count]
        assert max(found[:before] + found[before + count :]) < 0.01
    few, enough, more = told.values()
    assert max(few) < 0.5
    assert min(enough) > 0.9
    assert more == pytest.approx([enough[0]] * len(more))
