"""How much one assignment may ask: bounds that its file, its options and its track share.

All are ours: far above what anybody practises, low enough that a slip of the pen is told.
"""

from __future__ import annotations

LAST_BAR = 9999
MOST_SECTIONS = 500
MOST_TEMPI = 100
MOST_COUNT_IN_BARS = 64
LONGEST_GAP_BARS = 64
MOST_NUMBERS = 64
"""Whole numbers in one list, like `beats`."""
MOST_NOTES = 1000
"""Notes that may be asked for in every bar."""
MOST_TRACK_BARS = 2000
"""Bars of one practice track."""
