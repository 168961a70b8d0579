"""`improv log`, `compare` and `safety` as a person meets them."""

from __future__ import annotations

import json
import shlex
import sqlite3
import stat
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from improv.cli import cli
from improv.log.place import VARIABLE, log_path
from improv.log.store import Log
from improv.log_report import _phrase
from tests.log_material import entry_of, history, take_file

pytestmark = pytest.mark.usefixtures("own_log")


def run(*words: object, answer: str | None = None) -> Result:
    """One call of the command line."""
    return CliRunner().invoke(cli, [str(w) for w in words], input=answer)


def fill(folder: Path, players: tuple[str, ...] = ("Ana",), days: int = 8) -> None:
    """A log of one short take a day for each player."""
    with Log.open(folder / "log.db", create=True) as log:
        log.add_many(
            [
                entry_of(100 * p + d, player, day=str(date(2026, 1, 1) + timedelta(days=7 * d)))
                for p, player in enumerate(players)
                for d in range(days)
            ]
        )


def test_a_missing_take_stops_no_other(tmp_path: Path) -> None:
    """Of several, a name that is no file is told, and the others are kept: exit status 1."""
    added = run("log", "add", tmp_path / "nowhere.mid", take_file(tmp_path), "--start", 1)
    assert added.exit_code == 1
    assert "nowhere.mid: there is no such file" in added.stderr
    assert added.stdout.startswith("solo.mid: kept as take 1")


def test_add_list_show_remove(tmp_path: Path) -> None:
    """The way of a take through the log, in the words a person sees."""
    take = take_file(tmp_path)
    added = run("log", "add", take, "--start", 1, "--player", "Ana", "--tune", "Late Bus",
                "--date", "2026-03-01", "--tags", "class,warm", "--note", "new reeds")  # fmt: skip
    assert (added.exit_code, added.stdout) == (0, "solo.mid: kept as take 1.\n")
    again = run("log", "add", take, "--start", 1)
    assert again.exit_code == 0 and "already in the log as take 1; nothing" in again.stdout
    other = run("log", "add", take, "--start", 1, "--tempo", 100)
    assert other.exit_code == 0 and "kept otherwise (--tempo unset -> 100)" in other.stdout
    listed = run("log", "list", "--player", "ana", "--tags", "warm")
    assert "Late Bus" in listed.stdout and "8ths, 16ths" in listed.stdout
    shown = run("log", "show", 1, "--midi", tmp_path / "again.mid")
    assert "new reeds" in shown.stdout and "To practise" in shown.stdout
    assert (tmp_path / "again.mid").read_bytes() == take.read_bytes()
    kept = run("log", "remove", 1, answer="n\n")
    assert kept.exit_code == 0 and "Nothing removed." in kept.stdout
    assert run("log", "remove", 1, "--yes").stdout == "Removed 1 take.\n"
    assert run("log", "list").stdout == "No takes found.\n"


def test_show_tells_what_analyze_tells() -> None:
    """Every subdivision of a phrase, and its runs off the grid with their place and rate."""
    take = Path(__file__).resolve().parent.parent / "examples" / "tarek-floats.mid"
    assert run("log", "add", take).exit_code == 0
    shown = run("log", "show", 1).stdout
    assert max(map(len, shown.splitlines())) <= 80
    said = " ".join(shown.split())
    third = said.split("Phrase 3, ")[1].split("Phrase 4, ")[0]
    assert third.startswith("bars 10 to 14: mostly eighths, with sixteenths, ")
    assert "; off the grid nine notes at 4.7 to the beat from near the e of 3 in bar 13" in third
    assert said.split("Phrase 4, ")[1].split("To practise")[0].count("to the beat from") == 1


def test_show_of_phrases_with_nothing_to_add() -> None:
    """One subdivision and no run: one clause; many runs are counted; old documents are read."""
    place = {"bar": 2, "beat": 1, "count": "1", "onset_sec": 5.0}
    plain: dict[str, Any] = {
        "number": 1, "start": place, "end": {**place, "bar": 4, "onset_sec": 9.0},
        "subdivision": "eighths", "verdict": "on the grid", "spread_ms": 12.3,
    }  # fmt: skip
    assert _phrase(plain, []) == "Phrase 1, bars 2 to 4: eighths, 12 ms spread"
    unsure = {**plain, "subdivision": None, "verdict": "too close to call", "spread_ms": None}
    assert _phrase(unsure, []) == "Phrase 1, bars 2 to 4: too close to call"
    off = {"start": {**place, "onset_sec": 6.0}, "notes": 9, "notes_per_beat": 4.5}
    later = {**off, "start": {**place, "onset_sec": 9.5}}
    said = _phrase(plain, [off] * 5 + [later])
    assert said.count("; off the grid nine notes at 4.5 to the beat from beat 1 of bar 2") == 3
    assert said.endswith("; 2 more runs off the grid")
    assert "at 4.5 to the dotted quarter from" in _phrase(plain, [off], "dotted quarter")
    wild = {**unsure, "verdict": "off the grid"}
    run_ = "nine notes at 4.5 to the beat from beat 1 of bar 2"
    assert _phrase(wild, [off]) == f"Phrase 1, bars 2 to 4: off the grid, {run_}"
    assert _phrase(wild, [off] * 2).endswith(f"off the grid, {run_}; off the grid {run_}")


def test_text_fits_in_80_columns(tmp_path: Path) -> None:
    """Lists and takes with long words stay within the line."""
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add(entry_of(1, "A player with a very long name", "A tune with a very long name too"))
    for words in (("list",), ("show", "1")):
        lines = run("log", *words).stdout.splitlines()
        assert lines and max(map(len, lines)) <= 80


def test_words_are_taken_away_by_empty_ones(tmp_path: Path) -> None:
    """On --replace, what is said to be empty goes; what is not said stays."""
    take = take_file(tmp_path)
    said = ("--player", "Ana", "--tags", "class", "--note", "new reeds", "--date", "2026-03-01")
    assert run("log", "add", take, "--start", 1, *said).exit_code == 0
    told = run("log", "add", take, "--start", 1, "--note", "").stdout
    assert "(--note new reeds -> unset); nothing changed" in told
    assert "new reeds" in run("log", "show", 1).stdout
    cleared = ("--note", "", "--tags", " ", "--date", "")
    assert run("log", "add", take, "--start", 1, "--replace", *cleared).exit_code == 0
    shown = run("log", "show", 1).stdout
    assert "Ana" in shown and "unknown day" in shown
    assert "reeds" not in shown and "class" not in shown
    assert '(--note "" or --tags "")' in " ".join(run("log", "add", "--help").stdout.split())


def test_a_take_kept_before_is_told_with_what_was_said_otherwise(tmp_path: Path) -> None:
    """Whose it is, and what else was said, is told; what nobody said is no difference."""
    take = take_file(tmp_path)
    said = ("--player", "Ana", "--tags", "duo,class", "--date", "2026-03-01")
    assert run("log", "add", take, "--start", 1, *said).exit_code == 0
    for same in ((), ("--player", "ANA"), ("--tags", "class,duo")):
        assert "take 1; nothing changed." in run("log", "add", take, "--start", 1, *same).stdout
    told = run("log", "add", take, "--start", 1, "--player", "Bo", "--count-in", 1).stdout
    assert "kept otherwise (--player Ana -> Bo; --count-in unset -> 1); nothing changed" in told
    assert "'improv log add FILE --replace' takes what is said here" in told
    also = run("analyze", take, "--start", 1, "--log", "--player", "Q", "--date", "2026-03-02")
    assert "(--player Ana -> Q; --date 2026-03-01 -> 2026-03-02)" in also.stderr
    assert "Ana" in run("log", "show", 1).stdout


def test_add_tells_the_warnings(tmp_path: Path) -> None:
    """What `analyze` warns of is told on standard error when a take is kept or replaced."""
    take = take_file(tmp_path)
    for extra in ((), ("--replace",)):
        done = run("log", "add", take, "--start", 1, "--tempo", 140, *extra)
        warned = run("analyze", take, "--start", 1, "--tempo", 140, "--format", "csv").stderr
        assert "The file says 96 quarter notes per minute" in warned
        assert done.exit_code == 0 and done.stderr == warned
    assert run("log", "add", take, "--start", 1, "--replace").stderr == ""


def test_add_makes_no_log_for_a_file_that_is_no_take(tmp_path: Path) -> None:
    """A broken file is refused in one line, and no log appears."""
    bad = tmp_path / "bad.mid"
    bad.write_bytes(b"not a take")
    done = run("log", "add", bad)
    assert done.exit_code == 1 and "bad.mid" in done.stderr and done.stdout == ""
    assert not (tmp_path / "log.db").exists()


def test_add_of_several_goes_on_after_a_bad_one(tmp_path: Path) -> None:
    """The good ones are kept, the bad one is named, the exit status is 1."""
    good, bad = take_file(tmp_path), tmp_path / "bad.mid"
    bad.write_bytes(b"not a take")
    done = run("log", "add", bad, good, "--start", 1)
    assert done.exit_code == 1
    assert "kept as take 1" in done.stdout and "bad.mid" in done.stderr


def test_a_day_nobody_stated_is_the_files(tmp_path: Path) -> None:
    """And it says so."""
    done = run("log", "add", take_file(tmp_path), "--start", 1)
    assert f"played on {date.today().isoformat()} (the day of the file)" in done.stdout


def test_export_import_backup_refresh(tmp_path: Path) -> None:
    """Every way out of the log and back."""
    fill(tmp_path, days=2)
    assert "2 takes written" in run("log", "export", tmp_path / "out").stdout
    other = ("--log", tmp_path / "other.db")
    assert run("log", "import", tmp_path / "out", *other).stdout == "2 new, 0 already in the log.\n"
    assert run("log", "export", "-", "--format", "csv").stdout.startswith("take,day,player")
    assert "backup written" in run("log", "backup", tmp_path / "copy.db").stdout
    assert run("log", "list", "--log", tmp_path / "copy.db").stdout == run("log", "list").stdout


def test_a_take_with_settings_that_cannot_be_used_can_be_mended(tmp_path: Path) -> None:
    """A refresh names it and the way out; the way leads there."""
    take, log = take_file(tmp_path), tmp_path / "log.db"
    assert run("log", "add", take, "--start", 1).exit_code == 0
    raw = sqlite3.connect(log)
    raw.execute("UPDATE take SET settings = replace(settings, '20.0', 'null'), part = '[null, 1]'")
    raw.execute("PRAGMA user_version = 2")
    raw.commit()
    raw.close()
    done = run("log", "refresh")
    assert done.exit_code == 1 and done.stdout == "0 takes analyzed again.\n"
    assert "take 1 keeps its old analysis: its settings cannot be used" in done.stderr
    assert "--replace' reads it anew" in done.stderr
    assert run("log", "show", 1, "--midi", tmp_path / "back.mid").exit_code == 0
    again = run("log", "add", tmp_path / "back.mid", "--start", 1, "--replace")
    assert again.stdout == "back.mid: take 1, read anew.\n"
    assert run("log", "refresh").stdout == "1 take analyzed again.\n"


def test_an_existing_file_is_left_alone(tmp_path: Path) -> None:
    """Neither a CSV nor a take is written over a file unless --overwrite says so."""
    fill(tmp_path, days=2)
    letter = tmp_path / "letter.txt"
    for words in (
        ("log", "export", letter, "--format", "csv"), ("log", "show", 1, "--midi", letter),
    ):  # fmt: skip
        letter.write_text("mine")
        refused = run(*words)
        assert refused.exit_code == 2 and refused.stdout == ""
        assert "letter.txt: exists already; --overwrite replaces it" in refused.stderr
        assert letter.read_text() == "mine"
        done = run(*words, "--overwrite")
        assert done.exit_code == 0 and letter.read_bytes()[:4] in (b"take", b"MThd")
        fresh = tmp_path / f"fresh-{words[1]}"
        done = run(*(fresh if word is letter else word for word in words))
        assert done.exit_code == 0 and stat.S_IMODE(fresh.stat().st_mode) == 0o600
    told = run("log", "export", tmp_path / "new.csv", "--format", "csv").stdout
    assert told == f"{tmp_path / 'new.csv'}: 2 takes written\n"
    folder = run("log", "export", tmp_path / "out", "--overwrite")
    assert folder.exit_code == 2 and "a folder is always a new one" in folder.stderr


def test_analyze_and_keep_in_one_step(tmp_path: Path) -> None:
    """`analyze --log` prints the analysis and keeps the take."""
    done = run("analyze", take_file(tmp_path), "--start", 1, "--log", "--player", "Ana",
               "--date", "2026-03-01", "--format", "json")  # fmt: skip
    assert done.exit_code == 0 and json.loads(done.stdout)["take"]["notes"] == 32
    assert "kept as take 1" in done.stderr
    with Log.open(tmp_path / "log.db") as log:
        assert log.whole(1).row.player == "Ana"
    plain = run("analyze", take_file(tmp_path), "--start", 1, "--player", "Ana")
    assert plain.exit_code == 2 and "--log" in plain.stderr


def test_compare_two_takes(tmp_path: Path) -> None:
    """Two files, or a file and a take of the log; JSON is JSON."""
    fill(tmp_path, days=2)
    one, two = take_file(tmp_path), take_file(tmp_path, "two.mid", 2)
    done = run("compare", one, two, "--start", 1)
    assert done.exit_code == 0 and done.stdout.startswith(
        "Before: 1 take, 96 BPM. After: 1 take, 96 BPM."
    )
    data = json.loads(run("compare", one, "log:2", "--start", 1, "--format", "json").stdout)
    assert data["takes"] == {"before": 1, "after": 1} and data["findings"]


def test_compare_two_sets(tmp_path: Path) -> None:
    """The word `with` parts two sets."""
    files = [take_file(tmp_path, f"{seed}.mid", seed) for seed in (1, 2, 3, 4)]
    done = run("compare", *files[:2], "with", *files[2:], "--start", 1)
    assert done.exit_code == 0 and done.stdout.startswith("Before: 2 takes")


def test_compare_over_time_and_split(tmp_path: Path) -> None:
    """Everything of one player: the same take every week has not changed."""
    fill(tmp_path)
    over = run("compare", "--player", "Ana")
    assert "8 takes over 50 days" in over.stdout and "No change can be shown" in over.stdout
    split = run("compare", "--split", "2026-02-01", "--format", "csv")
    assert split.exit_code == 0 and split.stdout.startswith("subdivision,per_beat,measure")
    for name in ("trend.png", "sides.svg"):
        extra = ("--split", "2026-02-01") if name == "sides.svg" else ()
        done = run("compare", *extra, "--plot", tmp_path / name)
        assert done.exit_code == 0 and (tmp_path / name).stat().st_size > 3000


def test_a_player_is_compared_with_nobody_else(tmp_path: Path) -> None:
    """Several players need a name, or the class view, which ranks nobody."""
    fill(tmp_path, ("Cleo", "Ana", "Ben"))
    done = run("compare")
    assert done.exit_code == 2 and "by several players (Ana, Ben, Cleo)" in done.stderr
    assert "name one with --player, or ask for --class\n" in done.stderr
    done = run("safety")
    assert done.exit_code == 2 and "by several players (Ana, Ben, Cleo)" in done.stderr
    assert done.stderr.endswith("name one with --player\n")
    text = run("compare", "--class").stdout
    assert text.index("Ana:") < text.index("Ben:") < text.index("Cleo:")
    assert len(json.loads(run("compare", "--class", "--format", "json").stdout)) == 3
    assert run("compare", "--class", "--format", "csv").stdout.startswith("player,subdivision")


WRONG = [
    (("compare",), "there is no practice log yet", 1),
    (("compare", "a.mid"), "name two takes", 2),
    (("compare", "a.mid", "with"), "holds no take", 2),
    (("compare", "a.mid", "a.mid"), "a.mid is on both sides", 2),
    (("compare", "a.mid", "b.mid", "--plot", "x.gif"), "ends in .png, .svg or .pdf", 2),
    (("compare", "a.mid", "b.mid", "--player", "Ana"), "not both", 2),
    (("compare", "a.mid", "b.mid"), "a.mid: there is no such file", 1),
    (("compare", "log:x", "log:2"), "'log:x' is not the number of a take", 2),
    (("compare", "--tolerance", "7"), "a pocket of 7 ms is not kept", 2),
    (("log", "show", "1"), "there is no practice log yet", 1),
    (("log", "show", "one"), "'one' is not the number of a take", 2),
    (("log", "list", "--since", "yesterday"), "not a date like", 2),
    (("log", "list", "--tempo-range", "fast"), "not a range of tempi", 2),
    (("log", "import", "."), "takes.jsonl: there is no such file", 1),
    (("safety",), "there is no practice log yet", 1),
    (("safety", "--plot", "map.gif"), "ends in .png, .svg or .pdf", 2),
]


@pytest.mark.parametrize(("words", "message", "status"), WRONG, ids=lambda v: str(v)[:40])
def test_wrong_use_is_one_line(words: tuple[str, ...], message: str, status: int) -> None:
    """What is wrong, in one line on standard error; nothing on standard output."""
    done = run(*words)
    assert message in done.stderr and done.stdout == ""
    assert done.exit_code == status


def test_removing_what_is_not_there_removes_nothing(tmp_path: Path) -> None:
    """One wrong number among right ones, and all of them stay."""
    fill(tmp_path, days=2)
    done = run("log", "remove", 1, 9, "--yes")
    assert done.exit_code == 2 and "there is no take 9" in done.stderr
    shown = run("log", "show", 9)
    assert shown.exit_code == 2 and "there is no take 9" in shown.stderr
    assert "2 takes" in run("log", "list").stdout


@pytest.mark.parametrize(
    "words", [("log", "list"), ("log", "export", "-", "--format", "csv"), ("compare",), ("safety",)]
)
def test_misspelt_filters_are_told(tmp_path: Path, words: tuple[str, ...]) -> None:
    """Every command with filters refuses what can find nothing, and takes short names."""
    fill(tmp_path)
    misspelt = run(*words, "--subdivision", "eigths")
    assert misspelt.exit_code == 2 and "did you mean 'eighths'?" in misspelt.stderr
    upside_down = run(*words, "--since", "2026-03-01", "--until", "2026-02-01")
    assert upside_down.exit_code == 2 and "no day lies between" in upside_down.stderr
    assert run(*words, "--subdivision", "16ths").stdout == run(*words).stdout


def test_the_class_view_takes_a_player_however_spelt(tmp_path: Path) -> None:
    """Upper and lower case of any letter: one player, with all the takes."""
    fill(tmp_path, ("Zoë", "ZOË"), days=4)
    assert "8 takes over 22 days" in run("compare", "--player", "zoë").stdout
    told = run("compare", "--class").stdout
    assert told.count("Zoë") == 1 and "ZOË" not in told


def test_safety_command(tmp_path: Path) -> None:
    """The map in words, as data, as a picture."""
    fill(tmp_path)
    done = run("safety", "--plot", tmp_path / "map.pdf")
    assert done.exit_code == 0 and "sixteenths" in done.stdout and "Next:" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert (tmp_path / "map.pdf").read_bytes().startswith(b"%PDF")
    assert json.loads(run("safety", "--format", "json").stdout)["subdivisions"]
    assert run("safety", "--format", "csv").stdout.startswith("subdivision,per_beat,notes")
    none = run("safety", "--player", "Nobody")
    assert none.exit_code == 2 and "no takes found; see 'improv log list'" in none.stderr
    few = run("safety", "--since", "2026-02-19")
    assert few.exit_code == 2 and "too few notes to map" in few.stderr


def test_a_report_with_a_history(tmp_path: Path) -> None:
    """The page holds the player's past where it is asked for, and not otherwise."""
    fill(tmp_path)
    take, page = take_file(tmp_path), tmp_path / "page.html"
    done = run("report", take, "--start", 1, "--player", "Ana", "--output", page)
    assert done.exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert 'href="#history"' in text and "8 takes over 50 days" in text
    assert run("report", take, "--start", 1, "--output", page).exit_code == 0
    assert "history" not in page.read_text(encoding="utf-8")
    nobody = run("report", take, "--start", 1, "--player", "Nobody", "--output", page)
    assert nobody.exit_code == 2 and "no takes of Nobody in the log" in nobody.stderr


def test_where_the_log_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Stated, then named by the environment, then the user's data folder."""
    assert log_path("here.db") == Path("here.db")
    assert log_path() == tmp_path / "log.db"
    monkeypatch.delenv(VARIABLE)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert log_path().name == "practice-log.db"


def test_histories_are_seeded() -> None:
    """The simulated histories the tests use are the same every time."""
    from benchmarks.histories import Side

    a, b = (history(3, Side(2), Side(2))[0] for _ in range(2))
    assert a.cells.tobytes() == b.cells.tobytes()


def test_the_examples_of_the_help_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every part of `improv log` shows a call or two below its options, and they work as shown."""
    monkeypatch.chdir(tmp_path)
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add_many([entry_of(number) for number in range(13)])
    take_file(tmp_path)
    for name in ("add", "list", "show", "export", "refresh", "backup", "import", "remove"):
        told = run("log", name, "--help").stdout.partition("Examples:\n")[2]
        calls = [shlex.split(line) for line in told.splitlines() if line.strip()]
        assert calls and all(call[:3] == ["improv", "log", name] for call in calls)
        for call in calls:
            done = CliRunner().invoke(cli, call[1:], input="y\n")
            assert done.exit_code == 0, (call, done.output)


def test_gaps_are_refused_for_what_is_wrong_with_them(tmp_path: Path) -> None:
    """No bar without click, none with, or other numbers of bars with: each by its name."""
    for gaps, said in (
        ("3+0", "a gap lasts one bar at least"),
        ("0+2", "the click sounds for one bar at least"),
        ("3+1,4+1", "the bars with a click stay as many throughout"),
    ):
        words = ("--tempo", 96, "--bars", 8, "--gaps", gaps, "--output", tmp_path / "x.mid")
        done = run("click", *words)
        assert done.exit_code == 2 and said in done.stderr
