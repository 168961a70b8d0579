"""The drawing: every kind on Agg, SVG and PDF; words that do not overlap; nothing random."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from pictures_made import Row, eighths, floating, picture

import improv.pictures
from improv.errors import TakeError, UsageError
from improv.model import Analysis
from improv.pictures.beat import beat_dials
from improv.pictures.chart import chart_of
from improv.pictures.chart_page import pages_of
from improv.pictures.draw_beat import draw_dial
from improv.pictures.draw_chart import draw_chart
from improv.pictures.draw_pages import pages
from improv.pictures.draw_rc import steady
from improv.pictures.draw_save import inline_svg, pdf_bytes, png_bytes, svg_text
from improv.pictures.draw_spread import draw_spread
from improv.pictures.draw_tempo import draw_lateness, draw_tempo
from improv.pictures.kinds import KINDS
from improv.pictures.paper import A4, Paper
from improv.pictures.spread import spreads_of
from improv.pictures.tempo_curve import tempo_curve

SVG = "{http://www.w3.org/2000/svg}"


def busy(bars: int, notes: int, meter: str = "4/4") -> Analysis:
    """A take of `notes` notes over `bars` bars, uneven, on two subdivisions."""
    rng = np.random.default_rng(notes)
    quarter = np.unique(np.sort(rng.choice(bars * 16, notes, replace=False)) / 4)
    rows: list[Row] = [
        (float(q), float(rng.normal(5, 20)), "half-unit" if (q // 8) % 2 else "unit")
        for q in quarter
        if (q // 8) % 2 or q % 0.5 == 0
    ]
    return picture(rows, meter=meter)


def drawn_words(figure: Figure) -> list[tuple[str, Bbox]]:
    """Every text that is drawn, with its box in pixels; ticks outside their axis are not."""
    canvas = FigureCanvasAgg(figure)
    with steady():
        canvas.draw()
        hidden = set()
        for axes in figure.axes:
            for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
                for place, label in zip(axis.get_ticklocs(), axis.get_ticklabels(), strict=True):
                    if not axes.axison or not min(low, high) <= place <= max(low, high):
                        hidden.add(id(label))
        texts = [t for t in figure.findobj(Text) if isinstance(t, Text) and id(t) not in hidden]
        renderer = canvas.get_renderer()
        return [
            (t.get_text(), t.get_window_extent(renderer))
            for t in texts
            if t.get_visible() and t.get_text().strip()
        ]


def words_overlapping(figure: Figure) -> list[tuple[str, str]]:
    """Pairs of drawn texts whose boxes cut into each other by over a pixel."""
    shown = drawn_words(figure)
    clashes = []
    for i, (one, a) in enumerate(shown):
        for other, b in shown[i + 1 :]:
            across = min(a.x1, b.x1) - max(a.x0, b.x0)
            down = min(a.y1, b.y1) - max(a.y0, b.y0)
            if across > 1.0 and down > 1.0:
                clashes.append((one, other))
    return clashes


def words_outside(figure: Figure) -> list[str]:
    """Drawn texts that leave the sheet."""
    wide, high = figure.bbox.width, figure.bbox.height
    return [
        text
        for text, box in drawn_words(figure)
        if box.x0 < 0 or box.y0 < 0 or box.x1 > wide or box.y1 > high
    ]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("bars", "notes", "meter"),
    [(2, 12, "4/4"), (8, 60, "6/8"), (32, 400, "4/4"), (128, 400, "4/4"), (16, 120, "2+2+2+3/8")],
)
def test_no_drawn_words_overlap_or_leave_the_sheet(
    kind: str, bars: int, notes: int, meter: str
) -> None:
    """As rendered, from 12 notes in 2 bars to 400 in 128, trimmed to what is on the sheet."""
    sheets = pages([busy(bars, notes, meter)], kind, trim=True)
    assert sheets
    for sheet in sheets:
        assert drawn_words(sheet.figure)
        assert words_overlapping(sheet.figure) == []
        assert words_outside(sheet.figure) == []


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("paper", [Paper(297.0, 210.0), Paper(216.0, 279.0), Paper(160.0, 160.0)])
def test_other_sheets_hold_the_words_too(kind: str, paper: Paper) -> None:
    """Landscape, letter, and a sheet hardly larger than a hand."""
    sheets = pages([floating()], kind, paper)
    assert sheets
    for sheet in sheets:
        assert drawn_words(sheet.figure)
        assert words_overlapping(sheet.figure) == []
        assert words_outside(sheet.figure) == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_an_svg_with_text_and_words(kind: str) -> None:
    """It parses as XML, keeps its title as text, names a role and says what it shows."""
    (sheet,) = pages([floating()], kind)
    root = ElementTree.fromstring(svg_text(sheet.figure, sheet.alt))
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img" and root.get("aria-label") == sheet.alt
    texts = ["".join(e.itertext()).strip() for e in root.iter(f"{SVG}text")]
    assert "solo.mid" in texts
    assert not list(root.iter(f"{SVG}image"))


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_picture_is_the_same_bytes(kind: str) -> None:
    """Drawn twice from the start: SVG, PNG and PDF do not differ, and hold no date."""
    first, second = (pages([floating()], kind)[0].figure for _ in range(2))
    assert svg_text(first) == svg_text(second)
    assert png_bytes(first, 60) == png_bytes(second, 60)
    assert pdf_bytes([first], "t") == pdf_bytes([second], "t")
    assert "dc:date" not in svg_text(first)


def test_a_pdf_holds_every_page_and_its_fonts() -> None:
    """Three pages of 100 bars; TrueType letters are inside."""
    sheets = pages([picture(eighths(800))])
    data = pdf_bytes([sheet.figure for sheet in sheets], "solo")
    assert len(sheets) == 3
    assert data.startswith(b"%PDF") and b"/Count 3" in data
    assert b"/FontFile2" in data and b"/Type3" not in data


def test_pictures_on_one_page_keep_their_ids_apart() -> None:
    """Inline elements begin at <svg, share no id, and refer only to their own."""
    (one,) = pages([floating()], "tempo")
    (two,) = pages([floating()], "spread")
    made = [inline_svg(s.figure, s.alt, name) for s, name in ((one, "first"), (two, "second"))]
    ids = [set(re.findall(r'\sid="([^"]+)"', text)) for text in made]
    assert all(text.startswith("<svg ") for text in made)
    assert ids[0] and not ids[0] & ids[1]
    for text, own in zip(made, ids, strict=True):
        assert set(re.findall(r'(?:href="|url\()#([^")]+)', text)) <= own


def test_a_picture_is_drawn_on_an_axis_that_is_given() -> None:
    """Every drawing function takes finished values and somebody else's axis."""
    figure = Figure(figsize=(12, 12))
    axes = figure.subplots(3, 2)
    analysis = floating()
    draw_chart(axes[0, 0], pages_of(chart_of(analysis))[0])
    draw_dial(axes[0, 1], beat_dials(analysis).dials[0])
    draw_tempo(axes[1, 0], tempo_curve(analysis))
    draw_lateness(axes[1, 1], tempo_curve(analysis))
    spreads = spreads_of([analysis])
    draw_spread(axes[2, 0], spreads.rows, spreads.frame_ms)
    assert png_bytes(figure, 50).startswith(b"\x89PNG")


def test_type_shrinks_with_the_axis_it_is_drawn_on() -> None:
    """A page on an axis of half its size has letters of half the size."""
    (page,) = pages_of(chart_of(floating()))
    sizes = []
    for share in (1.0, 0.5):
        figure = Figure(figsize=(page.width_mm / 25.4, page.height_mm / 25.4))
        axes = figure.add_axes((0.0, 0.0, share, share))
        draw_chart(axes, page)
        sizes.append(max(t.get_fontsize() for t in axes.texts))
    assert sizes[1] == pytest.approx(sizes[0] / 2)


def test_a_chart_needs_few_artists() -> None:
    """Five hundred notes are drawn by a handful of collections, not by hundreds of artists."""
    figure = pages([picture([(i / 4, 3.0, "half-unit") for i in range(500)])])[0].figure
    assert len(figure.axes[0].collections) < 20


def test_names_that_look_like_markup_are_only_names() -> None:
    """Dollars are no mathematics, tags no tags, and letters no font has are boxes."""
    analysis = picture(eighths(8), name_="$x^2$ <script> & 音.mid")
    for kind in KINDS:
        (sheet,) = pages([analysis], kind)
        png_bytes(sheet.figure, 40)
        text = svg_text(sheet.figure, sheet.alt)
        root = ElementTree.fromstring(text)
        shown = ["".join(e.itertext()) for e in root.iter(f"{SVG}text")]
        assert "$x^2$ <script> & □.mid" in shown
        assert "<script" not in text


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "rows",
    [
        [(0.0, 0.0, "unit")],
        [(0.0, 0.0, "unit"), (0.0, 0.0, "unit")],
        [(3.7, 400.0, "unit"), (4.0, -400.0, "beat"), (700.0, 0.0, "unit")],
        [(i / 2, 0.0, "unit") for i in range(12)],
    ],
    ids=["one", "one place", "far apart", "machine"],
)
def test_small_and_odd_takes_are_drawn(kind: str, rows: list[Row]) -> None:
    """One note, two at one place, notes far apart, and notes without any deviation."""
    sheets = pages([picture(rows)], kind, trim=True)
    assert sheets
    for sheet in sheets:
        assert png_bytes(sheet.figure, 30) and sheet.alt


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "spread"])
def test_a_take_that_is_all_off_the_grid_is_drawn(kind: str) -> None:
    """There are marks, dials and bars, though nothing deviates from anything."""
    analysis = picture(
        [(i / 4.6, 0.0, None) for i in range(20)], constant_offset_ms=None, spread_ms=None
    )
    (sheet,) = pages([analysis], kind)
    assert png_bytes(sheet.figure, 30)


def test_nothing_to_draw_is_said() -> None:
    """No spread without a subdivision; no unknown kind; no chart of two takes."""
    free = picture([(i / 4.6, 0.0, None) for i in range(20)])
    with pytest.raises(TakeError, match="solo.mid: no note lies on a subdivision"):
        pages([free], "spread")
    with pytest.raises(UsageError, match="no kind of picture 'pie'; there are: chart, beat"):
        pages([free], "pie")
    with pytest.raises(UsageError, match="the chart shows one take"):
        pages([free, free])
    with pytest.raises(TakeError, match="no notes to draw"):
        pages([])


def test_a_users_own_settings_stay_out_and_stay_put() -> None:
    """matplotlib's parameters as a user set them change no picture and are not changed."""
    plain = svg_text(pages([floating()], "tempo")[0].figure)
    with matplotlib.rc_context({"font.size": 30, "axes.grid": True, "lines.linewidth": 9}):
        assert svg_text(pages([floating()], "tempo")[0].figure) == plain
        assert matplotlib.rcParams["font.size"] == 30


def test_only_drawing_modules_know_the_picture_library() -> None:
    """matplotlib is imported by `draw_*` modules and by no other; pyplot by none."""
    users = set()
    for path in Path(improv.pictures.__file__).parent.glob("*.py"):
        source = path.read_text(encoding="utf-8")
        assert "pyplot" not in source.replace("without pyplot", "")
        for node in ast.walk(ast.parse(source)):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(name.startswith("matplotlib") for name in names):
                users.add(path.stem)
    assert users and all(user.startswith("draw_") for user in users)


def test_plot_data_loads_no_picture_library() -> None:
    """All values, the command among them, are there without matplotlib."""
    code = (
        "import sys, improv.commands.plot, improv.pictures.alt, improv.pictures.chart_page\n"
        "print('matplotlib' in sys.modules)"
    )
    root = Path(improv.pictures.__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root
    )
    assert done.stdout.strip() == "False"


def test_sheets_are_trimmed_below_what_is_on_them() -> None:
    """A few bars need a strip, not a whole sheet; the strip is as wide."""
    for kind in ("chart", "beat", "spread"):
        (whole,) = pages([floating()], kind, A4)
        (strip,) = pages([floating()], kind, A4, trim=True)
        assert strip.figure.get_figheight() < whole.figure.get_figheight()
        assert strip.figure.get_figwidth() == whole.figure.get_figwidth()
