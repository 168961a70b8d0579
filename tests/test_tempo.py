"""Seconds, quarters, bars and beats: against hand-worked values, pretty_midi and mido."""

from __future__ import annotations

import io
import warnings

import mido
import numpy as np
import pretty_midi
import pytest

from improv.errors import TakeError
from improv.meter import parse_meter
from improv.midi_tempo import file_time
from improv.model import TempoMap
from improv.smf import Smf, parse_smf
from improv.tempo import (
    MOST_BARS,
    bar_index,
    beats_at,
    constant_tempo,
    lay_bars,
    quarter_sec_at,
    quarters_at,
    seconds_at,
    tempo_from_quarters,
)

FOUR = parse_meter("4/4")


def three_tempi() -> TempoMap:
    """120 quarters per minute, 60 from quarter 4 (2 s), 240 from quarter 6 (4 s)."""
    return TempoMap(
        np.array([0.0, 2.0, 4.0]), np.array([0.0, 4.0, 6.0]), np.array([0.5, 1.0, 0.25])
    )


def test_a_constant_tempo() -> None:
    """At 90 quarters per minute from 1.5 s, three seconds later is quarter 4.5."""
    tempo_map = constant_tempo(90.0, 1.5)

    assert quarters_at(tempo_map, np.array([1.5, 4.5, 0.0])) == pytest.approx([0.0, 4.5, -2.25])


def test_three_tempi_by_hand() -> None:
    """Each segment counts at its own speed; the outer ones go on without end."""
    at_sec = np.array([-1.0, 1.0, 2.0, 3.0, 4.0, 5.0])

    assert quarters_at(three_tempi(), at_sec) == pytest.approx([-2.0, 2.0, 4.0, 5.0, 6.0, 10.0])
    assert quarter_sec_at(three_tempi(), np.array([-9.0, 3.9, 4.0, 99.0])) == pytest.approx(
        [0.5, 0.5, 1.0, 0.25]
    )


@pytest.mark.parametrize("seed", range(5))
def test_seconds_and_quarters_are_inverse(seed: int) -> None:
    """There and back again, over random maps, before, inside and after them."""
    rng = np.random.default_rng(seed)
    start_quarter = np.cumsum(rng.uniform(0.01, 8.0, 50))
    quarter_sec = rng.uniform(0.2, 1.5, 50)
    start_sec = np.append(0.0, np.cumsum(np.diff(start_quarter) * quarter_sec[:-1]))
    tempo_map = TempoMap(start_sec, start_quarter, quarter_sec)
    at_sec = np.sort(rng.uniform(-20.0, start_sec[-1] + 20.0, 1000))

    quarter = quarters_at(tempo_map, at_sec)

    assert (np.diff(quarter) > 0).all()
    assert seconds_at(tempo_map, quarter) == pytest.approx(at_sec, abs=1e-9)


# --- tempo maps of files, against two libraries ------------------------------


def tempo_file(rng: np.random.Generator, events: int, division: int) -> mido.MidiFile:
    """A well-formed type 1 file: all tempo events on the first track, notes on the second."""
    file = mido.MidiFile(type=1, ticks_per_beat=division)
    file.tracks.append(mido.MidiTrack())
    for i in range(events):
        gap = 0 if i == 0 else int(rng.integers(1, 4 * division))
        tempo = int(rng.integers(200_000, 1_500_000))
        file.tracks[0].append(mido.MetaMessage("set_tempo", tempo=tempo, time=gap))
    file.tracks.append(mido.MidiTrack())
    for _ in range(200):
        gap = int(rng.integers(1, division))
        file.tracks[1].append(mido.Message("note_on", note=60, velocity=80, time=gap))
        file.tracks[1].append(mido.Message("note_off", note=60, velocity=0, time=division // 4))
    return file


def bytes_of(file: mido.MidiFile) -> bytes:
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def read(file: mido.MidiFile) -> Smf:
    return parse_smf(bytes_of(file), "tempo.mid")


@pytest.mark.parametrize(("events", "division"), [(1, 480), (2, 96), (40, 960), (400, 220)])
def test_seconds_of_ticks_against_pretty_midi(events: int, division: int) -> None:
    """Every note-on lies where pretty_midi's `tick_to_time` puts it; ramps of many events too."""
    file = tempo_file(np.random.default_rng(events), events, division)
    smf = read(file)
    reference = pretty_midi.PrettyMIDI(io.BytesIO(bytes_of(file)))
    tick = smf.tracks[1].note_tick

    assert file_time(smf, "x").seconds(tick) == pytest.approx(
        [reference.tick_to_time(int(t)) for t in tick], abs=1e-9
    )


@pytest.mark.parametrize(("events", "division"), [(1, 480), (2, 96), (40, 960), (400, 220)])
def test_seconds_of_ticks_against_mido(events: int, division: int) -> None:
    """Every note-on lies where mido's own iterator puts it."""
    file = tempo_file(np.random.default_rng(7 + events), events, division)
    now, reference = 0.0, []
    for message in file:
        now += message.time
        if message.type == "note_on":
            reference.append(now)
    smf = read(file)
    on = smf.tracks[1].note_velocity > 0

    assert file_time(smf, "x").seconds(smf.tracks[1].note_tick[on]) == pytest.approx(
        reference, abs=1e-9
    )


def test_tempo_on_a_later_track_counts() -> None:
    """A tempo event on track 2 governs, as in mido; pretty_midi warns and goes astray."""
    file = tempo_file(np.random.default_rng(3), 20, 480)
    file.tracks.reverse()
    now, reference = 0.0, []
    for message in file:
        now += message.time
        if message.type == "note_on":
            reference.append(now)
    smf = read(file)
    on = smf.tracks[0].note_velocity > 0

    assert file_time(smf, "x").seconds(smf.tracks[0].note_tick[on]) == pytest.approx(
        reference, abs=1e-9
    )
    with warnings.catch_warnings(), pytest.raises(RuntimeWarning, match="(?i)tempo"):
        warnings.simplefilter("error")
        pretty_midi.PrettyMIDI(io.BytesIO(bytes_of(file)))


# --- bars and beats -----------------------------------------------------------


def test_bars_cover_what_is_asked() -> None:
    """Bar lines every four quarters, from one at or before the first to one after the last."""
    bars = lay_bars(((0.0, FOUR),), -5.0, 9.0)

    assert bars.start_quarter.tolist() == [-8.0, -4.0, 0.0, 4.0, 8.0, 12.0]
    assert bars.number.tolist() == [-1, 0, 1, 2, 3]
    assert bars.first_beat.tolist() == [-8, -4, 0, 4, 8]


def test_a_note_on_the_last_bar_line_has_its_bar() -> None:
    """A position exactly on a bar line belongs to the bar that begins there."""
    bars = lay_bars(((0.0, FOUR),), 0.0, 8.0)

    assert bars.number[bar_index(bars, np.array([8.0]))].tolist() == [3]


def test_alternating_bars_run_backwards_too() -> None:
    """Before 9/8+10/8 begins comes a 10/8 bar: lines at -5, 0, 4.5, 9.5, 14."""
    bars = lay_bars(((0.0, parse_meter("9/8+10/8")),), -1.0, 10.0)

    assert bars.start_quarter.tolist() == [-5.0, 0.0, 4.5, 9.5, 14.0]


def test_a_meter_change_inside_a_bar_cuts_it() -> None:
    """4/4, then 3/4 from quarter 6: the second bar has two beats and the count goes on."""
    bars = lay_bars(((0.0, FOUR), (6.0, parse_meter("3/4"))), 0.0, 11.0)

    assert bars.start_quarter.tolist() == [0.0, 4.0, 6.0, 9.0, 12.0]
    assert bars.first_beat.tolist() == [0, 4, 6, 9]
    assert beats_at(bars, np.array([5.5, 6.0, 7.25])) == pytest.approx([5.5, 6.0, 7.25])


def test_compound_and_additive_beats() -> None:
    """In 6/8 a beat is three eighths; in 2+2+3/8 the last beat is half as long again."""
    six = lay_bars(((0.0, parse_meter("6/8")),), 0.0, 6.0)
    seven = lay_bars(((0.0, parse_meter("7/8")),), 0.0, 7.0)

    assert beats_at(six, np.array([0.0, 1.5, 3.5])) == pytest.approx([0.0, 1.0, 2 + 1 / 3])
    assert beats_at(seven, np.array([2.0, 2.75, 3.5, 5.5])) == pytest.approx([2.0, 2.5, 3.0, 5.0])


def test_beats_go_on_outside_the_bars() -> None:
    """Positions before the first and after the last bar line still count steadily."""
    bars = lay_bars(((0.0, FOUR),), 0.0, 1.0)

    assert beats_at(bars, np.array([-1.5, 3.0, 6.0])) == pytest.approx([-1.5, 3.0, 6.0])


def test_beats_rise_with_quarters() -> None:
    """Over any mixture of meters, later is never fewer beats; whole bars advance by their beats."""
    rng = np.random.default_rng(11)
    texts = ["4/4", "3/4", "6/8", "7/8", "2+2+2+3/8", "9/8+10/8", "5/16"]
    at, changes = 0.0, []
    for _ in range(40):
        cycle = parse_meter(str(rng.choice(texts)))
        changes.append((at, cycle))
        at += float(cycle[0].bar_quarters) * int(rng.integers(1, 4))
    bars = lay_bars(tuple(changes), -10.0, at + 20.0)
    position = np.sort(rng.uniform(-9.0, at + 19.0, 5000))

    assert (np.diff(beats_at(bars, position)) >= 0).all()
    assert (np.diff(bars.first_beat) > 0).all()
    assert np.diff(bars.number).tolist() == [1] * (len(bars.number) - 1)


def test_many_bars_are_laid_exactly() -> None:
    """Bar lines do not drift: after 100 000 bars of 7/8 the line is where it should be."""
    bars = lay_bars(((0.0, parse_meter("7/8")),), 0.0, 350_000.0)

    assert bars.start_quarter[100_000] == 350_000.0


@pytest.mark.parametrize("span", [(0.0, 1e12), (-1e12, 0.0), (0.0, 1e300)])
def test_too_many_bars_are_refused(span: tuple[float, float]) -> None:
    """A stray event light years away is refused before anything is laid."""
    with pytest.raises(TakeError, match=f"more than {MOST_BARS} bars"):
        lay_bars(((0.0, FOUR),), *span)


def test_a_tempo_map_from_quarters_is_the_constant_one_and_its_pieces() -> None:
    """120 for four quarters is two seconds; what follows at 60 begins there."""
    made = tempo_from_quarters(np.array([0.0, 4.0]), np.array([0.5, 1.0]))

    assert made.start_sec.tolist() == [0.0, 2.0]
    assert seconds_at(made, np.array([2.0, 4.0, 6.0])).tolist() == [1.0, 2.0, 4.0]
