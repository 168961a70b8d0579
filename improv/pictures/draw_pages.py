"""Whole figures of every kind, page by page, from analyses.

`pages` gives `Sheet`s: a matplotlib figure and what it shows in words. Figures are made
without pyplot, so nothing global changes and nothing opens a window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure

from improv.errors import TakeError, UsageError
from improv.model import Analysis
from improv.pictures.alt import alt_text
from improv.pictures.beat import Dials, beat_dials
from improv.pictures.chart import chart_of
from improv.pictures.chart_page import PER_LINE, pages_of
from improv.pictures.draw_beat import draw_dial
from improv.pictures.draw_chart import draw_chart
from improv.pictures.draw_rc import steady
from improv.pictures.draw_spread import draw_spread
from improv.pictures.draw_tempo import draw_lateness, draw_tempo
from improv.pictures.draw_words import drawable
from improv.pictures.kinds import KINDS
from improv.pictures.letters import (
    fitted_facts,
    fitted_names,
    height_mm,
    shortened,
    width_mm,
    wrapped,
)
from improv.pictures.look import BODY_PT, FONT, GREY, INK, SMALL_PT, TITLE_PT
from improv.pictures.paper import A4, Paper
from improv.pictures.spread import MOST_ROWS, THRESHOLDS, TONE_SOURCE, Spreads, spreads_of
from improv.pictures.tempo_curve import TempoCurve, tempo_curve

MARGIN_MM = 10.0
HEAD_MM = 14.0
DIAL_MM = 60.0
LARGEST_DIAL_MM = 92.0
DIAL_RISE = 1.22
"""Height of a dial with its words, in widths."""
MOST_DIALS = 8


Box = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Sheet:
    """One finished page: its kind, the figure, and what it shows in words."""

    kind: str
    figure: Figure
    alt: str


def pages(
    analyses: Sequence[Analysis],
    kind: str = "chart",
    paper: Paper = A4,
    per_line: int = PER_LINE,
    trim: bool = False,
) -> list[Sheet]:
    """All pages of one kind of picture; `trim` cuts sheets below what is on them.

    Only the spread is drawn of several takes at once. Raises `UsageError` for an unknown
    kind and `TakeError` where there is nothing to draw.
    """
    if kind not in KINDS:
        raise UsageError(f"no kind of picture '{kind}'; there are: {', '.join(KINDS)}")
    if not analyses or not all(len(a.notes) for a in analyses):
        raise TakeError("there are no notes to draw")
    if kind != "spread" and len(analyses) > 1:
        raise UsageError(f"the {kind} shows one take; of several, only the spread can be drawn")
    with steady():
        if kind == "spread":
            return _spread_pages(spreads_of(analyses), paper, trim)
        if kind == "chart":
            return _chart_pages(analyses[0], paper, per_line, trim)
        if kind == "beat":
            return _beat_pages(beat_dials(analyses[0]), paper, trim)
        return _tempo_pages(tempo_curve(analyses[0]), paper)


def _blank(paper: Paper) -> Figure:
    return Figure(figsize=(paper.width_mm / 25.4, paper.height_mm / 25.4), facecolor="white")


def _chart_pages(analysis: Analysis, paper: Paper, per_line: int, trim: bool) -> list[Sheet]:
    chart = chart_of(analysis)
    sheets = []
    for page in pages_of(chart, per_line, paper, trim):
        figure = _blank(Paper(page.width_mm, page.height_mm))
        draw_chart(figure.add_axes((0.0, 0.0, 1.0, 1.0)), page)
        sheets.append(Sheet("chart", figure, alt_text(chart, page.number, page.of)))
    return sheets


class _Frame:
    """Places words and axes on a figure by millimetres from its upper left corner."""

    def __init__(self, paper: Paper, title: str, facts: str, number: int, of: int) -> None:
        self.paper = paper
        self.figure = _blank(paper)
        room = paper.width_mm - 2 * MARGIN_MM
        side = f"page {number} of {of}" if of > 1 else ""
        aside = width_mm(side, BODY_PT) + 5.0 if side else 0.0
        head = shortened(title, room - aside, TITLE_PT, bold=True)
        self.words(MARGIN_MM, MARGIN_MM + 3.6, head, TITLE_PT, bold=True)
        self.words(MARGIN_MM, MARGIN_MM + 8.6, fitted_facts(facts, room, BODY_PT), BODY_PT)
        if side:
            at = paper.width_mm - MARGIN_MM - width_mm(side, BODY_PT)
            self.words(at, MARGIN_MM + 3.6, side, BODY_PT, grey=True)

    def words(
        self, x: float, y: float, text: str, size: float, bold: bool = False, grey: bool = False
    ) -> None:
        """One line of text with its baseline at y."""
        self.figure.text(
            x / self.paper.width_mm,
            1.0 - y / self.paper.height_mm,
            drawable(text),
            fontsize=size,
            fontfamily=FONT,
            fontweight="bold" if bold else "normal",
            color=GREY if grey else INK,
            parse_math=False,
        )

    def foot(self, sentences: Sequence[str]) -> float:
        """Lines of small type at the foot; returns the height they take."""
        room = self.paper.width_mm - 2 * MARGIN_MM
        lines = [line for s in sentences for line in wrapped(s, room, SMALL_PT)]
        step = height_mm(SMALL_PT) + 0.9
        for i, line in enumerate(reversed(lines)):
            self.words(MARGIN_MM, self.paper.height_mm - MARGIN_MM - i * step, line, SMALL_PT)
        return len(lines) * step + 3.0

    def box(self, left: float, top: float, width: float, height: float) -> Box:
        """A rectangle in the figure's own shares, as `add_axes` takes it."""
        wide, high = self.paper.width_mm, self.paper.height_mm
        return left / wide, 1.0 - (top + height) / high, width / wide, height / high


def _beat_pages(dials: Dials, paper: Paper, trim: bool) -> list[Sheet]:
    whole = paper.on_its_side
    room_mm = whole.width_mm - 2 * MARGIN_MM
    across = max(int(room_mm // DIAL_MM), 1)
    fixed = 2 * MARGIN_MM + HEAD_MM + BEAT_KEY_MM
    below = max(int((whole.height_mm - fixed) // (DIAL_MM * DIAL_RISE)), 1)
    each = min(across * below, MOST_DIALS)
    of = math.ceil(len(dials.dials) / each)
    facts = f"Where in the beat the notes fall. {dials.facts}"
    sheets = []
    for number in range(of):
        own = dials.dials[number * each : (number + 1) * each]
        rows = math.ceil(len(own) / across)
        columns = math.ceil(len(own) / rows)
        wide = min(room_mm / columns, LARGEST_DIAL_MM)
        high = min((whole.height_mm - fixed) / rows, wide * DIAL_RISE)
        sheet = Paper(whole.width_mm, fixed + high * rows) if trim else whole
        frame = _Frame(sheet, dials.title, facts, number + 1, of)
        frame.foot(BEAT_KEY)
        for i, dial in enumerate(own):
            left = MARGIN_MM + wide * (i % columns)
            top = MARGIN_MM + HEAD_MM + high * (i // columns)
            draw_dial(frame.figure.add_axes(frame.box(left, top, wide, high)), dial)
        part = Dials(dials.title, dials.facts, own)
        sheets.append(Sheet("beat", frame.figure, alt_text(part, number + 1, of)))
    return sheets


BEAT_KEY_MM = 12.0
BEAT_KEY = (
    "Each circle is one beat, begun at the top and running clockwise: late is clockwise. The "
    "ring counts notes by where in the beat they were struck (equal areas, equal counts). Lines "
    "with counts: where the fitted subdivision puts the notes. Inside, where the notes of each "
    "position centre: a dot within 10 ms of it, otherwise a triangle turned the way they lean. "
    "Spread: standard deviation, a phrase's offset and drift taken out; fumbles weigh little.",
)
TEMPO_KEY = (
    "Above: the player's tempo, from a straight line through the deviations of about eight "
    "beats; shaded, where it lies with about 95 % confidence at each place. Grey band: changes of "
    "tempo under 1.5 % are not heard; dashed lines: from 3 % on they are (Drake & Botte 1993, of "
    "steady tempi; gradual drift is harder to hear).",
    "Below: every note on a grid, and the course of their deviations. Hatched: runs off the "
    "grid, which have no tempo against it.",
)


def _tempo_pages(curve: TempoCurve, paper: Paper) -> list[Sheet]:
    sheet = paper.on_its_side
    frame = _Frame(sheet, curve.title, f"How time moves. {curve.facts}", 1, 1)
    foot = frame.foot(TEMPO_KEY)
    left, right = MARGIN_MM + 13.0, MARGIN_MM
    top = MARGIN_MM + HEAD_MM + 7.0
    bottom = sheet.height_mm - MARGIN_MM - foot - 9.0
    wide, high = sheet.width_mm - left - right, bottom - top
    upper = frame.figure.add_axes(frame.box(left, top, wide, high * 0.56))
    lower = frame.figure.add_axes(frame.box(left, top + high * 0.66, wide, high * 0.34))
    draw_tempo(upper, curve)
    draw_lateness(lower, curve)
    return [Sheet("tempo", frame.figure, alt_text(curve))]


SPREAD_LEFT_MM, SPREAD_RIGHT_MM = 40.0, 33.0
ROW_MM = (16.0, 34.0)
SPREAD_KEY_MM = 24.0
SPREAD_KEY = (
    "Curve: how the deviations are distributed; dots: every note (triangles at the edge: notes "
    "beyond it); bar and circle: the middle half of the notes and their median. Spread: standard "
    "deviation, ± two standard errors, a phrase's drift taken out; fumbles weigh little.",
    f"Grey: one displaced tone in an even row is not heard within it, 6 ms or 2.5 % of the "
    f"spacing ({TONE_SOURCE}).",
    *(f"{t.mark}: {t.what} ({t.source})." for t in THRESHOLDS),
)


def _spread_facts(spreads: Spreads, sheet: Paper) -> str:
    lead = "Spread by subdivision and tempo. "
    if not spreads.names:
        return lead + spreads.facts
    return fitted_names(lead, spreads.names, sheet.width_mm - 2 * MARGIN_MM, BODY_PT)


def _spread_pages(spreads: Spreads, paper: Paper, trim: bool) -> list[Sheet]:
    if not spreads.rows:
        raise TakeError(
            f"{spreads.title}: no note lies on a subdivision, so no spread can be drawn"
        )
    of = math.ceil(len(spreads.rows) / MOST_ROWS)
    sheets = []
    for number in range(of):
        own = spreads.rows[number * MOST_ROWS : (number + 1) * MOST_ROWS]
        fixed = 2 * MARGIN_MM + HEAD_MM + 5.0 + 13.0 + SPREAD_KEY_MM
        row_mm = min(max((paper.height_mm - fixed) / len(own), ROW_MM[0]), ROW_MM[1])
        height = fixed + row_mm * len(own)
        sheet = Paper(paper.width_mm, height if trim else max(height, paper.height_mm))
        frame = _Frame(sheet, spreads.title, _spread_facts(spreads, sheet), number + 1, of)
        frame.foot(SPREAD_KEY)
        wide = sheet.width_mm - SPREAD_LEFT_MM - SPREAD_RIGHT_MM - MARGIN_MM
        top = MARGIN_MM + HEAD_MM + 5.0
        box = frame.box(MARGIN_MM + SPREAD_LEFT_MM - 10.0, top, wide + 10.0, row_mm * len(own))
        draw_spread(frame.figure.add_axes(box), own, spreads.frame_ms)
        part = Spreads(spreads.title, spreads.facts, spreads.frame_ms, own)
        sheets.append(Sheet("spread", frame.figure, alt_text(part, number + 1, of)))
    return sheets
