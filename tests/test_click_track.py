"""The practice track: every stroke where a reference library puts it, to the tick and the ms."""

from __future__ import annotations

import io
import wave
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import music21
import numpy as np
import pretty_midi
import pytest

from improv.assignments.checking import place_fault, places_in
from improv.assignments.clickfiles import (
    TICKS_PER_QUARTER,
    click_wav,
    gap_marks,
    stroke_sec,
    write_click_midi,
)
from improv.assignments.clicktrack import ClickTrack, click_track, gaps_of
from improv.assignments.model import Assignment, ClickStyle
from improv.assignments.reading import parse_assignment
from improv.errors import UsageError
from improv.meter import parse_meter
from improv.sound.voices import CLICK_ROW, CLICKS

METERS = (
    "4/4", "3/4", "2/2", "6/8", "9/8", "12/8", "5/4", "7/8", "2+2+2+3/8", "9/8+10/8", "3+2/4",
)  # fmt: skip
TEMPI = (61.0, 97.0, 143.0)
"""None of them a whole number of microseconds to the quarter: rounding must not add up."""


def plain(meter: str = "4/4", tempo: float = 120.0, bars: int = 8, **style: object) -> Assignment:
    """An assignment without sections: the click alone."""
    click = ClickStyle(**style)  # type: ignore[arg-type]
    return Assignment("", parse_meter(meter), (tempo,), (), bars=bars, click=click)


def at(track: ClickTrack, *kinds: str) -> list[float]:
    """Where strokes of some kinds lie, in quarters from bar 1."""
    return [float(s.at_quarter) for s in track.strokes if s.kind in kinds]


def midi_of(track: ClickTrack, tmp_path: Path) -> Path:
    """The track as a file."""
    path = tmp_path / "click.mid"
    write_click_midi(track, path)
    return path


def reference_beats(meter: str, bars: int, count_in: int) -> list[tuple[Fraction, bool]]:
    """(offset in quarters from the start of the file, downbeat) of every beat, by music21."""
    cycle = meter.split("+") if meter == "9/8+10/8" else [meter]
    found, start = [], Fraction(0)
    for part in (count_in, bars):
        for i in range(part):
            # 10/8 grouped as the trade does, 3+3+2+2; 7/8 as 2+2+3.
            text = {"10/8": "3+3+2+2/8", "7/8": "2+2+3/8"}.get(
                cycle[i % len(cycle)], cycle[i % len(cycle)]
            )
            signature = music21.meter.TimeSignature(text)
            offset = Fraction(0)
            lengths = [b.duration.quarterLength for b in signature.beatSequence]
            if meter == "3+2/4":  # music21 beats are the groups; a musician clicks quarters
                lengths = [1.0] * 5
            for k, length in enumerate(lengths):
                found.append((start + offset, k == 0))
                offset += Fraction(length).limit_denominator(64)
            start += Fraction(signature.barDuration.quarterLength).limit_denominator(64)
    return found


@pytest.mark.parametrize("tempo", TEMPI)
@pytest.mark.parametrize("meter", METERS)
def test_beats_lie_where_music21_puts_them(meter: str, tempo: float, tmp_path: Path) -> None:
    """Every click of the MIDI file, read back by mido, is on music21's beat to the tick."""
    track = click_track(replace(plain(meter, tempo, 6), count_in_bars=2))
    file = mido.MidiFile(midi_of(track, tmp_path))
    now, heard = 0, []
    for message in file.tracks[1]:
        now += message.time
        if message.type == "note_on" and message.velocity:
            heard.append((now, message.note))
    wanted = reference_beats(meter, 6, 2)
    ticks = [offset * file.ticks_per_beat for offset, _ in wanted]
    assert [tick for tick, _ in heard] == ticks
    loud = [tick for tick, note in heard if note == CLICKS[CLICK_ROW["downbeat"]].drum]
    downbeats = [t for t, (_, down) in zip(ticks, wanted, strict=True) if down]
    assert set(downbeats) <= set(loud)


@pytest.mark.parametrize("meter", METERS)
def test_mido_and_pretty_midi_read_the_same(meter: str, tmp_path: Path) -> None:
    """Both libraries give the same strokes, at the times the track says, within half a tick."""
    asked = replace(plain(meter, 97.0, 12), tempo_bpm=(97.0, 103.0, 110.5), bars_per_tempo=4)
    track = click_track(replace(asked, count_in_bars=1))
    path = midi_of(track, tmp_path)
    by_mido, now = [], 0.0
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "note_on" and message.velocity:
            by_mido.append((now, message.note))
    read = pretty_midi.PrettyMIDI(str(path))
    by_pretty = sorted((n.start, n.pitch) for i in read.instruments for n in i.notes)
    by_mido.sort()
    assert [p for _, p in by_mido] == [p for _, p in by_pretty]
    assert np.allclose([t for t, _ in by_mido], [t for t, _ in by_pretty], atol=1e-9)
    half_tick = 60.0 / 61.0 / TICKS_PER_QUARTER / 2
    assert np.allclose([t for t, _ in by_mido], np.sort(stroke_sec(track)), atol=half_tick)


@pytest.mark.parametrize(
    ("meter", "name", "per_bar"),
    [
        ("4/4", "eighth triplets", 12), ("4/4", "quintuplets", 20), ("4/4", "septuplets", 28),
        ("4/4", "quarter triplets", 6), ("6/8", "duplets", 4), ("6/8", "quadruplets", 8),
        ("6/8", "sixteenths", 12), ("2+2+2+3/8", "eighths", 9), ("2+2+2+3/8", "sixteenths", 18),
    ],
)  # fmt: skip
def test_the_assigned_subdivision_sounds_on_whole_ticks(
    meter: str, name: str, per_bar: int, tmp_path: Path
) -> None:
    """Fives and sevens too fall on a tick; there are as many as the bar holds, evenly laid."""
    text = f'tempo = 60\nmeter = "{meter}"\n[[section]]\nbars = "1-2"\nstay-on = "{name}"\n'
    track = click_track(parse_assignment(f"{text}[click]\nsubdivision = true\n"))
    notes = [s.at_quarter for s in track.strokes if s.kind == "subdivision"]
    assert len(notes) == 2 * per_bar
    assert all((n * TICKS_PER_QUARTER).denominator == 1 for n in notes)
    assert len(mido.MidiFile(midi_of(track, tmp_path)).tracks) == 3


def test_subdivisions_sound_where_they_help() -> None:
    """Unless stated, notes under 200 ms apart do not click (Repp 2003)."""
    text = 'tempo = {}\n[[section]]\nbars = "1-2"\nstay-on = "sixteenths"\n'
    slow, fast = (click_track(parse_assignment(text.format(t))) for t in (60, 96))
    assert len(at(slow, "subdivision")) == 32
    assert at(fast, "subdivision") == []


def test_the_count_in_clicks_every_beat_and_bar_1_is_quarter_0() -> None:
    """What the style leaves out is left out from bar 1 on only."""
    track = click_track(replace(plain(bars=2, beats=(2, 4)), count_in_bars=1))
    assert at(track, "downbeat", "beat") == [-4, -3, -2, -1, 1, 3, 5, 7]


def test_half_time_goes_on_over_bar_lines() -> None:
    """Every other beat; in 3/4 that is 1 and 3, then 2."""
    assert at(click_track(plain(bars=2, half_time=True)), "downbeat", "beat") == [0, 2, 4, 6]
    track = click_track(plain("3/4", bars=2, half_time=True))
    assert at(track, "downbeat", "beat") == [0, 2, 4]


@pytest.mark.parametrize(
    ("meter", "place", "first"),
    [
        ("4/4", "&", [0.5, 1.5]), ("4/4", "a", [0.75, 1.75]), ("4/4", "let", [2 / 3, 5 / 3]),
        ("4/4", "e", [0.25, 1.25]), ("6/8", "li", [1.0, 2.5]), ("6/8", "la", [0.5, 2.0]),
        ("6/8", "2nd half", [0.75, 2.25]), ("12/8", "li", [1.0, 2.5, 4.0, 5.5]),
        ("2+2+2+3/8", "&", [0.5, 1.5, 2.5, 3.5]), ("2+2+2+3/8", "li", [4.0]),
        ("7/8", "&", [0.5, 1.5, 2.5]), ("3+2+2/8", "&", [0.5, 2.0, 3.0]), ("7/8", "la", [2.5]),
        ("1+2/8", "&", [1.0]), ("9/8+10/8", "li", [1.0, 2.5, 4.0]),
    ],
)  # fmt: skip
def test_a_displaced_click(meter: str, place: str, first: list[float]) -> None:
    """The click on one position of the beat; all clicks alike, none on the beat."""
    track = click_track(plain(meter, bars=1, place=place))
    assert at(track, "beat")[: len(first)] == pytest.approx(first)
    assert at(track, "downbeat", "group") == []


@pytest.mark.parametrize("meter", ["2+2+2+3/8", "7/8", "5/8", "3+3+2/8", "2+3/16", "4+3/8"])
def test_a_displaced_click_in_an_additive_meter_falls_on_its_units(meter: str) -> None:
    """Whatever place is taken, every click lies on one of music21's units of the bar."""
    (bar,) = parse_meter(meter)
    unit = Fraction(4, music21.meter.TimeSignature(meter).denominator)
    assert places_in((bar,))[0] == "&"
    for place in places_in((bar,)):
        strokes = click_track(plain(meter, bars=2, place=place)).strokes
        assert strokes
        assert all((s.at_quarter / unit).denominator == 1 for s in strokes)


NO_PLACE = (
    ("2+2+2+3/8", "e", "in 2\\+2\\+2\\+3/8; it can be: &, la, li"),
    ("2+2+2+3/8", "a", "it can be: &, la, li"),
    ("7/8", "e", "it can be: &, la, li"),
    ("7/8", "a", "it can be: &, la, li"),
    ("7/8", "let", "it can be: &, la, li"),
    ("2+2+2/8", "li", "it can be: &$"),
    ("6/8", "e", "it can be: 2nd half, la, li"),
    ("6/8", "&", "it can be: 2nd half, la, li"),
    ("6/8", "a", "it can be: 2nd half, la, li"),
    ("12/8", "e", "it can be: 2nd half, la, li"),
    ("12/8", "&", "it can be: 2nd half, la, li"),
    ("12/8", "a", "it can be: 2nd half, la, li"),
    ("4/4", "li", "it can be: &, trip, let, e, a"),
    ("9/8+10/8", "&", "it can be: la, li"),
    ("4/4+6/8", "&", "have none in common"),
)


@pytest.mark.parametrize(("meter", "place", "said"), NO_PLACE)
def test_a_place_that_a_meter_does_not_have(meter: str, place: str, said: str) -> None:
    """Refused with the places there are, the meter named."""
    text = f'tempo = 96\nmeter = "{meter}"\n[[section]]\nbars = "1-8"\nleast-notes = 1\n'
    with pytest.raises(UsageError, match=f"'{place}' is no position of the beat.*{said}"):
        parse_assignment(f"{text}[click]\nplace = '{place}'\n", "week.toml")


def test_a_place_that_no_clicking_beat_has() -> None:
    """The first group of 2+2+2+3 has no third unit; the fourth has."""
    bars = parse_meter("2+2+2+3/8")
    assert place_fault(ClickStyle(place="li", beats=(1, 2)), bars) == (
        "'li' is in none of the beats that click"
    )
    assert place_fault(ClickStyle(place="li", beats=(4,)), bars) is None
    assert place_fault(ClickStyle(place=" LI "), bars) is None
    assert place_fault(ClickStyle(place=""), bars) is not None


def test_accents_show_the_grouping() -> None:
    """2+2+2+3: downbeat and three group starts; 3+2/4: the fourth quarter begins a group."""
    nine = click_track(plain("2+2+2+3/8", bars=1))
    assert (at(nine, "downbeat"), at(nine, "group")) == ([0], [1, 2, 3])
    five = click_track(plain("3+2/4", bars=1))
    assert (at(five, "group"), at(five, "beat")) == ([3], [1, 2, 4])
    assert at(click_track(plain(bars=1, accents=False)), "beat") == [0, 1, 2, 3]


def test_bars_drop_out_in_a_pattern() -> None:
    """3 on, 1 off over 8 bars: bars 4 and 8 are silent, all else clicks."""
    track = click_track(plain(bars=8, bars_on=3, bars_off=(1,)))
    assert [(g.first_bar, g.last_bar) for g in track.gaps] == [(4, 4), (8, 8)]
    assert {s.bar for s in track.strokes} == {1, 2, 3, 5, 6, 7}


def test_gaps_grow() -> None:
    """2 on, then 1, 2, 4 off, the last repeated; the last gap ends with the track."""
    asked = plain(bars=24, bars_on=2, bars_off=(1, 2, 4))
    assert gaps_of(asked, 24) == [(3, 3), (6, 7), (10, 13), (16, 19), (22, 24)]
    assert gaps_of(plain(), 24) == []


def test_gaps_survive_in_the_file(tmp_path: Path) -> None:
    """Markers say where the click is out; read back they lie on the bar lines."""
    asked = replace(plain(tempo=97.0, bars=8, bars_on=3, bars_off=(1,)), count_in_bars=1)
    marks = gap_marks(midi_of(click_track(asked), tmp_path))
    assert [(m.first_bar, m.last_bar) for m in marks] == [(4, 4), (8, 8)]
    longer = gap_marks(midi_of(click_track(plain(bars=9, bars_on=3, bars_off=(2,))), tmp_path))
    assert [(m.first_bar, m.last_bar) for m in longer] == [(4, 5), (9, 9)]
    bar = 4 * 60 / 97.0
    assert [m.start_sec for m in marks] == pytest.approx([4 * bar, 8 * bar], abs=1e-4)
    assert [m.stop_sec for m in marks] == pytest.approx([5 * bar, 9 * bar], abs=1e-4)
    assert gap_marks(midi_of(click_track(plain()), tmp_path)) == ()


def test_tempo_steps_are_in_the_file(tmp_path: Path) -> None:
    """Up 4 BPM every 2 bars: pretty_midi finds the same tempi at the same times."""
    asked = replace(plain(bars=6), tempo_bpm=(80.0, 84.0, 88.0), bars_per_tempo=2)
    times, tempi = pretty_midi.PrettyMIDI(
        str(midi_of(click_track(asked), tmp_path))
    ).get_tempo_changes()
    assert tempi == pytest.approx([80, 84, 88], abs=1e-3)
    assert times == pytest.approx([0, 6.0, 6.0 + 8 * 60 / 84], abs=1e-4)


TURNS = (
    'tempo = 100\ncount-in = 1\n[[section]]\nbars = "1-4"\nalternate = ["eighths", "half notes"]\n'
)


def test_a_click_is_one_drum_in_midi(tmp_path: Path) -> None:
    """As its row in the table of clicks has it: what hisses in sound is a hi-hat, not a clave."""
    track = click_track(parse_assignment(TURNS))
    strokes = {
        (round(note.start, 3), note.pitch, note.velocity)
        for part in pretty_midi.PrettyMIDI(str(midi_of(track, tmp_path))).instruments
        for note in part.notes
    }
    rows = [CLICKS[CLICK_ROW[stroke.kind]] for stroke in track.strokes]
    at_sec = np.round(stroke_sec(track), 3).tolist()
    assert strokes == {(at, c.drum, c.velocity) for at, c in zip(at_sec, rows, strict=True)}
    assert {c.drum for c in rows} >= {37, 42}


def test_alternation_is_audible() -> None:
    """Each turn has its own sound; the other part begins with the other turn."""
    one, two = (click_track(parse_assignment(TURNS), part) for part in (1, 2))
    bars = {kind: {s.bar for s in one.strokes if s.kind == kind} for kind in CLICK_ROW}
    assert (bars["subdivision"], bars["other subdivision"]) == ({1, 3}, {2, 4})
    assert len([s for s in one.strokes if s.kind == "subdivision" and s.bar == 1]) == 8
    second = [s.kind for s in two.strokes if s.bar == 1 and "subdivision" in s.kind]
    assert second == ["other subdivision"] * 2


def test_both_parts_sound_together() -> None:
    """For both players, each part keeps one sound throughout."""
    both = click_track(parse_assignment(TURNS), None)
    for bar in (1, 2):
        kinds = [s.kind for s in both.strokes if s.bar == bar and "subdivision" in s.kind]
        assert sorted((kinds.count("subdivision"), kinds.count("other subdivision"))) == [2, 8]


def test_changes_are_announced_on_the_beat_before() -> None:
    """A pickup of two strokes leads into every change, the first out of the count-in."""
    track = click_track(parse_assignment(TURNS))
    assert at(track, "announce") == [-1, -0.5, 3, 3.5, 7, 7.5, 11, 11.5]
    every_two = click_track(parse_assignment(TURNS + "every = 2\n"))
    assert at(every_two, "announce") == [-1, -0.5, 7, 7.5]


def test_swung_notes_sound_in_the_band() -> None:
    """The second eighth lies at r / (1 + r), r the middle of the band asked."""
    text = 'tempo = 100\n[[section]]\nbars = 1\nstay-on = "swung eighths"\nswing = [1.5, 2.5]\n'
    notes = at(click_track(parse_assignment(text)), "subdivision")
    assert notes[:2] == pytest.approx([0.0, 2 / 3])


@pytest.mark.parametrize("tempo", TEMPI)
def test_sound_is_within_a_millisecond(tempo: float) -> None:
    """In the WAV every stroke begins within 1 ms of its time; gaps are silent."""
    asked = replace(plain(tempo=tempo, bars=4, bars_on=2, bars_off=(1,)), count_in_bars=1)
    track = click_track(asked)
    with wave.open(io.BytesIO(click_wav(track))) as file:
        rate, channels = file.getframerate(), file.getnchannels()
        data = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
    sound = np.abs(data.reshape(-1, channels).astype(np.float64)).max(axis=1)
    heard = []
    quiet_until = -1
    for i in np.flatnonzero(sound > 0.01 * sound.max()).tolist():
        if i > quiet_until:
            heard.append(i / rate)
        quiet_until = i + int(0.05 * rate)
    assert len(heard) == len(track.strokes)
    assert np.abs(np.array(heard) - stroke_sec(track)).max() < 1e-3
