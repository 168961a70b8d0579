"""Pairs at 2 : 1 lie on triplets, whatever they were called; at other ratios they do not."""

from __future__ import annotations

import pytest
from core_takes import heard

from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, Verdict
from improv.synth import Hand, Stretch

GROUNDS = (("4/4", 90.0), ("4/4", 132.0), ("3/4", 90.0), ("3/4", 160.0))
TRIPLETS = 'stay-on = "eighth triplets"'
TURNS = 'alternate = ["eighth triplets", "quarters"]'


def verdict(
    asks: str, names: tuple[str, ...], ratio: float, meter: str, tempo: float, seed: int = 2
) -> Verdict:
    """The check of a take whose pairs are at this ratio."""
    hand = Hand(5.0, 8.0, swing_ratio=ratio, half_swing_ratio=ratio)
    bars = tuple(Stretch(name, int(meter[0])) for name in names)
    analysis = heard(*bars, hand=hand, seed=seed, meter=meter, tempo_bpm=tempo)
    text = f'tempo = {tempo}\nmeter = "{meter}"\n[[section]]\nbars = "1-{len(names)}"\n{asks}\n'
    return judge(parse_assignment(text), analysis)


SWUNG = ("swung eighths",) * 8
PASS = {
    "2 : 1 throughout": (TRIPLETS, SWUNG, 2.0),
    "a shade less": (TRIPLETS, SWUNG, 1.9),
    "after full triplets": (TRIPLETS, ("eighth triplets",) * 4 + SWUNG[:4], 2.0),
    "in turn with quarters": (TURNS, ("swung eighths", "quarters") * 4, 2.0),
}
FAIL = {
    "straight": (TRIPLETS, ("eighths",) * 8, 1.0),
    "light swing": (TRIPLETS, SWUNG, 1.4),
    "as hard as dotted": (TRIPLETS, SWUNG, 3.0),
    "light swing in turn with quarters": (TURNS, ("swung eighths", "quarters") * 4, 1.4),
}


@pytest.mark.parametrize("seed", [2, 3, 4])
@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("row", PASS)
def test_pairs_on_the_triplets_are_triplets(row: str, meter: str, tempo: float, seed: int) -> None:
    """The second note of the pair is where the last of three would be."""
    found = verdict(*PASS[row], meter, tempo, seed)
    assert found.state == MET, found.outcomes[0].reason


@pytest.mark.parametrize("seed", [2, 3, 4])
@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("row", FAIL)
def test_other_pairs_are_none(row: str, meter: str, tempo: float, seed: int) -> None:
    """The second note is plainly elsewhere."""
    assert verdict(*FAIL[row], meter, tempo, seed).state == NOT_MET


@pytest.mark.parametrize(("meter", "tempo"), GROUNDS)
@pytest.mark.parametrize("ratio", [1.6, 2.6])
def test_in_between_nobody_can_tell(ratio: float, meter: str, tempo: float) -> None:
    """Neither on the triplet nor plainly off it."""
    assert verdict(TRIPLETS, SWUNG, ratio, meter, tempo).state == CANT_TELL


@pytest.mark.parametrize(("ratio", "state"), [(2.0, MET), (1.4, NOT_MET)])
@pytest.mark.parametrize("tempo", [60.0, 84.0])
def test_swung_sixteenths_may_be_sextuplets(ratio: float, state: str, tempo: float) -> None:
    """The same, twice as fast."""
    found = verdict('stay-on = "sextuplets"', ("swung sixteenths",) * 8, ratio, "4/4", tempo)
    assert found.state == state


def test_pairs_are_no_triplets_where_eighths_take_turns_with_them() -> None:
    """Swung eighths throughout are not heard as the triplets' turn."""
    found = verdict('alternate = ["eighths", "eighth triplets"]', SWUNG, 2.0, "4/4", 110.0)
    assert found.state == NOT_MET
