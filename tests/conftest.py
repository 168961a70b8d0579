"""Lets tests import `benchmarks` from the checkout, while `improv` stays the installed one."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from improv.log.place import VARIABLE

sys.path.append(str(Path(__file__).resolve().parent.parent))


@pytest.fixture
def own_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A practice log of the test's own, named by the environment: `log.db` in its folder."""
    monkeypatch.setenv(VARIABLE, str(tmp_path / "log.db"))
