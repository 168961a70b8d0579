"""A take read at a tempo that was not played is not judged; whatever was played is."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
from assigned import check as run
from click.testing import Result

from improv.assignments.clickfiles import write_click_midi
from improv.assignments.clicktrack import click_track
from improv.assignments.reading import parse_assignment
from improv.assignments.tempo_claims import firmness
from improv.meter import parse_meter
from improv.midi_write import write_take
from improv.synth import Hand, Line, Stretch, play
from improv.tempo import constant_tempo

HOLDS = (Stretch("eighths", 32),)
SWINGS = (Stretch("swung eighths", 32),)


def week(folder: Path, tempo: object, meter: str = "4/4", asks: str = "eighths") -> Path:
    """An assignment at a tempo."""
    path = folder / "week.toml"
    steps = "bars-per-tempo = 4\n" if isinstance(tempo, list) else ""
    path.write_text(
        f'title = "Week"\ntempo = {tempo}\n{steps}meter = "{meter}"\n[[section]]\n'
        f'bars = "1-8"\nstay-on = "{asks}"\nleast-notes = 1\n'
    )
    return path


def take_at(
    path: Path, played: float, filed: float, meter: str = "4/4", pieces: tuple[Stretch, ...] = HOLDS
) -> Path:
    """A take played at one tempo into a file that says another, bar 1 at its start."""
    take, _ = play(Line(pieces, meter, played), Hand(9.0, 12.0), 3)
    onset = np.maximum(take.onset_sec - float(take.tempo_map.start_sec[0]), 0.0)
    beat = float(parse_meter(meter)[0].tempo_beat_quarter)
    moved = replace(
        take, onset_sec=onset, release_sec=onset + 0.1, tempo_map=constant_tempo(filed * beat)
    )
    write_take(moved, path)
    return path


def said(result: Result) -> str:
    """What was printed, on one line."""
    return " ".join(result.stdout.split())


VOID = (
    # asked, played, file says, options, what is said
    (72, 96, 96, (), "the take was played at 96 BPM, as its file says and its notes show, and the "
     "assignment asks for 72 BPM; record it again over the assignment's click, or add --tempo 96"),
    (96, 96, 96, ("--tempo", 80), "the notes keep 96 BPM, as the assignment asks, and not the "
     "stated 80 BPM; check it again without --tempo."),
    (80, 96, 96, ("--tempo", 120), "the notes keep 96 BPM, as its file says, and not the stated "
     "120 BPM; check it again with --tempo 96."),
    # Eighths at 120 and eighth triplets at 80 are the same notes.
    (80, 120, 120, (), "the take's file says 120 BPM, the assignment asks for 80 BPM, and the "
     "notes do not show which was played; add --tempo 80 or --tempo 120, whichever it was."),
    ([72, 76], 96, 96, (), "the take was played at 96 BPM, as its file says and its notes show, "
     "and the assignment asks for 72 to 76 BPM; record it again"),
)  # fmt: skip


@pytest.mark.parametrize(("asked", "played", "filed", "options", "words"), VOID)
def test_a_void_judgement(
    asked: object, played: float, filed: float, options: tuple[object, ...], words: str,
    tmp_path: Path,
) -> None:  # fmt: skip
    """Said first, in one sentence with its remedy; everything can't be told; exit status 1."""
    take = take_at(tmp_path / "ada.mid", played, filed)
    result = run(week(tmp_path, asked), take, *options)
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert lines[0] == "Week: can't tell (2 can't tell)"
    assert lines[2].startswith("Not judged: ")
    assert f"Not judged: {words}" in said(result)
    assert max(map(len, lines)) <= 80
    for absent in ("Bar by bar", "Next:", "not met", "leave the"):
        assert absent not in result.stdout


NEITHER = (
    # asked, played, file says, pieces, what is said
    (96, 100, 120, HOLDS, "the notes fit a steady 100 BPM far better than the assignment's 96 BPM "
     "or the 120 BPM of the take's file; if that was the backing's tempo, add --tempo 100, and if "
     "not, record it again"),
    (96, 118, 120, HOLDS, "the notes fit a steady 118 BPM"),
    (96, 98, 100, HOLDS, "the notes fit a steady 98 BPM"),
    # Swung eighths at 100 lie on sixteenths at 125.
    (96, 100, 120, SWINGS, "the notes fit a steady 100 BPM or 125 BPM"),
    # Eighths at 80 keep step with 120, three places of four apart.
    (96, 80, 120, HOLDS, "the notes do not show that either was played; add --tempo with"),
)  # fmt: skip


@pytest.mark.parametrize(("asked", "played", "filed", "pieces", "words"), NEITHER)
def test_a_tempo_that_nobody_names(
    asked: float, played: float, filed: float, pieces: tuple[Stretch, ...], words: str,
    tmp_path: Path,
) -> None:  # fmt: skip
    """A take is not said to be at its file's tempo where another fits its notes far better."""
    take = take_at(tmp_path / "ada.mid", played, filed, pieces=pieces)
    result = run(week(tmp_path, asked), take)
    doubt = said(result).split(" Take ")[0]
    assert "Not judged: " in doubt and words in doubt
    assert "as its file says" not in doubt
    assert "Note: The notes" not in said(result)  # the doubt speaks of it already


def test_dragging_by_phrase_is_no_other_tempo(tmp_path: Path) -> None:
    """A player who drags and catches up is at the file's tempo; no note speaks of a third."""
    examples = Path(__file__).resolve().parent.parent / "examples"
    asks = (examples / "week-three.toml").read_text().replace("tempo = 96", "tempo = 92")
    (tmp_path / "week.toml").write_text(asks)
    told = said(run(tmp_path / "week.toml", examples / "benno-drags.mid"))
    assert "the take was played at 96 BPM, as its file says and its notes show" in told
    assert "fit a steady" not in told


def test_a_stated_tempo_is_not_sent_to_the_files(tmp_path: Path) -> None:
    """Played at 100 and stated as 96, the notes keep step with a file's 120 by chance."""
    take = take_at(tmp_path / "ada.mid", 100, 120)
    result = run(week(tmp_path, 96), take, "--tempo", 96)
    assert "Not judged" not in said(result)
    assert "The notes fit a steady 99.9 BPM" in said(result)


@pytest.mark.parametrize(
    ("meter", "bpm", "pieces", "words", "option"),
    [
        ("6/8", 110, (Stretch("eighths", 16),), "6/8 at 110 BPM (dotted quarters)",
         "--meter 6/8 --tempo 110"),
        ("5/4", 140, HOLDS, "5/4 at 140 BPM", "--meter 5/4 --tempo 140"),
    ],
)  # fmt: skip
def test_a_take_in_another_meter(
    meter: str, bpm: float, pieces: tuple[Stretch, ...], words: str, option: str, tmp_path: Path
) -> None:
    """The meter is named first, and the tempo counts the beats of the take's meter."""
    take = take_at(tmp_path / "ada.mid", bpm, bpm, meter, pieces)
    assignment = week(tmp_path, 96)
    void = said(run(assignment, take))
    assert f"the take was played in {words}, as its file says" in void
    assert "the assignment asks for 4/4 at 96 BPM; record it again" in void
    assert f"or add {option} to judge it" in void
    again = said(run(assignment, take, *option.split()))
    assert "Not judged" not in again
    assert f"Played over {meter} at {bpm} BPM; the assignment asks for 4/4 at 96 BPM." in again


JUDGED = (
    # asked, played, file says, options
    (96, 96, 96, ()),
    (96, 96, 120, ()),  # A recorder that writes 120 whatever was played.
    (96, 96, 120, ("--tempo", 96)),
    (80, 120, 120, ("--tempo", 120)),
    (72, 96, 96, ("--tempo", 96)),
    (60, 60, 120, ("--tempo", 60)),
)


@pytest.mark.parametrize(("asked", "played", "filed", "options"), JUDGED)
@pytest.mark.parametrize("pieces", [HOLDS, SWINGS])
def test_a_judgement_that_stands(
    asked: float, played: float, filed: float, options: tuple[object, ...],
    pieces: tuple[Stretch, ...], tmp_path: Path,
) -> None:  # fmt: skip
    """Read at the tempo that was played, the take is judged, whatever else is named."""
    take = take_at(tmp_path / "ada.mid", played, filed, pieces=pieces)
    result = run(week(tmp_path, asked), take, *options)
    assert "Not judged" not in result.stdout
    assert result.exit_code == 0, result.stdout
    assert ("keep the assignment's tempo" in said(result)) == (filed != asked and not options)


@pytest.mark.parametrize(("meter", "asks"), [("6/8", "eighths"), ("2+2+2+3/8", "eighths")])
def test_other_meters(meter: str, asks: str, tmp_path: Path) -> None:
    """Tempi are told in the beats of the meter, as --tempo takes them."""
    take = take_at(tmp_path / "ada.mid", 60.0, 60.0, meter)
    void = run(week(tmp_path, 52, meter, asks), take)
    assert "played at 60 BPM" in said(void)
    again = run(week(tmp_path, 52, meter, asks), take, "--tempo", 60)
    assert again.exit_code == 0, again.stdout


def test_a_wrong_backing_is_told(tmp_path: Path) -> None:
    """The notes keep the assignment's tempo and not the backing's."""
    path, click = week(tmp_path, 96), tmp_path / "click.mid"
    other = parse_assignment(path.read_text().replace("96", "84"))
    write_click_midi(click_track(other), click)
    take = take_at(tmp_path / "ada.mid", 96, 96)
    result = run(path, take, "--backing", click)
    assert result.exit_code == 1
    assert "and not the stated 84 BPM; check it again without --backing." in said(result)


def test_a_wrong_start_is_not_judged(tmp_path: Path) -> None:
    """Eighths 150 ms beside every beat are no sixteenths to be left out: nothing can be told."""
    take = take_at(tmp_path / "take.mid", 96, 96)
    result = run(week(tmp_path, 96), take, "--start", "-0.15")
    assert result.exit_code == 1
    assert "Not judged: The notes lie steadily" in said(result)
    assert said(result).startswith("Week: can't tell (2 can't tell)")
    assert "sixteenths" not in said(result)
    judged = take_at(tmp_path / "other.mid", 96, 96)
    both = said(run(week(tmp_path, 96), take, judged, "--start", "-0.15"))
    assert "The start is in doubt: 2 takes" in both
    assert "The tempo is in doubt" not in both


def test_the_data_say_so_too(tmp_path: Path) -> None:
    """JSON has the doubt, and no bar is met or not met; CSV has it as the reason."""
    path, take = week(tmp_path, 72), take_at(tmp_path / "ada.mid", 96, 96)
    (found,) = json.loads(run(path, take, "--format", "json").stdout)["takes"]
    assert found["state"] == "can't tell"
    assert found["doubt"].startswith("Not judged: the take was played at 96 BPM")
    assert {b["state"] for r in found["requirements"] for b in r["bars"]} == {"can't tell"}
    assert {r["value"] for r in found["requirements"]} == {None}
    assert "Not judged: the take was played at 96 BPM" in run(path, take, "--format", "csv").stdout
    fine = json.loads(run(week(tmp_path, 96), take, "--format", "json").stdout)["takes"][0]
    assert fine["doubt"] is None


def test_a_class_leaves_them_out_of_what_was_missed(tmp_path: Path) -> None:
    """In the table as can't tell, named below, and no player among those who missed."""
    folder = tmp_path / "monday"
    folder.mkdir()
    take_at(folder / "ada.mid", 96, 96)
    take_at(folder / "ben.mid", 72, 72)
    result = run(week(tmp_path, 96), folder)
    assert result.stdout.startswith("Week: 1 of 1 take met\n")
    assert "ben     can't tell" in result.stdout
    assert "The tempo is in doubt: 1 take - ben: the take was played at 72 BPM" in said(result)
    assert "Nobody missed anything" in result.stdout
    (folder / "ada.mid").unlink()
    take_at(folder / "cem.mid", 72, 72)
    assert run(week(tmp_path, 96), folder).stdout.startswith("Week: no take could be judged\n")


def test_firmness_by_hand() -> None:
    """Exact eighths at 100 BPM lie in two places of a 600 ms beat.

    A kernel of 20 ms has the height 600 / (20 sqrt(2 pi)) = 11.968 against an even 1. Of 39 other
    notes 19 lie in a note's own place: 19 / 39 x 11.968 = 5.831, and with a tenth anywhere
    ln(0.1 + 0.9 x 5.831) = 1.6768 nats, 40 times. A later start changes nothing.
    """
    (meter,) = parse_meter("4/4")
    time = constant_tempo(100.0)
    for start in (0.0, 0.11):
        nats = firmness(np.arange(40) * 0.3 + start, time, meter)
        assert nats == pytest.approx(40 * 1.6768, rel=1e-3)


def test_one_rhythm_is_as_firm_in_either_of_its_tempi() -> None:
    """Eighths at 120 are triplets at 80 and quarters at 240: nothing tells them apart."""
    (meter,) = parse_meter("4/4")
    onset = np.arange(240) * 0.25 + np.random.default_rng(2).normal(0.0, 0.01, 240)
    firm = [firmness(onset, constant_tempo(bpm), meter) for bpm in (120.0, 80.0, 240.0, 100.0)]
    assert firm[1:3] == pytest.approx([firm[0]] * 2, abs=6.0)
    assert firm[3] < firm[0] - 200


def test_chance_keeps_no_step() -> None:
    """Notes at random are hardly ever in step; chords do not agree with themselves."""
    (meter,) = parse_meter("4/4")
    time, rng = constant_tempo(100.0), np.random.default_rng(1)
    for count in (10, 40, 200):
        random = [firmness(np.sort(rng.uniform(0, 90, count)), time, meter) for _ in range(1000)]
        assert np.mean(np.array(random) > 8.0) < 0.004
    chords = np.sort(np.repeat(rng.uniform(0, 90, 20), 4) + np.tile([0, 0.002, 0.004, 0.006], 20))
    assert firmness(chords, time, meter) < 8.0
    assert firmness(np.array([1.0]), time, meter) == 0.0


# --- a file that states no tempo ----------------------------------------------


def without_tempo(path: Path) -> Path:
    """The take without its tempo event: a reader of it takes 120, as the standard says."""
    file = mido.MidiFile(path)
    for track in file.tracks:
        assert all(m.time == 0 for m in track if m.type == "set_tempo")
        track[:] = [m for m in track if m.type != "set_tempo"]
    file.save(path)
    return path


PLAYED = (
    # asked, played, meter, what is said
    (96, 110, "4/4", "the notes fit 110 BPM, and the assignment asks for 96 BPM; if 110 was the "
     "backing's tempo, add --tempo 110 to judge it at that"),
    (96, 104, "4/4", "the notes fit 104 BPM"),
    (96, 85, "4/4", "the notes fit 85 BPM"),
    (96, 128, "4/4", "the notes fit 128 BPM"),
    # In step with every second and third quintuplet, which nobody plays.
    (96, 120, "4/4", "the notes fit 120 BPM"),
    (96, 80, "4/4", "the notes fit 80 BPM"),
    (75, 66, "6/8", "the notes fit 66 BPM"),
    (58, 66, "2+2+3/8", "the notes fit 66 BPM"),
)  # fmt: skip


@pytest.mark.parametrize(("asked", "played", "meter", "words"), PLAYED)
def test_another_tempo_that_no_file_states(
    asked: float, played: float, meter: str, words: str, tmp_path: Path
) -> None:
    """Steady notes at another tempo are found out without a tempo event, and a way is told."""
    pieces = (Stretch("eighths", 32),)
    filed = 120.0 / float(parse_meter(meter)[0].tempo_beat_quarter)
    take = without_tempo(take_at(tmp_path / "ada.mid", played, filed, meter, pieces))
    path = week(tmp_path, asked, meter)
    result = run(path, take)
    assert result.exit_code == 1
    assert f"Not judged: {words}" in said(result)
    again = run(path, take, "--tempo", played)
    assert again.exit_code == 0, again.stdout


HONEST = (
    Line((Stretch("eighths", 32),), tempo_bpm=100.0),
    Line((Stretch("eighths", 32),), tempo_bpm=92.5),
    Line((Stretch("eighths", 32),), tempo_bpm=96.0, drift_bpm=4.0),
    Line((Stretch("quarter triplets", 32),), tempo_bpm=96.0),
    Line((Stretch("eighth triplets", 32),), tempo_bpm=96.0),
    Line((Stretch("quintuplets", 32),), tempo_bpm=96.0),
    Line((Stretch("swung eighths", 32),), tempo_bpm=96.0),
    Line((Stretch("eighths", 32),), tempo_bpm=96.0),
)


@pytest.mark.parametrize("line", HONEST)
@pytest.mark.parametrize("spread", [8.0, 30.0])
def test_off_by_a_few_per_cent_is_judged(line: Line, spread: float, tmp_path: Path) -> None:
    """Other subdivisions, a wide hand and a tempo 4 % off are the player's, and are judged."""
    take, _ = play(line, Hand(9.0, spread), 3)
    onset = np.maximum(take.onset_sec - float(take.tempo_map.start_sec[0]), 0.0)
    moved = replace(take, onset_sec=onset, release_sec=onset + 0.1, tempo_map=constant_tempo(120.0))
    write_take(moved, tmp_path / "ada.mid")
    result = run(week(tmp_path, 96), without_tempo(tmp_path / "ada.mid"))
    assert "Not judged: the notes fit" not in said(result)


@pytest.mark.parametrize("seed", range(4))
def test_notes_at_random_keep_no_tempo(seed: int, tmp_path: Path) -> None:
    """Of all tempi one always fits best; of notes at random, none well enough to be told."""
    take = take_at(tmp_path / "ada.mid", 96, 120.0)
    take_notes, _ = play(Line(HOLDS, tempo_bpm=96.0), Hand(), 1)
    onset = np.sort(np.random.default_rng(seed).uniform(0.0, 20.0, len(take_notes.onset_sec)))
    write_take(replace(take_notes, onset_sec=onset, release_sec=onset + 0.05), take)
    assert "Not judged: the notes fit" not in said(run(week(tmp_path, 96), without_tempo(take)))


def test_the_tempi_of_a_ladder_are_told(tmp_path: Path) -> None:
    """A list of tempi is no single one: what was asked is told from the first to the last."""
    take = take_at(tmp_path / "ada.mid", 100, 100)
    words = said(run(week(tmp_path, [80, 90, 100]), take, "--tempo", 100))
    assert "Played over 100 BPM; the assignment asks for 80 to 100 BPM." in words
