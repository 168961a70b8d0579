"""The look all pictures share: colours, type sizes in points, line widths in points.

Early and late are a dark blue and a mid orange: apart in hue for every common kind of
colour vision, and apart in lightness (CIE L* about 36 and 62) where there is only grey.
Everything else is ink and greys.
"""

from __future__ import annotations

FONT = "DejaVu Sans"

INK = "#1c1c20"
GREY = "#5c5c64"
LIGHT = "#9a9aa2"
FAINT = "#c6c6ce"
HATCH = "#b4b4bc"
BAND = "#e9e9ee"
PAPER = "#ffffff"
EARLY = "#27549b"
LATE = "#d97d12"
FILL = "#a9bcd8"

TITLE_PT = 12.0
HEAD_PT = 9.0
BODY_PT = 8.0
LABEL_PT = 7.0
SMALL_PT = 6.5

HAIR_PT = 0.4
FINE_PT = 0.6
LINE_PT = 0.9
BOLD_PT = 1.6

EARLY_MARK = "^"
LATE_MARK = "v"
IN_MARK = "o"
OFF_MARK = "x"
"""Marks of notes: ahead of the pocket, behind it, in it, on no grid."""
