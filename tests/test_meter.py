"""Meters: how they are read, grouped and measured."""

from __future__ import annotations

from fractions import Fraction

import music21
import pytest

from improv.errors import UsageError
from improv.meter import Meter, cycle_quarters, meter_of, meter_text, parse_meter

# Common practice, no source: how musicians group and count these.
READ = [
    # written            kind        groups             tempo counts (quarters)
    ("4/4", "simple", (1, 1, 1, 1), "1"),
    ("3/4", "simple", (1, 1, 1), "1"),
    ("5/4", "simple", (1,) * 5, "1"),
    ("2/2", "simple", (1, 1), "2"),
    ("3/2", "simple", (1, 1, 1), "2"),
    ("4/8", "simple", (1, 1, 1, 1), "1/2"),
    ("3/8", "compound", (3,), "3/2"),
    ("6/8", "compound", (3, 3), "3/2"),
    ("9/8", "compound", (3, 3, 3), "3/2"),
    ("12/8", "compound", (3, 3, 3, 3), "3/2"),
    ("6/4", "compound", (3, 3), "3"),
    ("3+3/8", "compound", (3, 3), "3/2"),
    ("1+1+1/4", "simple", (1, 1, 1), "1"),
    ("5/8", "additive", (2, 3), "1"),
    ("7/8", "additive", (2, 2, 3), "1"),
    ("7/16", "additive", (2, 2, 3), "1/2"),
    ("2+2+2+3/8", "additive", (2, 2, 2, 3), "1"),
    ("3+2+2/8", "additive", (3, 2, 2), "1"),
    ("3+2/4", "simple", (1,) * 5, "1"),
]


@pytest.mark.parametrize(("text", "kind", "groups", "tempo_beat"), READ)
def test_meters_are_read_and_grouped(
    text: str, kind: str, groups: tuple[int, ...], tempo_beat: str
) -> None:
    """Kind, beats and the note a tempo counts, for every meter a musician may write."""
    (meter,) = parse_meter(text)

    assert (meter.kind, meter.groups) == (kind, groups)
    assert meter.tempo_beat_quarter == Fraction(tempo_beat)
    assert sum(meter.beat_quarters) == meter.bar_quarters


@pytest.mark.parametrize("text", ["4/4", "6/8", "2+2+2+3/8", "3+2/4", "9/8+10/8", "2+3/8+7/8"])
def test_a_meter_reads_back_as_written(text: str) -> None:
    """The text of a meter means the meter; only plain 7/8 gains its grouping."""
    cycle = parse_meter(text)

    assert parse_meter(meter_text(cycle)) == cycle


def test_a_plain_additive_meter_shows_its_grouping() -> None:
    """7/8 has more than one grouping, so the one assumed is written out."""
    assert meter_text(parse_meter("7/8")) == "2+2+3/8"


def test_alternating_bars() -> None:
    """9/8+10/8 is a cycle of two bars."""
    nine, ten = parse_meter(" 9/8 + 10/8 ")

    assert (nine.bar_quarters, ten.bar_quarters) == (Fraction(9, 2), 5)


def test_grouped_quarters_keep_their_beats() -> None:
    """3+2/4 has the five beats of 5/4; the grouping is kept as accents, and only there."""
    grouped, plain = parse_meter("3+2/4")[0], parse_meter("5/4")[0]

    assert grouped.accents == (3, 2)
    assert grouped.beat_starts_quarter == plain.beat_starts_quarter
    assert plain.accents == ()


BAD = [
    "", "four", "4", "4/", "/4", "4/4/4", "4/4x", "4//4", "-4/4", "4.5/4", "0/4", "4/0", "4/3",
    "4/128", "65/8", "2+0/8", "2++2/8", "+2/8", "4/4+", "3/4,4/4", "1" * 5000 + "/4",
    "1+" * 5000 + "1/4", "4/" + "4" * 5000, "9999999/8",
]  # fmt: skip


@pytest.mark.parametrize("text", BAD)
def test_what_is_no_meter_is_refused(text: str) -> None:
    """Nonsense of any length is refused at once, in a line short enough to read."""
    with pytest.raises(UsageError, match="^meter ") as refusal:
        parse_meter(text)

    assert len(str(refusal.value)) < 200


@pytest.mark.parametrize("text", ["4/4", "3/4", "5/4", "2/2", "6/8", "9/8", "12/8", "6/4", "3/8"])
def test_beat_lengths_against_music21(text: str) -> None:
    """music21 gives simple and compound meters the same beats (it groups 5/8, 7/8 otherwise)."""
    (meter,) = parse_meter(text)
    reference = music21.meter.TimeSignature(text)

    assert meter.beats == reference.beatCount
    assert [float(b) for b in meter.beat_quarters] == [
        reference.beatDuration.quarterLength
    ] * meter.beats


@pytest.mark.parametrize("text", ["2+2+2+3/8", "3+2+2/8", "2+3/8", "3+3+2/8"])
def test_additive_beats_against_music21(text: str) -> None:
    """A written-out sum gives the beats of music21's beat sequence."""
    (meter,) = parse_meter(text)
    reference = music21.meter.TimeSignature(text).beatSequence

    assert [float(b) for b in meter.beat_quarters] == [
        part.duration.quarterLength for part in reference
    ]


@pytest.mark.parametrize("count", range(1, 65))
@pytest.mark.parametrize("unit", [1, 2, 4, 8, 16, 32, 64])
def test_every_signature_has_a_whole_bar(count: int, unit: int) -> None:
    """Whatever the grouping, the beats fill the bar exactly and start in order."""
    meter = meter_of(count, unit)

    assert meter.bar_quarters == Fraction(4 * count, unit)
    assert list(meter.beat_starts_quarter) == sorted(set(meter.beat_starts_quarter))
    assert parse_meter(str(meter)) == (meter,)


def test_meters_are_values() -> None:
    """Equal meters are one key; the same bar grouped otherwise is another."""
    assert len({meter_of(9, 8), Meter((3, 3, 3), 8), parse_meter("2+2+2+3/8")[0]}) == 2


def test_the_length_of_a_cycle() -> None:
    """A cycle is as long as its bars together: 9/8 and 10/8 are nine and a half quarters."""
    assert cycle_quarters(parse_meter("9/8+10/8")) == 9.5
    assert cycle_quarters(parse_meter("6/8")) == 3.0
