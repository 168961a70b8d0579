"""Numbers and places as musicians say them.

Bands for spread and offset are stated, not graded: below 10 ms is what professional
drummers show against a click (Fujii et al. 2011); below 20 ms is tight (Hofmann,
Wesolowski & Goebl 2017: asynchronies below 19 ms are preferred); 20 to 35 ms is where
listeners begin to hear an asynchrony in a groove (preprint OSF jsg94). Drift is heard
from about 1.5 to 3 % of the tempo (Drake & Botte 1993), a lower bound for gradual drift.
"""

from __future__ import annotations

from fractions import Fraction

from improv.meter import Meter
from improv.model import Place, Take

PROFESSIONAL_OFFSET_MS = 10.0
TIGHT_SPREAD_MS = 20.0
AUDIBLE_SPREAD_MS = 35.0
FAINT_DRIFT_SHARE = 0.015
AUDIBLE_DRIFT_SHARE = 0.03

_WORDS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve",
)  # fmt: skip
_NOTE_LENGTHS = {
    Fraction(4): "whole notes", Fraction(2): "half notes", Fraction(1): "quarters",
    Fraction(1, 2): "eighths", Fraction(1, 4): "sixteenths", Fraction(3): "dotted halves",
    Fraction(3, 2): "dotted quarters", Fraction(3, 4): "dotted eighths",
    Fraction(3, 8): "dotted sixteenths",
}  # fmt: skip


def number_word(count: int) -> str:
    """Counts up to twelve as words, larger ones in figures."""
    return _WORDS[count] if 0 <= count < len(_WORDS) else str(count)


def counted(count: int, noun: str) -> str:
    """`1 note`, `2 notes`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def percent(share: float) -> str:
    """A share as whole per cent, never rounding an uncertain one up to certainty."""
    return f"{min(round(100 * share), 99) if share < 1 else 100} %"


def place_text(place: Place) -> str:
    """`the & of 2 in bar 10`, `beat 3 of bar 10`, `near the & of 2 in bar 10`."""
    near = "near " if place.count.startswith("near ") else ""
    count = place.count.removeprefix("near ")
    if count.isdigit():
        return f"{near}beat {count} of bar {place.bar}"
    if " in " in count:
        return f"{near}bar {place.bar}, {count}"
    return f"{near}the {count} in bar {place.bar}"


def bars_text(first: int, last: int) -> str:
    """`bar 9`, `bars 9 to 11`."""
    return f"bar {first}" if first == last else f"bars {first} to {last}"


def tempo_beat_name(meter: Meter) -> str:
    """What a stated tempo counts in this meter: `quarters`, `dotted quarters`."""
    return _NOTE_LENGTHS.get(
        meter.tempo_beat_quarter, f"beats of {meter.tempo_beat_quarter} quarter"
    )


def bpm_text(bpm: float) -> str:
    """A tempo without needless decimals."""
    return f"{bpm:.1f}".removesuffix(".0")


def tempo_text(take: Take) -> str:
    """The take's tempo; where the beat is not a quarter, in beats and in quarters."""
    meter = take.bars.meters[0] if take.bars.meters else None
    text = f"{bpm_text(take.tempo_bpm)} BPM"
    if meter is None or meter.tempo_beat_quarter == 1:
        return text
    quarters = take.tempo_bpm * float(meter.tempo_beat_quarter)
    return f"{text} in {tempo_beat_name(meter)} ({bpm_text(quarters)} in quarters)"


def signed_ms(value_ms: float) -> str:
    """`14 ms behind`, `9 ms ahead`."""
    return f"{abs(value_ms):.0f} ms {'behind' if value_ms >= 0 else 'ahead'}"


def spread_text(spread_ms: float) -> str:
    """The spread with the band it falls into."""
    if spread_ms < TIGHT_SPREAD_MS:
        return f"{spread_ms:.0f} ms spread"
    if spread_ms < AUDIBLE_SPREAD_MS:
        return f"{spread_ms:.0f} ms spread (audible in a mix)"
    return f"{spread_ms:.0f} ms spread (loose)"


def lean_text(offset_ms: float) -> str | None:
    """`pushing by 14 ms` or `laying back by 12 ms`; `None` below what professionals show."""
    if abs(offset_ms) < PROFESSIONAL_OFFSET_MS:
        return None
    return f"{'laying back' if offset_ms > 0 else 'pushing'} by {abs(offset_ms):.0f} ms"


def drift_text(drift_bpm: float, standard_error_bpm: float | None, tempo_bpm: float) -> str | None:
    """`rushing by 3.1 BPM`; `None` where it cannot be heard or may be chance.

    Chance is ruled out at two standard errors (about 95 %, normal errors).
    """
    share = abs(drift_bpm) / tempo_bpm
    sure = standard_error_bpm is None or abs(drift_bpm) > 2 * standard_error_bpm
    if share < FAINT_DRIFT_SHARE or not sure:
        return None
    faint = " (barely audible)" if share < AUDIBLE_DRIFT_SHARE else ""
    return f"{'rushing' if drift_bpm > 0 else 'dragging'} by {abs(drift_bpm):.1f} BPM{faint}"


def beats_off_text(lands_beat: float) -> str:
    """`0.4 beat early`, `0.3 beat late`, `on the beat`."""
    if abs(lands_beat) < 0.05:
        return "on the beat"
    return f"{abs(lands_beat):.1f} beat {'late' if lands_beat > 0 else 'early'}"
