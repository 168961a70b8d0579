"""A tempo that nobody names: what was played where the take's file states no tempo.

Method: where the notes hardly keep step with the assignment's tempo (`tempo_claims.firmness`), all
tempi from about 0.7 to 1.4 of it are tried by how well they lay the notes on the bar
(`premise.Folded`). One is named only where the notes keep it very firmly, and it is far enough
from the asked one: a player who is off by a few per cent is judged for it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from improv.assignments.tempo_claims import NO_CHANCE, RATIOS, SAME_TEMPO, Claim, firmness, times
from improv.model import Take
from improv.premise import DRIFT_SEC, MOST_JUMPS, TEMPO_GAIN, Folded
from improv.tempo import constant_tempo

WIDEST = 1.4
"""Farthest tempo looked for, as a multiple either way: no two are then double and half."""
LEAST_OFF = 0.06
"""Nearer than this to the asked tempo, the player is off, not the tempo (our choice)."""
FIRM_EACH, LOOSE_EACH = 0.5, 0.15
"""Nats a note with which a tempo nobody named must be kept, and the most with which the asked one
may be: notes at random reach 0.1 at the likeliest of all tempi, steady players 0.7 to 1.7."""
FIVES, FIVES_GAIN = (4 / 5, 5 / 6, 6 / 5, 5 / 4), 1.2
"""Even notes at these tempi keep step with the asked one as every second or third of quintuplets
would, which nobody plays throughout; the gain tells them from plain quintuplets."""
NOTES = 96
"""Notes that are looked at to find the tempo: more only take longer."""


def unstated_doubt(asked: Claim, quarter_bpm: float, take: Take) -> str:
    """Why a take is not judged at the asked tempo though no other is named; mostly empty.

    `quarter_bpm` is that tempo, the first of several, in quarter notes a minute.
    """
    onset = take.onset_sec
    fits = firmness(onset, asked.time, asked.meter)
    if len(take.bars.meters) > 1:
        return ""
    steady = replace(asked, time=constant_tempo(quarter_bpm))
    folded = Folded.of(replace(take, tempo_map=steady.time))
    if folded is None:
        return ""
    factor, gain = _likeliest(folded)
    factor = _firmest(factor, folded, asked, quarter_bpm, take)
    if abs(factor - 1.0) < LEAST_OFF or gain < TEMPO_GAIN:
        return ""
    if folded.jumps(factor) >= MOST_JUMPS or folded.catches_up():
        return ""
    in_fives = gain >= FIVES_GAIN and any(abs(factor / f - 1.0) <= SAME_TEMPO for f in FIVES)
    if fits >= max(NO_CHANCE, LOOSE_EACH * len(onset)) and not in_fives:
        return ""
    kept = constant_tempo(quarter_bpm * factor)
    if firmness(onset, kept, asked.meter) < max(2.0 * NO_CHANCE, FIRM_EACH * len(onset)):
        return ""
    found = times(steady, factor, take).bpm
    return (
        f"Not judged: the notes fit {found} BPM, and the assignment asks for {asked.bpm} BPM; if "
        f"{found} was the backing's tempo, add --tempo {found} to judge it at that, and if not, "
        "record it again over the assignment's click."
    )


def _likeliest(folded: Folded) -> tuple[float, float]:
    """The tempo that fits best, as a multiple of the stated one, and how much better."""
    few = replace(folded, quarter=folded.quarter[:NOTES])
    span_sec = float(few.quarter[-1] - few.quarter[0]) * few.quarter_sec
    count = int(np.ceil(np.log(WIDEST) * span_sec / DRIFT_SEC))
    factors = np.exp(np.linspace(-np.log(WIDEST), np.log(WIDEST), 2 * min(count, 4000) + 1))
    rough = float(factors[np.argmax([few.fit(f).max() for f in factors])])
    # Over all notes a smaller difference tells.
    step = (factors[1] / factors[0] - 1.0) * len(few.quarter) / len(folded.quarter)
    near = rough * (1.0 + step * np.arange(-8, 9))
    best = np.array([folded.fit(f).max() for f in near])
    return float(near[best.argmax()]), float(best.max() - folded.fit(1.0).max())


def _firmest(
    likeliest: float, folded: Folded, asked: Claim, quarter_bpm: float, take: Take
) -> float:
    """Of the likeliest tempo and those that even notes share with it, the one kept most firmly."""
    fit = float(folded.fit(likeliest).max())
    factors = [
        f
        for f in (likeliest, *(likeliest * ratio for ratio in RATIOS))
        if abs(np.log(f)) <= np.log(WIDEST) and folded.fit(f).max() > fit - TEMPO_GAIN
    ]
    return max(
        factors,
        key=lambda f: firmness(take.onset_sec, constant_tempo(quarter_bpm * f), asked.meter),
    )
