"""Fifteen checks of the main job against numbers published outside this project.

The first two hold the yardstick of later ones (`circular.py`) to its own published values.
Each docstring names its source and how it is known: READ (the number was seen in the text
named), DERIVED (arithmetic or a closed form), MEMORY (general knowledge, not looked up).
"""

from __future__ import annotations

import math
from fractions import Fraction

import hand_made
import numpy as np
import pytest
from circular import phase_angle, rayleigh_p, resultant_length
from core_takes import group, scattered, shifted, take_of
from midi_bytes import line, parsed
from music21 import meter as m21_meter
from music21 import note as m21_note
from music21 import stream as m21_stream
from music21.musicxml.m21ToXml import GeneralObjectExporter
from scipy.stats import circstd

from improv import Analysis, Reading, analyze
from improv.document import document
from improv.grid import SUBDIVISIONS, positions
from improv.meter import parse_meter
from improv.midi import take_from_smf
from improv.model import Floats
from improv.pictures.spread import tone_threshold_ms
from improv.report import text_report
from improv.stats import circular_mean
from improv.swing import ratios
from improv.wording import drift_text, lean_text

FOUR = parse_meter("4/4")[0]


def away_beat(at_beat: Floats, key: str) -> Floats:
    """Signed distance of beats to the nearest position of a straight grid in 4/4."""
    row = next(s for s in SUBDIVISIONS if s.key == key)
    places = np.array([*map(float, positions(row, FOUR)), float(FOUR.bar_quarters)])
    into = np.asarray(at_beat)[:, None] % 4.0 - places[None, :]
    return np.asarray(into[np.arange(len(into)), np.abs(into).argmin(axis=1)])


def rms(values: Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def flat(text: str) -> str:
    """A report in one line."""
    return " ".join(text.split())


def subdivisions(analysis: Analysis) -> set[str | None]:
    """The names called for the notes."""
    return set(analysis.notes.subdivision_name)


@pytest.mark.parametrize(("count", "r"), [(8, 0.602), (16, 0.429), (20, 0.385), (50, 0.244)])
def test_01_rayleigh_table(count: int, r: float) -> None:
    """Critical r at 0.05: Mardia 1972, via Davis, Table A.10; formula Zar 1999 (READ)."""
    assert rayleigh_p(count, r) == pytest.approx(0.05, abs=0.0005)
    if count == 8:
        assert rayleigh_p(count, r) == pytest.approx(0.0502, abs=5e-5)


def test_02_a_published_circular_vector() -> None:
    """r .4972, z 1.236, p .304844, SD 1.1821: pingouin 0.7.0's documentation (READ); the mean
    direction 1.01296, ours, from its documentation too (MEMORY)."""
    angle = np.array([0.785, 1.570, 3.141, 0.839, 5.934])
    r = resultant_length(angle)
    assert r == pytest.approx(0.4972, abs=5e-5)
    assert len(angle) * r**2 == pytest.approx(1.236, abs=5e-4)
    assert rayleigh_p(len(angle), r) == pytest.approx(0.304844, abs=5e-7)
    assert circular_mean(angle) == pytest.approx(1.01296, abs=5e-6)
    assert circstd(angle) == pytest.approx(1.1821, abs=5e-5)


def test_03_chance_level() -> None:
    """Uniform onsets stray d/sqrt(12) RMS (J. O. Smith, MDFT: READ), d/4 on average (DERIVED)."""
    beat = np.random.default_rng(3).uniform(0.0, 4.0, 200_000)
    away_ms = 500.0 * away_beat(beat, "half-unit")
    assert rms(away_ms) == pytest.approx(36.084, rel=0.005)
    assert np.abs(away_ms).mean() == pytest.approx(31.25, rel=0.005)


@pytest.mark.parametrize(
    ("spread_ms", "r", "rms_ms"), [(12.5, 0.8209, 12.50), (30.0, 0.3208, 28.26)]
)
def test_04_noise_to_resultant_length(spread_ms: float, r: float, rms_ms: float) -> None:
    """Sixteenths at 120 with normal scatter: wrapped normal (DERIVED; Mardia & Jupp: MEMORY)."""
    stray = np.random.default_rng(4).normal(0.0, spread_ms / 500.0, 100_000)
    away = away_beat(np.arange(100_000) % 16 * 0.25 + stray, "half-unit")
    assert resultant_length(phase_angle(away, 0.25)) == pytest.approx(r, abs=0.005)
    assert 500.0 * rms(away) == pytest.approx(rms_ms, rel=0.01)


def test_05_triplets_are_not_sixteenths() -> None:
    """34.02 ms off sixteenths with r 0, 0 ms off triplets with r 1 (DERIVED; Cemgil et al. 2000:
    the complaint that a denser grid always lies nearer, READ)."""
    beat = np.arange(48) / 3.0
    assert 500.0 * rms(away_beat(beat, "half-unit")) == pytest.approx(34.02, abs=0.005)
    assert resultant_length(phase_angle(beat, 0.25)) == pytest.approx(0.0, abs=1e-9)
    assert rms(away_beat(beat, "triplet")) == pytest.approx(0.0, abs=1e-9)
    assert resultant_length(phase_angle(beat, 1 / 3)) == pytest.approx(1.0)
    assert subdivisions(analyze(take_of(beat))) == {"eighth triplets"}


def test_06_a_denser_grid_is_charged() -> None:
    """32 clean eighths are eighths: a grid of twice the positions costs 32 ln 2 = 22.18 nats under
    the (1/k) N(e; sigma) form, and any form must choose two to the beat (DERIVED)."""
    analysis = analyze(take_of(np.arange(32) / 2.0))
    assert subdivisions(analysis) == {"eighths"}
    (phrase,) = analysis.phrases
    denser = sum(r.probability for r in phrase.ranking if r.per_beat > 2)
    assert denser < 0.02


def test_07_swing_is_not_drag() -> None:
    """1.3 : 1 at 150 BPM has its own grid: no residual, no drag. The straight grid would show a
    mean of +13.04 ms (ratio: Corcoran & Frieler 2021, READ; own mean swing grid: Datseris et
    al. 2019, READ; 13.04: DERIVED)."""
    beat = np.sort(np.concatenate([np.arange(32.0), np.arange(32.0) + 1.3 / 2.3]))
    assert 400.0 * away_beat(beat, "unit").mean() == pytest.approx(13.04, abs=0.005)
    analysis = analyze(take_of(beat, bpm=150.0))
    assert analysis.phrases
    for phrase in analysis.phrases:
        assert phrase.swung and phrase.subdivision == "swung eighths"
        assert phrase.swing_ratio == pytest.approx(1.30, abs=0.02)
        assert phrase.rms_ms == pytest.approx(0.0, abs=2.0)
        assert drift_text(phrase) is None and lean_text(phrase.offset_ms or 0.0) is None
    told = text_report(analysis).partition("In figures")[0]
    assert "dragging" not in told and "laying back" not in told


SHORT_NOTE = [(120, 4.0), (150, 3.0), (200, 2.0), (240, 1.5), (300, 1.0)]


@pytest.mark.parametrize(("bpm", "ratio"), SHORT_NOTE)
def test_08_a_short_note_of_100_ms(bpm: float, ratio: float) -> None:
    """The offbeat 100 ms before the beat: ratio beat/100 - 1 (constant short note: Friberg &
    Sundström 2002, READ; ratios DERIVED)."""
    beat_ms = 60_000.0 / bpm
    share = np.tile([0.0, (beat_ms - 100.0) / beat_ms], 8)
    second, phrase = np.tile([False, True], 8), np.zeros(16, dtype=np.int64)
    (measured,) = ratios(share, second, np.ones(16), phrase, 1)
    assert measured == pytest.approx(ratio, abs=1e-9)


@pytest.mark.parametrize(("bpm", "ratio"), SHORT_NOTE[2:4])
def test_08_such_swing_is_measured_in_a_take(bpm: float, ratio: float) -> None:
    """2 : 1 at 200 BPM, 1.5 : 1 at 240 BPM, played with 6 ms of scatter (sources as above)."""
    beat = np.sort(np.concatenate([np.arange(64.0), np.arange(64.0) + ratio / (1 + ratio)]))
    analysis = analyze(take_of(beat, bpm, late_ms=scattered(128, 6.0, 8)))
    told = [p.swing_ratio for p in analysis.phrases if p.swing_ratio is not None]
    as_well = {"eighth triplets"} if ratio == 2.0 else set()  # 2 : 1 exactly is triplets too
    assert subdivisions(analysis) <= {"swung eighths"} | as_well
    assert told
    assert told == pytest.approx([ratio] * len(told), abs=0.1)


def test_08_straight_at_300_is_not_swing() -> None:
    """1.0 : 1 at 300 BPM is straight (sources as above)."""
    analysis = analyze(take_of(np.arange(64) / 2.0, 300.0, late_ms=scattered(64, 6.0, 9)))
    assert subdivisions(analysis) == {"eighths"}


def test_09_delayed_downbeats() -> None:
    """150 BPM, ensemble at 2 : 1, beats 30 ms late, offbeats with the ensemble: solo ratio 1.449,
    72 ticks of 960, beats told apart from offbeats (Nelias et al. 2022, READ; DERIVED)."""
    beat = np.sort(np.concatenate([np.arange(32.0), np.arange(32.0) + 2 / 3]))
    late_ms = np.tile([30.0, 0.0], 32)
    assert 30.0 / 400.0 * 960 == pytest.approx(72.0)
    analysis = analyze(take_of(beat, 150.0, late_ms=late_ms))
    for phrase in document(analysis)["phrases"]:
        assert phrase["swing_ratio"] == pytest.approx(1.449, abs=0.02)
        assert phrase["beat_offset_ms"] == pytest.approx(30.0, abs=1.0)
        assert phrase["offbeat_triplet_ms"] == pytest.approx(0.0, abs=2.0)
        assert phrase["offbeat_offset_ms"] == pytest.approx(30.0, abs=5.0)  # of its own swing
    told = flat(text_report(analysis))
    said = "the beats lie 30 ms late, the off-beats on time for 2 : 1"
    assert told.count(said) == len(analysis.phrases) > 0
    assert "dragging by" not in told
    assert "laying back by" not in told


def test_09_straight_beats_delayed() -> None:
    """The same delay in straight eighths is told of the beats alone; off-beats stay on time."""
    late_ms = np.tile([30.0, 0.0], 32) + scattered(64, 6.0, 9)
    analysis = analyze(take_of(np.arange(64) / 2.0, 150.0, late_ms=late_ms))
    assert analysis.phrases
    for phrase in analysis.phrases:
        assert phrase.beat_offset_ms == pytest.approx(30.0, abs=6.0)
        assert phrase.offbeat_offset_ms == pytest.approx(0.0, abs=6.0)
    told = flat(text_report(analysis))
    assert "ms late, the off-beats" in told


@pytest.mark.parametrize(
    ("interval_ms", "heard_ms"),
    [(100, 6), (200, 6), (240, 6), (400, 10), (500, 12.5), (1000, 25)],
)
def test_10_audibility_curve(interval_ms: float, heard_ms: float) -> None:
    """6 ms below 240 ms, 2.5 % above: Friberg & Sundberg 1995, JASA 98, 2524 (abstract READ)."""
    assert tone_threshold_ms(interval_ms) == pytest.approx(heard_ms, abs=1e-9)


def test_11_a_professional_lead_is_no_fault() -> None:
    """All notes 10 ms ahead, 10 ms of scatter: told once as an offset, never as rushing; taking it
    out leaves the scatter (Fujii et al. 2011: limbs lead a click by about 10 ms, READ)."""
    take = take_of(np.arange(96) / 2.0, late_ms=scattered(96, 10.0, 11) - 10.0)
    analysis = analyze(take)
    assert analysis.constant_offset_ms == pytest.approx(-10.0, abs=1.0)
    assert analysis.spread_ms == pytest.approx(10.0, abs=1.0)
    told = text_report(analysis)
    assert "rushing" not in told.partition("In figures")[0]
    assert told.count("10 ms ahead") == 1
    moved = analyze(shifted(take, 10.0))
    lean = moved.notes.deviation_ms - analysis.notes.deviation_ms
    assert lean == pytest.approx(np.full(96, 10.0), abs=1e-6)


@pytest.mark.parametrize(("faster", "called"), [(0.01, False), (0.05, True)])
def test_12_drift_is_called_from_the_threshold_on(faster: float, called: bool) -> None:
    """Eighths that end 1 % faster are not called, 5 % are: change of tempo is heard from 1.5 to 3 %
    (Drake & Botte 1993, READ; of steady tempi, so a lower bound)."""
    progress = np.linspace(0.0, 1.0, 17)
    # Local tempo rises linearly, so the lead grows with the square of time.
    late_ms = -500.0 * 8.0 * faster / 2.0 * progress**2
    (phrase,) = analyze(take_of(np.arange(17) / 2.0, late_ms=late_ms)).phrases
    assert (drift_text(phrase) or "").startswith("rushing") is called


@pytest.mark.parametrize(("faster", "called"), [(0.01, False), (0.05, True)])
def test_12_the_threshold_in_words(faster: float, called: bool) -> None:
    """A drift of 1 % is passed over, one of 5 % is told (source as above)."""
    phrase = hand_made.phrase(1, 0, 17, (1, 2), drift_bpm=96.0 * faster, drift_se_bpm=0.2)
    assert (drift_text(phrase) is not None) is called


def test_13_meta_events_of_the_standard() -> None:
    """FF 51 03 07 A1 20 is 120 BPM, FF 58 04 06 03 24 08 is 6/8; 120 and 4/4 where there are none;
    06 03 18 08 is 6/8 all the same (Standard MIDI Files 1.0, READ in public copies)."""
    notes = line([0, 480, 960])
    default = take_from_smf(parsed(notes), "solo.mid", Reading())
    assert (default.tempo_bpm, default.meter_text) == (120.0, "4/4")
    for clocks in ("24", "18"):
        meta = f"00 FF 51 03 07 A1 20 00 FF 58 04 06 03 {clocks} 08 "
        take = take_from_smf(parsed(meta + notes), "solo.mid", Reading())
        assert take.tempo_map.quarter_sec == pytest.approx([0.5])
        assert take.meter_text == "6/8"
        assert take.tempo_bpm == pytest.approx(80.0)


@pytest.mark.parametrize("step_ms", [0.64, 0.96])
def test_14_the_wire_spreads_a_chord(step_ms: float) -> None:
    """Ten notes 0.64 or 0.96 ms apart are one event: 320 µs a byte (IEC 63035, READ; DERIVED)."""
    beat = np.repeat(np.arange(4.0), 10)
    late_ms = np.tile(np.arange(10) * step_ms, 4)
    take = take_of(beat, late_ms=late_ms)
    events = group(take, 35.0)
    assert len(events) == 4
    assert not events.grace_note.any()
    assert events.of_note.tolist() == np.repeat(np.arange(4), 10).tolist()


@pytest.mark.parametrize(
    ("text", "groups"),
    [("2+2+2+3/8", (2, 2, 2, 3)), ("9/8", (3, 3, 3)), ("6/8", (3, 3))],
)
def test_15_groups_of_additive_meters(text: str, groups: tuple[int, ...]) -> None:
    """Nine eighths grouped as the signature says (MusicXML 4.0 `time`, READ; music21, RAN)."""
    (meter,) = parse_meter(text)
    assert meter.groups == groups
    reference = m21_meter.TimeSignature(text)
    beams = reference.getBeams([m21_note.Note(quarterLength=0.5) for _ in range(sum(groups))])
    starts = [i for i, b in enumerate(beams) if b is not None and b.getTypes()[0] == "start"]
    assert starts == [int(s / Fraction(1, 2)) for s in meter.beat_starts_quarter]


def test_15_the_written_signature_is_the_standards() -> None:
    """`<beats>2+2+2+3</beats>`: our text, read and exported by music21 (MusicXML 4.0, READ)."""
    (meter,) = parse_meter("2+2+2+3/8")
    bar = m21_stream.Measure([m21_meter.TimeSignature(str(meter))])
    bar.append([m21_note.Note(quarterLength=0.5) for _ in range(9)])
    exported = GeneralObjectExporter(bar).parse().decode()
    assert "<beats>2+2+2+3</beats>" in exported
    assert "<beat-type>8</beat-type>" in exported


def test_16_a_perfect_line_in_kendalls_quantogram() -> None:
    """sqrt(2/n) sum cos(2 pi e/q) is 8.0 for 32 exact notes (Kendall 1974, formula READ): the same
    as sqrt(2n) r cos(mean phase)."""
    angle = phase_angle(away_beat(np.arange(32) / 4.0, "half-unit"), 0.25)
    phi = math.sqrt(2 * 32) * resultant_length(angle)
    assert phi == pytest.approx(8.0)
