"""improv as a library: the lines its front page shows, and values of the wrong kind."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import hand_made
import pytest

import improv
from improv import Reading, Settings, TakeError, UsageError, analyze, read_take, text_report
from improv.meter import parse_meter

ROOT = Path(__file__).resolve().parent.parent
HOLDS = ROOT / "examples" / "ilka-holds.mid"


def test_three_lines_print_the_report() -> None:
    """What the command line prints, from the top of the package."""
    told = text_report(analyze(read_take(HOLDS, Reading(count_in_bars=1))))
    assert "What to practise" in told
    assert all(name in improv.__all__ for name in ("text_report", "json_text", "csv_text"))


def test_an_analysis_prints_short() -> None:
    """No arrays on the screen: a line a phrase, and where the rest is; one line in a shell."""
    made = hand_made.floating()
    lines = str(made).splitlines()
    assert lines[0] == "solo.mid: 70 notes, 4/4 at 96 BPM"
    assert len(lines) == 2 + len(made.phrases)
    assert any(line.endswith("too close to call") for line in lines)
    assert "text_report" in lines[-1]
    for thing in (made, made.take, made.notes):
        assert len(repr(thing)) < 100 and "\n" not in repr(thing)


def test_many_phrases_print_short_too() -> None:
    """A long take is cut, and says so."""
    made = hand_made.analysis(
        ["unit"] * 60, tuple(hand_made.phrase(i + 1, 2 * i, 2 * i + 2, (i, i)) for i in range(30))
    )
    lines = str(made).splitlines()
    assert len(lines) == 15
    assert lines[1] == "phrase 1, bar 0: eighths"
    assert lines[-2] == "... and 18 phrases more"


@pytest.mark.parametrize("text", ["6/8", "2+2+2+3/8", "9/8+10/8"])
def test_a_meter_as_text(text: str) -> None:
    """As on the command line; a single bar or a list will do as well."""
    cycle = parse_meter(text)
    assert Reading(meter=text).meter == cycle  # type: ignore[arg-type]
    assert Reading(meter=list(cycle)).meter == cycle  # type: ignore[arg-type]
    assert Reading(meter=cycle[0]).meter == cycle[:1]  # type: ignore[arg-type]


def test_a_track_by_its_number() -> None:
    """The number is what is written after --track."""
    reading = Reading(track=2)  # type: ignore[arg-type]
    assert reading == Reading(track="2")
    with pytest.raises(TakeError, match="track '9' is not in this file"):
        read_take(HOLDS, Reading(track=9))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"meter": "6/7"}, "the lower figure must be"),
        ({"meter": 6}, "meter 6: write it like 4/4"),
        ({"meter": [(3, 4)]}, "write it like 4/4"),
        ({"start_sec": "auto"}, "find_start=True"),
        ({"start_sec": True}, "start_sec True: state a number"),
        ({"tempo_bpm": "96"}, "tempo_bpm '96': state a number"),
        ({"count_in_bars": 1.5}, "count_in_bars 1.5: state a whole number"),
        ({"channel": "1"}, "channel '1': state a whole number"),
        ({"track": 1.0}, "track 1.0: name it, or give its number"),
        ({"backing": 5}, "backing 5: name the file"),
        ({"find_start": "auto"}, "find_start 'auto': state True or False"),
    ],
)
def test_a_reading_of_the_wrong_kind(given: dict[str, Any], said: str) -> None:
    """One message of the error family, with what to do; no fault of the program."""
    with pytest.raises(UsageError, match=said):
        Reading(**given)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"tolerance_ms": float("nan")}, "tolerance_ms nan lies outside 1 to 500"),
        ({"tolerance_ms": 0}, "tolerance_ms 0 lies outside"),
        ({"tolerance_ms": "20"}, "tolerance_ms '20': state a number"),
        ({"first_bar": 1.5}, "first_bar 1.5: state a whole number"),
        ({"first_bar": 5, "last_bar": 4}, "the last comes before the first"),
        ({"subdivisions": 4}, "subdivisions 4: name them, like eighths,sixteenths"),
        ({"subdivisions": (4, 3)}, "name them, like eighths,sixteenths"),
    ],
)
def test_settings_of_the_wrong_kind(given: dict[str, Any], said: str) -> None:
    """The bounds of the command line hold for a library as well."""
    with pytest.raises(UsageError, match=said):
        Settings(**given)


def test_subdivisions_as_text() -> None:
    """Separated by commas, as on the command line."""
    assert Settings(subdivisions="eighths, sixteenths").subdivisions == ("eighths", "sixteenths")  # type: ignore[arg-type]
