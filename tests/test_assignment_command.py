"""`improv assign` and `improv click` on the command line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import mido
import pytest
from assigned import HOLDS, RUNS
from click.testing import CliRunner, Result

from improv.assignments.model import Alternation, Drift, Pocket, Swing
from improv.assignments.reading import parse_assignment, read_assignment
from improv.assignments.values import LAST_BAR
from improv.cli import cli
from improv.errors import UsageError
from improv.midi_write import write_take
from improv.synth import FreeRun, Hand, Line, Rest, Stretch, play

FLOATS = (*HOLDS, *RUNS)


def run(*arguments: object) -> Result:
    """The command line, in process."""
    return CliRunner().invoke(cli, list(map(str, arguments)))


def take_at(path: Path, pieces: tuple[Stretch | Rest | FreeRun, ...], tempo: float = 120.0) -> Path:
    """A take whose lead-in is one bar of silence more than its file says."""
    take, _ = play(Line(pieces, tempo_bpm=tempo), Hand(5.0, 9.0), 4)
    write_take(take, path)
    return path


def test_an_assignment_from_options(tmp_path: Path) -> None:
    """Every option ends in its key; the file parses to what was asked."""
    path = tmp_path / "w.toml"
    result = run(
        "assign", "--tempo", 96, "--meter", "3/4", "--title", "Waltz", "--note", "Breathe.",
        "--bars", "1-8", "--alternate", "eighths,quarters", "--every", 2, "--players", 2,
        "--nothing-faster-than", "eighths", "--no-off-grid-runs", "--least-notes", 2,
        "--swing", "1.2-2", "--most-drift", "default", "--pocket", "75%/15%", "--output", path,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    made = read_assignment(path)
    assert (made.title, made.note, made.count_in_bars) == ("Waltz", "Breathe.", 1)
    section = made.sections[0]
    assert (section.first_bar, section.last_bar) == (1, 8)
    assert section.alternate == Alternation(("eighths", "quarters"), 2, 2)
    assert (section.swing, section.most_drift) == (Swing(1.2, 2.0), Drift())
    assert section.pocket == Pocket(0.75, None, 15.0)
    assert (section.least_notes, section.no_off_grid_runs) == (2, True)


def test_a_gap_that_never_comes_is_told(tmp_path: Path) -> None:
    """One bar is one bar, one gap one gap."""
    path = tmp_path / "c.mid"
    said = run("click", "--tempo", 96, "--bars", 3, "--gaps", "4+1", "--output", path).stderr
    assert "c.mid: 3 bars. Keep" in said
    assert "no bar drops out: the first would be bar 5, and the track has 3 bars" in said
    said = run("click", "--tempo", 96, "--bars", 5, "--gaps", "4+1", "--output", path).stderr
    assert "c.mid: 5 bars, 1 gap. Keep" in said and "drops" not in said
    said = run("click", "--tempo", 96, "--bars", 1, "--output", path).stderr
    assert "c.mid: 1 bar. Keep" in said


def test_a_second_part_needs_an_alternation(tmp_path: Path) -> None:
    """Refused as a check refuses it, and nothing is written."""
    path, out = tmp_path / "w.toml", tmp_path / "c.mid"
    path.write_text('tempo = 96\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n')
    for part in ("2", "both"):
        refused = run("click", path, "--part", part, "--output", out)
        assert (refused.exit_code, out.exists()) == (2, False)
        assert f"part {part}: this assignment has no alternation" in refused.output


def test_tempo_steps(tmp_path: Path) -> None:
    """Several tempi are steps, as in a file; one takes their place."""
    path = tmp_path / "w.toml"
    steps = ("--tempo", "80, 88,96", "--bars-per-tempo", 8, "--stay-on", "eighths")
    result = run("assign", *steps, "--output", path)
    assert result.exit_code == 0, result.output
    made = read_assignment(path)
    assert (made.tempo_bpm, made.bars_per_tempo) == ((80.0, 88.0, 96.0), 8)
    assert run("assign", "--tempo", 90, "--update", path).exit_code == 0
    made = read_assignment(path)
    assert (made.tempo_bpm, made.bars_per_tempo) == ((90.0,), None)


@pytest.mark.parametrize(("tempo", "name"), [(60, "sixteenths"), (96, "eighths"), (140, "eighths")])
def test_without_a_wish_the_tempo_decides(tempo: int, name: str) -> None:
    """The densest plain subdivision whose notes lie 200 ms apart (Repp 2003); no triplets at 96."""
    result = run("assign", "--tempo", tempo)
    assert parse_assignment(result.stdout).sections[0].stay_on == name


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    """It takes --overwrite, or --update, which keeps comments."""
    path = tmp_path / "w.toml"
    path.write_text('# mine\ntempo = 80 # slow\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n')
    before = path.read_text()
    refused = run("assign", "--tempo", 96, "--output", path)
    assert (refused.exit_code, path.read_text()) == (2, before)
    assert "--overwrite replaces it" in " ".join(refused.output.split())
    assert run("assign", "--tempo", 96, "--pocket", "80%", "--update", path).exit_code == 0
    assert path.read_text() == (
        '# mine\ntempo = 96 # slow\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n'
        "pocket = {share = 0.8}\n"
    )
    added = run(
        "assign", "--section", 2, "--bars", "9-12", "--stay-on", "triplets", "--update", path
    )
    assert added.exit_code == 0, added.output
    assert [s.stay_on for s in read_assignment(path).sections] == ["eighths", "eighth triplets"]
    assert run("assign", "--tempo", 70, "--output", path, "--overwrite").exit_code == 0
    assert "# mine" not in path.read_text()


WRONG_USE = (
    (["assign"], "state at least --tempo"),
    (["assign", "{take}"], "stand after --from"),
    (["assign", "--tempo", "96", "--stay-on", "eigths"], "did you mean 'eighths'"),
    (
        ["assign", "--tempo", "96", "--meter", "6/8", "--stay-on", "triplets"],
        "Error: --stay-on: no subdivision 'triplets' in 6/8; it can be: dotted halves",
    ),
    (["assign", "--tempo", "96", "--alternate", "rest,eights"], "Error: --alternate: no subdiv"),
    (["assign", "--tempo", "96", "--stay-on", "eighths", "--allowed", "quarters"], "one of them"),
    (["assign", "--tempo", "96", "--every", "2"], "belong to --alternate"),
    (["assign", "--tempo", "96", "--pocket", "much"], "write it like 80%/20ms"),
    (["assign", "--tempo", "96", "--swing", "2"], "write a band like"),
    (["assign", "--tempo", "96", "--tolerance", "10"], "only with --from"),
    (["assign", "--tempo", "96", "--subdivisions", "eighths"], "only with --from"),
    (["assign", "--tempo", "96", "--start", "1"], "--start is about takes"),
    (["assign", "--tempo", "80,88"], "needs --bars-per-tempo"),
    (["assign", "--tempo", "80", "--bars-per-tempo", "8"], "only with steps"),
    (["assign", "--tempo", "80,x"], "'x' is not a valid number"),
    (["assign", "--from", "{take}", "--tempo", "80,88"], "takes are of one tempo"),
    (["assign", "--tempo", "96", "--section", "3"], "the assignment has 1"),
    (["assign", "--from", "{take}", "--output", "{take}", "--overwrite"], "never overwritten"),
    (
        ["assign", "--from", "{take}", "--output", "../elsewhere/../ada.mid", "--overwrite"],
        "take itself",
    ),
    (["assign", "--tempo", "96", "--update", "{take}"], "this is a MIDI file, not an assignment"),
    (["click", "{take}", "--output", "x.mid"], "this is a MIDI file, not an assignment"),
    (["assign", "--tempo", "96", "--alternate", "eighths,rest", "--every", "10000"], "1<=x<=9999"),
    (["click", "--tempo", "96", "--gaps", "3+65", "--output", "x.mid"], "64 bars at most"),
    (["click", "--output", "x.mid"], "state at least --tempo"),
    (["click", "--tempo", "96"], "Missing option '--output'"),
    (["click", "--tempo", "96", "--output", "x.mp3"], "end the name in .mid or .wav"),
    (["click", "--tempo", "96", "--gaps", "3-1", "--output", "x.mid"], "bars on + bars off"),
    (["click", "--tempo", "96", "--beats", "5", "--output", "x.mid"], "a bar has beats 1 to 4"),
    (
        ["click", "--tempo", "96", "--half-time", "--beats", "2", "--output", "x.mid"],
        "--half-time: contradicts 'beats': give one of them",
    ),
    (["click", "--tempo", "9", "--output", "x.mid"], "10<=x<=1000"),
    (["assign", "--tempo", "96,1001"], "10<=x<=1000"),
    (["click", "--tempo", "96", "--bars", "2001", "--output", "x.mid"], "1<=x<=2000"),
    (["assign", "--tempo", "96", "--section", "501"], "1<=x<=500"),
    (["click", "--tempo", "96", "--place", "q", "--output", "x.mid"], "no position of the beat"),
    (
        ["click", "--tempo", "10", "--bars", "2000", "--output", "x.mid", "--output", "x.wav"],
        "too long for a WAV file",
    ),
    (["click", "--tempo", "96", "--step", "4", "--output", "x.mid"], "belong together"),
    (
        [
            "click",
            "--tempo",
            "96",
            "--step",
            "99",
            "--every",
            "1",
            "--bars",
            "20",
            "--output",
            "x.mid",
        ],
        "every 1 bar ends at",
    ),
    (
        ["click", "--tempo", "96", "--subdivision", "eights", "--output", "x.mid"],
        "--subdivision: no subdivision 'eights' in 4/4; did you mean 'eighths'?",
    ),
)


@pytest.mark.parametrize(("arguments", "said"), WRONG_USE)
def test_wrong_use_is_2(
    arguments: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told in one line, and nothing is written."""
    take = take_at(tmp_path / "ada.mid", HOLDS)
    before = take.read_bytes()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    result = run(*(a.format(take=take) for a in arguments))
    assert list(elsewhere.iterdir()) == []
    assert result.exit_code == 2, result.output
    assert said in " ".join(result.output.split())
    assert take.read_bytes() == before


def test_a_proposal_holds_then_goes_on(tmp_path: Path) -> None:
    """Steady eighths: hold them, then the next denser one, with the reasons above."""
    take = take_at(tmp_path / "ada.mid", HOLDS)
    result = run("assign", "--from", take, "--start", "1.0")
    assert result.exit_code == 0, result.output
    assert "# Hold eighths: the densest subdivision that is steady here" in result.stdout
    made = parse_assignment(result.stdout)
    assert [s.stay_on for s in made.sections] == ["eighths", "eighth triplets"]
    assert [s.least_notes for s in made.sections] == [2, 3]
    assert made.tempo_bpm == (120.0,)


def test_a_floating_player_starts_slower(tmp_path: Path) -> None:
    """Runs that left the grid bring the tempo down and are not to pass."""
    take = take_at(tmp_path / "ada.mid", FLOATS)
    result = run("assign", "--from", take, take, "--start", "1.0")
    made = parse_assignment(result.stdout)
    assert made.tempo_bpm[0] == 90
    assert {section.no_off_grid_runs for section in made.sections} == {True}
    said = " ".join(result.stdout.replace("#", "").split())
    assert "at 120 BPM eight faster runs left the grid. Then sixteenths at 90 BPM" in said


def test_a_proposal_leaves_the_rest_of_a_file_alone(tmp_path: Path) -> None:
    """Title, note, click and comments stay; reasons and what is cut away are told."""
    take = take_at(tmp_path / "ada.mid", HOLDS)
    path = tmp_path / "w.toml"
    click = "# the click\n[click] # soft\nbeats = [2, 4] # two\nbars-on = 3\nbars-off = [1]\n"
    path.write_text(
        '# mine\ntitle = "Ours"\nnote = "Slow."\ntempo = 80\n\n[[section]]\nbars = "1-8"\n'
        'name = "head"\nstay-on = "quarters" # hold\n\n# two\n[[section]]\nbars = "9-16"\n'
        f'alternate = ["eighths", "half notes"] # turn\n\n# three\n[[section]]\nbars = 17\n'
        f'stay-on = "quarters"\n\n{click}'
    )
    result = run("assign", "--from", take, "--start", "1.0", "--update", path)
    assert result.exit_code == 0, result.output
    text = path.read_text()
    assert text.startswith('# mine\ntitle = "Ours"\nnote = "Slow."\ntempo = 120\n')
    assert text.endswith(f"\n\n{click}")
    assert 'name = "head"\nstay-on = "eighths" # hold\n' in text
    assert "\n# two\n[[section]]\n" in text and "\n# turn\n" in text
    assert "# three" not in text
    assert "Hold eighths: the densest subdivision that is steady here" in result.stderr
    assert "1 section less than before" in result.stderr


@pytest.mark.parametrize(
    ("options", "held", "least", "where"),
    [
        (["--stay-on", "quarters"], "quarters then eighth triplets", 1, "quarters in bars 1 to 8"),
        (
            ["--allowed", "16ths,half notes"],
            "sixteenths or half notes then eighth triplets", 1,
            "sixteenths or half notes in bars 1 to 8",
        ),
        (
            ["--section", "3", "--alternate", "rest,16ths"],
            "eighths then eighth triplets then rest and sixteenths in turn", None,
            "rest and sixteenths in turn from bar 17 on",
        ),
    ],
)  # fmt: skip
def test_a_proposal_says_what_it_asks_in_the_end(
    options: list[str], held: str, least: int | None, where: str, tmp_path: Path
) -> None:
    """Title, note and reasons follow a section that was stated; fewest notes fit it."""
    take = take_at(tmp_path / "ada.mid", HOLDS)
    result = run("assign", "--from", take, "--start", "1.0", *options)
    assert result.exit_code == 0, result.output
    made = parse_assignment(result.stdout)
    assert made.title == f"Hold {held}"
    assert made.note == f"Play {held}; leave space, and play nothing finer."
    said = " ".join(result.stdout.replace("#", "").split())
    assert "Hold eighths: the densest" not in said
    assert "The takes alone speak for eighths, then eighth triplets; stated instead: " in said
    assert where in said.partition("So, at 120 BPM: ")[2]
    number = 2 if "--section" in options else 0
    assert made.sections[number].least_notes == least
    pocket = run("assign", "--from", take, "--start", "1.0", "--pocket", "70%")
    assert "# Hold eighths: the densest subdivision" in pocket.stdout


def test_a_proposal_warns_as_an_analysis_does(tmp_path: Path) -> None:
    """A tempo other than the file's is told on standard error, take by take."""
    take = take_at(tmp_path / "ada.mid", (Stretch("quarters", 40),), 60.0)
    other = take_at(tmp_path / "ben.mid", (Stretch("quarters", 44),), 60.0)
    result = run("assign", "--from", take, other, "--tempo", 120, "--start", "2.0")
    assert result.exit_code == 0, result.output
    told = [line for line in result.stderr.splitlines() if line.startswith("Warning: ")]
    assert [("ada" in line, "ben" in line) for line in told] == [(True, False), (False, True)]
    assert result.stderr.count("the stated 120 quarter notes per minute is used") == 2
    assert "Warning" not in run("assign", "--from", take, "--start", "2.0").stderr


def test_no_proposal_where_the_tempo_is_doubted(tmp_path: Path) -> None:
    """One take that speaks against the stated tempo is named, and the file stays as it was."""
    good = take_at(tmp_path / "ben.mid", (Stretch("quarters", 44),), 60.0)
    bad = take_at(tmp_path / "ada.mid", HOLDS, 96.0)
    path = tmp_path / "w.toml"
    path.write_text('tempo = 80\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n')
    before = path.read_text()
    result = run("assign", "--from", good, bad, "--tempo", 120, "--update", path)
    assert (result.exit_code, result.stdout, path.read_text()) == (1, "", before)
    assert "ada.mid: The notes fit the file's own tempo of 96 BPM far better" in result.stderr


def test_a_proposal_of_old_is_told_anew(tmp_path: Path) -> None:
    """A title and a note that a proposal had made follow the new sections."""
    path = tmp_path / "w.toml"
    slow = take_at(tmp_path / "slow.mid", (Stretch("quarters", 40),))
    assert run("assign", "--from", slow, "--start", "1.0", "--output", path).exit_code == 0
    before = read_assignment(path).title
    take = take_at(tmp_path / "ada.mid", HOLDS)
    result = run("assign", "--from", take, "--start", "1.0", "--update", path)
    assert result.exit_code == 0, result.output
    after = read_assignment(path)
    assert before != after.title == "Hold eighths then eighth triplets"
    assert after.note.startswith("Play eighths then eighth triplets;")


def test_a_practice_track_of_an_assignment(tmp_path: Path) -> None:
    """MIDI and WAV in one call; options lie over the file's own click."""
    path = tmp_path / "w.toml"
    path.write_text('tempo = 96\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n')
    midi, wav = tmp_path / "w.mid", tmp_path / "w.wav"
    result = run("click", path, "--gaps", "3+1", "--no-notes", "--output", midi, "--output", wav)
    assert result.exit_code == 0, result.output
    assert "8 bars, 2 gaps. Keep the click soft." in result.output
    assert wav.read_bytes()[:4] == b"RIFF"
    file = mido.MidiFile(midi)
    markers = [m.text for t in file.tracks for m in t if m.type == "marker"]
    assert markers == [
        "click: 4/4, count-in 0", "click out: bar 4", "click in: bar 5", "click out: bar 8",
        "click in: bar 9",
    ]  # fmt: skip
    strokes = [m for t in file.tracks for m in t if m.type == "note_on" and m.velocity]
    assert len(strokes) == 6 * 4


NINE = Path(__file__).parent.parent / "examples" / "oda-nine.mid"


def heard(*options: object) -> tuple[str, str]:
    """The line of the report that says bars and meter, and what was told beside it."""
    result = run("analyze", *options)
    assert result.exit_code == 0, result.output
    return result.stdout.splitlines()[2], " ".join(result.stderr.split())


def test_a_click_file_says_its_meter_and_where_bar_1_is(tmp_path: Path) -> None:
    """A time signature can say neither groups nor count-in; what is stated wins."""
    path = tmp_path / "nine.mid"
    made = run("click", "--meter", "2+2+2+3/8", "--tempo", 126, "--bars", 24, "--output", path)
    assert made.exit_code == 0, made.output
    line, told = heard(NINE, "--backing", path)
    assert "bars 1 to 16, 2+2+2+3/8 at 126 BPM" in line
    assert told.endswith("nine.mid was made by 'improv click': 2+2+2+3/8, 1 bar of count-in.")
    line, told = heard(NINE, "--backing", path, "--count-in", 0)
    assert "bars 2 to 17, 2+2+2+3/8" in line
    assert told.endswith("'improv click': 2+2+2+3/8.")
    line, told = heard(NINE, "--backing", path, "--meter", "9/8")
    assert "bars 1 to 16, 9/8" in line
    assert told.endswith("'improv click': 1 bar of count-in.")
    line, told = heard(NINE, "--backing", path, "--meter", "9/8", "--count-in", 0)
    assert ("bars 2 to 17, 9/8" in line, told) == (True, "")
    start_sec = 9 * 60 / (2 * 126)
    line, told = heard(NINE, "--backing", path, "--start", start_sec)
    assert "bars 1 to 16, 2+2+2+3/8" in line


def test_a_marker_like_ours_that_is_no_meter_is_nothing(tmp_path: Path) -> None:
    """Somebody else's words in a backing change nothing."""
    path = tmp_path / "other.mid"
    made = run("click", "--meter", "9/8", "--tempo", 84, "--bars", 24, "--output", path)
    assert made.exit_code == 0, made.output
    data = path.read_bytes()
    path.write_bytes(data.replace(b"click: 9/8, count-in 1", b"click: 9/7, count-in 1"))
    assert ("bars 2 to 17, 9/8" in heard(NINE, "--backing", path)[0]) is True


def test_a_check_counts_from_the_bar_1_of_its_click(tmp_path: Path) -> None:
    """A click made with two bars of count-in, where the assignment says one."""
    path, take = tmp_path / "w.toml", tmp_path / "ada.mid"
    path.write_text(
        'tempo = 120\ncount-in = 1\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n'
        "least-notes = 4\n"
    )
    played, _ = play(Line((Rest(8), Stretch("eighths", 64))), Hand(5.0, 9.0), 4)
    write_take(played, take)
    click = tmp_path / "click.mid"
    assert run("click", path, "--count-in", 2, "--output", click).exit_code == 0
    result = run("check", path, take, "--backing", click)
    assert "4/4, 2 bars of count-in." in " ".join(result.stderr.split())
    assert result.exit_code == 0, result.output


def test_the_command_line_goes_as_far_as_the_file() -> None:
    """The longest turn of an alternation is the same by option and by file."""
    far = run("assign", "--tempo", 96, "--alternate", "eighths,rest", "--every", LAST_BAR)
    assert parse_assignment(far.stdout).sections[0].alternate == Alternation(
        ("eighths", "rest"), LAST_BAR
    )
    longer = far.stdout.replace(str(LAST_BAR), str(LAST_BAR + 1))
    with pytest.raises(UsageError, match="lies outside 1 to 9999"):
        parse_assignment(longer)


def test_the_output_of_click_is_never_the_assignment(tmp_path: Path) -> None:
    """An assignment whose name ends like a MIDI file's stays what it is."""
    path = tmp_path / "w.mid"
    path.write_text('tempo = 96\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n')
    before = path.read_text()
    refused = run("click", path, "--output", tmp_path / "x.mid", "--output", path)
    assert (refused.exit_code, path.read_text()) == (2, before)
    assert "this is the assignment itself" in " ".join(refused.output.split())


def test_a_climbing_click(tmp_path: Path) -> None:
    """80, 84, 88 over 24 bars, up every 8; one bar of count-in by default."""
    path = tmp_path / "c.mid"
    result = run("click", "--tempo", 80, "--bars", 24, "--step", 4, "--every", 8, "--output", path)
    assert result.exit_code == 0, result.output
    file = mido.MidiFile(path)
    tempi = [60e6 / m.tempo for t in file.tracks for m in t if m.type == "set_tempo"]
    assert tempi == pytest.approx([80, 84, 88], abs=1e-3)
    assert sum(m.type == "note_on" and m.velocity > 0 for m in file.tracks[1]) == 25 * 4


def test_a_track_is_not_written_over_its_assignment(tmp_path: Path) -> None:
    """The output may not be the assignment itself, whatever it is called."""
    path = tmp_path / "w.mid"
    path.write_text('tempo = 96\n[[section]]\nbars = 1\nstay-on = "eighths"\n')
    assert run("click", path, "--output", path).exit_code == 2
    assert path.read_text().startswith("tempo")


def test_steps_lie_over_a_list_of_tempi() -> None:
    """A stated tempo replaces the assignment's list."""
    listed = parse_assignment(
        'tempo = [80, 90]\nbars-per-tempo = 4\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n'
    )
    assert replace(listed, tempo_bpm=(100.0,), bars_per_tempo=None).tempo_at(8) == 100.0


@pytest.mark.parametrize(
    ("options", "turns"),
    [
        (("--alternate", "eighths,rest"), (("eighths", "rest"), 2, 2)),
        (("--every", 3), (("quarters", "rest"), 3, 2)),
        (("--players", 1), (("quarters", "rest"), 2, 1)),
        (("--alternate", "eighths,rest", "--every", 1), (("eighths", "rest"), 1, 2)),
        (("--pocket", "80%/20ms"), (("quarters", "rest"), 2, 2)),
    ],
)
def test_an_update_leaves_what_it_does_not_say_of_turns(
    options: tuple[object, ...], turns: tuple[tuple[str, ...], int, int], tmp_path: Path
) -> None:
    """A section's turns stay as they are but for what is said of them."""
    path = tmp_path / "duo.toml"
    run("assign", "--tempo", 96, "--bars", "1-8", "--stay-on", "eighths", "--output", path)
    words = ("--bars", "9-16", "--alternate", "quarters,rest", "--every", 2, "--players", 2)
    assert run("assign", "--section", 2, *words, "--update", path).exit_code == 0
    done = run("assign", "--section", 2, *options, "--update", path)
    assert done.exit_code == 0, done.output
    assert read_assignment(str(path)).sections[1].alternate == Alternation(*turns)
    of_none = run("assign", "--section", 1, "--every", 3, "--update", path)
    assert of_none.exit_code == 2 and "belong to --alternate" in of_none.output
