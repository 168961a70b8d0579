"""`improv check`: exit status, words, data, classes, backing tracks with gaps."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from assigned import check as run

from improv.analysis import analyze
from improv.assignments.classes import check_files
from improv.assignments.clickfiles import write_click_midi
from improv.assignments.clicktrack import click_track
from improv.assignments.gaps import Silence, gap_drifts, gap_text
from improv.assignments.jobs import Naming, job_for
from improv.assignments.reading import parse_assignment
from improv.assignments.verdict import GIVE_OR_TAKE, GapDrift, beside, together
from improv.midi import read_take
from improv.midi_write import write_take
from improv.model import Reading, Settings, Take
from improv.synth import Hand, Line, Stretch, play

EIGHTHS = 'title = "Eighths only"\ntempo = 100\n[[section]]\nbars = "1-4"\nstay-on = "eighths"\n'
GOOD = (Stretch("eighths", 16),)
BAD = (Stretch("eighths", 8), Stretch("sixteenths", 4), Stretch("eighths", 4))


def made(path: Path, pieces: tuple[Stretch, ...], seed: int = 3, **more: object) -> Path:
    """A take in a file, bar 1 at its start."""
    line = Line(pieces, str(more.pop("meter", "4/4")), float(more.pop("tempo", 100.0)))  # type: ignore[arg-type]
    take, _ = play(line, Hand(5.0, 8.0), seed)
    start = float(take.tempo_map.start_sec[0])
    write_take(shifted(replace(take, **more), -start), path)  # type: ignore[arg-type]
    return path


def shifted(take: Take, by_sec: float) -> Take:
    """The same take earlier or later in its file, bars and all."""
    onset = np.maximum(take.onset_sec + by_sec, 0.0)
    moved = replace(take.tempo_map, start_sec=take.tempo_map.start_sec + by_sec)
    return replace(
        take, onset_sec=onset, release_sec=take.release_sec + by_sec, tempo_map=moved
    )  # fmt: skip


@pytest.fixture
def week(tmp_path: Path) -> Path:
    """The assignment in a file."""
    path = tmp_path / "week.toml"
    path.write_text(EIGHTHS)
    return path


def test_met_is_0(week: Path, tmp_path: Path) -> None:
    """Everything met: exit status 0, the headline first."""
    result = run(week, made(tmp_path / "ada.mid", GOOD))
    assert result.exit_code == 0, result.output
    assert result.output.startswith("Eighths only: met (1 met)\n")


def test_not_met_is_1_and_says_why(week: Path, tmp_path: Path) -> None:
    """The bar, the count, what was asked, the bar table, the one thing to change."""
    result = run(week, made(tmp_path / "ada.mid", BAD))
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "Eighths only: not met (1 not met)" in said
    assert "Bar 3: sixteenths from the e of 1; asked for eighths. 1 of 4 bars not met." in said
    assert "Next: Bar 3: play eighths only, leave the sixteenths out." in said
    assert "bar 1 2 3 4 stay-on + + x +" in said
    assert max(map(len, result.output.splitlines())) <= 80


def test_cannot_tell_is_1(tmp_path: Path) -> None:
    """Nothing to judge is not met either; the words say so."""
    path = tmp_path / "late.toml"
    path.write_text(EIGHTHS.replace("1-4", "20-24"))
    result = run(path, made(tmp_path / "ada.mid", GOOD))
    assert result.exit_code == 1
    assert "can't tell" in result.output
    assert "Next: Play something in bars 20 to 24." in result.output


def test_a_missing_take_stops_no_other(week: Path, tmp_path: Path) -> None:
    """Of several, a name that is no file is named and the others are judged: exit status 1."""
    result = run(week, tmp_path / "nowhere.mid", made(tmp_path / "ada.mid", GOOD))
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "nowhere.mid: there is no such file" in said
    assert "ada met" in said


WRONG_USE = (
    (["{week}"], "Missing argument"),
    (["{week}", "nowhere.mid"], "does not exist"),
    (["{week}", "{take}", "--part", "3"], "3 is not in the range"),
    (["{week}", "{take}", "--part", "2"], "no alternation"),
    (["{week}", "{take}", "--subdivisions", "eighths"], "No such option '--subdivisions'"),
    (["{week}", "{take}", "--bars", "1-4"], "No such option '--bars'"),
    (["{week}", "{take}", "--tolerance", "10"], "No such option '--tolerance'"),
    (["{week}", "{take}", "--player-pattern", "x-*"], "write PLAYER once"),
    (["{bad}", "{take}"], "bad.toml, line 5: section 1 'stayon': no such key"),
    (["{week}", "{take}", "--output", "{take}"], "take itself, and a take is never overwritten"),
    (
        ["{week}", "{take}", "--output", "{week}"],
        "week.toml: this is the assignment itself, and an assignment is never overwritten",
    ),
    (
        ["{week}", "{take}", "--backing", "{click}", "--output", "{click}"],
        "click.mid: this is the backing itself",
    ),
    (["{take}", "{week}"], "ada.mid: this is a MIDI file, not an assignment; the assignment,"),
    (["{week}", "{take}", "{week}"], "week.toml: this is the assignment itself; it comes first"),
    (["{week}", "{take}", "{bad}"], "bad.toml: this is an assignment, not a take"),
    (["{week}", "{empty}"], "no MIDI files in this folder (.mid, .midi, .smf)"),
)


@pytest.mark.parametrize(("arguments", "said"), WRONG_USE)
def test_wrong_use_is_2(arguments: list[str], said: str, week: Path, tmp_path: Path) -> None:
    """A wrong call and an assignment that cannot be are told apart from a missed one."""
    take = made(tmp_path / "ada.mid", GOOD)
    bad = tmp_path / "bad.toml"
    bad.write_text(EIGHTHS.replace("stay-on", "stayon"))
    empty = tmp_path / "empty"
    empty.mkdir()
    click = made(tmp_path / "click.mid", GOOD)
    names = {"week": week, "take": take, "bad": bad, "empty": empty, "click": click}
    result = run(*(a.format(**names) for a in arguments))
    assert result.exit_code == 2, result.output
    assert said in " ".join(result.output.split())


def test_an_unreadable_take_is_1(week: Path, tmp_path: Path) -> None:
    """One line that names the file; nothing else."""
    broken = tmp_path / "ada.mid"
    broken.write_bytes(b"MThd\0\0")
    result = run(week, broken)
    assert result.exit_code == 1
    assert len(result.output.splitlines()) == 1
    assert "ada.mid" in result.output


@pytest.fixture
def monday(tmp_path: Path) -> Path:
    """A folder of five takes, one broken, one not MIDI at all."""
    folder = tmp_path / "monday"
    folder.mkdir()
    for i, (name, pieces) in enumerate(
        (("ada", GOOD), ("ben", BAD), ("cem", GOOD), ("dot", BAD), ("eva", BAD))
    ):
        made(folder / f"week3-{name}-take1.mid", pieces, seed=i, track=f"Solo {name}")
    (folder / "week3-fay-take1.mid").write_bytes(b"not midi")
    (folder / "notes.txt").write_text("ignored")
    return folder


def test_a_class_is_one_table(week: Path, monday: Path) -> None:
    """Players by pattern, states, what most missed and where; a broken file is only reported."""
    result = run(week, monday, "--player-pattern", "week3-PLAYER-*")
    assert result.exit_code == 1
    lines = result.output.splitlines()
    assert lines[0] == "Eighths only: 2 of 5 takes met"
    rows = [line.split()[0] for line in lines[4:10]]
    assert rows == ["ada", "ben", "cem", "dot", "eva", "fay"]
    assert "fay     unreadable" in result.output
    assert "stay-on: 3 of 5 players; oftenest in bar 3" in result.output
    assert "Could not be checked: 1 file" in result.output
    assert max(len(line) for line in lines if " " in line.strip()) <= 80  # a path stays whole


def test_a_take_named_twice_counts_once(week: Path, monday: Path, tmp_path: Path) -> None:
    """By folder, by name, by a detour and by a link: one player, and one sentence that says so."""
    ada = monday / "week3-ada-take1.mid"
    detour = monday / ".." / "monday" / ada.name
    link = tmp_path / "link.mid"
    link.symlink_to(ada)
    result = run(week, monday, ada, detour, link, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["player"] for row in rows].count("week3-ada-take1") == 1
    assert len(rows) == 6
    assert result.stderr.count("was named more than once; it is counted once") == 1
    assert "more than once" not in run(week, monday).stderr


def test_one_take_named_twice_is_no_class(week: Path, tmp_path: Path) -> None:
    """The take's own report, not a table of one."""
    ada = made(tmp_path / "ada.mid", GOOD)
    result = run(week, ada, ada)
    assert result.stdout == run(week, ada).stdout
    assert "ada.mid was named more than once" in result.stderr


def test_a_player_of_several_takes_is_counted_once(week: Path, tmp_path: Path) -> None:
    """Players are players and takes are takes, in the text and in the data."""
    folder = tmp_path / "many"
    folder.mkdir()
    for name, pieces in (("ada-1", BAD), ("ada-2", BAD), ("ben-1", GOOD)):
        made(folder / f"{name}.mid", pieces)
    options = ("--player-pattern", "PLAYER-*")
    result = run(week, folder, *options)
    assert "stay-on: 1 of 2 players (2 of 3 takes); oftenest in bar 3" in result.stdout
    missed = json.loads(run(week, folder, *options, "--format", "json").stdout)["missed"][0]
    assert (missed["players"], missed["takes"]) == (1, 2)
    alone = run(week, folder / "ada-1.mid", folder / "ada-2.mid", *options)
    assert "stay-on: 2 of 2 takes; oftenest" in alone.stdout
    assert "player" not in alone.stdout.lower().replace("player  ", "")


def test_names_that_do_not_tell_players_apart_are_told(week: Path, tmp_path: Path) -> None:
    """Tracks of one name, and names that no pattern fits."""
    takes = [made(tmp_path / f"{name}.mid", GOOD, track="solo") for name in ("ada", "week-ben")]
    by_track = run(week, *takes, "--player-from", "track")
    assert "all 2 takes have the name 'solo': the track names do not tell" in by_track.stderr
    some = run(week, *takes, "--player-pattern", "week-PLAYER")
    assert "Note: --player-pattern does not fit " in some.stderr
    assert "ada.mid; the whole name stands for the player." in some.stderr
    assert "week-ben.mid" not in some.stderr
    none = run(week, *takes, "--player-pattern", "month-PLAYER")
    assert "Warning: --player-pattern 'month-PLAYER' fits no name" in none.stderr
    assert run(week, *takes).stderr == ""


def test_folders_in_a_folder_are_told(week: Path, monday: Path) -> None:
    """They are not looked into, and that is said."""
    (monday / "last year").mkdir()
    assert "last year is a folder in a folder and was not looked into" in run(week, monday).stderr
    empty = monday / "last year"
    (empty / "june").mkdir()
    refused = run(week, empty)
    assert refused.exit_code == 2
    assert "the folders inside it are not looked into" in " ".join(refused.output.split())


def test_players_by_track_name(week: Path, monday: Path) -> None:
    """The track's name serves as well."""
    result = run(
        week, monday, "--player-from", "track", "--player-pattern", "Solo PLAYER", "--format", "csv"
    )
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["player"] for row in rows][:5] == ["ada", "ben", "cem", "dot", "eva"]


def test_a_name_that_does_not_fit_stays_whole() -> None:
    """A file called otherwise is listed by its whole name."""
    naming = Naming("file", "week3-PLAYER")
    assert naming.player("x/week3-ada.mid", None) == "ada"
    assert naming.player("x/other.mid", None) == "other"
    assert Naming().player("x/other.take.mid", None) == "other.take"


def test_json_and_csv_say_the_same(week: Path, monday: Path) -> None:
    """Both hold every take in order, each requirement, the bars not met."""
    found = json.loads(run(week, monday, "--format", "json").stdout)
    rows = list(csv.DictReader(io.StringIO(run(week, monday, "--format", "csv").stdout)))
    assert [t["state"] for t in found["takes"]] == [
        "met", "not met", "met", "not met", "not met", "unreadable",
    ]  # fmt: skip
    assert [t["state"] for t in found["takes"]] == [r["state"] for r in rows]
    assert [r["bars_not_met"] for r in rows] == ["", "3", "", "3", "3", ""]
    bars = found["takes"][1]["requirements"][0]["bars"]
    assert [b["state"] for b in bars] == ["met", "met", "not met", "met"]
    assert bars[2]["found"] == "sixteenths"
    assert found["missed"][0] == {
        "section": 1, "requirement": "stay-on", "players": 3, "bars": [3], "takes": 3,
    }  # fmt: skip


def test_output_goes_to_a_file(week: Path, tmp_path: Path) -> None:
    """--output holds what would have been printed."""
    take, out = made(tmp_path / "ada.mid", GOOD), tmp_path / "out.json"
    shown = run(week, take, "--format", "json").stdout
    assert run(week, take, "--format", "json", "--output", out).exit_code == 0
    assert out.read_text() == shown


def test_cores_change_nothing(monday: Path) -> None:
    """One process or two: the same results in the same order."""
    paths = sorted(map(str, monday.glob("*.mid"))) * 3
    job = job_for(parse_assignment(EIGHTHS), Reading(), Settings())
    told: list[int] = []
    one = check_files(job, paths, 1, lambda done, _: told.append(done))
    two = check_files(job, paths, 2)
    assert told == list(range(1, len(paths) + 1))
    assert [(c.player, c.error, c.verdict) for c in one] == [
        (c.player, c.error, c.verdict) for c in two
    ]


def test_the_count_in_is_the_assignments_unless_stated(tmp_path: Path) -> None:
    """A take with a count-in is read with it; --count-in 0 reads it without."""
    path = tmp_path / "a.toml"
    path.write_text(EIGHTHS.replace("tempo", "count-in = 1\ntempo").replace("1-4", "1-3"))
    take = made(tmp_path / "ada.mid", (Stretch("sixteenths", 4), Stretch("eighths", 12)))
    assert run(path, take).exit_code == 0
    assert run(path, take, "--count-in", "0").exit_code == 1


def test_another_tempo_is_said(week: Path, tmp_path: Path) -> None:
    """A take played at its file's other tempo is not judged at the assigned one; a way out."""
    take = made(tmp_path / "ada.mid", GOOD, tempo=120.0)
    result = run(week, take)
    assert result.exit_code == 1
    assert result.output.splitlines()[2].startswith("Not judged: the take was played at 120 BPM,")
    right = run(week, take, "--tempo", "120")
    assert right.exit_code == 0
    assert "Played over 120 BPM; the assignment asks for 100 BPM." in right.output


STEPS = """\
tempo = [90, 100, 110]
bars-per-tempo = 2
count-in = 1
[[section]]
bars = "1-6"
stay-on = "eighths"
most-drift = 2
"""


def test_tempo_steps_are_followed_with_and_without_backing(tmp_path: Path) -> None:
    """A take over a climbing click is on its grid throughout, by backing or by assignment."""
    asked = parse_assignment(STEPS)
    path, click, take = tmp_path / "s.toml", tmp_path / "click.mid", tmp_path / "ada.mid"
    path.write_text(STEPS)
    track = click_track(asked)
    write_click_midi(track, click)
    write_take(over(track, 6 * 8), take)
    for extra in ([], ["--backing", click]):
        result = run(path, take, *extra)
        assert result.exit_code == 0, result.output


def over(track, notes: int, drift: float = 0.0, gaps: bool = False) -> Take:  # type: ignore[no-untyped-def]
    """Eighths over a click track from bar 1, drifting by a share of time inside its gaps."""
    from improv.tempo import seconds_at

    rng = np.random.default_rng(5)
    quarter = np.arange(notes) / 2.0
    onset = seconds_at(track.tempo_map, quarter) + rng.normal(0.006, 0.006, notes)
    if gaps:
        for gap in track.gaps:
            start, stop = float(gap.start_quarter), float(gap.stop_quarter)
            inside = (quarter > start) & (quarter <= stop)
            length = seconds_at(track.tempo_map, quarter) - seconds_at(
                track.tempo_map, np.array([start])
            )
            onset = onset + np.where(inside, drift * length, 0.0)
    empty = np.full(notes, 60, dtype=np.int64)
    line = Line(GOOD, tempo_bpm=100.0)
    model, _ = play(line, Hand(), 1)
    return replace(
        model, onset_sec=onset, release_sec=onset + 0.1, pitch=empty, velocity=empty,
        released=np.ones(notes, dtype=np.bool_), tempo_map=track.tempo_map, bars=track.bars,
    )  # fmt: skip


GAPPED = """\
tempo = 100
count-in = 1
[[section]]
bars = "1-8"
stay-on = "eighths"
[click]
bars-on = 2
bars-off = 2
"""


@pytest.mark.parametrize("drift", [0.03, -0.03, 0.015, 0.0])
def test_drift_across_gaps_is_told(drift: float, tmp_path: Path) -> None:
    """A player who slows (speeds) by 3 % is 144 ms late (early) after two silent bars of 100 BPM.

    Two bars last 4.8 s; 0.03 x 4.8 s = 144 ms. The gaps come back from the MIDI file's markers.
    """
    asked = parse_assignment(GAPPED)
    path, click, take = tmp_path / "g.toml", tmp_path / "click.mid", tmp_path / "ada.mid"
    path.write_text(GAPPED.split("[click]")[0])  # The file alone must carry the gaps.
    track = click_track(asked)
    write_click_midi(track, click)
    write_take(over(track, 8 * 8, drift, gaps=True), take)
    found = json.loads(run(path, take, "--backing", click, "--format", "json").stdout)
    gaps = found["takes"][0]["gaps"]
    assert [(g["first_bar"], g["last_bar"]) for g in gaps] == [(3, 4), (7, 8)]
    assert gaps[0]["drift_ms"] == pytest.approx(drift * 4800, abs=3 * gaps[0]["standard_error_ms"])
    assert gaps[0]["standard_error_ms"] < 15
    text = run(path, take, "--backing", click).output
    if drift:
        way = "later" if drift > 0 else "earlier"
        assert f"ms {way} at the return" in text
    else:
        assert "Bars 3 to 4 without click: no drift to be told" in text


def test_a_class_is_told_of_its_gaps(tmp_path: Path) -> None:
    """Table and CSV hold every player's drift across every gap, as the one take's text has it."""
    path, takes = tmp_path / "week.toml", tmp_path / "monday"
    path.write_text(GAPPED)
    takes.mkdir()
    track = click_track(parse_assignment(GAPPED))
    for name, drift in (("ada", 0.03), ("ben", 0.0)):
        write_take(over(track, 8 * 8, drift, gaps=True), takes / f"{name}.mid")
    take = over(track, 8 * 8)
    silent = (np.arange(64) >= 48) & (np.arange(64) < 62)  # bars 7 and 8, almost
    write_take(take.at(~silent), takes / "cem.mid")
    rows = list(csv.DictReader(io.StringIO(run(path, takes, "--format", "csv").stdout)))
    gaps = [row for row in rows if row["requirement"] == "gap"]
    assert [row["player"] for row in gaps] == ["ada", "ada", "ben", "ben", "cem", "cem"]
    assert [row["first_bar"] for row in gaps] == ["3", "7"] * 3
    drift_ms = [round(float(row["value"])) for row in gaps[:4]]
    doubt_ms = [round(GIVE_OR_TAKE * float(row["standard_error"])) for row in gaps[:4]]
    told = [
        f"{drift:+d}" if abs(drift) > doubt else "."
        for drift, doubt in zip(drift_ms, doubt_ms, strict=True)
    ]
    assert "." not in told[:2] and "." in told[2:]
    assert gaps[0]["unit"] == "ms" and gaps[0]["requirement_state"] == ""
    assert gaps[5]["value"] == "" and gaps[5]["reason"].startswith("too few notes")
    for form in ("json", "csv"):
        # Eighths kept through a gap in another time are eighths: all is met.
        assert run(path, takes, "--format", form).exit_code == 0
    lines = run(path, takes).stdout.splitlines()
    at = lines.index("Across the gaps")
    table = [line.split() for line in lines[at + 1 : at + 5]]
    assert table[:2] == [["Bars", "3-4", "7-8"], ["ada", *told[:2]]]
    assert table[2] == ["ben", *told[2:]] and table[3][-1] == "?"
    assert max(map(len, lines)) <= 80
    assert "drift across every gap" in " ".join(run("--help").output.split())


def test_a_limit_is_a_number(tmp_path: Path) -> None:
    """A limit stands beside its value as a number, a band as two; where there is none, nothing."""
    path = tmp_path / "week.toml"
    asks = "swing = [1.3, 2.0]\nmost-drift = 2.5\npocket = { share = 0.8, within-ms = 20 }\n"
    path.write_text(EIGHTHS + asks)
    take = made(tmp_path / "ada.mid", GOOD)
    (told,) = json.loads(run(path, take, "--format", "json").stdout)["takes"]
    limits = {row["requirement"]: row["limit"] for row in told["requirements"]}
    assert limits == {"stay-on": None, "swing": [1.3, 2.0], "most-drift": 2.5, "pocket": 0.8}
    rows = list(csv.DictReader(io.StringIO(run(path, take, "--format", "csv").stdout)))
    limits = {row["requirement"]: row["limit"] for row in rows}
    assert limits == {
        "stay-on": "", "swing": "1.30 to 2.00 : 1", "most-drift": "2.5", "pocket": "0.8",
    }  # fmt: skip


def test_gaps_of_the_assignment_serve_without_a_backing(tmp_path: Path) -> None:
    """The assignment's own click says where the gaps were."""
    path, take = tmp_path / "g.toml", tmp_path / "ada.mid"
    path.write_text(GAPPED)
    write_take(over(click_track(parse_assignment(GAPPED)), 64), take)
    assert "Across the gaps" in run(path, take).output


def test_a_gap_without_notes_cannot_be_told(tmp_path: Path) -> None:
    """Silence in the gap is said, not guessed."""
    take = made(tmp_path / "ada.mid", GOOD)
    analysis = analyze(read_take(take, Reading(tempo_bpm=100.0)))
    gap = gap_drifts(analysis, (Silence(7, 8, 30.0, 34.8),))[0]
    assert gap.drift_ms is None
    assert gap_text(gap) == "Bars 7 to 8 without click: too few notes before the gap."


@pytest.mark.parametrize(
    ("drift", "error", "said"),
    [
        (34.0, 6.0, "34 ms later at the return (give or take 12 ms, 17 ms a bar)."),
        (-34.0, 6.0, "34 ms earlier at the return (give or take 12 ms, 17 ms a bar)."),
        (63.0, 48.0, "no drift to be told (+63 ms, give or take 96 ms)."),
        (12.4, 6.1, "no drift to be told (+12 ms, give or take 12 ms)."),
        (13.0, 6.1, "13 ms later at the return (give or take 12 ms, 6 ms a bar)."),
        (-0.3, 4.0, "no drift to be told (0 ms, give or take 8 ms)."),
        (0.4, 0.1, "no drift to be told (0 ms, give or take 1 ms)."),
    ],
)
def test_give_or_take_is_two_standard_errors(drift: float, error: float, said: str) -> None:
    """A drift is told just where it is more than the doubt printed beside it."""
    assert gap_text(GapDrift(4, 5, drift, error, 16, "")) == f"Bars 4 to 5 without click: {said}"


def test_states_add_up() -> None:
    """Not met wins, can't tell spoils met, nothing at all can't be told."""
    assert together(["met", "met"]) == "met"
    assert together(["met", "can't tell"]) == "can't tell"
    assert together(["can't tell", "not met", "met"]) == "not met"
    assert together([]) == "can't tell"


def test_a_value_beside_its_limits() -> None:
    """0.8 standard errors decide: inside, outside, or too close to call."""
    assert [beside(v, 1.0, 0.0, 10.0) for v in (5.0, 9.5, 10.5, 11.5, -2.0)] == [
        "met", "can't tell", "can't tell", "not met", "not met",
    ]  # fmt: skip
