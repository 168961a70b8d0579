"""How wide words are, so that labels are fitted before anything is drawn.

Advance widths of DejaVu Sans and its bold, in thousandths of the type size, for the
printable ASCII characters in order (read from the fonts that matplotlib carries; a test
reads them again). Other characters count as one full size, which is never too little.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

MM_PER_PT = 25.4 / 72.0

_PLAIN = (
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636,
    636, 636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632,
    575, 775, 752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685,
    611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579,
    278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
)  # fmt: skip
_BOLD = (
    348, 456, 521, 838, 696, 1002, 872, 306, 457, 457, 523, 838, 380, 415, 380, 365, 696, 696, 696,
    696, 696, 696, 696, 696, 696, 696, 400, 400, 838, 838, 838, 580, 1000, 774, 762, 734, 830, 683,
    683, 821, 837, 372, 372, 775, 637, 995, 837, 850, 733, 850, 770, 720, 682, 812, 774, 1103, 771,
    724, 725, 457, 365, 457, 838, 500, 500, 675, 716, 593, 716, 678, 435, 716, 712, 343, 343, 665,
    343, 1042, 712, 687, 716, 716, 493, 595, 478, 712, 652, 924, 645, 652, 582, 712, 365, 712, 838,
)  # fmt: skip


def width_mm(text: str, size_pt: float, bold: bool = False) -> float:
    """Width of one line of text in mm at a type size in points."""
    table = _BOLD if bold else _PLAIN
    total = sum(table[ord(c) - 32] if 32 <= ord(c) < 127 else 1000 for c in text)
    return total / 1000.0 * size_pt * MM_PER_PT


def height_mm(size_pt: float) -> float:
    """Height in mm that a line of text needs, ascenders to descenders."""
    return 1.17 * size_pt * MM_PER_PT


def first_fitting(choices: Sequence[str], room_mm: float, size_pt: float) -> str | None:
    """The first of the texts that fits the room, or `None`."""
    return next((text for text in choices if width_mm(text, size_pt) <= room_mm), None)


def shortened(text: str, room_mm: float, size_pt: float, bold: bool = False) -> str:
    """The text, cut from the middle with an ellipsis where it is wider than the room."""
    if width_mm(text, size_pt, bold) <= room_mm:
        return text
    for kept in range(len(text) - 1, 1, -1):
        head = (kept + 1) // 2
        cut = f"{text[:head].rstrip()}…{text[len(text) - kept + head :].lstrip()}"
        if width_mm(cut, size_pt, bold) <= room_mm:
            return cut
    return "…"


def fitted_facts(facts: str, room_mm: float, size_pt: float) -> str:
    """Facts parted by commas, in one line: without what is in brackets, then without the last."""
    if width_mm(facts, size_pt) > room_mm:
        facts = re.sub(r" \([^)]*\)", "", facts)
    while width_mm(facts, size_pt) > room_mm and ", " in facts:
        facts = facts[: facts.rindex(", ")]
    return shortened(facts, room_mm, size_pt)


def fitted_names(lead: str, names: Sequence[str], room_mm: float, size_pt: float) -> str:
    """A lead and names in one line; those there is no room for are counted: `and 8 more`."""
    for kept in range(len(names), 0, -1):
        more = f" and {len(names) - kept} more" if kept < len(names) else ""
        line = f"{lead}{', '.join(names[:kept])}{more}"
        if width_mm(line, size_pt) <= room_mm:
            return line
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    room_mm -= width_mm(lead + more, size_pt)
    return f"{lead}{shortened(names[0], room_mm, size_pt)}{more}"


def wrapped(text: str, room_mm: float, size_pt: float) -> tuple[str, ...]:
    """The text in lines no wider than the room, broken at blanks."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_mm(longer, size_pt) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return tuple(lines)
