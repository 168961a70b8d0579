"""A tempo that nobody names: what was played where the take's file states no tempo.

Where the notes hardly keep step with the assignment's tempo, all tempi from about 0.7 to 1.4 of it
are tried (`tempo_fit.tempi_far_off`). One is named only where the notes keep it very firmly, and it
is far enough from the asked one: a player who is off by a few per cent is judged for it.
"""

from __future__ import annotations

from dataclasses import replace

from improv.assignments.tempo_claims import Claim, times
from improv.model import Take
from improv.tempo import constant_tempo
from improv.tempo_fit import Folded, firmness, tempi_far_off


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
    factors = tempi_far_off(folded, onset, quarter_bpm, fits)
    if not factors:
        return ""
    found = times(steady, factors[0], take).bpm
    return (
        f"Not judged: the notes fit {found} BPM, and the assignment asks for {asked.bpm} BPM; if "
        f"{found} was the backing's tempo, add --tempo {found} to judge it at that, and if not, "
        "record it again over the assignment's click."
    )
