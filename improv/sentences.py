"""What was heard, in plain sentences: findings first, figures inside them.

The take as a whole is told by `headline`, phrases and runs here. A phrase's own lean is told
against the take's constant offset. Neighbouring phrases with nothing to tell apart share a
sentence, and of a very long take the most telling sentences are kept.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass

from improv.counting import counted
from improv.model import Analysis, Phrase, Ranked, Run, Verdict
from improv.wording import (
    also_played,
    asked_for,
    beats_off_text,
    beats_text,
    by_turns,
    drift_text,
    lean_text,
    listed,
    number_word,
    offset_doubt_ms,
    percent,
    phrase_bars,
    place_text,
    rate_beat,
    rate_text,
    spread_band,
    spread_text,
)

MOST_SENTENCES = 12
MOST_PASSAGES = 4
MOST_RUNS = 3
TELLING = {Verdict.OFF_GRID: 3.0, Verdict.TOO_CLOSE: 0.5, Verdict.MIXED: 0.3}
"""How much a phrase tells by its verdict alone."""
SURE = 0.9
RANKED_FROM = 0.05
SURE_LEAN = 2.5
"""Standard errors beyond which a lean is no chance: of many phrases few lean by chance."""
SAME_RATE = 0.015
"""Below this share nobody counts one rate as faster than another (our choice)."""


@dataclass(frozen=True)
class Heard:
    """One phrase in words, and how much it tells: 0 where nothing is remarkable."""

    phrase: Phrase
    clauses: tuple[str, ...]
    runs: tuple[str, ...]
    weight: float

    @property
    def text(self) -> str:
        """The phrase's sentence."""
        where = phrase_bars([self.phrase])
        said = "; ".join([", ".join(self.clauses), *self.runs])
        return f"Phrase {self.phrase.number}, {where}: {said}."


def phrase_sentences(analysis: Analysis, full: bool = False) -> tuple[list[str], int]:
    """The sentences to print, in order, and how many phrases they leave out.

    `full` gives every phrase its own sentence.
    """
    heard = [hear(analysis, phrase) for phrase in analysis.phrases]
    if full:
        return [h.text for h in heard], 0
    groups = _neighbours(heard)
    if len(groups) > MOST_SENTENCES:
        some = [i for i, g in enumerate(groups) if g[0].phrase.verdict != Verdict.TOO_SHORT]
        telling = sorted(some, key=lambda i: (-max(h.weight for h in groups[i]), i))
        groups = [groups[i] for i in sorted(telling[:MOST_SENTENCES])]
    left_out = len(heard) - sum(map(len, groups))
    return [_together(g) if len(g) > 1 else g[0].text for g in groups], left_out


def hear(analysis: Analysis, phrase: Phrase) -> Heard:
    """One phrase in words."""
    runs = _runs_off(analysis, phrase)
    clauses = [_what(analysis, phrase, bool(runs))]
    weight = TELLING.get(phrase.verdict, 0.0)
    if phrase.spread_ms is not None:
        band = _band(analysis, phrase.spread_ms)
        clauses.append(spread_text(phrase.spread_ms) + band)
        # A tight phrase of a loose take tells something too: no sentence with others drops it.
        weight += 1.0 if spread_band(phrase.spread_ms) else 0.5 if band else 0.0
    if phrase.swing_ratio is not None and phrase.swung:
        clauses.append(f"swinging {phrase.swing_ratio:.1f} : 1")
    drift = drift_text(phrase)
    # A phrase that drifts lies early or late on average for that reason alone.
    lean = None if drift else _lean(analysis, phrase)
    beats = beats_text(phrase)
    clauses += [c for c in (lean, beats, drift) if c]
    weight += (
        (1.0 if lean else 0.0) + (1.0 if beats else 0.0) + (2.0 if drift else 0.0) + 3.0 * len(runs)
    )
    if phrase.subdivision is not None and phrase.confidence < SURE:
        clauses.append(f"{percent(phrase.confidence)} sure")
        weight += 0.5
    told = [run_text(run, analysis) for run in runs[:MOST_RUNS]]
    if len(runs) > MOST_RUNS:
        told.append(f"and {counted(len(runs) - MOST_RUNS, 'more run')} off the grid")
    return Heard(phrase, tuple(clauses), tuple(told), weight)


def _runs_off(analysis: Analysis, phrase: Phrase) -> list[Run]:
    """The runs off the grid that begin in a phrase; runs are in time order."""
    first, last = (
        bisect_left(analysis.runs, row, key=lambda run: run.start)
        for row in (phrase.start, phrase.stop)
    )
    return [run for run in analysis.runs[first:last] if run.off_grid]


def _band(analysis: Analysis, spread_ms: float) -> str:
    """The band of a phrase's spread, where it is not the whole take's, told in the headline."""
    band = spread_band(spread_ms)
    usual = "" if analysis.spread_ms is None else spread_band(analysis.spread_ms)
    return "" if band == usual else band or " (tight)"


def _what(analysis: Analysis, phrase: Phrase, runs_told: bool) -> str:
    """Which subdivision, or why none."""
    if phrase.verdict == Verdict.TOO_CLOSE:
        likeliest = _ranking(phrase.ranking)
        return f"too close to call ({likeliest})" if likeliest else "too close to call"
    if phrase.verdict == Verdict.TOO_SHORT:
        return f"too short to judge ({counted(phrase.events, 'note')})"
    if phrase.verdict == Verdict.OFF_GRID:
        return "off the grid"
    if phrase.verdict == Verdict.MIXED or phrase.subdivision is None:
        return _passages(analysis, phrase, runs_told)
    others = also_played(phrase)
    if not others:
        return phrase.subdivision
    if len(others) > 1:
        return f"{phrase.subdivision}, with {listed([str(p.subdivision) for p in others])}"
    return f"{phrase.subdivision}, with {others[0].subdivision} from {place_text(others[0].begins)}"


def _ranking(ranking: tuple[Ranked, ...]) -> str:
    told = [r for r in ranking[:3] if r.probability >= RANKED_FROM]
    return ", ".join(f"{r.subdivision} {percent(r.probability)}" for r in told)


def _passages(analysis: Analysis, phrase: Phrase, runs_told: bool) -> str:
    """`eighths, then sixteenths from beat 3 of bar 10`; many changes are only counted, and
    subdivisions that change with every beat or two are `quarters, with eighths by turns`.

    What is off the grid is left to the runs where those are told.
    """
    parts = [p for p in phrase.passages if p.subdivision is not None or not runs_told]
    parts = [p for i, p in enumerate(parts) if not i or p.subdivision != parts[i - 1].subdivision]
    names = [p.subdivision or "off the grid" for p in parts]
    if not parts:
        return f"mostly {phrase.subdivision}" if phrase.subdivision else phrase.verdict
    if len(parts) == 1 and (turned := by_turns(analysis, phrase)):
        return f"{names[0]}, with {listed(turned)} by turns"
    if len(parts) > MOST_PASSAGES:
        size: Counter[str] = Counter()
        for called, part in zip(names, parts, strict=True):
            size[called] += part.stop - part.start
        main = size.most_common(1)[0][0]
        others = [called for called, _ in size.most_common() if called != main]
        return f"mostly {main}, with {listed(others)}, {len(parts) - 1} changes"
    rest = [f"then {n} from {place_text(p.begins)}" for n, p in zip(names, parts, strict=True)]
    return ", ".join([names[0], *rest[1:]])


def _lean(analysis: Analysis, phrase: Phrase) -> str | None:
    """How the phrase leans, where that is more than chance.

    Against the take's constant offset where there is one, and said so: the table has both
    together. Else against the backing, as in the table.
    """
    constant_ms, error_ms = analysis.constant_offset_ms, phrase.offset_se_ms
    if phrase.offset_ms is None or error_ms is None or constant_ms is None:
        return None
    if phrase.verdict == Verdict.TOO_SHORT:
        return None
    alone = len(analysis.phrases) == 1 or analysis.take.start_found
    relative = alone or abs(constant_ms) >= offset_doubt_ms(analysis)
    lean_ms = phrase.offset_ms - constant_ms * relative
    said = lean_text(lean_ms)
    if said is None or abs(lean_ms) <= SURE_LEAN * error_ms:
        return None
    return f"{said} against the whole take" if relative else said


def run_text(run: Run, analysis: Analysis) -> str:
    """`from the & of 2 in bar 10 nine notes run at 4.6 to the beat, between ...`."""
    asked = asked_for(analysis)
    rate = rate_text(run.notes_per_beat, rate_beat(analysis.take))
    kind = "" if run.kind == "steady" else f", {run.kind}"
    many = number_word(run.events)
    comma = "," if many.isdigit() else ""
    where = f"from {place_text(run.begins)}{comma}"
    return f"{where} {many} notes run at {rate}{_against_grids(run, asked)}{kind}{_landing(run)}"


def _landing(run: Run) -> str:
    """`, and land on the & of 1 in bar 32` or `, and land 0.4 beat early for beat 1 of bar 11`."""
    if run.lands_at is None or run.lands_beat is None or run.lands_ms is None:
        return ""
    where = place_text(run.lands_at)
    if run.lands_on:
        return f", and land on {where}"
    return f", and land {beats_off_text(run.lands_beat, run.lands_ms)} for {where}"


def _against_grids(run: Run, asked: tuple[str, ...]) -> str:
    """What a free run's rate is near, or between what it lies."""
    if run.near is None:
        return f", between {run.between[0]} and {run.between[1]}" if run.between else ""
    name, faster = run.near
    left_out = bool(asked) and name not in asked
    more = ", which were not asked for" if left_out else ""
    if abs(faster) >= SAME_RATE:
        return f", a little {'faster' if faster > 0 else 'slower'} than {name}{more}"
    return f", the rate of {name}{more or ' but beside their places'}"


def _plain(heard: Heard) -> tuple[str, str | None] | None:
    """What makes a phrase the same to tell as its neighbour; `None`: it wants its own sentence."""
    phrase = heard.phrase
    if phrase.verdict == Verdict.TOO_SHORT:
        return phrase.verdict, None
    plain = phrase.verdict == Verdict.ON_GRID and not phrase.swung and not also_played(phrase)
    if heard.weight == 0.0 and plain:
        return phrase.verdict, phrase.subdivision
    return None


def _neighbours(heard: list[Heard]) -> list[list[Heard]]:
    groups: list[list[Heard]] = []
    for h in heard:
        key = _plain(h)
        if key is not None and groups and _plain(groups[-1][-1]) == key:
            groups[-1].append(h)
        else:
            groups.append([h])
    return groups


def _together(group: list[Heard]) -> str:
    """One sentence for neighbouring phrases of one kind."""
    first, last = group[0].phrase, group[-1].phrase
    joint = "and" if len(group) == 2 else "to"
    where = f"Phrases {first.number} {joint} {last.number}, "
    where += phrase_bars([h.phrase for h in group])
    if first.verdict == Verdict.TOO_SHORT:
        return f"{where}: too short to judge."
    spreads = sorted(round(h.phrase.spread_ms) for h in group if h.phrase.spread_ms is not None)
    said = f"{first.subdivision}"
    if spreads:
        low, high = spreads[0], spreads[-1]
        said += f", {low} ms spread" if low == high else f", {low} to {high} ms spread"
    return f"{where}: {said}."
