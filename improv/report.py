"""An Analysis as a page of text for a musician: sentences, then tables, then practice.

Everything fits 80 columns, needs no colour and is the same in a pipe and on a screen.
"""

from __future__ import annotations

from improv.counting import counted
from improv.document import all_warnings
from improv.files import printable
from improv.headline import constant_offset, headline
from improv.model import Analysis
from improv.practice import advise
from improv.sentences import phrase_sentences
from improv.tables import WIDTH, phrase_table, run_table, wrapped
from improv.wording import (
    others_told,
    rate_beat,
    take_bars,
    take_tempo,
)

LANDS = (
    "Lands: how late (+) or early (-) the run comes back, against the place of the grid it "
    "meets or, meeting none, the nearest beat or off-beat; the take's constant offset taken out."
)


def text_report(analysis: Analysis, full: bool = False) -> str:
    """The whole report, ending in a newline. `full` shortens nothing."""
    sections = [_title(analysis), _heard(analysis, full), _table(analysis, full)]
    sections += [s for s in (_runs(analysis, full),) if s]
    sections.append(_practice(analysis))
    return "\n\n".join("\n".join(lines) for lines in sections) + "\n"


def _title(analysis: Analysis) -> list[str]:
    """The take's name, size, meter and tempo, and what has to be minded when reading on."""
    take, notes = analysis.take, analysis.notes
    name = printable(take.name)
    track = printable(take.track).strip()
    lines = [*wrapped(name), "=" * min(len(name), WIDTH)]
    where = take_bars(analysis) if len(notes) else "no bars"
    parts = [counted(len(notes), "note"), where, f"{take.meter_text} at {take_tempo(analysis)}"]
    if track:
        parts.append(track if track.lower().startswith("track") else f"track {track}")
    lines += wrapped(", ".join(parts) + ".")
    for warning in all_warnings(analysis):
        lines += wrapped(f"Warning: {printable(warning)}", then="  ")
    return lines


def _heard(analysis: Analysis, full: bool) -> list[str]:
    lines = ["What was heard", "--------------", *wrapped(headline(analysis))]
    constant = constant_offset(analysis)
    if constant:
        lines += wrapped(constant)
    sentences, left_out = phrase_sentences(analysis, full)
    lines.append("")
    for sentence in sentences:
        lines += wrapped(sentence, then="  ")
    if left_out:
        lines += wrapped(
            f"These tell most; {counted(left_out, 'phrase')} with less to tell "
            f"{'is' if left_out == 1 else 'are'} left to the table, or see --full."
        )
    return lines


def _table(analysis: Analysis, full: bool) -> list[str]:
    rows, left_out = phrase_table(analysis, full)
    lines = ["In figures", "----------", *rows]
    if left_out:
        lines.append(f"... and {counted(left_out, 'phrase')} more: --full shows every one.")
    key = (
        "Offset: mean deviation, + behind, - ahead. Spread: scatter, with offset, swing and "
        "drift taken out. Pocket: share of the notes on a grid within "
        f"{analysis.settings.tolerance_ms:g} ms of it, the take's constant offset taken out. "
        "Drift: + rushing, - dragging."
    )
    if any(p.subdivision and others_told(analysis, p) for p in analysis.phrases):
        key += " A subdivision with '+' is the main one of several."
    if any(p.pickup for p in analysis.phrases):
        key += " Bars with a p: a pickup leads to them."
    if any(p.events != p.stop - p.start for p in analysis.phrases):
        key += " Notes: a chord counts once, a grace note not at all."
    return [*lines, *wrapped(key)]


def _runs(analysis: Analysis, full: bool) -> list[str]:
    off = [run for run in analysis.runs if run.off_grid]
    if not off:
        return []
    rows, left_out = run_table(off, full)
    lines = ["Runs off the grid", "-----------------", *rows]
    if left_out:
        lines.append(f"... and {counted(left_out, 'run')} more: --full shows every one.")
    beat = rate_beat(analysis.take)
    rate = "" if beat == "beat" else f"Rate: notes to the {beat}, which the tempo counts. "
    return [*lines, *wrapped(rate + LANDS)]


def _practice(analysis: Analysis) -> list[str]:
    advice = advise(analysis)
    return ["What to practise", "----------------", *wrapped(advice.text), *wrapped(advice.caution)]
