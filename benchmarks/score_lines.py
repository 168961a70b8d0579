"""One part of a music21 score as a notated line: measures laid on full bars.

Ties are merged, rests leave gaps, grace notes are dropped, a short bar next to a repeat or at
the start is a pickup (placed at the end of its bar), two short bars that make one bar are
joined. Bars that do not add up are left silent and counted. Repeats are not unfolded.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from benchmarks.choice import FREE
from benchmarks.corpus import Tune, meter
from improv.errors import UsageError

BARS_AT_MOST = 24
NOTES_AT_LEAST = 16
METERS_AT_MOST = 4
BAR_AT_MOST_QUARTERS = 12
PLAIN_DENOMINATORS = (3, 4, 5, 6, 7, 8, 12, 16, 24)
FREE_METERS = frozenset(("2/4", "3/4", "4/4", "5/4", "3/8", "5/8", "6/8", "7/8"))

Measure = tuple[str, Fraction, tuple[Fraction, ...], bool]  # signature, length, onsets, ends
BarOf = tuple[str, tuple[Fraction, ...]]  # signature, onsets


def exact(value: Any) -> Fraction:
    """music21's offset as the fraction it stands for.

    Some files round triplets to whole ticks (85/128 for 2/3): a denominator nobody writes
    within 1/200 quarter of a plain one is the plain one.
    """
    raw = Fraction(value).limit_denominator(1680)
    nearest = (Fraction(round(raw * d), d) for d in PLAIN_DENOMINATORS)
    plain = min(nearest, key=lambda f: abs(f - raw))
    return plain if raw.denominator > 48 and abs(raw - plain) < Fraction(1, 200) else raw


def line_of(
    part: Any, source: str, genre: str, first_bar: int = 0, signature: str | None = None
) -> Tune | None:
    """The rhythm of one part, or `None` where it is too short or its meter cannot be read.

    A `signature` rules the whole part (the abc reader writes changes of its own where a bar is
    short); `FREE` means each bar's length is its meter.
    """
    measures = list(part.getElementsByClass("Measure"))
    written, rows = None, []
    for measure in measures:
        if measure.timeSignature is not None:
            written = measure.timeSignature.ratioString
        length, onsets, ends = _measure(measure)
        ruling = _as_long_as(length) if signature == FREE else signature or written
        rows.append((ruling, length, onsets, ends))
    rows = _longest_readable(rows[first_bar:])
    bars, pickup, left_out = _to_bars(rows)
    bars = bars[:BARS_AT_MOST]
    if sum(len(onsets) for _, onsets in bars) < NOTES_AT_LEAST:
        return None
    if len({text for text, _ in bars}) > METERS_AT_MOST:
        return None
    meters, onsets_of = zip(*bars, strict=True)
    return Tune(source, genre, pickup, meters, onsets_of, left_out)


def _longest_readable(
    rows: list[tuple[str | None, Fraction, tuple[Fraction, ...], bool]],
) -> list[Measure]:
    """The longest stretch of measures whose signature a bar can have."""
    best, current = [], []
    for row in rows:
        current = [*current, row] if _is_meter(row[0]) else []
        best = max(best, current, key=len)
    return best


def _is_meter(text: str | None) -> bool:
    try:
        return text is not None and meter(text).bar_quarters <= BAR_AT_MOST_QUARTERS
    except UsageError:
        return False


def _as_long_as(length: Fraction) -> str | None:
    """The signature of a bar of this length, or `None` for one no song has."""
    text = f"{length * 2}/8" if length.denominator == 2 else f"{length}/4"
    return text if text in FREE_METERS else None


def _measure(measure: Any) -> tuple[Fraction, tuple[Fraction, ...], bool]:
    """Length in quarters, onsets, and whether a section ends with it."""
    onsets, length = set(), Fraction(0)
    for n in measure.flatten().notesAndRests:
        if n.duration.isGrace:
            continue
        at = exact(n.offset)
        length = max(length, exact(at + n.duration.quarterLength))
        tie = getattr(n, "tie", None)
        if n.isRest or "ChordSymbol" in n.classes or (tie and tie.type in ("stop", "continue")):
            continue
        onsets.add(at)
    bar_line = measure.rightBarline
    ends = bar_line is not None and bar_line.type not in ("regular", None)
    return length, tuple(sorted(onsets)), ends


def _to_bars(rows: list[Measure]) -> tuple[list[BarOf], bool, int]:
    """Full bars, whether the first is a pickup, and how many do not add up; see the module."""
    bars: list[BarOf] = []
    pickup, left_out, i = False, 0, 0
    while i < len(rows):
        text, length, onsets, ends = rows[i]
        short_by = meter(text).bar_quarters - length
        following = rows[i + 1] if i + 1 < len(rows) else None
        if short_by < 0:
            onsets = ()
            left_out += 1
        elif short_by > 0 and i == 0:
            pickup = True
            onsets = tuple(t + short_by for t in onsets)
        elif short_by > 0 and following and following[:2] == (text, short_by):
            onsets += tuple(t + length for t in following[2])
            i += 1
        elif short_by > 0 and rows[i - 1][3] and not ends:
            onsets = tuple(t + short_by for t in onsets)
        bars.append((text, onsets))
        i += 1
    return bars, pickup, left_out
