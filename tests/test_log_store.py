"""The practice log: adding, finding, showing, removing, refreshing, copying."""

from __future__ import annotations

import os
import re
import sqlite3
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from improv.cells import from_document
from improv.errors import LogError, TakeError, UsageError
from improv.log import refresh as refreshing
from improv.log.entries import About, Entry, Filter
from improv.log.kept_settings import differing, settings_text, settings_values, stated_options
from improv.log.store import Log
from improv.log_report import list_lines
from improv.meter import parse_meter
from improv.model import Reading, Settings
from tests.log_material import READING, entry, entry_of, take_file, two_part_bytes


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    """A log of six takes of two players over three months."""
    found = Log.open(tmp_path / "log.db", create=True)
    found.add_many(
        [
            entry_of(1, "Ana", "Late Bus", "2026-01-10", ("class", "warm")),
            entry_of(2, "Ana", "Late Bus", "2026-02-10", ("class",)),
            entry_of(3, "Ana", "Tin Roof", "2026-03-10", (), 120.0),
            entry_of(4, "Ben", "Late Bus", "2026-01-10", ("class",)),
            entry_of(5, "Ben", "Tin Roof", "2026-02-10", ()),
            entry_of(6, "", "", None),
        ]
    )
    with found:
        yield found


FILTERS = [
    (Filter(), {1, 2, 3, 4, 5, 6}),
    (Filter(player="ana"), {1, 2, 3}),
    (Filter(tune="tin roof"), {3, 5}),
    (Filter(since="2026-02-10"), {2, 3, 5}),
    (Filter(until="2026-02-10"), {1, 2, 4, 5}),
    (Filter(tempo_low_bpm=100.0), {3}),
    (Filter(tempo_high_bpm=100.0), {1, 2, 4, 5, 6}),
    (Filter(subdivision="sixteenths"), {1, 2, 3, 4, 5, 6}),
    (Filter(subdivision="septuplets"), set()),
    (Filter(subdivision="16ths"), {1, 2, 3, 4, 5, 6}),
    (Filter(subdivision="Triplets"), set()),
    (Filter(tags=("class",)), {1, 2, 4}),
    (Filter(tags=("CLASS", "warm")), {1}),
    (Filter(ids=(2, 5, 99)), {2, 5}),
    (Filter(player="Ana", tags=("class",), since="2026-02-01"), {2}),
    (Filter(player="'; DROP TABLE take; --"), set()),
]


@pytest.mark.parametrize(("which", "expected"), FILTERS)
def test_filters(log: Log, which: Filter, expected: set[int]) -> None:
    """Each filter finds its takes, in rows, players and material alike."""
    assert {row.id for row in log.rows(which)} == expected
    assert {int(name.removeprefix("log:")) for name in log.material(which).label} == expected
    assert len(log.players(which)) == len({r.player for r in log.rows(which)})


def test_one_take_costs_no_more_in_a_long_log(tmp_path: Path) -> None:
    """What a take is, is found by its number: an export of all of them is not quadratic.

    Counted in steps of SQLite's machine, which are the same on every run.
    """
    with Log.open(tmp_path / "log.db", create=True) as log:
        steps = 0

        def step() -> int:
            nonlocal steps
            steps += 1
            return 0

        cost = []
        for many in (2, 40):
            tags = ("class", "warm")
            log.add_many([entry_of(i, tags=tags) for i in range(many)])
            steps = 0
            log._connection.set_progress_handler(step, 1)
            log.whole(1)
            log._connection.set_progress_handler(None, 0)
            cost.append(steps)

    assert 0 < cost[1] <= 1.1 * cost[0]


def test_an_upside_down_tempo_range_is_refused(log: Log) -> None:
    """From 120 to 90 BPM lies nothing."""
    with pytest.raises(UsageError, match="ends below where it begins"):
        log.rows(Filter(tempo_low_bpm=120.0, tempo_high_bpm=90.0))


@pytest.mark.parametrize(
    ("which", "message"),
    [
        (Filter(subdivision="eigths"), "no subdivision 'eigths'; did you mean 'eighths'?"),
        (Filter(subdivision="17ths"), "no subdivision '17ths'; did you mean '16ths'?"),
        (Filter(subdivision="zz"), "no subdivision 'zz'; it can be: half notes, quarters"),
        (Filter(since="2026-03-01", until="2026-02-01"), "no day lies between 2026-03-01 and"),
    ],
)
def test_a_filter_that_can_find_nothing_is_refused(log: Log, which: Filter, message: str) -> None:
    """A misspelt word is not an empty log: lists, players and material all say so."""
    for find in (log.rows, log.players, log.material):
        with pytest.raises(UsageError, match=re.escape(message)):
            find(which)


@pytest.mark.parametrize("tempo_bpm", [40.0, 90.0, 93.0, 133.0, 177.0, 300.0])
def test_a_tempo_is_found_as_the_file_can_say_it(tmp_path: Path, tempo_bpm: float) -> None:
    """Whole microseconds to the quarter (90 BPM: 666667) are the tempo they stand for."""
    for beat_quarter in (1.0, 1.5, 2.0):
        for step in (int, round):
            written = 60e6 / beat_quarter / step(60e6 / beat_quarter / tempo_bpm)
            base = entry_of(1)
            head = {**base.document["take"], "tempo_bpm": round(written, 6)}
            made = replace(base, document={**base.document, "take": head})
            with Log.open(tmp_path / f"{beat_quarter}{step.__name__}.db", create=True) as log:
                log.add(made)
                assert len(log.rows(Filter(tempo_low_bpm=tempo_bpm, tempo_high_bpm=tempo_bpm))) == 1
                assert not log.rows(Filter(tempo_low_bpm=tempo_bpm + 0.1))
                assert not log.rows(Filter(tempo_high_bpm=tempo_bpm - 0.1))
                assert f"  {tempo_bpm:g}  " in list_lines(log.rows())[1]


def test_case_counts_in_no_alphabet(tmp_path: Path) -> None:
    """Names and tags that differ in case alone are one, beyond ASCII and with any accent."""
    spelt = ("Zoë", "ZOË", "zoe\u0308", "Straße", "STRASSE", "Анна", "АННА")
    with Log.open(tmp_path / "log.db", create=True) as log:
        for number, name in enumerate(spelt):
            log.add(entry_of(number, name, f"{name} Blues", tags=(f"{name} mood",)))
        assert log.players() == ["Straße", "Zoë", "Анна"]
        for name, takes in (("ZOË", {1, 2, 3}), ("straße", {4, 5}), ("анна", {6, 7})):
            for which in (
                Filter(player=name), Filter(tune=f"{name} blues"), Filter(tags=(f"{name} Mood",)),
            ):  # fmt: skip
                assert {row.id for row in log.rows(which)} == takes
    assert About(tags=("Größe", "GRÖSSE", "b")).checked().tags == ("b", "Größe")


def test_a_take_comes_back_whole(log: Log) -> None:
    """Bytes, document, settings and what was said of it are as they went in."""
    whole = log.whole(1)
    given = entry_of(1, "Ana", "Late Bus", "2026-01-10", ("class", "warm"))
    assert whole.midi == given.midi and whole.document == given.document
    assert settings_values(whole.settings_text) == (given.reading, given.settings)
    row = whole.row
    assert (row.player, row.tune, row.day, row.tags) == (
        "Ana", "Late Bus", "2026-01-10", ("class", "warm"),
    )  # fmt: skip
    assert row.subdivisions == ("eighths", "sixteenths")
    with pytest.raises(UsageError, match="there is no take 99"):
        log.whole(99)


def test_material_is_what_the_documents_say(log: Log) -> None:
    """Cells from the log are the cells made anew from every document."""
    material = log.material()
    takes = [int(name.removeprefix("log:")) for name in material.label]
    assert takes
    for i, take in enumerate(takes):
        kinds, cells = from_document(log.whole(take).document)
        mine = material.cells[material.take == i]
        names = [material.kinds[k].name for k in mine["subdivision"].tolist()]
        assert names == [kinds[k].name for k in cells["subdivision"].tolist()]
        for field in ("on", "off", "mean_ms", "square_ms2", "interval_ms"):
            assert np.array_equal(mine[field], cells[field])
    assert material.day[-1] == -1 and material.tempo_bpm[takes.index(3)] == 120.0


def test_the_same_take_twice_is_noticed(log: Log) -> None:
    """Nothing is doubled; other words and settings are named, and kept only on request."""
    again = log.add(entry_of(1, day="2026-01-10"))
    assert (again.id, again.new, again.differs) == (1, False, ())
    assert log.add(entry_of(1)).differs == ("--date 2026-01-10 -> 2026-03-01",)
    other = replace(entry_of(1, day="2026-01-10"), reading=replace(READING, tempo_bpm=100.0))
    told = log.add(other)
    assert not told.new and told.differs == ("--tempo unset -> 100",)
    assert log.whole(1).settings_text == settings_text(READING, Settings())
    replaced = log.add(replace(other, about=About(tune="New Tune")), replace=True)
    assert (replaced.id, replaced.replaced) == (1, True)
    row = log.whole(1).row
    assert (row.player, row.tune, row.tags) == ("Ana", "New Tune", ("class", "warm"))
    assert len(log.rows()) == 6


def test_a_replaced_take_has_what_is_said_now(log: Log) -> None:
    """Words said take the old ones' place, words not said leave them, empty ones clear them."""
    said = About("Ana", "Late Bus", "2026-03-01", ("class", "warm"), "new reeds")
    one = replace(entry_of(70), about=said)
    take = log.add(one).id

    def now(about: About) -> tuple[object, ...]:
        assert log.add(replace(one, about=about), replace=True).replaced
        whole = log.whole(take)
        row = whole.row
        return row.player, row.tune, row.day, row.tags, whole.note

    old = ("Ana", "Late Bus", "2026-03-01")
    assert now(About()) == (*old, ("class", "warm"), "new reeds")
    assert now(About(tags=("cold",))) == (*old, ("cold",), "new reeds")
    assert now(About(note="old reeds")) == (*old, ("cold",), "old reeds")
    assert now(About(cleared=frozenset({"tags", "tune"}))) == (
        "Ana", "", "2026-03-01", (), "old reeds",
    )  # fmt: skip
    everything = frozenset({"player", "tune", "day", "tags", "note"})
    assert now(About(cleared=everything)) == ("", "", None, (), "")


def in_part(track: str | None = None, channel: int | None = None, only: bool = False) -> Entry:
    """A take of the file of two players, or (`only`) of the file of one, as asked for."""
    midi = entry(1).midi if only else two_part_bytes()
    return replace(entry(1), midi=midi, reading=replace(READING, track=track, channel=channel))


def test_two_parts_of_one_file_are_two_takes(log: Log) -> None:
    """A file with several players is kept once for each part."""
    assert log.add(in_part("solo")).id == 7
    assert log.add(in_part("bass")).id == 8
    assert log.whole(7).digest == log.whole(8).digest
    log.remove([8])
    assert log.whole(7).midi == two_part_bytes()
    with pytest.raises(TakeError, match="track 'flute' is not in this file"):
        log.add(in_part("flute"))


def test_a_part_is_the_same_however_it_is_asked_for(log: Log) -> None:
    """By name, number or channel, or because there is no other: nothing is kept twice."""
    asked: list[tuple[str | None, int | None]] = [
        (None, None), ("solo", None), ("SOLO", None), ("2", None), (None, 1), ("2", 1),
    ]  # fmt: skip
    first = log.add(in_part(only=True))
    for track, channel in asked:
        told = log.add(in_part(track, channel, only=True))
        assert (told.id, told.new, told.differs) == (first.id, False, ())
    bass = log.add(in_part("bass"))
    for track, channel in (("3", None), (None, 2), ("Bass", 2)):
        assert log.add(in_part(track, channel)).id == bass.id
    assert len(log.rows()) == 8


def test_several_takes_are_added_all_or_none(log: Log) -> None:
    """A bad word in the third leaves the first two out as well."""
    batch = [entry_of(10), entry_of(11), replace(entry_of(12), about=About("A" * 300))]
    with pytest.raises(UsageError, match="player is longer than 200"):
        log.add_many(batch)
    assert len(log.rows()) == 6


def test_a_removed_take_leaves_no_bytes(tmp_path: Path) -> None:
    """After removal neither its bytes nor its words are in any file of the log."""
    path = tmp_path / "log.db"
    mark, word = b"unmistakable bytes of a take" * 40, "unmistakable words"
    one = entry_of(2)
    with Log.open(path, create=True) as log:
        log.add(entry_of(1))
        log.add(replace(one, midi=one.midi + mark, about=About("Ana", word)))
    with Log.open(path) as log:
        assert mark[:28] in _all_bytes(tmp_path) and word.encode() in _all_bytes(tmp_path)
        assert log.remove([2, 99]) == 1
        left = _all_bytes(tmp_path)
        assert mark[:28] not in left and word.encode() not in left
        assert [row.id for row in log.rows()] == [1]


def _all_bytes(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(folder.iterdir()))


def test_a_number_is_never_used_twice(log: Log) -> None:
    """After the last take was removed the next has a number of its own."""
    log.remove([6])
    assert log.add(entry_of(60)).id == 7


def test_the_log_is_the_users_alone(tmp_path: Path) -> None:
    """A new log and a backup are readable and writable by their owner only."""
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.backup(tmp_path / "copy.db")
    for name in ("log.db", "copy.db"):
        assert stat.S_IMODE(os.stat(tmp_path / name).st_mode) == 0o600


def test_refresh_makes_everything_anew(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    """New documents replace the old, all at once, and what was said of the takes stays."""
    fresh = {**entry(3).document}
    seen: list[int] = []

    def anew(*_: object) -> dict[str, object]:
        seen.append(len(log.rows(Filter(tempo_low_bpm=119.0))))
        return fresh

    monkeypatch.setattr(refreshing, "analyzed", anew)
    done = refreshing.refresh(log)
    assert (done.renewed, done.resumed, done.kept) == (6, 0, ())
    assert set(seen) == {1}, "the old results stayed until the end"
    assert all(log.whole(i).document == fresh for i in range(1, 7))
    assert log.whole(1).row.tags == ("class", "warm")


def test_refresh_really_analyzes(tmp_path: Path) -> None:
    """Without any stand-in the analysis of a real file comes out as it went in."""
    path = take_file(tmp_path)
    with Log.open(tmp_path / "log.db", create=True) as log:
        kept = refreshing.read_entry(path, READING, Settings(), About("Ana"))[0]
        log.add(kept)
        assert refreshing.refresh(log).renewed == 1
        assert log.whole(1).document == kept.document
        assert kept.document["take"]["file"] == "solo.mid", "no place on the machine is kept"


def test_a_take_that_is_refused_keeps_its_old_result(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One refusal among six: five are new, one is as it was, and the reason is told."""
    before = log.whole(3).document

    def anew(data: bytes, *_: object) -> dict[str, object]:
        if data == entry_of(3, tempo_bpm=120.0).midi:
            raise TakeError("this one not")
        return entry(3).document

    monkeypatch.setattr(refreshing, "analyzed", anew)
    done = refreshing.refresh(log)
    assert done.renewed == 5 and done.kept == ((3, "this one not"),)
    assert log.whole(3).document == before and log.whole(2).document == entry(3).document


def test_a_refresh_goes_on_past_settings_an_older_import_let_in(log: Log, tmp_path: Path) -> None:
    """The take is named and keeps what it had; the others are new."""
    path = take_file(tmp_path)
    good = refreshing.read_entry(path, READING, Settings(), About())[0]
    log.remove([2, 3, 4, 5, 6])
    log.add(good)
    text = settings_text(READING, Settings()).replace("20.0", "null")
    raw = sqlite3.connect(tmp_path / "log.db")
    raw.execute("UPDATE take SET settings = ? WHERE id = 1", (text,))
    raw.commit()
    raw.close()
    before = log.whole(1).document
    done = refreshing.refresh(log)
    assert done.renewed == 1 and [take for take, _ in done.kept] == [1]
    assert "its settings cannot be used: 'tolerance_ms' is unset" in done.kept[0][1]
    assert log.whole(1).document == before


def test_a_refresh_that_was_cut_short_goes_on(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was laid aside is used; a take whose settings changed meanwhile is done again."""
    monkeypatch.setattr(refreshing, "BATCH", 2)
    count = 0

    def dies(*_: object) -> dict[str, object]:
        nonlocal count
        count += 1
        if count == 5:
            raise KeyboardInterrupt
        return entry(3).document

    monkeypatch.setattr(refreshing, "analyzed", dies)
    old = log.whole(1).document
    with pytest.raises(KeyboardInterrupt):
        refreshing.refresh(log)
    assert log.whole(1).document == old, "nothing changed yet"
    log.add(replace(entry_of(1), reading=replace(READING, tempo_bpm=50.0)), replace=True)
    monkeypatch.setattr(refreshing, "analyzed", lambda *_: entry(3).document)
    done = refreshing.refresh(log)
    assert (done.renewed, done.resumed) == (6, 3)


def test_a_backup_is_the_log(log: Log, tmp_path: Path) -> None:
    """The copy opens and lists the same; an older backup is replaced, another file is not."""
    target = tmp_path / "copy.db"
    log.backup(target)
    log.add(entry_of(70))
    log.backup(target)
    with Log.open(target, writing=False) as copy:
        assert copy.rows() == log.rows()
    other = tmp_path / "letter.txt"
    other.write_text("not a log")
    with pytest.raises(LogError, match=r"letter\.txt: is there already and is no practice log"):
        log.backup(other)
    assert other.read_text() == "not a log"
    with pytest.raises(LogError, match="is the log itself"):
        log.backup(log.path)
    with pytest.raises(LogError, match="its directory does not exist"):
        log.backup(tmp_path / "nowhere" / "copy.db")
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []


def test_settings_survive_the_log() -> None:
    """Every reading and setting comes back as it went in; made-up ones are refused."""
    reading = Reading(96.5, parse_meter("9/8+10/8"), 2, None, True, "solo", 3, "backing.mid")
    settings = Settings(15.0, 30.0, 2.0, ("eighths", "sixteenths"), 5, 12)
    assert settings_values(settings_text(reading, settings)) == (reading, settings)
    for text in ("{}", "[]", "nonsense", settings_text(reading, settings).replace("96.5", '"x"')):
        with pytest.raises(LogError, match="settings cannot be used"):
            settings_values(text)


def test_settings_are_told_as_the_command_line_says_them() -> None:
    """Options by their names, in its order; nothing of what holds when nothing is said."""
    assert stated_options(settings_text(Reading(), Settings())) == ()
    text = settings_text(
        Reading(96.0, parse_meter("9/8+10/8"), 2, None, True, "solo", 3, "backing.mid"),
        Settings(15.0, 30.5, 1.0, ("eighths", "sixteenths"), 5, 12),
    )
    assert stated_options(text) == (
        "--tempo 96", "--meter 9/8+3+3+2+2/8", "--count-in 2", "--start auto", "--track solo",
        "--channel 3", "--backing backing.mid", "--subdivisions eighths,sixteenths",
        "--tolerance 15", "chord_spread_ms 30.5", "--bars 5-12",
    )  # fmt: skip
    text = settings_text(Reading(start_sec=1.5), Settings(first_bar=7, last_bar=7))
    assert stated_options(text) == ("--start 1.5", "--bars 7")


def test_differing_settings_are_told_by_their_options() -> None:
    """What was and what would be, as it is said on the command line; the part is no matter."""
    old = settings_text(Reading(start_sec=1.0, track="solo"), Settings())
    new = settings_text(Reading(tempo_bpm=100.0, find_start=True, channel=1), Settings(30.0))
    assert differing(old, new) == (
        "--start 1 -> auto", "--tempo unset -> 100", "--tolerance 20 -> 30",
    )  # fmt: skip


def test_no_count_in_is_none_stated_in_logs_of_old() -> None:
    """Logs had 0 where nothing was stated; stated now, 0 is told against what a click may say."""
    unsaid = settings_text(Reading(), Settings())
    none = settings_text(Reading(count_in_bars=0), Settings())
    assert differing(none, unsaid) == () and stated_options(none) == ()
    assert differing(unsaid, none) == ("--count-in unset -> 0",)


@pytest.mark.parametrize(
    ("field", "value"),
    [("tolerance_ms", 0.0), ("tolerance_ms", float("nan")), ("chord_spread_ms", 501.0),
     ("phrase_rest_beat", 0.0), ("first_bar", 10**7)],
)  # fmt: skip
def test_settings_have_bounds(field: str, value: float) -> None:
    """Whoever makes settings, not the command line alone, keeps to them."""
    with pytest.raises(UsageError, match=f"{field} .* lies outside"):
        replace(Settings(), **{field: value})
    with pytest.raises(UsageError, match="bars 5 to 4: the last comes before the first"):
        Settings(first_bar=5, last_bar=4)


def test_days_and_words_are_checked() -> None:
    """No date that is none, no word that would fill a page; spaces are tidied."""
    with pytest.raises(UsageError, match="'2026-13-01' is not a date"):
        About(day="2026-13-01").checked()
    with pytest.raises(UsageError, match="the tag is longer"):
        About(tags=("x" * 201,)).checked()
    about = About("  Ana   Lind ", tags=("b", "a", "b", " ")).checked()
    assert about.player == "Ana Lind" and about.tags == ("a", "b")


def test_foreign_keys_hold(log: Log, tmp_path: Path) -> None:
    """An analysis without its take cannot be: removal takes everything with it."""
    log.remove([1])
    check = sqlite3.connect(tmp_path / "log.db")
    assert check.execute("PRAGMA foreign_key_check").fetchall() == []
    for table in ("analysis", "played", "tag"):
        assert check.execute(f"SELECT count(*) FROM {table} WHERE take = 1").fetchone() == (0,)
    check.close()
