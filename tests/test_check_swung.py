"""Swung notes that are asked for must be heard as swung; straight ones are another thing."""

from __future__ import annotations

import pytest
from core_takes import heard

from improv.assignments.judge import judge
from improv.assignments.reading import parse_assignment
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, Outcome
from improv.synth import Hand, Stretch

NAMES = {"4/4": ("eighths", "swung eighths"), "6/8": ("sixteenths", "swung sixteenths")}
BEATS = {"4/4": 4, "6/8": 2}


def outcome(
    asks: str, names: tuple[str, ...], meter: str = "4/4", ratio: float = 1.7, spread: float = 9.0,
    tempo: float = 100.0, seed: int = 3, filled: float = 1.0,
) -> Outcome:  # fmt: skip
    """What is found of the first requirement in bars of these subdivisions."""
    hand = Hand(8.0, spread, swing_ratio=ratio, half_swing_ratio=ratio)
    bars = tuple(Stretch(name, BEATS[meter], filled) for name in names)
    analysis = heard(*bars, hand=hand, seed=seed, meter=meter, tempo_bpm=tempo)
    text = f'tempo = {tempo}\nmeter = "{meter}"\n[[section]]\nbars = "1-{len(names)}"\n{asks}\n'
    return judge(parse_assignment(text), analysis).outcomes[0]


@pytest.mark.parametrize("meter", NAMES)
@pytest.mark.parametrize("tempo", [60.0, 84.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_straight_notes_are_no_swung_ones(meter: str, tempo: float, seed: int) -> None:
    """Dead straight under swung is a breach that says so; swung is met."""
    straight, swung = NAMES[meter]
    asks = f'stay-on = "{swung}"'
    broken = outcome(asks, (straight,) * 8, meter, tempo=tempo, seed=seed)
    assert broken.state == NOT_MET
    assert broken.reason == f"Bars 1 to 8: straight {straight}; asked for {swung}"
    held = outcome(asks, (swung,) * 8, meter, tempo=tempo, seed=seed)
    assert held.state == MET, held.reason


@pytest.mark.parametrize("ratio", [1.4, 1.7, 2.0, 2.6])
@pytest.mark.parametrize("spread", [8.0, 18.0])
@pytest.mark.parametrize("filled", [1.0, 0.75])
def test_any_usual_ratio_is_swung(ratio: float, spread: float, filled: float) -> None:
    """From light to wide, with a steady hand or a loose one, with notes left out."""
    found = outcome(
        'stay-on = "swung eighths"', ("swung eighths",) * 12, ratio=ratio, spread=spread,
        filled=filled,
    )  # fmt: skip
    assert found.state == MET, found.reason


def test_straight_bars_among_swung_ones_are_named() -> None:
    """Four bars of twelve."""
    names = ("swung eighths",) * 4 + ("eighths",) * 4 + ("swung eighths",) * 4
    found = outcome('stay-on = "swung eighths"', names)
    assert found.state == NOT_MET
    assert found.reason == "Bars 5 to 8: straight eighths; asked for swung eighths"


@pytest.mark.parametrize(
    ("names", "state"),
    [
        (("swung eighths", "half notes") * 4, MET),
        (("eighths", "half notes") * 4, NOT_MET),
    ],
)
def test_swung_turns_are_heard(names: tuple[str, ...], state: str) -> None:
    """In an alternation with coarser notes."""
    found = outcome('alternate = ["swung eighths", "half notes"]', names)
    assert found.state == state, found.reason


@pytest.mark.parametrize(
    ("names", "wrong"),
    [
        (("swung eighths", "eighths") * 4, []),
        (("eighths",) * 8, [1, 3, 5, 7]),
        (("swung eighths",) * 8, [2, 4, 6, 8]),
        (("eighths", "swung eighths") * 4, [1, 2, 3, 4, 5, 6, 7, 8]),
    ],
)
def test_swung_and_straight_in_turn(names: tuple[str, ...], wrong: list[int]) -> None:
    """Each turn must be what it is called."""
    found = outcome('alternate = ["swung eighths", "eighths"]', names)
    assert [b.bar for b in found.bars if b.state == NOT_MET] == wrong, found.reason


@pytest.mark.parametrize(
    ("asks", "names"),
    [
        ('stay-on = "swung eighths"', ("quarters",) * 8),
        ('stay-on = "eighths"', ("swung eighths",) * 8),
        ('allowed = ["swung eighths", "eighths"]', ("eighths",) * 8),
    ],
)
def test_what_needs_no_swing_is_met(asks: str, names: tuple[str, ...]) -> None:
    """Coarser notes have no pairs; straight may swing; either is either."""
    assert outcome(asks, names).state == MET


def test_between_straight_and_swung_nobody_can_tell() -> None:
    """A ratio right at the limit, by a loose hand."""
    found = outcome('stay-on = "swung eighths"', ("swung eighths",) * 4, ratio=1.18, spread=22.0)
    assert found.state == CANT_TELL, found.reason


@pytest.mark.parametrize(
    ("names", "state", "ratio"),
    [
        (("swung sixteenths",), MET, 1.7),
        (("sixteenths",), NOT_MET, 1.0),
        (("swung eighths", "sixteenths"), MET, 1.7),
        (("eighth triplets",), CANT_TELL, None),
        (("sextuplets",), CANT_TELL, None),
        (("quarters",), CANT_TELL, None),
    ],
)
@pytest.mark.parametrize("tempo", [72.0, 92.0])
def test_swing_asked_of_no_subdivision(
    names: tuple[str, ...], state: str, ratio: float | None, tempo: float
) -> None:
    """It is that of the eighths, or of the sixteenths where these are what is played."""
    said = outcome("swing = true", names * (8 // len(names)), tempo=tempo)
    assert said.state == state, said.reason
    assert said.value == (None if ratio is None else pytest.approx(ratio, abs=0.1))


@pytest.mark.parametrize(
    ("meter", "name", "state"),
    [
        ("4/4", "swung eighths", MET),
        ("4/4", "eighths", NOT_MET),
        ("4/4", "eighth triplets", CANT_TELL),
        ("4/4", "sextuplets", CANT_TELL),
        ("6/8", "swung sixteenths", MET),
        ("6/8", "sixteenths", NOT_MET),
        ("6/8", "sixteenth triplets", CANT_TELL),
    ],
)
@pytest.mark.parametrize("tempo", [72.0, 84.0])
@pytest.mark.parametrize("filled", [0.5, 0.65, 0.8])
@pytest.mark.parametrize("seed", [0, 3])
def test_what_is_left_of_triplets_is_no_swing(
    meter: str, name: str, state: str, tempo: float, filled: float, seed: int
) -> None:
    """With notes left out, two of three lie together by chance: 2 : 1, 1 : 2 or anything between.

    Eighths with as many left out are still measured, swung at 2 : 1 as a triplet's are or even.
    """
    swung = "swing = [1.4, 2.4]"
    names = (name,) * 8
    said = outcome(swung, names, meter, 2.0, tempo=tempo, seed=seed, filled=filled)
    assert said.state == state, said.reason
    assert (said.value is None) == (state == CANT_TELL)


@pytest.mark.parametrize("filled", [0.5, 0.8])
def test_swing_of_sixteenths_with_notes_left_out(filled: float) -> None:
    """What two notes of four are left in a beat is no pair of eighths: the sixteenths' is told."""
    said = outcome("swing = true", ("swung sixteenths",) * 8, tempo=72.0, filled=filled)
    assert said.state == MET, said.reason
    assert said.value == pytest.approx(1.7, abs=0.1)
