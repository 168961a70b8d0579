"""What the page explains: how to read its figures, and the settings they were made with."""

from __future__ import annotations

from improv.files import printable
from improv.model import Analysis
from improv.wording import bars_text, take_tempo

Pair = tuple[str, str]


def how_to_read(analysis: Analysis) -> tuple[Pair, ...]:
    """Terms of the tables and what they mean, in the order met."""
    tolerance = f"{analysis.settings.tolerance_ms:g}"
    return (
        ("Notes", "What a listener counts: a chord once, a grace note not at all. The table of "
         "the notes themselves has every one."),
        ("Deviation", "How far a note lies from its position on the grid: + late (behind), "
         "− early (ahead)."),
        ("Offset", "The mean deviation of a phrase. Professional drummers differ from a click by "
         "up to about 10 ms (Fujii and others 2011), so a few milliseconds are "
         "no fault."),
        ("Spread", "How widely the deviations scatter, with offset, swing and drift taken out. "
         "Below about 20 ms is tight (Hofmann, Wesolowski and Goebl 2017); from 20 to 35 ms "
         "listeners begin to hear it in a groove (a preprint, OSF jsg94)."),
        ("In the pocket", f"The share of the notes on a grid that lie within {tolerance} ms of it "
         "once the take's constant offset is taken out."),
        ("Swing", "Long to short in a pair of notes: 1 is straight, 2 is a triplet feel. Most "
         "jazz soloists play about 1.3 (Corcoran and Frieler 2021)."),
        ("Drift", "How much faster (+, rushing) or slower (−, dragging) than the backing the "
         "phrase moves. Below about 1.5 to 3 % of the tempo it is hard to hear (Drake and "
         "Botte 1993)."),
        ("Sure", "How likely the answer is, given the notes. Where no answer is safe the page "
         "says 'too close to call', and that is an answer too."),
        ("Off the grid", "A run whose notes follow their own even flow and not the beat: its notes "
         "per beat lie between two subdivisions, or slide."),
        ("Lands", "Where a run off the grid comes back, and how late (+) or early (−): against the "
         "place of the grid it meets or, meeting none, the nearest beat or off-beat; the take's "
         "constant offset taken out."),
        ("On the grid (sound)", "Every note moved to the position it was aiming at. Notes off the "
         "grid go to the subdivision nearest to their rate. It is for comparing by ear, not a "
         "model of how to play."),
    )  # fmt: skip


def settings_used(analysis: Analysis, version: str, share: float) -> tuple[Pair, ...]:
    """What the figures were made with."""
    take, used = analysis.take, analysis.settings
    return (
        ("Track", printable(take.track).strip() or UNNAMED),
        ("Tempo", take_tempo(analysis)),
        ("Meter", take.meter_text),
        ("Bars judged", _bars_judged(used.first_bar, used.last_bar)),
        ("Subdivisions in question", ", ".join(used.subdivisions or ("all the meter offers",))),
        ("Tolerance of the pocket", f"± {used.tolerance_ms:g} ms"),
        ("Notes of one chord lie within", f"{used.chord_spread_ms:g} ms"),
        ("A rest that may end a phrase", f"{used.phrase_rest_beat:g} beat or more"),
        ("Slow players", f"{100 * share:.0f} % of the speed"),
        ("Made with", f"improv {version}"),
    )


def _bars_judged(first: int | None, last: int | None) -> str:
    if first is not None and last is not None:
        return bars_text(first, last)
    if first is not None:
        return f"from bar {first} on"
    return "all" if last is None else f"to bar {last}"


UNNAMED = "without a name"
