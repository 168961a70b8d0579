"""The map of safety as words, a table, data and CSV, and what to practise next from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from improv.practice import BACK_OFF, CAUTION
from improv.practice_words import whole
from improv.safety import CLOSEST, LEAVES, SPREAD, Ceiling, SafetyMap
from improv.safety_lately import Lately, lately
from improv.spreadsheet import csv_of
from improv.tables import wrapped
from improv.wording import bpm_text, listed, number_word

START_SHARE = 0.9
"""A subdivision not yet safe is begun at this share of its ceiling (common practice, no source)."""

_LIMITS = {
    SPREAD: "neighbours closer than six spreads",
    LEAVES: "runs leave the grid",
    CLOSEST: "as fast as hands are known to hold",
}
CSV_HEAD = (
    "subdivision", "per_beat", "notes", "takes", "ceiling_bpm", "low_bpm", "high_bpm", "limit",
    "spread_ms", "in_pocket", "pocket_from_bpm", "tried_from_bpm", "tried_to_bpm",
)  # fmt: skip


@dataclass(frozen=True)
class Next:
    """What to practise next: a subdivision, the tempo to begin at, and why in words."""

    subdivision: str | None
    tempo_bpm: float | None
    text: str


def what_next(found: SafetyMap) -> Next:
    """The coarsest subdivision that is not held at the usual tempo, begun below its ceiling.

    Nor is it held where more than one attempt in five left the grid on the last days there.
    """
    usual = found.usual_bpm
    held = [c for c in found.ceilings if _is_held(found, c)]
    unheld = [c for c in found.ceilings if not _is_held(found, c)]
    anchor = max(held, key=lambda c: c.per_beat, default=None)
    if not unheld:
        return _raise(found, anchor)
    target = min(unheld, key=lambda c: c.per_beat)
    begun = _begun(anchor, usual)
    if target.leaves and (target.tempo_bpm is None or target.below_tried):
        slowest = min(usual, target.tried_bpm[0])
        return _slower(begun, target.subdivision, slowest, target.high_bpm)
    if target.tempo_bpm is None or not target.in_pocket:
        tempo = whole(min(usual, target.tried_bpm[0]))
        why = (
            f"{begun}{target.subdivision} are not in the pocket at any tempo yet: play them at "
            f"{tempo} BPM, and nothing faster, until the spread is below "
            f"{found.tolerance_ms:g} ms."
        )
        return Next(target.subdivision, float(tempo), why)
    sure = target.low_bpm or START_SHARE * target.tempo_bpm
    tempo = whole(min(usual, max(sure, START_SHARE * target.tempo_bpm)))
    for at_bpm in (usual, float(tempo)) if target.tempo_bpm >= usual else (float(tempo),):
        last = lately(found.tried, target.per_beat, at_bpm)
        if last is not None and last.leaves:
            return _left_lately(begun, target, last)
    why = (
        f"{begun}{target.subdivision} are held up to about {target.tempo_bpm:.0f} BPM "
        f"({_LIMITS[target.limit or SPREAD]}): begin at {tempo} BPM, up by 3 to 5 BPM "
        "whenever they stay on the grid."
    )
    return Next(target.subdivision, float(tempo), why)


def _is_held(found: SafetyMap, ceiling: Ceiling) -> bool:
    """Whether a subdivision is held at the usual tempo, by the estimate and by what came last.

    One slip alone says little against what is surely held.
    """
    if ceiling.tempo_bpm is None or not ceiling.in_pocket or ceiling.tempo_bpm < found.usual_bpm:
        return False
    last = lately(found.tried, ceiling.per_beat, found.usual_bpm)
    slip = last is not None and last.failed == 1 and _is_safe(ceiling, found.usual_bpm)
    return last is None or slip or not last.leaves


def _is_safe(ceiling: Ceiling, tempo_bpm: float) -> bool:
    """Whether it is surely held at a tempo: its whole interval lies above."""
    return ceiling.low_bpm is not None and ceiling.low_bpm >= tempo_bpm


def _left_lately(begun: str, target: Ceiling, last: Lately) -> Next:
    """What left the grid on the last days at a tempo: slower, as `practice` has it."""
    tempo = whole(min(BACK_OFF * last.tempo_bpm, target.high_bpm or last.tempo_bpm))
    unit = "day" if last.dated else "take"
    days = f"{number_word(last.days)} {unit}s" if last.days > 1 else unit
    many = f"{last.failed} of {last.attempts} attempts"
    what = many if last.attempts > 1 else "the one attempt"
    why = (
        f"{begun}on the last {days} at {bpm_text(round(last.tempo_bpm))} BPM {what} at "
        f"{target.subdivision} left the grid: play them at {tempo} BPM, up by 3 to 5 BPM whenever "
        "they stay on the grid."
    )
    return Next(target.subdivision, float(tempo), why)


def _begun(anchor: Ceiling | None, usual_bpm: float) -> str:
    return f"Stay on {anchor.subdivision} at {bpm_text(round(usual_bpm))} BPM; " if anchor else ""


def _slower(
    begun: str, subdivision: str, slowest_bpm: float, at_most_bpm: float | None = None
) -> Next:
    """What mostly leaves the grid: begun as far below the tempi it failed at as `practice` does.

    But never above `at_most_bpm`, beyond which it is surely not held.
    """
    tempo = whole(min(BACK_OFF * slowest_bpm, at_most_bpm or slowest_bpm))
    why = (
        f"{begun}attempts at {subdivision} left the grid at {bpm_text(round(slowest_bpm))} BPM: "
        f"play them at {tempo} BPM, up by 3 to 5 BPM whenever they stay on the grid."
    )
    return Next(subdivision, float(tempo), why)


def _no_faster(found: SafetyMap, anchor: Ceiling) -> Next | None:
    """What the latest take asks for before any more speed, in the order of `practice`."""
    drift, left = found.latest.drift_bpm, found.latest.notes_left(anchor.per_beat)
    loose = found.latest.loose
    if left:
        why = (
            "play nothing faster until fast runs stay on the grid: in the latest take "
            f"{number_word(left)} notes left it."
        )
    elif loose:
        why = (
            f"in the latest take {listed(loose)} scattered too much to be held: play nothing "
            "faster until they are in the pocket again."
        )
    elif drift:
        way = "rushing" if drift > 0 else "dragging"
        why = (
            "hold the time with them before going faster: in the latest take a phrase is "
            f"{way} by {abs(drift):.1f} BPM."
        )
    else:
        return None
    begun = _begun(anchor, found.usual_bpm)
    return Next(anchor.subdivision, float(round(found.usual_bpm)), f"{begun}{why}")


def _raise(found: SafetyMap, anchor: Ceiling | None) -> Next:
    if anchor is None or anchor.tempo_bpm is None:
        return Next(None, None, "Too little is held yet to say what comes next.")
    failed = [f for f in found.failed if f.per_beat > anchor.per_beat]
    if failed:  # too little of it for the map, but enough to say: nothing faster yet
        begun = _begun(anchor, found.usual_bpm)
        return _slower(begun, failed[0].subdivision, min(found.usual_bpm, failed[0].slowest_bpm))
    kept = _no_faster(found, anchor)
    if kept is not None:
        return kept
    tempo = whole(min(found.usual_bpm + 5.0, anchor.tempo_bpm))
    usual = bpm_text(round(found.usual_bpm))
    unsure = [c.subdivision for c in found.ceilings if not _is_safe(c, found.usual_bpm)]
    all_of_it = f"is safe at {usual} BPM, up to {anchor.subdivision}:"
    if unsure:
        all_of_it = (
            f"is held at about {usual} BPM, up to {anchor.subdivision}; of {listed(unsure)} that "
            "is not yet sure (the interval begins lower). Where runs stay on the grid,"
        )
    return Next(
        anchor.subdivision, float(tempo),
        f"Everything on this map {all_of_it} raise the tempo to {tempo} BPM, or try the next "
        "denser subdivision slowly.",
    )  # fmt: skip


def text_report(found: SafetyMap, who: str = "") -> str:
    """The map for a musician, in 80 columns."""
    whose = f"{who}: w" if who else "W"
    lines = wrapped(
        f"{whose}here each subdivision is held, from what was logged. The timing behind it: a "
        f"floor of {found.floor_ms:.0f} ms and {100 * found.share:.1f} % of the interval between "
        "notes."
    )
    lines += ["", *table(found), *wrapped(_left_out(found)), ""]
    lines += wrapped(f"Next: {what_next(found).text}")
    lines += wrapped(CAUTION)
    lines += ["", *wrapped(_reading(found))]
    return "\n".join(lines) + "\n"


def table(found: SafetyMap) -> list[str]:
    """One line per subdivision."""
    lines = [f"{'':<18}{'held up to':>11}{'95 % interval':>15}{'tried':>11}  what gives first"]
    for c in found.ceilings:
        held = "-" if c.tempo_bpm is None else f"{c.tempo_bpm:.0f} BPM"
        low = "?" if c.low_bpm is None else f"{c.low_bpm:.0f}"
        high = "?" if c.high_bpm is None else f"{c.high_bpm:.0f}"
        interval = "-" if c.tempo_bpm is None else f"{low} to {high}"
        tried = f"{c.tried_bpm[0]:.0f} to {c.tried_bpm[1]:.0f}"
        name = c.subdivision
        if len(name) > 18:  # too long to stand before its figures: above them
            lines.append(name)
            name = ""
        lines.append(f"{name:<18}{held:>11}{interval:>15}{tried:>11}  {_why(c)}")
    return lines


def _why(ceiling: Ceiling) -> str:
    if ceiling.limit is None:
        return "not held at any tempo yet"
    short = {SPREAD: "spread", LEAVES: "runs leave it", CLOSEST: "speed of hands"}
    told = short[ceiling.limit]
    if not ceiling.in_pocket:
        told += ", loose"
    return told + (" *" if ceiling.beyond_tried else "")


def _left_out(found: SafetyMap) -> str:
    """What was played and is not on the map, and why; nothing where all is."""
    said = []
    if found.exact:
        names = listed(list(found.exact))
        said.append(f"{names} (no spread to measure: exactly on the grid, or few at a time)")
    if found.failed:
        names = listed([f.subdivision for f in found.failed])
        said.append(f"{names} (too few notes, most of them off the grid)")
    return f"Left out: {'; '.join(said)}." if said else ""


def _reading(found: SafetyMap) -> str:
    starred = any(c.beyond_tried for c in found.ceilings)
    star = " * beyond what was tried: the model's word alone." if starred else ""
    return (
        "Held: neighbours at least six spreads apart, four notes in five of all attempts on the "
        "grid, and no faster than hands are known to keep apart. An estimate: safe is only what "
        f"lies below its whole interval, counted by {found.block}. Loose: wider than "
        f"{found.tolerance_ms:g} ms even there.{star}"
    )


def document(found: SafetyMap) -> dict[str, Any]:
    """The map as plain data, ready for JSON."""
    following = what_next(found)
    return {
        "version": 1,
        "floor_ms": round(found.floor_ms, 3),
        "share_of_interval": round(found.share, 5),
        "tolerance_ms": found.tolerance_ms,
        "usual_tempo_bpm": round(found.usual_bpm, 3),
        "chance_counted_by": found.block,
        "left_out": [
            *({"subdivision": name, "reason": "no spread to measure"} for name in found.exact),
            *(
                {"subdivision": f.subdivision, "reason": "too few notes, most of them off the grid"}
                for f in found.failed
            ),
        ],
        "subdivisions": [dict(zip(CSV_HEAD, _row(c), strict=True)) for c in found.ceilings],
        "next": {
            "subdivision": following.subdivision,
            "tempo_bpm": following.tempo_bpm,
            "text": following.text,
            "caution": CAUTION,
        },
    }


def csv_text(found: SafetyMap) -> str:
    """One row per subdivision."""
    return csv_of([CSV_HEAD, *map(_row, found.ceilings)])


def _row(c: Ceiling) -> tuple[Any, ...]:
    def digits(value: float | None) -> float | None:
        return None if value is None else round(value, 3)

    return (
        c.subdivision, c.per_beat, c.notes, c.takes, digits(c.tempo_bpm), digits(c.low_bpm),
        digits(c.high_bpm), c.limit, digits(c.spread_ms), c.in_pocket, digits(c.slowest_bpm),
        digits(c.tried_bpm[0]), digits(c.tried_bpm[1]),
    )  # fmt: skip
