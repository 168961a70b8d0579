"""Where the practice log lies when nobody says: the user's data folder, by the platform's custom.

`platformdirs` knows the custom of each system (small, without dependencies, kept by the
Python packaging people); guessing it ourselves would put the log where backups miss it.
"""

from __future__ import annotations

import os
from pathlib import Path

from improv.errors import LogError
from improv.files import reason, shown

VARIABLE = "IMPROV_LOG"
FILE_NAME = "practice-log.db"


def log_path(stated: str | None = None) -> Path:
    """The log meant: stated, named by the environment, or the user's own."""
    if stated:
        return Path(stated)
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("improv", appauthor=False) / FILE_NAME


def make_room(path: Path) -> None:
    """Makes the default folder, for the user alone; a folder somebody named must be there."""
    from platformdirs import user_data_path

    home = user_data_path("improv", appauthor=False)
    if path.parent == home:
        try:
            home.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as fault:
            raise LogError(
                f"{shown(home)}: cannot be made ({reason(fault)}); name a log with --log FILE"
            ) from None
