"""Which part of a file is the solo, and which parts there are."""

from __future__ import annotations

from pathlib import Path

import pytest
from midi_bytes import QUARTERS, SIX_EIGHT, TEMPO_96, TEMPO_120, line, midi, named, parsed, track

from improv.errors import TakeError
from improv.midi import list_tracks, take_from_smf
from improv.model import Reading

BAND = (TEMPO_96, named("Piano") + line(QUARTERS), named("Sax") + line((0, 500, 900), channel=2))


def test_several_parts_are_listed_and_asked_for() -> None:
    """The refusal names every playable track by number, name and notes, and the remedy."""
    with pytest.raises(TakeError, match="which part is the solo") as refusal:
        take_from_smf(parsed(*BAND), "band.mid", Reading())

    assert str(refusal.value) == (
        "band.mid: which part is the solo? The file has tracks 2 'Piano' (16 notes), "
        "3 'Sax' (3 notes). Choose with --track NAME|NUMBER"
    )


def test_one_part_is_listed_as_one() -> None:
    """A file with a single playable track says "track", not "tracks"."""
    with pytest.raises(TakeError, match=r"The file has track 1 'Sax' \(3 notes\)\. Choose"):
        take_from_smf(parsed(BAND[2]), "x.mid", Reading(track="Oboe"))


@pytest.mark.parametrize("track", ["Sax", "sax", " SAX ", "3"])
def test_a_part_is_chosen_by_name_or_number(track: str) -> None:
    """Names are matched without regard to case; numbers count all tracks of the file from 1."""
    take = take_from_smf(parsed(*BAND), "x.mid", Reading(track=track))

    assert (take.track, len(take)) == ("Sax", 3)


def test_a_channel_can_settle_the_choice() -> None:
    """Only one track plays on channel 2."""
    assert len(take_from_smf(parsed(*BAND), "x.mid", Reading(channel=2))) == 3


WRONG_CHOICES = [
    (Reading(track="Oboe"), "track 'Oboe' is not in this file. The file has tracks 2 'Piano'"),
    (Reading(track="9"), "track '9' is not in this file"),
    (Reading(track="1"), "track '1' holds no notes"),
    (Reading(track="9" * 5000), "is not in this file"),
    (Reading(track="²"), "is not in this file"),
    (Reading(channel=7), "no notes on channel 7"),
    (Reading(track="Sax", channel=1), "no notes on channel 1"),
]


@pytest.mark.parametrize(("reading", "words"), WRONG_CHOICES)
def test_a_part_that_is_not_there(reading: Reading, words: str) -> None:
    """An unknown track, an empty one or a silent channel is said with the parts there are."""
    with pytest.raises(TakeError, match=words.replace("(", r"\(")):
        take_from_smf(parsed(*BAND), "x.mid", reading)


def test_two_tracks_of_one_name_need_a_number() -> None:
    """A name that fits two playable tracks is no choice."""
    smf = parsed(*BAND, named("Sax") + line(QUARTERS))

    with pytest.raises(TakeError, match="2 tracks are called 'Sax'; choose by number"):
        take_from_smf(smf, "x.mid", Reading(track="Sax"))


def test_a_click_track_is_set_aside() -> None:
    """A part of wood blocks beside the solo is a click (pitches: General MIDI percussion map)."""
    click = named("metro") + line(QUARTERS, channel=10, pitch=76)

    take = take_from_smf(parsed(TEMPO_96, click, named("Sax") + line((7, 500))), "x", Reading())
    alone = take_from_smf(parsed(TEMPO_96 + click), "x", Reading())

    assert take.track == "Sax"
    assert "set metro aside as a click" in take.warnings[0]
    assert len(alone) == 16


def test_channels_are_the_parts_of_a_type_0_file() -> None:
    """One track, three channels (drums among them): the channel is asked for."""
    mixed = line(QUARTERS) + "00 91 3C 40 10 81 3C 40 00 99 26 50"
    smf = parsed(TEMPO_96 + mixed, kind=0)

    with pytest.raises(
        TakeError, match=r"channel 1 \(16 notes\), channel 2 \(1 note\), channel 10"
    ):
        take_from_smf(smf, "x", Reading())
    assert take_from_smf(smf, "x", Reading(channel=1)).track == "channel 1"
    assert len(take_from_smf(smf, "x", Reading(track="1"))) == 18


def test_one_track_of_many_channels_is_one_part() -> None:
    """A guitar that sends each string on its own channel is one player's solo."""
    strings = "".join(f"10 9{c:x} 3C 40 10 8{c:x} 3C 40 " for c in range(6))

    assert len(take_from_smf(parsed(TEMPO_96, strings), "x", Reading())) == 6


def test_type_2_tracks_keep_their_own_tempo() -> None:
    """Each track of a type 2 file is its own piece, with its own tempo and meter."""
    smf = parsed(TEMPO_120 + line(QUARTERS), TEMPO_96 + SIX_EIGHT + line(QUARTERS), kind=2)

    with pytest.raises(TakeError, match="which part is the solo"):
        take_from_smf(smf, "x", Reading())
    take = take_from_smf(smf, "x", Reading(track="2"))
    assert (take.tempo_bpm, take.meter_text) == (64.0, "6/8")


def test_list_tracks(tmp_path: Path) -> None:
    """The playable parts of a file with their numbers, names, channels and notes."""
    (tmp_path / "band.mid").write_bytes(midi(*map(track, BAND)))

    parts = list_tracks(tmp_path / "band.mid")

    assert [(p.number, p.name, p.channels, p.notes, p.is_click) for p in parts] == [
        (2, "Piano", (1,), 16, False),
        (3, "Sax", (2,), 3, False),
    ]
