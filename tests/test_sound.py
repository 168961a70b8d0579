"""Strokes to samples: level, place, damping, sides, files."""

from __future__ import annotations

import io
import wave

import numpy as np
import pytest
from hearing import bursts_heard, onsets_heard, read_wav

from improv.errors import TakeError, UsageError
from improv.sound import (
    CLICKS,
    LEFT,
    PEAK,
    RATE,
    RIGHT,
    blocks,
    click_strokes,
    drum_strokes,
    note_strokes,
    render,
    together,
    wav_bytes,
)
from improv.sound.encode import can_encode, encode
from improv.sound.soundfont import CARRIED, SoundfontSource, soundfont_path
from improv.sound.voices import click, drum, pluck


def line(seed: int, count: int = 80) -> tuple[np.ndarray, np.ndarray]:
    """Onsets 90 to 300 ms apart and pitches of a line in the middle register."""
    rng = np.random.default_rng(seed)
    return 0.25 + np.cumsum(rng.uniform(0.09, 0.3, count)), rng.integers(40, 80, count)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("legato", [False, True])
def test_an_independent_ear_hears_every_note_in_its_place(seed: int, legato: bool) -> None:
    """scipy hears as many onsets as there are notes, each within 5 ms of its own."""
    onset, pitch = line(seed)
    length = np.diff(onset, append=onset[-1] + 0.2) if legato else 0.07
    heard = onsets_heard(render(note_strokes(onset, length, pitch, 0.8))[:, 0], RATE)
    assert len(heard) == len(onset)
    assert np.abs(heard - onset).max() < 0.005


def test_clicks_stand_on_their_time_to_the_millisecond() -> None:
    """Every kind of click begins within 1 ms of where it was put."""
    at = 0.1 + np.arange(24) * 0.2137
    kinds = [CLICKS[i % len(CLICKS)].kind for i in range(24)]
    heard = bursts_heard(render(click_strokes(at, kinds))[:, 0], RATE)
    assert len(heard) == 24
    assert np.abs(heard - at).max() < 0.001


def test_no_sample_exceeds_the_peak() -> None:
    """Ten loud notes at once, clicks on top: -6 dB full scale is reached and never passed."""
    score = together(
        note_strokes(np.full(10, 0.5), 2.0, np.arange(40, 80, 4), 1.0),
        click_strokes([0.5, 1.0], ["downbeat", "beat"]),
    )
    sound = render(score)
    assert np.abs(sound).max() == pytest.approx(PEAK)
    _, written = read_wav(wav_bytes(blocks(score)))
    assert np.abs(written).max() <= PEAK + 1 / 32767


def test_levels_stay_moderate() -> None:
    """A dense line stays below -14 dB full scale on average (root mean square)."""
    onset, pitch = line(5)
    sound = render(note_strokes(onset, 0.2, pitch))
    assert np.sqrt((sound[:, 0] ** 2).mean()) < 0.2


@pytest.mark.parametrize("pitch", [0, 21, 40, 60, 84, 108, 127])
def test_notes_end_without_a_click(pitch: int) -> None:
    """Where a note is let go its samples die away: no step is larger than while it rang."""
    sound = render(note_strokes([0.1], 0.2, pitch))[:, 0]
    ringing = np.abs(np.diff(sound[int(0.12 * RATE) : int(0.3 * RATE)])).max()
    ending = np.abs(np.diff(sound[int(0.3 * RATE) :])).max()
    assert ending <= ringing
    assert not sound[int(0.325 * RATE) :].any()


def test_every_voice_begins_and_ends_near_silence() -> None:
    """Waveforms start at 0 and end below -80 dB: neither end is a step."""
    waves = [pluck(p, 4.0, RATE) for p in range(0, 128, 9)]
    waves += [drum(p, RATE) for p in range(35, 82)]
    waves += [click(row, RATE) for row in range(len(CLICKS))]
    for wave_ in waves:
        assert abs(wave_[0]) < 1e-6
        assert abs(wave_[-1]) < 1e-4
        assert np.abs(wave_).max() == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("pitch", [33, 57, 69, 96])
def test_a_note_sounds_at_its_pitch(pitch: int) -> None:
    """The lowest strong partial lies at 440 Hz times 2^((pitch - 69) / 12) (MIDI tuning)."""
    wave_ = pluck(pitch, 2.0, RATE).astype(float)
    spectrum = np.abs(np.fft.rfft(wave_ * np.hanning(len(wave_))))
    hz = np.fft.rfftfreq(len(wave_), 1 / RATE)
    strong = np.flatnonzero(spectrum > 0.3 * spectrum.max())
    lowest = strong[0] + int(np.argmax(spectrum[strong[0] : strong[0] + 4]))
    assert hz[lowest] == pytest.approx(440 * 2 ** ((pitch - 69) / 12), rel=0.02)


def test_nothing_folds_back() -> None:
    """At 16 kHz the highest notes keep their energy below half the sample rate's edge."""
    for pitch in (96, 110, 127):
        wave_ = pluck(pitch, 1.0, 16000).astype(float)[800:]
        spectrum = np.abs(np.fft.rfft(wave_ * np.hanning(len(wave_)))) ** 2
        hz = np.fft.rfftfreq(len(wave_), 1 / 16000)
        assert spectrum[hz > 7300].sum() < 1e-3 * spectrum.sum()


def test_sides_are_kept_apart() -> None:
    """Left is silent on the right, and the middle is equal on both."""
    both = render(together(note_strokes([0.0], 0.2, 60, side=LEFT)))
    assert not both[:, 1].any()
    clicks = render(click_strokes([0.0], ["beat"], side=RIGHT))
    assert np.abs(clicks[:, 0]).max() < 1e-6
    middle = render(drum_strokes([0.0], [38]))
    np.testing.assert_allclose(middle[:, 0], middle[:, 1], atol=1e-6)


def test_blocks_make_the_same_sound() -> None:
    """However long the blocks, the samples are the same."""
    onset, pitch = line(2, 30)
    score = together(note_strokes(onset, 0.5, pitch), click_strokes(onset, ["beat"] * 30))
    whole = render(score)
    for block_sec in (0.01, 0.37, 1.0):
        np.testing.assert_array_equal(np.concatenate(list(blocks(score, RATE, block_sec))), whole)


def test_progress_is_told_to_the_end() -> None:
    """The share done rises to 1."""
    told: list[float] = []
    list(blocks(note_strokes(np.arange(5.0), 0.5, 60), block_sec=0.5, told=told.append))
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_silence_stays_silence() -> None:
    """A score without strokes gives its length of zeros."""
    sound = render(together(end_sec=0.5))
    assert sound.shape == (RATE // 2, 2)
    assert not sound.any()


def test_a_wav_file_has_the_stated_form() -> None:
    """44.1 kHz, 16 bit, two channels or one (PCM WAV as the standard library reads it)."""
    score = note_strokes([0.0], 0.1, 60)
    for mono, channels in ((False, 2), (True, 1)):
        with wave.open(io.BytesIO(wav_bytes(blocks(score), mono=mono))) as file:
            assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (
                channels, 2, 44100,
            )  # fmt: skip
            assert file.getnframes() == len(render(score))


def test_a_click_of_unknown_kind_is_refused() -> None:
    """The message lists the kinds there are."""
    with pytest.raises(UsageError, match="no click 'cowbell'; there are downbeat"):
        click_strokes([0.0], ["cowbell"])


@pytest.mark.parametrize("form", ["mp3", "ogg", "flac"])
def test_compressed_sound_decodes_to_the_same(form: str) -> None:
    """soundfile reads back the same loudness and length (MP3 pads by some 50 ms)."""
    soundfile = pytest.importorskip("soundfile", reason="soundfile is not installed")
    if not can_encode(form):
        pytest.skip(f"this libsndfile writes no {form}")
    onset, pitch = line(1, 20)
    score = note_strokes(onset, 0.2, pitch)
    data = encode(blocks(score), form)
    sound, rate = soundfile.read(io.BytesIO(data))
    assert rate == RATE
    assert len(sound) == pytest.approx(len(render(score)), abs=0.08 * RATE)
    assert np.sqrt((sound**2).mean()) == pytest.approx(
        float(np.sqrt((render(score) ** 2).mean())), rel=0.1
    )


def test_a_form_that_cannot_be_written_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without soundfile the message says what to install, and WAV still works."""
    monkeypatch.setattr("improv.sound.encode.can_encode", lambda form: form == "wav")
    with pytest.raises(UsageError, match="soundfile library: pip install"):
        encode((), "mp3")
    assert encode(blocks(note_strokes([0.0], 0.1, 60)), "wav")[:4] == b"RIFF"


def test_a_soundfont_plays_in_time() -> None:
    """FluidSynth with the carried soundfont: every note within 5 ms, as the ear hears it."""
    try:
        import fluidsynth  # noqa: F401
    except (ImportError, OSError, AttributeError):
        pytest.skip("pyfluidsynth or the FluidSynth library is not installed")
    onset = 0.3 + np.arange(16) * 0.31
    score = note_strokes(onset, 0.1, 76, 0.9, side=LEFT)
    source = SoundfontSource(score, soundfont_path(CARRIED), program=115)  # a wood block
    sound = np.concatenate(list(blocks(together(), beside=source)))
    heard = bursts_heard(sound[:, 0], RATE)
    assert len(heard) == len(onset)
    assert np.abs(heard - onset).max() < 0.005
    assert np.abs(sound).max() == pytest.approx(PEAK)
    again = np.concatenate(list(blocks(together(), block_sec=0.8, beside=source)))
    assert len(again) == len(sound)


def test_a_file_that_is_no_soundfont_is_refused(tmp_path: object) -> None:
    """Missing files and other files are told apart, in one line."""
    path = f"{tmp_path}/x.sf2"
    with pytest.raises(UsageError, match="there is no such soundfont"):
        soundfont_path(path)
    with open(path, "wb") as file:
        file.write(b"not a soundfont")
    with pytest.raises(TakeError, match="not a soundfont"):
        soundfont_path(path)
