"""Write down the beats an answer got wrong: notated, played, answered, called."""

from __future__ import annotations

import numpy as np

from benchmarks.hand import Played
from benchmarks.marking import Answer, Beat, beats_of, notated_row, note_right
from benchmarks.rivals import centred_beats


def write_failures(path: str, takes: list[Played], answers: list[Answer]) -> int:
    """One entry per beat with a wrong note; returns how many there were."""
    entries = []
    for played, answer in zip(takes, answers, strict=True):
        right = note_right(played, answer)
        at_beat = centred_beats(played)
        entries += [
            _entry(played, answer, beat, at_beat)
            for beat in beats_of(played)
            if not right[beat.notes].all()
        ]
    with open(path, "w", encoding="utf-8") as out:
        out.write("\n".join(entries) + "\n")
    return len(entries)


def _entry(played: Played, answer: Answer, beat: Beat, at_beat: np.ndarray) -> str:
    here, take = beat.notes, played.take
    first = played.beat[here]
    length = beat.meter.beat_quarters[beat.number] / beat.meter.tempo_beat_quarter
    late_ms = (at_beat[here] - played.position_beat[here]) * 60e3 / take.tempo_bpm * float(length)
    called = (
        ["none" if k is None else k for k in (answer.key[i] for i in here)] if answer.key else []
    )
    bar = take.bars.number[played.bar[here[0]]]
    return (
        f"{played.tune.genre} {played.tune.source} {beat.meter} bar {bar} beat {beat.number + 1}, "
        f"{take.tempo_bpm:.0f} BPM; notated in {notated_row(played, beat)}\n"
        f"    notated  {' '.join(str(played.in_beat[i]) for i in here)}\n"
        f"    played   {' '.join(f'{x:.3f}' for x in at_beat[here] - first)}"
        f"   late ms {' '.join(f'{x:+.0f}' for x in late_ms)} (constant taken out)\n"
        f"    answered {' '.join(f'{x:.3f}' for x in answer.position_beat[here] - first)}"
        f"   called {' '.join(called)}"
        f"   none {' '.join(str(int(n)) for n in answer.none[here])}"
    )
