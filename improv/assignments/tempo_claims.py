"""Which tempo was played: whether a take can be judged at the tempo it is read at.

A take's file, the command line and the assignment may name different tempi. Read at one that
was not played, every note leaves the grid and no verdict means anything. So each tempo is
asked how firmly the notes keep step with it: the log likelihood of where in the beat each
note falls, by a kernel density of all the others (leave one out: Silverman 1986, *Density
Estimation*, 3.4), against falling anywhere alike. Eighths lie in two places of a right beat, and
in eight or anywhere of a wrong one; notes that are eighths at one tempo and triplets at the
other are as firm in both, and cannot tell. Where the first tempo is no better than chance, or
another is better by far, the take is not judged.

Conventions: tempi in beats of the meter per minute; firmness in nats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from improv.meter import Meter
from improv.model import Floats, TempoMap
from improv.tempo import quarter_sec_at, quarters_at
from improv.wording import bpm_text

SAME_TEMPO = 5e-3
CLEARLY, CLEARLY_EACH = 6.0, 0.05
"""Nats between two tempi from which one was plainly played, about 400 to 1, and nats a note:
half or double a tempo gains a little in long takes."""
NO_CHANCE = 8.0
"""Nats that notes at random reach about once in a thousand takes (measured)."""
KERNEL_MS = 20.0
"""Width of the kernel: about a player's spread."""
PLACES = 512
"""Places of the beat told apart."""
SAME_CHORD_SEC = 0.03
ANYWHERE = 0.1
"""Share of notes taken to fall anywhere (our choice)."""


@dataclass(frozen=True)
class Claim:
    """One tempo that somebody names; `time` lays seconds of the file on quarter notes."""

    time: TempoMap
    bpm: str


def claim(time: TempoMap, onset_sec: Floats, meter: Meter) -> Claim:
    """The tempo of `time` where the notes are."""
    beat = float(meter.tempo_beat_quarter)
    bpm = 60.0 / (quarter_sec_at(time, quarters_at(time, onset_sec)) * beat)
    low, high = bpm_text(float(bpm.min())), bpm_text(float(bpm.max()))
    return Claim(time, low if low == high else f"{low} to {high}")


def differ(one: TempoMap, other: TempoMap, onset_sec: Floats) -> bool:
    """Whether two tempi differ anywhere among the notes by more than rounding."""
    lengths = [quarter_sec_at(time, quarters_at(time, onset_sec)) for time in (one, other)]
    return bool(np.abs(lengths[0] / lengths[1] - 1.0).max() > SAME_TEMPO)


def firmness(onset_sec: Floats, time: TempoMap, meter: Meter) -> float:
    """How firmly the notes keep step with a tempo, in nats; free of where the beat begins."""
    # The notes of a chord agree with each other at any tempo.
    onset = onset_sec[np.diff(onset_sec, prepend=-np.inf) > SAME_CHORD_SEC]
    if len(onset) < 2:
        return 0.0
    quarter = quarters_at(time, onset)
    beat = float(meter.tempo_beat_quarter)
    beat_ms = 1000.0 * beat * float(np.median(quarter_sec_at(time, quarter)))
    place = np.floor(np.mod(quarter / beat, 1.0) * PLACES).astype(np.int64) % PLACES
    away = np.minimum(np.arange(PLACES), PLACES - np.arange(PLACES)) / PLACES * beat_ms
    kernel = np.exp(-0.5 * (away / KERNEL_MS) ** 2)
    kernel /= kernel.mean()
    counts = np.bincount(place, minlength=PLACES)
    heaped = np.fft.irfft(np.fft.rfft(counts) * np.fft.rfft(kernel), PLACES)
    others = np.maximum(heaped[place] - kernel[0], 0.0) / (len(onset) - 1)
    # Some notes fall anywhere, in any playing.
    return float(np.log(ANYWHERE + (1.0 - ANYWHERE) * others).sum())


def _plainly(one: float, other: float, onset_sec: Floats) -> bool:
    """Whether one tempo was played and not the other, by their firmness."""
    margin = max(CLEARLY, CLEARLY_EACH * len(onset_sec))
    return one >= NO_CHANCE and one > other + margin


def assumed_doubt(used: Claim, own: Claim, onset_sec: Floats, meter: Meter) -> str:
    """Why a take read at the assignment's tempo is not judged, its file naming another.

    Empty where the notes plainly keep the assignment's tempo: many recorders write any.
    """
    fits, other = (firmness(onset_sec, c.time, meter) for c in (used, own))
    if _plainly(fits, other, onset_sec):
        return ""
    if _plainly(other, fits, onset_sec):
        return (
            f"Not judged: the take was played at {own.bpm} BPM, as its file says and its notes "
            f"show, and the assignment asks for {used.bpm} BPM; record it again over the "
            f"assignment's click, or add {_option(own)} to judge it at that tempo."
        )
    return (
        f"Not judged: the take's file says {own.bpm} BPM, the assignment asks for {used.bpm} BPM, "
        f"and the notes do not show which was played; add {_option(used)} or {_option(own)}, "
        "whichever it was."
    )


def stated_doubt(
    used: Claim, other: Claim, named_by: str, remedy: str, onset_sec: Floats, meter: Meter
) -> str:
    """Why a take read at a stated tempo (`--tempo`, a backing) is not judged; mostly empty.

    `other` is a tempo that is `named_by` the file or the assignment instead, `remedy` what to
    do; a stated tempo is believed until the notes plainly keep the other.
    """
    fits, better = (firmness(onset_sec, c.time, meter) for c in (used, other))
    if not _plainly(better, fits, onset_sec):
        return ""
    return (
        f"Not judged: the notes keep {other.bpm} BPM, as {named_by}, and not the stated "
        f"{used.bpm} BPM; check it again {remedy}."
    )


def option_text(said: Claim) -> str:
    """`with --tempo 96`: how a tempo is stated on the command line."""
    return f"with {_option(said)}"


def _option(said: Claim) -> str:
    if " " in said.bpm:
        return "--backing and the track it was played over"
    return f"--tempo {said.bpm}"
