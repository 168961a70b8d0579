"""What a requirement means at a tempo when the teacher gives no number.

Every default carries its reason; none is a grade. Conventions: ms, beats per minute.

* **Pocket**, tolerance: 20 ms (asynchronies below 19 ms are preferred to larger ones:
  Hofmann, Wesolowski & Goebl 2017), wider where the steps are so long that 2.5 % of them
  is more (the least audible displacement: Friberg & Sundberg 1995), never wider than a
  quarter of a step: notes placed at random are that far off on average (derived).
* **Pocket**, share: 68 %, what a steady hand whose spread equals the tolerance keeps
  (one standard deviation of a normal scatter; derived).
* **Drift**: 1.5 % of the tempo, from where an analysis calls a phrase rushing or dragging
  (Drake & Botte 1993: a change of tempo is heard from 1.5 % at best), never under 1 BPM.
* **Swing**: from 1.2 (a soloist's usual ratio is about 1.3: Corcoran & Frieler 2021) to
  the ratio whose short note lasts 100 ms (Friberg & Sundström 2002), within 1.4 and 3.5.
* **Subdivision to begin with**: the densest plain one (halves, quarters, eighths, sixteenths;
  no triplets) whose notes lie at least 200 ms apart, where subdividing still helps (Repp 2003).
* **Click on the subdivision**: sounded where its clicks lie at least 200 ms apart, since
  below 200 to 250 ms a subdivided click no longer helps (Repp 2003).
"""

from __future__ import annotations

from improv.grid import SUBDIVISIONS, name, offered
from improv.meter import Meter
from improv.wording import HEARD_DRIFT_SHARE

TIGHT_MS = 20.0
AUDIBLE_SHARE = 0.025
CHANCE_SHARE = 0.25
POCKET_SHARE = 0.68
LEAST_DRIFT_BPM = 1.0
LEAST_SWING = 1.2
SHORT_NOTE_MS = 100.0
SWING_LIMITS = (1.4, 3.5)
HELPFUL_STEP_MS = 200.0
PLAIN = ("two-beat", "beat", "unit", "half-unit")
"""Rows a player who is asked for nothing particular begins with."""


def pocket_ms(step_ms: float) -> float:
    """Tolerance for notes `step_ms` apart, in ms."""
    return min(max(TIGHT_MS, AUDIBLE_SHARE * step_ms), CHANCE_SHARE * step_ms)


def drift_bpm(tempo_bpm: float) -> float:
    """Most drift either way, in BPM."""
    return max(HEARD_DRIFT_SHARE * tempo_bpm, LEAST_DRIFT_BPM)


def swing_band(pair_ms: float) -> tuple[float, float]:
    """Lowest and highest swing ratio for pairs of notes lasting `pair_ms` together."""
    high = pair_ms / SHORT_NOTE_MS - 1.0
    return LEAST_SWING, min(max(high, SWING_LIMITS[0]), SWING_LIMITS[1])


def first_subdivision(tempo_bpm: float, meter: Meter) -> str:
    """The subdivision to begin with at a tempo."""
    best = (0.0, "")
    for i in offered(meter):
        row = SUBDIVISIONS[i]
        per_beat = float(row.per_beat(meter.kind) or 0)
        if row.key in PLAIN and per_beat and 60_000.0 / (tempo_bpm * per_beat) >= HELPFUL_STEP_MS:
            best = max(best, (per_beat, name(row, meter) or ""))
    return best[1]


def click_helps(tempo_bpm: float, per_beat: float) -> bool:
    """Whether a click on every note of a subdivision helps at a tempo."""
    return 60_000.0 / (tempo_bpm * per_beat) >= HELPFUL_STEP_MS
