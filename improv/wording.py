"""Numbers and places as musicians say them.

Bands for spread and offset are stated, not graded: below 10 ms is what professional
drummers show against a click (Fujii et al. 2011); below 20 ms is tight (Hofmann,
Wesolowski & Goebl 2017: asynchronies below 19 ms are preferred); 20 to 35 ms is where
listeners begin to hear an asynchrony in a groove (preprint OSF jsg94). A change of tempo
is heard from 1.5 % at best (Drake & Botte 1993); less is not called rushing or dragging.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from improv.grid import SUBDIVISIONS, find, name, row_of
from improv.meter import Meter
from improv.model import Analysis, Passage, Phrase, Place, Take, Verdict
from improv.stats import SURE_ERRORS
from improv.summaries import SURE_DRIFT
from improv.tempo import tempo_range_bpm

PROFESSIONAL_OFFSET_MS = 10.0
TOLD_NOTES, TURNS = 6, 2
"""Notes on another subdivision worth a word: in a row, and here and there in a mixed phrase."""
ON_TIME_MS = 5.0
CLEARLY = 3.0
"""Standard errors that beats and off-beats must lie apart to be told apart (our choice)."""
TIGHT_SPREAD_MS = 20.0
AUDIBLE_SPREAD_MS = 35.0
HEARD_DRIFT_SHARE = 0.015
ONE_TEMPO_BPM = 0.05
"""Tempi nearer to each other than this are written alike."""

_WORDS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve",
)  # fmt: skip


def number_word(count: int) -> str:
    """Counts up to twelve as words, larger ones in figures."""
    return _WORDS[count] if 0 <= count < len(_WORDS) else str(count)


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def figure(value: float, form: str) -> str:
    """A number in the given format; what rounds to zero has no sign."""
    written = format(value, form)
    return written if float(written) else written.lstrip("+-")


def percent(share: float) -> str:
    """A share as whole per cent with its unit."""
    return f"{percent_figure(share)} %"


def percent_figure(share: float) -> str:
    """A share as whole per cent, never rounding an uncertain one up to certainty."""
    return f"{min(round(100 * share), 99) if share < 1 else 100}"


def place_text(place: Place) -> str:
    """`the & of 2 in bar 10`, `beat 3 of bar 10`, `the 2nd of 5 in beat 3 of bar 10`."""
    counts_beat = " in " in place.count or place.count.removeprefix("near ").isdigit()
    return f"{count_text(place.count)} {'of' if counts_beat else 'in'} bar {place.bar}"


def count_text(count: str) -> str:
    """`the & of 2`, `beat 3`, `near the 2nd of 5 in beat 3`, `the 2nd of 3 over beats 1 and 2`."""
    near = "near " if count.startswith("near ") else ""
    count = count.removeprefix("near ")
    if count.isdigit():
        return f"{near}beat {count}"
    return f"{near}the {count.replace(' in ', ' in beat ').replace(' over ', ' over beats ')}"


def bars_text(first: int, last: int) -> str:
    """`bar 9`, `bars 9 to 11`."""
    return f"bar {first}" if first == last else f"bars {first} to {last}"


def phrase_bars(phrases: Sequence[Phrase]) -> str:
    """`bars 1 to 2 with a pickup`: where phrases lie; a pickup belongs to the next bar."""
    text = bars_text(phrases[0].first_bar, phrases[-1].ends.bar)
    pickups = sum(phrase.pickup for phrase in phrases)
    return text + ("", " with a pickup", " with pickups")[min(pickups, 2)]


def take_bars(analysis: Analysis) -> str:
    """The bars of a take's notes, its pickup told as one."""
    numbers = analysis.notes.bar
    low, high = int(numbers.min()), int(numbers.max())
    if analysis.phrases and analysis.phrases[0].pickup:
        return f"{bars_text(low + 1, high)} with a pickup"
    return bars_text(low, high)


def tempo_beat_name(meter: Meter) -> str:
    """What a stated tempo counts in this meter: `quarters`, `dotted quarters`."""
    # An additive meter's beats are long and short; its tempo counts two units.
    counted_in = Meter((1,), meter.unit // 2) if meter.kind == "additive" else meter
    return name(SUBDIVISIONS[row_of("beat")], counted_in) or "beats"


def rate_beat(take: Take) -> str:
    """What rates are told to: `beat`, or where meters with other beats alternate the tempo's."""
    meters = take.bars.meters
    if len({meter.tempo_beat_quarter for meter in meters}) < 2:
        return "beat"
    return tempo_beat_name(meters[0]).removesuffix("s").replace("halve", "half")


def rate_text(notes_per_beat: float, beat: str) -> str:
    """`4.6 to the beat`, `3.2 to the dotted quarter`: a run's rate, to what `rate_beat` names."""
    return f"{notes_per_beat:.1f} to the {beat}"


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


def has_one_tempo(analysis: Analysis) -> bool:
    """Whether the backing keeps one tempo under the notes, as far as is told."""
    low_bpm, high_bpm = tempo_range_bpm(analysis.take, analysis.notes.onset_sec)
    return high_bpm - low_bpm < ONE_TEMPO_BPM


def take_tempo(analysis: Analysis) -> str:
    """The tempo, or the range it covers under the notes; of each beat that the meters count."""
    take = analysis.take
    if has_one_tempo(analysis):
        return tempo_text(take) + _other_beats(analysis)
    beat = take.bars.stated_beat_quarter
    low, high = (bpm_text(bpm * beat) for bpm in tempo_range_bpm(take, analysis.notes.onset_sec))
    return f"{low} to {high} BPM (in quarters, as the tempo map has it)"


def _other_beats(analysis: Analysis) -> str:
    """` (80 in dotted quarters)`: the tempo in the beats of other meters that are played in.

    The quarter is told anyway where the take's own beat is another.
    """
    bars, tempo = analysis.take.bars, analysis.take.tempo_bpm
    played = bars.meter[np.isin(bars.number, analysis.notes.bar)]
    others = {
        meter.tempo_beat_quarter: tempo_beat_name(meter)
        for meter in (bars.meters[m] for m in dict.fromkeys(played.tolist()))
        if meter.tempo_beat_quarter not in (1, bars.meters[0].tempo_beat_quarter)
    }
    told = [
        f"{bpm_text(tempo * bars.stated_beat_quarter / float(beat))} in {name}"
        for beat, name in others.items()
    ]
    return f" ({', '.join(told)})" if told else ""


def signed_ms(value_ms: float) -> str:
    """`14 ms behind`, `9 ms ahead`."""
    return f"{abs(value_ms):.0f} ms {'behind' if value_ms >= 0 else 'ahead'}"


def offset_doubt_ms(analysis: Analysis) -> float:
    """Give or take of the constant offset: `SURE_ERRORS` standard errors, 1 ms at least."""
    return max(SURE_ERRORS * (analysis.constant_offset_se_ms or 0.0), 1.0)


def offset_is_told(analysis: Analysis) -> bool:
    """Whether a constant offset is more than chance, and tempo and start are not in question."""
    offset_ms = analysis.constant_offset_ms
    if offset_ms is None or analysis.doubt is not None or analysis.take.start_found:
        return False
    return abs(offset_ms) >= offset_doubt_ms(analysis)


def spread_text(spread_ms: float) -> str:
    """The spread in figures."""
    return f"{spread_ms:.0f} ms spread"


def spread_band(spread_ms: float) -> str:
    """What a listener makes of a spread, as it is printed: nothing below 20 ms."""
    if round(spread_ms) < TIGHT_SPREAD_MS:
        return ""
    return " (audible in a mix)" if round(spread_ms) < AUDIBLE_SPREAD_MS else " (loose)"


def lean_text(offset_ms: float) -> str | None:
    """`pushing by 14 ms` or `laying back by 12 ms`; `None` below what professionals show."""
    if abs(offset_ms) < PROFESSIONAL_OFFSET_MS:
        return None
    return f"{'laying back' if offset_ms > 0 else 'pushing'} by {abs(offset_ms):.0f} ms"


def asked_for(analysis: Analysis) -> tuple[str, ...]:
    """The subdivisions that alone were in question, by their names; empty for all there are."""
    meters = analysis.take.bars.meters
    rows = [find(text, meters) for text in analysis.settings.subdivisions or ()]
    names = [name(SUBDIVISIONS[row], meter) for row in rows for meter in meters]
    return tuple(dict.fromkeys(called for called in names if called is not None))


def by_turns(analysis: Analysis, phrase: Phrase) -> tuple[str, ...]:
    """The other subdivisions of a mixed phrase of one passage: too scattered for passages.

    Most frequent first; `TURNS` notes at least.
    """
    if phrase.verdict != Verdict.MIXED or len(phrase.passages) != 1:
        return ()
    notes = analysis.notes
    rows = np.flatnonzero(notes.counted[phrase.start : phrase.stop]) + phrase.start
    size = Counter(name for row in rows.tolist() if (name := notes.subdivision_name[row]))
    told = phrase.passages[0].subdivision
    return tuple(name for name, many in size.most_common() if name != told and many >= TURNS)


def others_told(analysis: Analysis, phrase: Phrase) -> tuple[str, ...]:
    """Other subdivisions that a phrase's sentence tells beside its main one.

    Text, tables, page and chart mark a phrase as one of several where there are any: notes off
    the grid are left to the runs.
    """
    if phrase.verdict != Verdict.MIXED:
        return tuple(str(passage.subdivision) for passage in also_played(phrase))
    names = dict.fromkeys(passage.subdivision for passage in phrase.passages)
    told = (name for name in names if name is not None and name != phrase.subdivision)
    return (*told, *by_turns(analysis, phrase))


def beats_text(phrase: Phrase) -> str | None:
    """`the beats lie 30 ms late, the off-beats on time`; `None` where they go together.

    Both against the backing; those of a swung phrase against its beats and 2 : 1 from them, and
    only where the off-beats meet that: there beats alone lie late, else the swing is its own.
    """
    swung = phrase.swung
    beat_ms = phrase.beat_offset_ms
    other_ms = phrase.offbeat_triplet_ms if swung else phrase.offbeat_offset_ms
    if beat_ms is None or other_ms is None or not phrase.verdict.named:
        return None
    apart_ms = abs(beat_ms - other_ms)
    if apart_ms <= max(PROFESSIONAL_OFFSET_MS, CLEARLY * (phrase.beat_apart_se_ms or 0.0)):
        return None
    if swung and not abs(other_ms) < PROFESSIONAL_OFFSET_MS < abs(beat_ms):
        return None
    others = "off-beats" if phrase.per_beat == 2 else "notes between"
    text = f"the beats lie {late_text(beat_ms)}, the {others} {late_text(other_ms)}"
    return f"{text} for 2 : 1" if swung else text


def late_text(late_ms: float) -> str:
    """`12 ms late`, `9 ms early`; `on time` below 5 ms."""
    if abs(late_ms) < ON_TIME_MS:
        return "on time"
    return f"{abs(late_ms):.0f} ms {'late' if late_ms > 0 else 'early'}"


def listed(names: Iterable[str], link: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`; nothing of no names."""
    items = list(names)
    return f" {link} ".join(filter(None, [", ".join(items[:-1]), *items[-1:]]))


def also_played(phrase: Phrase) -> tuple[Passage, ...]:
    """Passages on other subdivisions, as dense as the main one or denser, that are worth a word:
    `TOLD_NOTES` notes at least; the first on each."""
    main = phrase.per_beat or 0.0
    found: dict[str, Passage] = {}
    for passage in phrase.passages:
        name, length = passage.subdivision, passage.stop - passage.start
        if name is None or name == phrase.subdivision or length < TOLD_NOTES:
            continue
        if (passage.per_beat or 0.0) >= main:
            found.setdefault(name, passage)
    return tuple(found.values())


def drift_text(phrase: Phrase) -> str | None:
    """`dragging by 3.1 BPM, losing 150 ms on the backing`; `None` if not heard, or perhaps chance.

    Chance is ruled out at `SURE_DRIFT` standard errors, where the spread has it taken out too.
    What is gained or lost is from the first note to the last: where these lie depends on how
    the phrase began.
    """
    drift_bpm = phrase.drift_bpm
    if drift_bpm is None or abs(drift_bpm) < HEARD_DRIFT_SHARE * phrase.tempo_bpm:
        return None
    if not phrase.sure_slope(SURE_DRIFT):
        return None
    how, so = ("rushing", "gaining") if drift_bpm > 0 else ("dragging", "losing")
    return f"{how} by {abs(drift_bpm):.1f} BPM, {so} {lag_ms(phrase):.0f} ms on the backing"


def lag_ms(phrase: Phrase) -> float:
    """What a phrase's drift adds up to from its first note to its last, in ms without sign."""
    length_sec = phrase.ends.onset_sec - phrase.begins.onset_sec
    return 1000.0 * length_sec * abs(phrase.drift_bpm or 0.0) / phrase.tempo_bpm


def beats_off_text(late_beat: float, late_ms: float) -> str:
    """`0.4 beat early`; in ms where it is less than a tenth of a beat: `36 ms late`."""
    how_far = f"{abs(late_beat):.1f} beat" if abs(late_beat) >= 0.1 else f"{abs(late_ms):.0f} ms"
    return f"{how_far} {'late' if late_beat > 0 else 'early'}"
