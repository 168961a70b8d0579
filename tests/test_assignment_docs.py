"""What the page on assignments says is so, and the example assignment does what it is for."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from improv.analysis import analyze
from improv.assignments.evidence import evidence
from improv.assignments.keys import CLICK_KEYS, POCKET_KEYS, SECTION_KEYS, TOP_KEYS
from improv.assignments.leaving import leaving
from improv.assignments.reading import parse_assignment, read_assignment
from improv.cli import cli
from improv.grid import SUBDIVISIONS
from improv.meter import parse_meter
from improv.synth import Hand, Line, Stretch, play

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "examples" / "assignments.md").read_text(encoding="utf-8")
EXAMPLE = ROOT / "examples" / "week-three.toml"


def test_the_page_shows_a_valid_assignment() -> None:
    """The file on the page is read without complaint and has three sections."""
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert len(parse_assignment(text).sections) == 3


@pytest.mark.parametrize("key", sorted({*TOP_KEYS, *SECTION_KEYS, *POCKET_KEYS, *CLICK_KEYS}))
def test_every_key_is_on_the_page(key: str) -> None:
    """No key is left for the reader to guess."""
    assert re.search(rf"(?<![\w-]){re.escape(key)}(?![\w-])", PAGE)


@pytest.mark.parametrize(
    ("take", "status"), [("ilka-holds", 0), ("juno-swings", 0), ("tarek-floats", 1)]
)
def test_the_example_assignment(take: str, status: int) -> None:
    """It passes the take that holds and the one that swings, not the one that floats."""
    take_path = ROOT / "examples" / f"{take}.mid"
    result = CliRunner().invoke(cli, ["check", str(EXAMPLE), str(take_path)])
    assert result.exit_code == status, result.output


def test_the_example_click_drops_out() -> None:
    """The example parses, and its click drops out every fourth bar."""
    assert read_assignment(EXAMPLE).click.bars_off == (1,)


def test_positions_decide_not_names() -> None:
    """An eighth-note line leaves no eighth position, even called as sixteenths throughout."""
    take, _ = play(Line((Stretch("eighths", 32),), tempo_bpm=100.0), Hand(8.0, 9.0), 2)
    analysis = analyze(take)
    finer = [row.key for row in SUBDIVISIONS].index("half-unit")
    notes = replace(
        analysis.notes,
        subdivision=np.full(len(take), finer),
        subdivision_name=("sixteenths",) * len(take),
        per_beat=np.full(len(take), 4.0),
    )
    seen = evidence(replace(analysis, notes=notes))
    assert set(seen.names) == {"sixteenths"}
    left = leaving(seen, ("eighths",), parse_meter("4/4"))
    assert left.inside.all() and left.chance.max() < 0.4
    assert not leaving(seen, ("quarters",), parse_meter("4/4")).inside[1::2].any()


def test_what_may_be_an_ornament_is_no_sure_evidence() -> None:
    """A note 60 ms before another, with longer steps around the two, and nothing else."""
    take, _ = play(Line((Stretch("eighths", 8),), tempo_bpm=100.0), Hand(0.0, 0.0), 2)
    seen = evidence(analyze(take))
    assert not seen.ornament.any()
    from improv.assignments.evidence import _ornaments

    grace = _ornaments(np.array([0.0, 0.3, 0.54, 0.6, 0.9, 1.2]))
    assert grace.tolist() == [False, False, True, False, False, False]
    assert not _ornaments(np.array([0.0, 0.07, 0.14, 0.21, 0.28])).any()
