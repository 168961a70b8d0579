"""What a picture shows, in words: for those who cannot see it, and where it cannot be shown.

Whole sentences with the figures a reader would take from the picture; no descriptions of
colours or shapes.
"""

from __future__ import annotations

from functools import singledispatch
from typing import Any

import numpy as np

from improv.counting import counted
from improv.pictures.beat import Dial, Dials
from improv.pictures.chart import EARLY, GRACE, IN_POCKET, LATE, OFF_GRID, Chart
from improv.pictures.spread import THRESHOLDS, SpreadRow, Spreads
from improv.pictures.tempo_curve import TempoCurve
from improv.wording import late_text

MOST_TOLD = 12


@singledispatch
def alt_text(data: Any, number: int = 1, of: int = 1) -> str:
    """What the picture of `data` shows, page `number` of `of`, in words."""
    raise TypeError(f"no picture is made of {type(data).__name__}")


def _paged(title: str, number: int, of: int) -> str:
    return f"{title}, page {number} of {of}" if of > 1 else title


def _listed(parts: list[str]) -> str:
    kept = parts[:MOST_TOLD]
    more = f"; and {len(parts) - MOST_TOLD} more" if len(parts) > MOST_TOLD else ""
    return "; ".join(kept) + more


@alt_text.register
def _chart(data: Chart, number: int = 1, of: int = 1) -> str:
    says = data.marks.says
    played = int((says != GRACE).sum())
    parts = [
        f"{int((says == kind).sum())} {words}"
        for kind, words in (
            (IN_POCKET, "in the pocket"),
            (EARLY, "ahead of it"),
            (LATE, "behind it"),
            (OFF_GRID, "on no grid"),
        )
        if (says == kind).any()
    ]
    phrases = _listed([span.texts[0] for span in data.phrases])
    return (
        f"Chart of {_paged(data.title, number, of)}: {data.facts}. {data.summary[0].upper()}"
        f"{data.summary[1:]}. Of {counted(played, 'note')}, {', '.join(parts)}. {phrases}."
    )


@alt_text.register
def _dials(data: Dials, number: int = 1, of: int = 1) -> str:
    told = _listed([_dial(dial) for dial in data.dials])
    return f"Where in the beat the notes of {_paged(data.title, number, of)} fall: {told}."


def _dial(dial: Dial) -> str:
    centres = [f"{p.count} {late_text(p.lean_ms)}" for p in dial.positions]
    where = f"; by position: {', '.join(centres)}" if len(centres) > 1 else ""
    return f"{dial.title}: {dial.note}{where}".replace("; by", ", by")


@alt_text.register
def _curve(data: TempoCurve, number: int = 1, of: int = 1) -> str:
    told = []
    for phrase in data.phrases:
        bpm = phrase.bpm[~np.isnan(phrase.bpm)]
        if len(bpm):
            ends = f"between {bpm.min():+.1f} and {bpm.max():+.1f} BPM of the backing"
            moves = f", {phrase.moves}" if phrase.moves else ""
            told.append(f"phrase {phrase.number} {ends}{moves}".replace("-", "−"))
    if not told:
        told = ["too few notes in every phrase to say"]
    title = _paged(data.title, number, of)
    return f"How time moves in {title}, backing at {data.backing_bpm:.0f} BPM: {_listed(told)}."


@alt_text.register
def _spreads(data: Spreads, number: int = 1, of: int = 1) -> str:
    told = _listed([_row(row) for row in data.rows])
    heard = "; ".join(f"{t.what} ({t.source})" for t in THRESHOLDS)
    return f"Spread of the notes in {_paged(data.title, number, of)}: {told}. Published: {heard}."


def _row(row: SpreadRow) -> str:
    return f"{row.subdivision} at {row.tempo_text}: {row.note}".replace("\n", ", ")
