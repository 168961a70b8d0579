"""The key under a chart: what its marks mean and how large deviations are drawn."""

from __future__ import annotations

import numpy as np

from improv.pictures.chart import (
    EARLY,
    GRACE,
    IN_POCKET,
    LATE,
    OFF_GRID,
    UNTIMED,
    Chart,
)
from improv.pictures.chart_scale import Scale
from improv.pictures.letters import width_mm, wrapped
from improv.pictures.look import SMALL_PT
from improv.pictures.sheet import Draft, Label

ROW_MM = 4.0
SYMBOL_MM = 6.0
BETWEEN_MM = 4.5

Item = tuple[str, str]


def _items(chart: Chart) -> list[Item]:
    """Symbols of the key with their words; only what this chart shows."""
    says = set(chart.marks.says.tolist())
    early, late = chart.pocket_ms
    middle = "0" if chart.constant_offset_ms is None else f"{(early + late) / 2:+.0f} ms"
    width = f"±{(late - early) / 2:.0f} ms"
    items: list[Item] = [
        ("pocket", f"pocket: {width} about the take's own constant offset, {_minus(middle)}"),
        ("in", "note in the pocket"),
    ]
    if EARLY in says:
        items.append(("early", "ahead of it"))
    if LATE in says:
        items.append(("late", "behind it"))
    if not chart.marks.sure.all():
        items.append(("open", "open: its subdivision is too close to call"))
    items.append(("position", "positions of the subdivision in force"))
    if OFF_GRID in says:
        items.append(("off", "note on no grid"))
    if chart.runs:
        items.append(("hatch", "run off the grid, with its notes per beat"))
    if UNTIMED in says:
        items.append(("untimed", "cut to the start of the file: not timed"))
    if GRACE in says:
        items.append(("grace", "ornament"))
    return items


def _minus(text: str) -> str:
    return text.replace("-", "−")


def _sentence(scale: Scale) -> str:
    times = f"{scale.sideways:g} times its true size" if scale.sideways != 1 else "true to size"
    return (
        "Late notes stand to the right of their position and below the line, early ones to the "
        f"left and above. Sideways the deviation is drawn {times}; up and down the frame ends at "
        f"{scale.frame_ms:.0f} ms early and late, and notes beyond stand outside it."
    )


def _rows(items: list[Item], room_mm: float) -> list[list[Item]]:
    rows: list[list[Item]] = [[]]
    used = 0.0
    for item in items:
        wide = SYMBOL_MM + width_mm(item[1], SMALL_PT) + BETWEEN_MM
        if rows[-1] and used + wide - BETWEEN_MM > room_mm:
            rows.append([])
            used = 0.0
        rows[-1].append(item)
        used += wide
    return rows


def key_height(chart: Chart, scale: Scale, room_mm: float) -> float:
    """Height of the key in mm on a sheet that leaves `room_mm` between its margins."""
    rows = len(_rows(_items(chart), room_mm))
    return ROW_MM * (rows + len(wrapped(_sentence(scale), room_mm, SMALL_PT))) + 2.0


def put_key(
    draft: Draft, chart: Chart, scale: Scale, left: float, top: float, width: float
) -> None:
    """The key, its upper edge at `top`, on a sheet `width` mm wide."""
    room = width - 2 * left
    draft.stroke("edge", left, top, left + room, top)
    y = top + 1.4
    for row in _rows(_items(chart), room):
        x = left
        for symbol, words in row:
            _put_symbol(draft, symbol, x, y + 1.6, scale)
            draft.labels.append(Label(x + SYMBOL_MM, y + 2.4, words, SMALL_PT))
            x += SYMBOL_MM + width_mm(words, SMALL_PT) + BETWEEN_MM
        y += ROW_MM
    for text in wrapped(_sentence(scale), room, SMALL_PT):
        draft.labels.append(Label(left, y + 2.4, text, SMALL_PT))
        y += ROW_MM


_SAYS = {"in": IN_POCKET, "early": EARLY, "late": LATE, "off": OFF_GRID, "untimed": UNTIMED,
         "grace": GRACE, "open": IN_POCKET}  # fmt: skip


def _put_symbol(draft: Draft, symbol: str, x: float, y: float, scale: Scale) -> None:
    left, right = x + 0.3, x + SYMBOL_MM - 1.2
    middle = (left + right) / 2
    if symbol == "pocket":
        draft.band("pocket", left, y - 1.3, right, y + 1.3)
        draft.stroke("middle", left, y, right, y)
    elif symbol == "position":
        draft.stroke("middle", left, y, right, y)
        ticks = np.linspace(left + 0.5, right - 0.5, 3)
        draft.stroke("position", ticks, y - 1.2, ticks, y + 1.2)
    elif symbol == "hatch":
        draft.band("run", left, y - 1.3, right, y + 1.3)
        draft.hatch("hatch", left, y - 1.3, right, y + 1.3)
    else:
        says = _SAYS[symbol]
        at = (np.array([middle]), np.array([y]))
        size = max(scale.mark_mm, 1.2) * (0.5 if says == GRACE else 1.0)
        draft.dots(says, symbol not in ("open", "untimed"), size, *at)
