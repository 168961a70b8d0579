"""Takes that meet or breach each requirement of an assignment by known margins.

A case is an assignment, a simulated take, and the truth: met or not met, and the margin
in spreads. For requirements of position (which subdivision, how fast, how many notes) the
spread is the player's own and the margin how far apart, in spreads, the right and the
wrong position lie; for measured ones (pocket, swing, drift) it is the standard error of
the estimate from that many notes: of a binomial share, of a ratio, of a slope, each with
the memory of the simulated hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erf, sqrt

import numpy as np

from improv.meter import parse_meter
from improv.synth import FreeRun, Hand, Line, Rest, Stretch

BARS = 8
MEMORY = 0.5
SETTINGS = (
    ("4/4", 84.0), ("4/4", 132.0), ("4/4", 176.0), ("3/4", 96.0), ("3/4", 150.0), ("6/8", 66.0),
    ("6/8", 88.0),
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One take to judge; `margin` in spreads, `blatant` where a wrong "met" may never be."""

    kind: str
    assignment: str
    line: Line
    hand: Hand
    met: bool
    margin: float
    blatant: bool


@dataclass(frozen=True)
class Ground:
    """Meter, tempo and what the basic notes are called there."""

    meter: str
    tempo_bpm: float

    @property
    def beats(self) -> int:
        """Beats to the bar."""
        return parse_meter(self.meter)[0].beats

    @property
    def compound(self) -> bool:
        """Whether the beat is a dotted note."""
        return parse_meter(self.meter)[0].kind == "compound"

    @property
    def unit_ms(self) -> float:
        """Time from one eighth to the next."""
        return 60_000.0 / self.tempo_bpm / (3 if self.compound else 2)

    @property
    def coarse(self) -> str:
        """The beat's own note."""
        return "dotted quarters" if self.compound else "quarters"

    def text(self, requirement: str, bars: str = "1-8") -> str:
        """An assignment asking for one thing."""
        return (
            f'tempo = {self.tempo_bpm}\nmeter = "{self.meter}"\n[[section]]\n'
            f'bars = "{bars}"\n{requirement}\n'
        )

    def line(self, *pieces: Stretch | FreeRun | Rest, **more: float) -> Line:
        """A line in this meter and tempo."""
        return Line(tuple(pieces), self.meter, self.tempo_bpm, **more)  # type: ignore[arg-type]


Maker = Callable[[Ground, np.random.Generator], Case]


def _hand(rng: np.random.Generator, low: float = 6.0, high: float = 20.0) -> Hand:
    return Hand(
        offset_ms=float(rng.uniform(-10, 20)), spread_ms=float(rng.uniform(low, high)),
        memory=MEMORY,
    )  # fmt: skip


def _breach_bar(ground: Ground, rng: np.random.Generator, finer: str, filled: float) -> Line:
    """Eighths throughout, but one bar of a finer subdivision somewhere."""
    beats, bar = ground.beats, int(rng.integers(1, BARS - 1))
    return ground.line(
        Stretch("eighths", bar * beats, filled),
        Stretch(finer, beats),
        Stretch("eighths", (BARS - bar - 1) * beats, filled),
    )


def stay_on(ground: Ground, rng: np.random.Generator) -> Case:
    """Eighths, or eighths with one bar of something finer; coarser bars mixed in."""
    hand, met = _hand(rng), bool(rng.random() < 0.5)
    filled = float(rng.uniform(0.7, 1.0))
    finer = "sixteenths" if ground.compound else str(rng.choice(["sixteenths", "eighth triplets"]))
    share = 0.5 if finer == "sixteenths" else 1 / 3
    if met:
        line = ground.line(
            Stretch("eighths", 3 * ground.beats, filled),
            Stretch(ground.coarse, 2 * ground.beats),
            Stretch("eighths", 3 * ground.beats, filled),
        )
    else:
        line = _breach_bar(ground, rng, finer, filled)
    margin = share * ground.unit_ms / hand.spread_ms
    return Case("stay-on", ground.text('stay-on = "eighths"'), line, hand, met, margin, margin > 8)


def allowed(ground: Ground, rng: np.random.Generator) -> Case:
    """Two subdivisions allowed; a third breaks them."""
    hand, met = _hand(rng), bool(rng.random() < 0.5)
    beats = ground.beats
    other = "duplets" if ground.compound else "eighth triplets"
    third = "sixteenths"
    middle = other if met else third
    line = ground.line(
        Stretch("eighths", 3 * beats, 0.9),
        Stretch(middle, 2 * beats),
        Stretch("eighths", 3 * beats, 0.9),
    )
    # The nearest allowed position to a sixteenth, in either meter, a twelfth of two eighths away.
    margin = ground.unit_ms / 6 / hand.spread_ms * (2 if not ground.compound else 3)
    text = ground.text(f'allowed = ["eighths", "{other}"]')
    return Case("allowed", text, line, hand, met, margin, margin > 8)


def alternate(ground: Ground, rng: np.random.Generator) -> Case:
    """Eighths and the beat's own notes in turn; a breach swaps two bars or never changes."""
    hand, met = _hand(rng), bool(rng.random() < 0.5)
    beats, coarse = ground.beats, ground.coarse
    turns = ["eighths", coarse] * (BARS // 2)
    if not met:
        if rng.random() < 0.5:
            at = int(rng.integers(0, BARS // 2)) * 2
            turns[at], turns[at + 1] = turns[at + 1], turns[at]
        else:
            turns = [str(rng.choice(["eighths", coarse]))] * BARS
    line = ground.line(*(Stretch(t, beats) for t in turns))
    margin = ground.unit_ms / (2 if not ground.compound else 1) / hand.spread_ms
    text = ground.text(f'alternate = ["eighths", "{coarse}"]')
    return Case("alternate", text, line, hand, met, margin, margin > 8)


def ceiling(ground: Ground, rng: np.random.Generator) -> Case:
    """Nothing faster than triplets (eighths in 6/8): sixteenths and sextuplets are."""
    hand, met = _hand(rng, 6.0, 16.0), bool(rng.random() < 0.5)
    beats = ground.beats
    limit = "eighths" if ground.compound else "eighth triplets"
    slow = "eighths" if ground.compound else str(rng.choice(["eighths", "eighth triplets"]))
    fast = "sixteenths" if ground.compound else str(rng.choice(["sixteenths", "sextuplets"]))
    middle = Stretch(slow if met else fast, 2 * beats)
    line = ground.line(
        Stretch("eighths", 3 * beats, 0.9), middle, Stretch("eighths", 3 * beats, 0.9)
    )
    beat_ms = 60_000.0 / ground.tempo_bpm
    per_beat = {"sixteenths": 6 if ground.compound else 4, "sextuplets": 6}[fast]
    gap = beat_ms / 3 - beat_ms / per_beat
    margin = gap / (sqrt(2) * hand.spread_ms)
    text = ground.text(f'nothing-faster-than = "{limit}"')
    return Case("nothing-faster-than", text, line, hand, met, margin, margin > 5)


def runs(ground: Ground, rng: np.random.Generator) -> Case:
    """Grid runs pass; a run at an odd rate does not."""
    hand, met = _hand(rng, 6.0, 14.0), bool(rng.random() < 0.5)
    beats = ground.beats
    if met:
        middle: tuple[Stretch | FreeRun, ...] = (Stretch("sixteenths", 2 * beats),)
    else:
        rate = float(rng.choice([7.4, 8.4] if ground.compound else [4.5, 5.45, 3.45]))
        middle = (FreeRun((1 / rate,) * int(rate * (2 * beats - 1)), "steady"),)
    line = ground.line(
        Stretch("eighths", 3 * beats, 0.9), *middle, Stretch("eighths", 3 * beats, 0.9)
    )
    step = 60_000.0 / ground.tempo_bpm / (6 if ground.compound else 4)
    return Case(
        "no-off-grid-runs", ground.text("no-off-grid-runs = true"), line, hand, met,
        step / 4 / hand.spread_ms, False,
    )  # fmt: skip


def density(ground: Ground, rng: np.random.Generator) -> Case:
    """Enough notes in every bar, or one bar too thin."""
    hand, met = _hand(rng), bool(rng.random() < 0.5)
    beats, need = ground.beats, ground.beats * 2
    bar = int(rng.integers(1, BARS - 1))
    thin = Stretch(ground.coarse, beats)
    full = "eighths"
    pieces = [Stretch(full, bar * beats), Stretch(full, beats) if met else thin]
    line = ground.line(*pieces, Stretch(full, (BARS - bar - 1) * beats))
    margin = ground.unit_ms / hand.spread_ms
    return Case("least-notes", ground.text(f"least-notes = {need}"), line, hand, met, margin, True)


def swing(ground: Ground, rng: np.random.Generator) -> Case:
    """Swung eighths (sixteenths in 6/8) inside or outside a band."""
    hand = _hand(rng, 6.0, 18.0)
    low, high = 1.4, 2.0
    ratio = float(rng.uniform(1.1, 2.5))
    name = "swung sixteenths" if ground.compound else "swung eighths"
    hand = Hand(hand.offset_ms, hand.spread_ms, MEMORY, swing_ratio=ratio, half_swing_ratio=ratio)
    line = ground.line(Stretch(name, BARS * ground.beats))
    pairs = BARS * ground.beats * (3 if ground.compound else 1)
    pair_ms = 60_000.0 / ground.tempo_bpm / (3 if ground.compound else 1)
    # A second and a first are neighbours: their difference scatters by sqrt(2 (1 - rho)).
    doubt = hand.spread_ms / pair_ms * sqrt(2 * (1 - MEMORY) / pairs) * (1 + ratio) ** 2
    edge = min(abs(ratio - low), abs(ratio - high))
    asked = f'stay-on = "{name}"\n' if ground.compound else ""
    text = ground.text(f"{asked}swing = [{low}, {high}]")
    met = low <= ratio <= high
    return Case("swing", text, line, hand, met, edge / doubt, edge / doubt > 5)


def drift(ground: Ground, rng: np.random.Generator) -> Case:
    """Phrases that rush or drag by less or more than a limit."""
    hand = _hand(rng, 6.0, 18.0)
    limit = 2.0
    rushed = float(rng.uniform(0.0, 5.0)) * float(rng.choice([-1, 1]))
    beats = ground.beats
    pieces: list[Stretch | Rest] = []
    for _ in range(2):  # The rest is long enough for the worst dragging to end before it does.
        pieces += [Stretch("eighths", 3 * beats), Rest(2 * beats)]
    line = ground.line(*pieces[:-1], drift_bpm=rushed)
    notes = 3 * beats * (3 if ground.compound else 2)
    seconds = 3 * beats * 60.0 / ground.tempo_bpm
    at_ms = np.linspace(0.0, 1000.0 * seconds, notes)
    lever = float(((at_ms - at_ms.mean()) ** 2).sum())
    one = hand.spread_ms * sqrt((1 + MEMORY) / (1 - MEMORY) / lever) * ground.tempo_bpm
    doubt = one / sqrt(2)
    edge = abs(abs(rushed) - limit)
    text = ground.text(f"most-drift = {limit}", bars="1-9")
    return Case(
        "most-drift", text, line, hand, abs(rushed) <= limit, edge / doubt, edge / doubt > 5
    )


def pocket(ground: Ground, rng: np.random.Generator) -> Case:
    """Hands tighter or looser than what the pocket asks."""
    spread = float(rng.uniform(6.0, 32.0))
    hand = Hand(float(rng.uniform(-10, 20)), spread, MEMORY)
    within, share = 20.0, 0.8
    line = ground.line(Stretch("eighths", BARS * ground.beats))
    true = erf(within / spread / sqrt(2))
    notes = BARS * ground.beats * (3 if ground.compound else 2)
    inflation = (1 + MEMORY**2) / (1 - MEMORY**2)
    doubt = sqrt(max(true * (1 - true), 0.02) / notes * inflation)
    text = ground.text(f'stay-on = "eighths"\npocket = {{ share = {share}, within-ms = {within} }}')
    margin = abs(true - share) / doubt
    return Case("pocket", text, line, hand, true >= share, margin, margin > 5)


MAKERS: dict[str, Maker] = {
    "stay-on": stay_on,
    "allowed": allowed,
    "alternate": alternate,
    "nothing-faster-than": ceiling,
    "no-off-grid-runs": runs,
    "least-notes": density,
    "swing": swing,
    "most-drift": drift,
    "pocket": pocket,
}
