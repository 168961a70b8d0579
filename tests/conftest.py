"""Lets tests import `benchmarks` from the checkout, while `improv` stays the installed one."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parent.parent))
