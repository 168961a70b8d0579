"""`improv listen` from the outside: files, words, refusals."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np
import pretty_midi
import pytest
from click.testing import CliRunner, Result
from hearing import bursts_heard, onsets_heard, read_wav

from improv.cli import cli
from improv.listening.program import LEAD_SEC
from improv.midi import read_take
from improv.midi_write import write_take
from improv.model import Reading
from improv.synth import Hand, Line, Rest, Stretch, play, steady_run

PIECES = (
    Stretch("sixteenths", 4),
    steady_run(11, 4.55),
    Stretch("eighths", 5),
    Rest(4),
    Stretch("eighths", 8),
)


@pytest.fixture
def take_path(tmp_path: Path) -> Path:
    """A take with one run off the grid; bar 1 begins at 1 second."""
    take, _ = play(Line(PIECES), Hand(spread_ms=8.0), seed=1)
    write_take(take, tmp_path / "solo.mid")
    return tmp_path / "solo.mid"


def listen(path: Path, *options: str) -> Result:
    """Runs the command on a take whose bar 1 begins at 1 second."""
    return CliRunner().invoke(cli, ["listen", str(path), "--start", "1", *options])


def test_without_options_the_whole_take_is_written_here(
    take_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NAME-listen.wav in the current folder; a second time it is not replaced."""
    monkeypatch.chdir(take_path.parent)
    first = listen(take_path)
    assert first.exit_code == 0, first.output
    assert "solo-listen.wav: 1" in first.stdout and "the whole take: as played" in first.stdout
    assert "headphones" in first.stderr and "clinician" in first.stderr
    rate, sound = read_wav(Path("solo-listen.wav").read_bytes())
    assert (rate, sound.shape[1]) == (44100, 2)
    again = listen(take_path)
    assert again.exit_code == 1
    assert "is there already" in again.stderr


def test_runs_sound_in_three_versions(take_path: Path) -> None:
    """Played, slow and grid; the times told are where they begin."""
    out = take_path.with_name("runs.wav")
    done = listen(take_path, "--runs", "--output", str(out))
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert [line.rsplit(": ", 1)[1] for line in lines[1:]] == [
        "as played", "slowed to 60 %", "on the grid",
    ]  # fmt: skip
    assert lines[1].strip().startswith("0:00  run 1, from")
    _, sound = read_wav(out.read_bytes())
    assert np.abs(sound).max() <= 0.5001


def test_apart_writes_a_file_for_each_version(take_path: Path) -> None:
    """Names tell the part and the version."""
    out = take_path.with_name("x.wav")
    done = listen(take_path, "--runs", "--apart", "--output", str(out))
    assert done.exit_code == 0, done.output
    names = {path.name for path in take_path.parent.glob("x*")}
    assert names == {"x-run-1-played.wav", "x-run-1-slow.wav", "x-run-1-grid.wav"}


def test_mixed_is_one_channel_with_both(take_path: Path) -> None:
    """Solo and click are heard in the same channel."""
    out = take_path.with_name("m.wav")
    assert listen(take_path, "--bars", "5-6", "--mixed", "--output", str(out)).exit_code == 0
    _, sound = read_wav(out.read_bytes())
    assert sound.shape[1] == 1


def test_bars_hold_their_clicks(take_path: Path) -> None:
    """Two bars of 4/4: eight clicks, the first where the section's beat is."""
    out = take_path.with_name("b.wav")
    assert listen(take_path, "--bars", "5-6", "--output", str(out)).exit_code == 0
    rate, sound = read_wav(out.read_bytes())
    clicks = bursts_heard(sound[:, 1], rate)
    np.testing.assert_allclose(clicks, LEAD_SEC + 0.5 * np.arange(8), atol=0.001)


def test_midi_says_the_same(take_path: Path) -> None:
    """Read by mido and pretty_midi: solo, click and markers; slow is half the tempo."""
    out = take_path.with_name("r.mid")
    done = listen(take_path, "--runs", "--as", "played,slow", "--slow", "50", "--output", str(out))
    assert done.exit_code == 0, done.output
    file = mido.MidiFile(out)
    markers = [m.text for track in file.tracks for m in track if m.type == "marker"]
    assert [m for m in markers if m.startswith("Run 1, from")] == [
        m for m in markers if "as played" in m or "slowed to 50 %" in m
    ]
    assert sum(m.startswith("Run 1: 4.") for m in markers) == 2
    tempi = [m.tempo for m in file.tracks[0] if m.type == "set_tempo"]
    assert tempi[1] == 2 * tempi[0]
    music = pretty_midi.PrettyMIDI(str(out))
    solo = next(i for i in music.instruments if not i.is_drum)
    click = next(i for i in music.instruments if i.is_drum)
    onset = np.array(sorted(note.start for note in solo.notes))
    half = len(onset) // 2
    assert len(onset) % 2 == 0
    np.testing.assert_allclose(np.diff(onset[half:]), 2 * np.diff(onset[:half]), atol=0.003)
    at = np.array(sorted(note.start for note in click.notes))
    steps = np.unique(np.round(np.diff(at), 4))
    assert {0.5, 1.0} <= set(steps.tolist())


@pytest.mark.parametrize("version", ["played", "grid"])
def test_the_whole_take_as_midi_reads_back(take_path: Path, version: str) -> None:
    """Bars stay bars: the file read again has the take's notes on the take's beats."""
    out = take_path.with_name("w.mid")
    done = listen(take_path, "--as", version, "--output", str(out))
    assert done.exit_code == 0, done.output
    original = read_take(take_path, Reading(start_sec=1.0))
    again = read_take(out, Reading(track=original.track))
    assert again.pitch.tolist() == original.pitch.tolist()
    shift = again.onset_sec - original.onset_sec
    if version == "played":
        assert np.ptp(shift) < 0.001
    beats = (again.onset_sec[-9:] * 120 / 60) % 1.0
    off = np.minimum(np.abs(beats * 2 - np.round(beats * 2)) / 2, 1).max()
    assert off < 0.1 if version == "played" else off < 0.002


def test_the_grid_version_is_heard_on_the_beat(take_path: Path) -> None:
    """In the WAV of the last phrase on the grid every eighth lies on a half beat."""
    out = take_path.with_name("g.wav")
    done = listen(take_path, "--phrase", "2", "--as", "grid", "--output", str(out))
    assert done.exit_code == 0, done.output
    rate, sound = read_wav(out.read_bytes())
    notes = onsets_heard(sound[:, 0], rate) - LEAD_SEC
    assert len(notes) >= 14
    assert np.abs(notes * 4 - np.round(notes * 4)).max() / 4 < 0.005


def test_drums_are_found_by_their_channel(tmp_path: Path) -> None:
    """A part on channel 10 is played by drums, and written back to channel 10."""
    take, _ = play(Line((Stretch("eighths", 8),)), Hand(), seed=1)
    path = tmp_path / "drums.mid"
    write_take(take, path, channel=10)
    out = tmp_path / "d.mid"
    assert listen(path, "--click", "none", "--output", str(out)).exit_code == 0
    assert [i.is_drum for i in pretty_midi.PrettyMIDI(str(out)).instruments] == [True]


REFUSED = (
    (("--output", "x.aiff"), 2, "let it be one of .wav, .mp3"),
    (("--output", "/no/such/place/x.wav"), 1, "directory does not exist"),
    (("--bars", "90-99", "--output", "{}/x.wav"), 1, "nothing to hear in bars 90 to 99"),
    (("--phrase", "40", "--output", "{}/x.wav"), 2, "there is no phrase 40"),
    (("--phrase", "1", "--runs", "--output", "{}/x.wav"), 2, "choose one of"),
    (("--as", "fast", "--output", "{}/x.wav"), 2, "choose from played, slow, grid"),
    (("--click", "cowbell", "--output", "{}/x.wav"), 2, "no subdivision 'cowbell'"),
    (("--soundfont", "none.sf2", "--output", "{}/x.wav"), 2, "no such soundfont"),
    (("--slow", "5", "--output", "{}/x.wav"), 2, "5"),
    (("--output", "{}/solo.mid"), 2, "never overwritten"),
)


@pytest.mark.parametrize(("options", "status", "said"), REFUSED)
def test_what_cannot_be_done_is_one_clear_line(
    take_path: Path, options: tuple[str, ...], status: int, said: str
) -> None:
    """The right exit status, the reason on stderr, nothing on stdout, no file left behind."""
    before = {p.name: p.read_bytes() for p in take_path.parent.iterdir()}
    done = listen(take_path, *(o.format(take_path.parent) for o in options))
    assert done.exit_code == status, done.output
    assert said in done.stderr
    assert done.stdout == ""
    assert {p.name: p.read_bytes() for p in take_path.parent.iterdir()} == before


def test_no_run_to_hear(tmp_path: Path) -> None:
    """A take that stays on the grid has no runs to listen to, and says what to do."""
    take, _ = play(Line((Stretch("eighths", 16),)), Hand(), seed=1)
    write_take(take, tmp_path / "even.mid")
    done = listen(tmp_path / "even.mid", "--runs", "--output", str(tmp_path / "x.wav"))
    assert done.exit_code == 1
    assert "no run leaves the grid" in done.stderr
    assert not (tmp_path / "x.wav").exists()


def test_a_very_long_take_asks_for_bars(tmp_path: Path) -> None:
    """Twenty minutes of notes are too long for sound; some of its bars are not."""
    line = Line((Stretch("quarters", 60 * 20),), tempo_bpm=60)
    take, _ = play(line, Hand(), seed=1)
    write_take(take, tmp_path / "long.mid")
    out = tmp_path / "x.wav"
    done = listen(tmp_path / "long.mid", "--output", str(out))
    assert done.exit_code == 2
    assert "20 minutes of sound" in done.stderr and "--bars" in done.stderr
    assert not out.exists()
    assert listen(tmp_path / "long.mid", "--bars", "3-4", "--output", str(out)).exit_code == 0
