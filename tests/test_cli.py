"""The command line: what comes out where, which exit status, and no traceback, ever."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

import improv
from improv import analyze, read_take
from improv.cli import ImprovGroup, cli
from improv.commands.options import take_options
from improv.commands.output import Progress, ShareDone
from improv.errors import TakeError
from improv.grid import SUBDIVISIONS, name, offered
from improv.meter import parse_meter
from improv.model import Reading, Settings

ROOT = Path(__file__).resolve().parent.parent
HOLDS = str(ROOT / "examples" / "ilka-holds.mid")
FLOATS = str(ROOT / "examples" / "tarek-floats.mid")
BACKING = str(ROOT / "examples" / "blues-backing.mid")


def call(*arguments: str) -> Result:
    """`improv` with these arguments, in this process."""
    return CliRunner().invoke(cli, arguments)


def program(*arguments: str, **changes: str) -> subprocess.CompletedProcess[bytes]:
    """`python -m improv` with these arguments, in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(Path(improv.__file__).parent.parent), **changes}
    return subprocess.run(
        [sys.executable, "-m", "improv", *arguments],
        capture_output=True, env=environment, timeout=60, check=False,
    )  # fmt: skip


@pytest.fixture
def broken(tmp_path: Path) -> str:
    """A file that is no MIDI file."""
    path = tmp_path / "broken.mid"
    path.write_bytes(b"not a take at all")
    return str(path)


# --- the ordinary case ----------------------------------------------------------------


def test_text_is_the_default() -> None:
    """One take, no options: the report on standard output, nothing else, status 0."""
    done = call("analyze", FLOATS)
    assert done.exit_code == 0
    assert done.stderr == ""
    assert "What was heard" in done.stdout
    assert "What to practise" in done.stdout


def test_one_take_as_json_is_one_document() -> None:
    """JSON of one take is an object."""
    whole = json.loads(call("analyze", FLOATS, "--count-in", "1", "--format", "json").stdout)
    assert whole["version"] == 1
    assert whole["notes"][0]["bar"] == 1


def test_several_takes_as_json_are_a_list() -> None:
    """JSON of several takes is a list of the same objects."""
    alone = json.loads(call("analyze", FLOATS, "--format", "json").stdout)
    both = json.loads(call("analyze", HOLDS, FLOATS, "--format", "json").stdout)
    assert [Path(d["take"]["file"]).name for d in both] == ["ilka-holds.mid", "tarek-floats.mid"]
    assert both[1] == alone


def test_several_takes_as_csv_name_the_file() -> None:
    """CSV of several takes has one header and a leading file column."""
    done = call("analyze", HOLDS, FLOATS, "--format", "csv")
    table = list(csv.DictReader(io.StringIO(done.stdout)))
    assert {row["file"] for row in table} == {HOLDS, FLOATS}
    assert next(iter(table[0])) == "file"
    alone = call("analyze", HOLDS, "--format", "csv")
    assert alone.stdout.startswith("onset_sec,")


def test_several_takes_as_text_follow_each_other() -> None:
    """Each take has its own title."""
    done = call("analyze", HOLDS, FLOATS)
    titles = [line for line in done.stdout.splitlines() if line.endswith(".mid")]
    assert titles == [HOLDS, FLOATS]


def test_python_dash_m() -> None:
    """`python -m improv` is the same program."""
    done = program("analyze", FLOATS)
    assert done.returncode == 0
    assert done.stdout.decode() == call("analyze", FLOATS).stdout


def test_version() -> None:
    """The version is printed."""
    assert call("--version").stdout == f"improv, version {improv.__version__}\n"


# --- options reach the reading and the settings -----------------------------------------


def given(*arguments: str) -> tuple[Reading, Settings]:
    """What a command with these options receives."""
    caught: list[tuple[Reading, Settings]] = []

    @click.command()
    @take_options
    def catch(reading: Reading, settings: Settings) -> None:
        caught.append((reading, settings))

    done = CliRunner().invoke(catch, arguments, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return caught[0]


def test_no_options_are_the_defaults() -> None:
    """Without options everything is as the file and the library say."""
    assert given() == (Reading(), Settings())


def test_every_option_arrives() -> None:
    """Each option sets its own field and no other."""
    reading, settings = given(
        "--tempo", "60", "--meter", "9/8+10/8", "--count-in", "2", "--start", "1.5",
        "--track", "Sax", "--channel", "3", "--backing", BACKING,
        "--bars", "5-12", "--subdivisions", "eighths, sixteenths", "--tolerance", "15",
    )  # fmt: skip
    assert reading == Reading(
        tempo_bpm=60.0, meter=improv.parse_meter("9/8+10/8"), count_in_bars=2, start_sec=1.5,
        track="Sax", channel=3, backing=BACKING,
    )  # fmt: skip
    assert settings == Settings(
        tolerance_ms=15.0, subdivisions=("eighths", "sixteenths"), first_bar=5, last_bar=12
    )


def test_start_auto_and_a_single_bar() -> None:
    """`--start auto` asks for the start to be found; one bar is a range of one."""
    reading, settings = given("--start", "auto", "--bars", "7")
    assert reading == Reading(find_start=True)
    assert (settings.first_bar, settings.last_bar) == (7, 7)


@pytest.mark.parametrize("meter", ["4/4", "6/8", "2+2+2+3/8"])
def test_any_one_subdivision_may_be_the_only_candidate(meter: str) -> None:
    """Every name a meter has, alone: an answer, no warning, and no other name in it."""
    take = read_take(FLOATS, Reading(meter=parse_meter(meter)))
    rows = offered(parse_meter(meter)[0])
    assert len(rows) > 5
    for row in rows:
        only = name(SUBDIVISIONS[row], parse_meter(meter)[0])
        assert only is not None
        notes = analyze(take, Settings(subdivisions=(only,))).notes
        assert set(notes.subdivision_name) <= {only, None}


def test_subdivisions_limit_the_candidates() -> None:
    """Only the subdivisions asked for come into question."""
    done = call("analyze", HOLDS, "--subdivisions", "quarters,eighths", "--format", "json")
    named = {note["subdivision"] for note in json.loads(done.stdout)["notes"]}
    assert named <= {"quarters", "eighths", None}
    assert "eighths" in named


def test_a_backing_gives_the_tempo() -> None:
    """Tempo and meter come from the backing file."""
    done = call("analyze", FLOATS, "--backing", BACKING, "--count-in", "1", "--format", "json")
    assert json.loads(done.stdout)["take"]["tempo_bpm"] == pytest.approx(96.0)


# --- wrong use: exit status 2 -------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["analyze"], "Missing argument"),
        (["analyse", FLOATS], "No such command"),
        (["analyze", "no-such-file.mid"], "does not exist"),
        (["analyze", str(ROOT)], "is a directory"),
        (["analyze", FLOATS, "--tempo", "fast"], "not a valid"),
        (["analyze", FLOATS, "--tempo", "0"], "--tempo"),
        (["analyze", FLOATS, "--tempo", "nan"], "--tempo"),
        (["analyze", FLOATS, "--tempo", "1e9"], "--tempo"),
        (["analyze", FLOATS, "--meter", "4/3"], "lower figure"),
        (["analyze", FLOATS, "--meter", "waltz"], "cannot be read"),
        (["analyze", FLOATS, "--count-in", "-1"], "--count-in"),
        (["analyze", FLOATS, "--start", "soon"], "neither seconds nor 'auto'"),
        (["analyze", FLOATS, "--start", "inf"], "no point in time"),
        (["analyze", FLOATS, "--channel", "17"], "--channel"),
        (["analyze", FLOATS, "--bars", "twelve"], "range of bars like 5-12"),
        (["analyze", FLOATS, "--bars", "12-5"], "last bar comes before the first"),
        (["analyze", FLOATS, "--subdivisions", "eights"], "no subdivision 'eights'"),
        (["analyze", FLOATS, "--subdivisions", " , "], "name at least one"),
        (["analyze", FLOATS, "--tolerance", "-3"], "--tolerance"),
        (["analyze", FLOATS, "--backing", "nowhere.mid"], "does not exist"),
        (["analyze", FLOATS, "--format", "xml"], "--format"),
        (["analyze", FLOATS, "--output", FLOATS], "a take is never overwritten"),
    ],
)
def test_wrong_use(arguments: list[str], said: str) -> None:
    """A wrong option or value: one message on stderr, nothing on stdout, exit status 2."""
    done = call(*arguments)
    assert done.exit_code == 2
    assert said in " ".join(done.stderr.split())
    assert done.stdout == ""


def test_a_take_is_never_overwritten(tmp_path: Path) -> None:
    """Neither by its own name, nor by a link to it, nor the backing."""
    take = tmp_path / "solo.mid"
    shutil.copy(FLOATS, take)
    before = take.read_bytes()
    link = tmp_path / "link.mid"
    link.symlink_to(take)
    for output in (str(link), os.path.relpath(take)):
        done = call("analyze", str(take), "--output", output)
        assert done.exit_code == 2
    done = call("analyze", HOLDS, "--backing", str(take), "--output", str(take))
    assert done.exit_code == 2
    assert "this is the backing itself, and a backing is never overwritten" in done.stderr
    assert take.read_bytes() == before


# --- takes that cannot be read: exit status 1 ------------------------------------------------


def test_a_broken_take(broken: str) -> None:
    """One line naming the file; nothing on stdout; exit status 1."""
    done = call("analyze", broken)
    assert done.exit_code == 1
    assert done.stdout == ""
    assert done.stderr.startswith(f"Error: {broken}: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("form", ["text", "json", "csv"])
def test_one_broken_among_several(broken: str, form: str) -> None:
    """The others are analyzed all the same, and the exit status tells that one was not."""
    done = call("analyze", HOLDS, broken, FLOATS, "--format", form)
    assert done.exit_code == 1
    assert done.stderr == call("analyze", broken).stderr
    assert done.stdout == call("analyze", HOLDS, FLOATS, "--format", form).stdout


@pytest.mark.parametrize("absent", ["nowhere.mid", str(ROOT)])
def test_one_missing_among_several(absent: str) -> None:
    """A name that is no file is told like a take that cannot be read: the others still are."""
    done = call("analyze", absent, HOLDS, FLOATS)
    assert done.exit_code == 1
    assert done.stderr.startswith(f"Error: {absent}: ")
    assert done.stderr.count("\n") == 1
    assert done.stdout == call("analyze", HOLDS, FLOATS).stdout


def test_all_broken_prints_nothing(broken: str, tmp_path: Path) -> None:
    """Where no take could be read nothing is printed and no file written."""
    output = tmp_path / "out.json"
    done = call("analyze", broken, broken, "--format", "json", "--output", str(output))
    assert done.exit_code == 1
    assert done.stdout == ""
    assert not output.exists()


def test_wrong_use_of_every_take_is_wrong_use() -> None:
    """A subdivision that does not exist is wrong use with several takes too."""
    assert call("analyze", HOLDS, FLOATS, "--subdivisions", "eights").exit_code == 2


# --- where the result goes ----------------------------------------------------------------


@pytest.mark.parametrize("form", ["text", "json", "csv"])
def test_output_goes_to_a_file(tmp_path: Path, form: str) -> None:
    """`--output` holds what stdout would have shown, and stdout stays empty."""
    output = tmp_path / "out"
    done = call("analyze", FLOATS, "--format", form, "--output", str(output))
    assert done.stdout == ""
    assert output.read_text(encoding="utf-8") == call("analyze", FLOATS, "--format", form).stdout


def test_output_dash_is_stdout() -> None:
    """`--output -` means standard output."""
    assert call("analyze", FLOATS, "--output", "-").stdout == call("analyze", FLOATS).stdout


def test_unwritable_output(tmp_path: Path) -> None:
    """A place that cannot be written: one line, exit status 1, nothing left behind."""
    output = tmp_path / "no-such-folder" / "out.txt"
    done = call("analyze", FLOATS, "--output", str(output))
    assert done.exit_code == 1
    assert str(output) in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_failed_take_leaves_the_old_output(tmp_path: Path, broken: str) -> None:
    """An earlier result is kept when the new one cannot be made."""
    output = tmp_path / "out.txt"
    output.write_text("last week's")
    assert call("analyze", broken, "--output", str(output)).exit_code == 1
    assert output.read_text() == "last week's"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_behind_stdout() -> None:
    """Standard output that takes nothing: one line on stderr, no traceback."""
    command = f"{sys.executable} -m improv analyze {FLOATS} > /dev/full"
    done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=ROOT, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith(b"Error: standard output cannot be written")
    assert done.stderr.count(b"\n") == 1


@pytest.mark.parametrize("words", [f"analyze {FLOATS}", "--version", "analyze --help", "nothing"])
def test_a_closed_standard_output(words: str) -> None:
    """`>&-`: what nobody can read has not been done. One line on stderr."""
    command = f"{sys.executable} -m improv {words} >&-"
    done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=ROOT, check=False)
    if words == "nothing":
        assert done.returncode == 2
        return
    assert done.returncode == 1
    assert done.stderr == b"Error: standard output cannot be written (it is closed)\n"


def test_a_result_in_a_file_needs_no_standard_output(tmp_path: Path) -> None:
    """`--output FILE >&-` is done all the same."""
    command = f"{sys.executable} -m improv analyze {FLOATS} --output {tmp_path / 'out'} >&-"
    done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=ROOT, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (tmp_path / "out").read_text(encoding="utf-8") == call("analyze", FLOATS).stdout


def test_a_closed_pipe() -> None:
    """`improv ... | head -n 1` ends without a word on stderr."""
    command = f"{sys.executable} -m improv analyze {FLOATS} {HOLDS} --format csv | head -n 1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=ROOT, check=False)
    assert done.stderr == b""
    assert done.stdout.startswith(b"file,onset_sec")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
@pytest.mark.parametrize("form", ["text", "json", "csv"])
def test_names_that_are_not_utf8(tmp_path: Path, encoding: str, form: str) -> None:
    """A file name of any bytes, a stdout of any encoding: the take is analyzed and named."""
    path = os.fsencode(tmp_path) + b"/s\xf6lo \xe2\x98\xba.mid"
    try:
        shutil.copy(FLOATS, path)
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    done = program(
        "analyze", os.fsdecode(path), HOLDS, "--format", form,
        PYTHONIOENCODING=encoding, LANG="C", LC_ALL="C",
    )  # fmt: skip
    assert done.stderr == b""
    assert done.returncode == 0
    # The path's length is the machine's: text may break its line at the blank.
    assert re.search(rb"s[^\n]{1,8}lo[ \n][^\n]{1,12}\.mid", done.stdout)


def test_errors_about_such_names(tmp_path: Path) -> None:
    """The same for what is said on stderr."""
    path = os.fsencode(tmp_path) + b"/s\xf6lo.mid"
    Path(os.fsdecode(path)).write_bytes(b"MThd")
    done = program("analyze", os.fsdecode(path), PYTHONIOENCODING="ascii", LC_ALL="C")
    assert done.returncode == 1
    assert done.stderr.startswith(b"Error: ")
    assert b"Traceback" not in done.stderr


# --- warnings and progress ----------------------------------------------------------------


@pytest.mark.parametrize("form", ["text", "json", "csv"])
def test_a_conflicting_tempo_is_told(form: str) -> None:
    """The stated tempo wins, and a warning says so: in the text itself, else on stderr."""
    done = call("analyze", FLOATS, "--tempo", "97", "--format", form)
    assert done.exit_code == 0
    told = done.stdout if form == "text" else done.stderr
    assert "Warning: " in told
    assert "97" in told.partition("Warning: ")[2]


class Terminal(io.StringIO):
    """A standard error that is a terminal."""

    def isatty(self) -> bool:
        """Always."""
        return True


def test_progress_counts_on_a_terminal() -> None:
    """Several takes are counted on a terminal, and the line is taken away at the end."""
    terminal = Terminal()
    with Progress(["a.mid", "b.mid"], terminal) as progress:
        assert list(progress) == ["a.mid", "b.mid"]
    assert "2 of 2: b.mid" in terminal.getvalue()
    assert terminal.getvalue().endswith("\r\x1b[K")


def test_a_share_is_told_once_a_percent() -> None:
    """A long piece of work tells whole percents, each once, and takes the line away."""
    terminal = Terminal()
    with ShareDone("writing", terminal) as told:
        for share in (0.0, 0.001, 0.5, 1.0):
            told(share)
    lines = terminal.getvalue().split("\r\x1b[K")
    assert lines == ["", "writing: 0 %", "writing: 50 %", "writing: 100 %", ""]


def test_counts_without_names_and_of_one_alone() -> None:
    """Takes of the log have no file to name; of a single one nothing is said."""
    terminal = Terminal()
    with Progress(stream=terminal) as progress:
        progress.count(1, 1)
        assert terminal.getvalue() == ""
        progress.count(2, 3)
        progress.clear()
    assert terminal.getvalue() == "\r\x1b[K2 of 3\r\x1b[K"


@pytest.mark.parametrize(
    ("paths", "stream"), [(["a.mid"], Terminal()), (["a.mid", "b.mid"], io.StringIO())]
)
def test_progress_is_silent_elsewhere(paths: list[str], stream: io.StringIO) -> None:
    """One take, or a stderr that is no terminal: not a word."""
    with Progress(paths, stream) as progress:
        assert list(progress) == paths
    assert stream.getvalue() == ""


# --- the one place that translates errors ---------------------------------------------------


def group(error: BaseException) -> ImprovGroup:
    """The group with one command that raises `error`."""

    class Failing(ImprovGroup):
        def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command:
            """The failing command, whatever its name."""

            def fail() -> None:
                raise error

            return click.Command(cmd_name, callback=fail)

    return Failing("improv")


def test_an_improv_error_is_one_line() -> None:
    """Its message on stderr, its exit status."""
    done = CliRunner().invoke(group(TakeError("solo.mid: broken")), ["analyze"])
    assert (done.exit_code, done.stderr) == (1, "Error: solo.mid: broken\n")


def test_a_system_error_is_one_line() -> None:
    """A refusal of the operating system names the file."""
    error = PermissionError(13, "Permission denied", "solo.mid")
    done = CliRunner().invoke(group(error), ["analyze"])
    assert (done.exit_code, done.stderr) == (1, "Error: solo.mid: Permission denied\n")


def test_an_end_of_file_is_not_taken_for_ctrl_d() -> None:
    """An `EOFError` that nobody caught is a fault of the program and shown as one."""
    done = CliRunner().invoke(group(EOFError()), ["analyze"])
    assert isinstance(done.exception, RuntimeError)
    assert "Aborted" not in done.output


def test_a_fault_of_the_program_is_not_hidden() -> None:
    """Any other exception stays one."""
    done = CliRunner().invoke(group(ZeroDivisionError("bug")), ["analyze"])
    assert isinstance(done.exception, ZeroDivisionError)
