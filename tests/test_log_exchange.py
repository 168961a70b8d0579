"""Export and import: everything comes back, and nothing made up comes in."""

from __future__ import annotations

import csv
import io
import json
import os
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from improv.cli import cli
from improv.compare import compare_sets
from improv.errors import LogError
from improv.log.entries import About, Filter
from improv.log.exchange import BATCH, export_folder, import_folder, sound
from improv.log.refresh import read_entry
from improv.log.sheet import sheet_text
from improv.log.store import Log
from improv.model import Reading, Settings
from tests.log_material import entry, entry_of


def filled(folder: Path, name: str = "log.db") -> Log:
    """An open log of three takes."""
    log = Log.open(folder / name, create=True)
    log.add_many(
        [
            entry_of(1, "Ana", "Late Bus", "2026-01-10", ("class", "warm")),
            entry_of(2, "Ana", "Tin Roof", None),
            entry_of(3, "=HYPERLINK(1)", "Late Bus", "2026-02-01"),
        ]
    )
    return log


def test_everything_comes_back(tmp_path: Path) -> None:
    """Exported and imported, a log holds the same takes; a second import adds nothing."""
    with filled(tmp_path) as log, Log.open(tmp_path / "other.db", create=True) as other:
        assert export_folder(log, Filter(), tmp_path / "out") == 3
        done = import_folder(lambda: other, tmp_path / "out")
        assert (done.new, done.known) == (3, 0)
        assert import_folder(lambda: other, tmp_path / "out" / "takes.jsonl").known == 3
        assert sheet_text(other, Filter()) == sheet_text(log, Filter())
        for a, b in zip(log.rows(), other.rows(), strict=True):
            x, y = log.whole(a.id), other.whole(b.id)
            assert (x.midi, x.document, x.settings_text, x.note, x.made, x.made_by) == (
                y.midi, y.document, y.settings_text, y.note, y.made, y.made_by,
            )  # fmt: skip
            assert a.tags == b.tags


def test_many_takes_come_back_in_order_with_their_own_words(tmp_path: Path) -> None:
    """More takes than are read in one batch, days against the order they came in, tags of each."""
    count = 2 * BATCH + 7
    tags = [(f"of {i}", "class") if i % 3 else () for i in range(count)]
    days = [None if i % 10 == 0 else f"2026-{1 + (count - i) % 12:02}-15" for i in range(count)]
    entries = [entry_of(i, f"player {i % 4}", f"tune {i}", days[i], tags[i]) for i in range(count)]
    with (
        Log.open(tmp_path / "log.db", create=True) as log,
        Log.open(tmp_path / "other.db", create=True) as other,
    ):
        ids = [added.id for added in log.add_many(entries)]
        assert export_folder(log, Filter(), tmp_path / "out") == count
        done = import_folder(lambda: other, tmp_path / "out")
        assert (done.new, done.known) == (count, 0)
        for kept in (log, other):
            wholes = [kept.whole(take) for take in ids]
            assert [w.midi for w in wholes] == [e.midi for e in entries]
            assert [w.row.tune for w in wholes] == [e.about.tune for e in entries]
            assert [set(w.row.tags) for w in wholes] == [set(t) for t in tags]
            assert [w.row for w in wholes] == sorted(kept.rows(), key=lambda row: row.id)
            dated = [row.day for row in kept.rows() if row.day is not None]
            assert dated == sorted(dated)
            assert [row.day for row in kept.rows()][len(dated) :] == [None] * days.count(None)
    lines = (tmp_path / "out" / "takes.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(text)["tune"] for text in lines] == [e.about.tune for e in entries]


def test_a_second_export_is_the_first(tmp_path: Path) -> None:
    """Nothing changes on the way through another log, not even when a take was first kept."""
    with filled(tmp_path) as log, Log.open(tmp_path / "other.db", create=True) as other:
        long_ago = "2020-02-29T08:00:00+00:00"
        log.add(replace(entry_of(4), added=long_ago, about=About(note="a\nnote", tags=("b", "A"))))
        assert log.whole(4).added == long_ago
        export_folder(log, Filter(), tmp_path / "out")
        import_folder(lambda: other, tmp_path / "out")
        export_folder(other, Filter(), tmp_path / "again")
    for file in ("takes.jsonl", *(f"midi/{p.name}" for p in (tmp_path / "out/midi").iterdir())):
        assert (tmp_path / "again" / file).read_bytes() == (tmp_path / "out" / file).read_bytes()


def test_a_filter_exports_only_what_it_finds(tmp_path: Path) -> None:
    """One player's takes, and the folder holds no other bytes."""
    with filled(tmp_path) as log:
        assert export_folder(log, Filter(player="Ana"), tmp_path / "out") == 2
    assert len(list((tmp_path / "out" / "midi").iterdir())) == 2


def test_an_existing_folder_is_left_alone(tmp_path: Path) -> None:
    """Export never writes into something that is there; nothing half-made stays."""
    (tmp_path / "out").mkdir()
    with filled(tmp_path) as log:
        with pytest.raises(LogError, match="is there already"):
            export_folder(log, Filter(), tmp_path / "out")
        with pytest.raises(LogError, match="cannot be written"):
            export_folder(log, Filter(), tmp_path / "log.db" / "out")
    assert list((tmp_path / "out").iterdir()) == []
    assert not [p for p in tmp_path.iterdir() if p.name.endswith(".part")]


def run(*words: object) -> Result:
    """One call of `improv log`."""
    return CliRunner().invoke(cli, ["log", *map(str, words)])


def test_an_export_of_nothing_writes_nothing(tmp_path: Path) -> None:
    """A filter that finds no take is told, and leaves no empty folder."""
    with filled(tmp_path):
        pass
    done = run("export", tmp_path / "out", "--player", "Nobody", "--log", tmp_path / "log.db")
    assert done.exit_code == 2 and "no takes found, and nothing was written" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_failed_import_says_what_it_added(tmp_path: Path) -> None:
    """Nothing, and no log is made; or the batches that were whole before the wrong line."""
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add_many([entry_of(number) for number in range(BATCH + 2)])
        export_folder(log, Filter(), tmp_path / "out")
    takes = tmp_path / "out" / "takes.jsonl"
    whole = takes.read_text().splitlines()
    new = tmp_path / "new.db"
    for number, said in ((1, "nothing was added"), (2, "nothing was added")):
        takes.write_text("\n".join([*whole[: number - 1], "{}", *whole[number:]]))
        done = run("import", tmp_path / "out", "--log", new)
        assert done.exit_code == 1 and f"line {number} is not a take" in done.stderr
        assert said in done.stderr and not new.exists()
    takes.write_text("\n".join([*whole[:-1], "{}"]))
    done = run("import", tmp_path / "out", "--log", new)
    assert done.exit_code == 1 and f"({BATCH} takes before it were added)" in done.stderr
    with Log.open(new) as log:
        assert len(log.rows()) == BATCH


def lines_of(folder: Path) -> list[dict[str, Any]]:
    """The exported lines."""
    text = (folder / "takes.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def broken(change: Callable[[dict[str, Any]], object]) -> Callable[[Path], None]:
    """Changes the second line of an exported folder."""

    def apply(folder: Path) -> None:
        lines = lines_of(folder)
        change(lines[1])
        (folder / "takes.jsonl").write_text("\n".join(map(json.dumps, lines)), encoding="utf-8")

    return apply


def _garbage(folder: Path) -> None:
    with open(folder / "takes.jsonl", "ab") as file:
        file.write(b"\xff\xfe{{{\n")


BAD: dict[str, tuple[Callable[[Path], object], str]] = {
    "no json": (_garbage, "line 4 is not a take"),
    "empty": (lambda f: (f / "takes.jsonl").write_text(""), "holds no takes"),
    "another format": (broken(lambda d: d.update(format="x")), "line 2 .*does not say it is one"),
    "a later format": (broken(lambda d: d.update(version=2)), "line 2 .*format version 2"),
    "no line of JSON": (
        lambda f: (f / "takes.jsonl").write_text("player = Ana\n"),
        "line 1 .*it is no JSON.*put that line right or take it out",
    ),
    "no player": (broken(lambda d: d.pop("player")), "line 2 .*'player' is missing"),
    "no settings": (broken(lambda d: d.pop("settings")), "line 2 .*'settings' is missing"),
    "made-up settings": (broken(lambda d: d["settings"].update(x=1)), "line 2 .*not known"),
    "another place": (broken(lambda d: d.update(midi="../../log.db")), "digest is not one"),
    "a changed file": (
        lambda f: [p.write_bytes(b"MThd") for p in (f / "midi").iterdir()],
        "is not the file it was",
    ),
    "a missing file": (
        lambda f: [p.unlink() for p in (f / "midi").iterdir()],
        "there is no such file",
    ),
    "a word that is none": (broken(lambda d: d.update(player=5)), "line 2 .*not text"),
    "a time that is none": (broken(lambda d: d.update(added="soon")), "line 2 .*not a time like"),
    "a day that is none": (broken(lambda d: d.update(day="soon")), "line 2 .*not a date"),
    "a list": (lambda f: (f / "takes.jsonl").write_text("[1, 2]\n"), "line 1 is not a take"),
}


SETTINGS: list[tuple[str, Any, str]] = [
    ("tolerance_ms", None, "'tolerance_ms' is unset"),
    ("tolerance_ms", 0, "tolerance_ms 0 lies outside 1 to 500"),
    ("tolerance_ms", float("nan"), "tolerance_ms nan lies outside 1 to 500"),
    ("tolerance_ms", True, "'tolerance_ms' is True"),
    ("chord_spread_ms", -1, "chord_spread_ms -1 lies outside"),
    ("phrase_rest_beat", 0, "phrase_rest_beat 0 lies outside"),
    ("tempo_bpm", 0, "tempo 0: state 10 to 1000"),
    ("tempo_bpm", -5, "tempo -5: state 10 to 1000"),
    ("tempo_bpm", 1e308, "tempo 1e\\+308: state 10 to 1000"),
    ("tempo_bpm", 10**400, "int too large"),
    ("count_in_bars", 1.5, "'count_in_bars' is 1.5"),
    ("find_start", 1, "'find_start' is 1"),
    ("find_start", True, "the start is stated and also to be found"),
    ("channel", 17, "channel 17 does not exist"),
    ("meter", 4, "'meter' is 4"),
    ("meter", "4/5", "meter 4/5"),
    ("subdivisions", ["zz"], "no subdivision 'zz'"),
    ("subdivisions", [], "'subdivisions' is no list of names"),
    ("subdivisions", "eighths", "'subdivisions' is eighths"),
    ("first_bar", 10**30, "first_bar 1e\\+30 lies outside"),
    ("x", 1, "'x' is not known"),
    ("track", "flute", "track 'flute' is not in this file"),
]


@pytest.mark.parametrize(("key", "value", "message"), SETTINGS, ids=lambda v: str(v)[:20])
def test_settings_nobody_can_have_stated_are_refused(
    tmp_path: Path, key: str, value: Any, message: str
) -> None:
    """A take comes in only with settings under which it can be analyzed again."""
    with filled(tmp_path) as log:
        export_folder(log, Filter(), tmp_path / "out")
    broken(lambda d: d["settings"].update({key: value}))(tmp_path / "out")
    with Log.open(tmp_path / "other.db", create=True) as other:
        with pytest.raises(LogError, match=f"line 2 .*{message}.*put that line right"):
            import_folder(lambda: other, tmp_path / "out")


@pytest.mark.parametrize(("spoil", "message"), BAD.values(), ids=list(BAD))
def test_what_is_made_up_is_refused(
    tmp_path: Path, spoil: Callable[[Path], object], message: str
) -> None:
    """One line says which line of the file is wrong and how; the log is whole afterwards."""
    with filled(tmp_path) as log:
        export_folder(log, Filter(), tmp_path / "out")
    spoil(tmp_path / "out")
    with Log.open(tmp_path / "other.db", create=True) as other:
        with pytest.raises(LogError, match=message) as told:
            import_folder(lambda: other, tmp_path / "out")
        assert "\n" not in str(told.value)
        assert other.rows() == []


def test_an_unsound_analysis_is_made_again(tmp_path: Path) -> None:
    """An analysis somebody meddled with is not believed: the notes are analyzed afresh."""
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add(entry())
        export_folder(log, Filter(), tmp_path / "out")
    (line,) = lines_of(tmp_path / "out")
    line["analysis"]["take"]["spread_ms"] = "wide"
    (tmp_path / "out" / "takes.jsonl").write_text(json.dumps(line), encoding="utf-8")
    with Log.open(tmp_path / "other.db", create=True) as other:
        import_folder(lambda: other, tmp_path / "out")
        assert other.whole(1).document == entry().document


def test_soundness() -> None:
    """A real document is sound; one with a piece missing or turned is not."""
    document = entry().document
    assert sound(document)
    for key in ("take", "notes", "phrases", "runs", "version"):
        assert not sound({k: v for k, v in document.items() if k != key})
    assert not sound({**document, "notes": document["notes"][:-1]})
    assert not sound({**document, "notes": [5] * len(document["notes"])})
    for nonsense in (None, 5, [], {}, {"take": None}):
        assert not sound(nonsense)


def sheet(log: Log, which: Filter = Filter()) -> list[dict[str, str]]:  # noqa: B008 (frozen)
    """The CSV read back."""
    return list(csv.DictReader(io.StringIO(sheet_text(log, which)[0])))


def test_csv_is_for_spreadsheets(tmp_path: Path) -> None:
    """A row per take and subdivision; a player who is a formula becomes harmless."""
    with filled(tmp_path) as log:
        rows, takes = sheet(log), sheet_text(log, Filter())[1]
    assert len(rows) == 6 and takes == 3
    assert {row["subdivision"] for row in rows} == {"eighths", "sixteenths"}
    assert [row["player"] for row in rows].count("'=HYPERLINK(1)") == 2
    assert all(float(row["spread_ms"]) > 0 for row in rows)


def test_tags_are_told_apart_in_csv(tmp_path: Path) -> None:
    """A tag may be of several words; a comma in one from elsewhere parts it in two."""
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add(entry_of(1, tags=("slow blues", "class,warm")))
        assert {row["tags"] for row in sheet(log)} == {"class,slow blues,warm"}
        assert log.rows(Filter(tags=("slow blues", "warm")))


def test_csv_says_what_a_comparison_says(tmp_path: Path) -> None:
    """The spreads of two takes are the ones compared, under one memory."""
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add_many([entry(1), entry(2)])
        found = compare_sets(*(log.material(Filter(ids=(take,))) for take in (1, 2)))
        rows = {(int(r["take"]), r["subdivision"]): r for r in sheet(log)}
    told = {f.subdivision: f for f in found.findings if f.measure.key == "spread"}
    for name in ("eighths", "sixteenths"):
        for take, level in ((1, told[name].before), (2, told[name].after)):
            assert float(rows[take, name]["spread_ms"]) == pytest.approx(level, rel=1e-3)


def test_shares_in_csv_are_plain_counts(tmp_path: Path) -> None:
    """The notes off the grid, of all attempts at a subdivision in a take."""
    example = Path(__file__).parent.parent / "examples" / "tarek-floats.mid"
    kept, _ = read_entry(example, Reading(), Settings(), About())
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add(kept)
        rows = {row["subdivision"]: row for row in sheet(log)}
        found = log.material()
    assert {"eighths", "sixteenths"} <= set(rows)
    assert {kind.name for kind in found.kinds} == set(rows)
    for number, kind in enumerate(found.kinds):
        mine = found.cells[found.cells["subdivision"] == number]
        on, off = int(mine["on"].sum()), int(mine["off"].sum())
        assert int(rows[kind.name]["notes"]) == on
        assert float(rows[kind.name]["off_grid"]) == pytest.approx(off / (on + off), abs=1e-4)


def test_an_export_is_the_users_alone(tmp_path: Path) -> None:
    """Like the log itself."""
    with filled(tmp_path) as log:
        export_folder(log, Filter(), tmp_path / "out")
    assert stat.S_IMODE(os.stat(tmp_path / "out").st_mode) == 0o700
