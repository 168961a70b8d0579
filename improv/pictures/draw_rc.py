"""matplotlib's own defaults for as long as a figure is made: no user's settings get in."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Any

import matplotlib

from improv.pictures.look import FONT

_GROUPS = (
    "axes.", "figure.", "font.", "grid.", "hatch.", "lines.", "markers.", "patch.", "path.",
    "pdf.", "savefig.", "scatter.", "svg.", "text.", "xaxis.", "xtick.", "yaxis.", "ytick.",
)  # fmt: skip
_OURS = {
    "text.hinting": "none",  # letters as wide as they were reckoned, at any size
    "svg.fonttype": "none",  # text stays text: found, read aloud, scaled
    "svg.hashsalt": "improv",
    "pdf.fonttype": 42,  # whole TrueType letters, copied and searched like any text
    "font.family": [FONT, "sans-serif"],
    "hatch.linewidth": 0.6,
    "path.simplify": False,
}


def steady() -> AbstractContextManager[None]:
    """A context in which matplotlib's parameters are the defaults and ours."""
    defaults = matplotlib.rcParamsDefault
    plain: dict[str, Any] = {key: defaults[key] for key in defaults if key.startswith(_GROUPS)}
    ours: Any = {**plain, **_OURS}
    return matplotlib.rc_context(ours)
