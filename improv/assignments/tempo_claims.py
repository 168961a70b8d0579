"""Which tempo was played: whether a take can be judged at the tempo it is read at.

A take's file, the command line and the assignment may name different tempi. Read at one that
was not played, every note leaves the grid and no verdict means anything. So each tempo is
asked how firmly the notes keep step with it (`tempo_fit.firmness`). Where the first tempo is no
better than chance, or another is better by far, the take is not judged. Nor need the one played be
among those named: before one is said to have been played, the tempi near each and in a simple
ratio to the file's are tried as well, by how well they lay the notes on the bar.

Conventions: tempi in beats of the meter per minute; firmness in nats.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from improv.meter import Meter
from improv.model import Floats, Take, TempoMap
from improv.tempo import quarter_sec_at, quarters_at
from improv.tempo_fit import (
    MOST_JUMPS,
    NO_CHANCE,
    RATIOS,
    SAME_TEMPO,
    TEMPO_GAIN,
    Folded,
    firmness,
    tempo_nearby,
)
from improv.wording import bpm_text, tempo_beat_name

CLEARLY, CLEARLY_EACH = 6.0, 0.05
"""Nats between two tempi from which one was plainly played, about 400 to 1, and nats a note:
half or double a tempo gains a little in long takes."""
NEARLY_WHOLE_BPM = 0.15


@dataclass(frozen=True)
class Claim:
    """One tempo that somebody names; `time` lays seconds of the file on quarter notes.

    `bpm` counts the beats of `meter`.
    """

    time: TempoMap
    bpm: str
    meter: Meter


def claim(time: TempoMap, onset_sec: Floats, meter: Meter) -> Claim:
    """The tempo of `time` where the notes are."""
    beat = float(meter.tempo_beat_quarter)
    bpm = 60.0 / (quarter_sec_at(time, quarters_at(time, onset_sec)) * beat)
    low, high = bpm_text(float(bpm.min())), bpm_text(float(bpm.max()))
    return Claim(time, low if low == high else f"{low} to {high}", meter)


def differ(one: TempoMap, other: TempoMap, onset_sec: Floats) -> bool:
    """Whether two tempi differ anywhere among the notes by more than rounding."""
    lengths = [quarter_sec_at(time, quarters_at(time, onset_sec)) for time in (one, other)]
    return bool(np.abs(lengths[0] / lengths[1] - 1.0).max() > SAME_TEMPO)


def _plainly(one: float, other: float, onset_sec: Floats) -> bool:
    """Whether one tempo was played and not the other, by their firmness."""
    margin = max(CLEARLY, CLEARLY_EACH * len(onset_sec))
    return one >= NO_CHANCE and one > other + margin


def assumed_doubt(used: Claim, own: Claim, take: Take) -> str:
    """Why a take read at the assignment's tempo is not judged, its file naming another.

    Empty where the notes plainly keep the assignment's tempo: many recorders write any.
    """
    onset = take.onset_sec
    fits, other = (firmness(onset, c.time, c.meter) for c in (used, own))
    if _plainly(fits, other, onset):
        return ""
    asked, filed = _named(used, own), _named(own, used)
    unnamed = _unnamed(used, own, take)
    if unnamed:
        tempi = " or ".join(f"{c.bpm} BPM" for c in unnamed)
        options = " or ".join(_option(c, used) for c in unnamed)
        return (
            f"Not judged: the notes fit a steady {tempi} far better than the assignment's {asked} "
            f"or the {filed} of the take's file; if that was the backing's tempo, add {options}, "
            "and if not, record it again over the assignment's click."
        )
    if _perhaps_neither(used, own, take):
        return (
            f"Not judged: the take's file says {filed}, the assignment asks for {asked}, and the "
            "notes do not show that either was played; add --tempo with the backing's own tempo."
        )
    if _plainly(other, fits, onset):
        return (
            f"Not judged: the take was played {_at(own, used)}, as its file says and its notes "
            f"show, and the assignment asks for {asked}; record it again over the "
            f"assignment's click, or add {_option(own, used)} to judge it at that tempo."
        )
    return (
        f"Not judged: the take's file says {filed}, the assignment asks for {asked}, "
        f"and the notes do not show which was played; add {_option(used, used)} or "
        f"{_option(own, used)}, whichever it was."
    )


def stated_doubt(used: Claim, other: Claim, named_by: str, remedy: str, take: Take) -> str:
    """Why a take read at a stated tempo (`--tempo`, a backing) is not judged; mostly empty.

    `other` is a tempo that is `named_by` the file or the assignment instead, `remedy` what to
    do; a stated tempo is believed until the notes plainly keep the other.
    """
    onset = take.onset_sec
    fits, better = (firmness(onset, c.time, c.meter) for c in (used, other))
    if not _plainly(better, fits, onset) or _unnamed(used, other, take):
        return ""
    return (
        f"Not judged: the notes keep {_named(other, used)}, as {named_by}, and not the stated "
        f"{_named(used, other)}; check it again {remedy}."
    )


# --- a tempo that nobody names ------------------------------------------------


def _unnamed(used: Claim, own: Claim, take: Take) -> list[Claim]:
    """Tempi near those that are named, of which one fits far better than both; mostly none.

    Two, where neither fits far better than the other.
    """
    both = _both_folded(used, own, take)
    tried = [(said, folded, *_steady(folded)) for said, folded in both]
    fits = [folded.best() + gain for _, folded, _, gain in tried]
    if max(fits, default=0.0) <= _named_fit(both) + TEMPO_GAIN:
        return []
    found = [
        times(said, factor, take)
        for fit, (said, _, factor, _) in zip(fits, tried, strict=True)
        if fit > max(fits) - TEMPO_GAIN and abs(factor - 1.0) > SAME_TEMPO
    ]
    return found if len({c.bpm for c in found}) == len(found) else found[:1]


def _perhaps_neither(used: Claim, own: Claim, take: Take) -> bool:
    """Whether the notes keep step with the file's tempo and better with a multiple of it.

    Which multiple, they do not tell: one that is right, and its double, fit about alike.
    """
    both = _both_folded(used, own, take)
    if not both:
        return False
    best = max(both[-1][1].best(ratio) for ratio in RATIOS)
    return best > _named_fit(both) + TEMPO_GAIN


def _both_folded(used: Claim, own: Claim, take: Take) -> list[tuple[Claim, Folded]]:
    """Both claims with the notes on their bar; none where either can't be examined."""
    found = []
    for said in (used, own):
        folded = None
        if len(take.bars.meters) == 1 and " " not in said.bpm:
            # Only the meter of the bars is looked at, not where they begin.
            bars = replace(take.bars, meters=(said.meter,))
            folded = Folded.of(replace(take, tempo_map=said.time, bars=bars))
        if folded is None:
            return []
        found.append((said, folded))
    return found


def _steady(folded: Folded) -> tuple[float, float]:
    """The tempo nearby that fits best, and how much better; the named one where the notes keep
    jumping against any other."""
    factor, gain = tempo_nearby(folded)
    return (factor, gain) if folded.jumps(factor) < MOST_JUMPS else (1.0, 0.0)


def _named_fit(both: list[tuple[Claim, Folded]]) -> float:
    return max((folded.best() for _, folded in both), default=0.0)


def times(said: Claim, factor: float, take: Take) -> Claim:
    """A claim's tempo times a factor, whole where it nearly is."""
    quarter_sec = quarter_sec_at(said.time, quarters_at(said.time, take.onset_sec[:1]))[0]
    bpm = 60.0 * factor / (float(quarter_sec) * float(said.meter.tempo_beat_quarter))
    whole = round(bpm)
    told = bpm_text(float(whole) if abs(bpm - whole) <= NEARLY_WHOLE_BPM else bpm)
    return replace(said, bpm=told)


# --- in words -----------------------------------------------------------------


def _named(said: Claim, beside: Claim) -> str:
    """`96 BPM`; where meters differ `6/8 at 110 BPM (dotted quarters)`."""
    if said.meter == beside.meter:
        return f"{said.bpm} BPM"
    beat = said.meter.tempo_beat_quarter
    counts = "" if beat == 1 else f" ({tempo_beat_name(said.meter)})"
    return f"{said.meter} at {said.bpm} BPM{counts}"


def _at(said: Claim, beside: Claim) -> str:
    return f"{'at' if said.meter == beside.meter else 'in'} {_named(said, beside)}"


def option_text(said: Claim, used: Claim) -> str:
    """`with --tempo 96`: how a tempo is stated on the command line."""
    return f"with {_option(said, used)}"


def _option(said: Claim, used: Claim) -> str:
    if " " in said.bpm:
        return "--backing and the track it was played over"
    meter = "" if said.meter == used.meter else f"--meter {said.meter} "
    return f"{meter}--tempo {said.bpm}"
