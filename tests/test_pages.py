"""The report page: what it flags, what it carries, what it forbids and escapes."""

from __future__ import annotations

import base64
import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hand_made import analysis as hand_analysis
from hand_made import floating
from hand_made import phrase as hand_phrase
from hearing import onsets_heard, read_wav

from improv.analysis import analyze
from improv.cli import cli
from improv.listening.excerpts import whole
from improv.listening.on_grid import place_on_grid
from improv.midi_write import write_take
from improv.model import Analysis, Settings
from improv.pages.build import Choices, build
from improv.pages.flagged import flagged, most_telling
from improv.pages.players import BUDGET_BYTES, passages
from improv.pages.rows import MOST_NOTES, Cell, note_table, number, phrase_table, run_table
from improv.pages.words import settings_used
from improv.sound.encode import can_encode
from improv.synth import Hand, Line, Rest, Stretch, play, steady_run


def many_runs(count: int, tempo_bpm: float = 100.0, seed: int = 1) -> Analysis:
    """What is heard in a take with `count` runs off the grid among eighths."""
    pieces: list[object] = []
    for _ in range(count):
        pieces += [Stretch("eighths", 9), steady_run(11, 4.55), Stretch("eighths", 6), Rest(5)]
    take, _ = play(Line(tuple(pieces), tempo_bpm=tempo_bpm), Hand(spread_ms=8.0), seed=seed)  # type: ignore[arg-type]
    return analyze(take)


@pytest.fixture(scope="module")
def six() -> Analysis:
    """A take of about three minutes with some six passages that float."""
    return many_runs(6, tempo_bpm=46.0)


@pytest.fixture(scope="module")
def page(six: Analysis) -> str:
    """Its page."""
    return build(six, Choices())


class Outline(HTMLParser):
    """Collects tags, attributes and text of a page; notes tags left open."""

    VOID = {"meta", "link", "br", "img", "input", "hr"}

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("style", "script"):
            self.text.append(data)


# --- flagged -------------------------------------------------------------------


def test_runs_off_the_grid_are_flagged(six: Analysis) -> None:
    """Each run off the grid is a passage, in the order of the take, told in a sentence."""
    flags = flagged(six, place_on_grid(six))
    off = [run for run in six.runs if run.off_grid]
    assert len(off) >= 4
    assert sum(f.title.startswith("Run") for f in flags) == len(off)
    assert all(
        re.search(r"notes run at 4\.\d to the beat", f.sentence) for f in flags if "Run" in f.title
    )
    assert [int(f.excerpt.rows[0]) for f in flags] == sorted(int(f.excerpt.rows[0]) for f in flags)


MUST_FLAG = (
    ({"verdict": "off the grid", "subdivision": None}, "off the grid"),
    ({"drift_bpm": 6.0, "drift_se_bpm": 0.5}, "rushing"),
    ({"drift_bpm": -6.0, "drift_se_bpm": 0.5}, "dragging"),
    ({"spread_ms": 40.0}, "loose"),
)
MUST_NOT_FLAG: tuple[dict[str, object], ...] = (
    {},
    {"spread_ms": 24.0},
    {"drift_bpm": 6.0, "drift_se_bpm": 5.0},
    {"drift_bpm": 0.5, "drift_se_bpm": 0.1},
    {"offset_ms": -25.0},
    {"verdict": "too short to judge", "subdivision": None},
    {"verdict": "too close to call", "subdivision": None},
)


@pytest.mark.parametrize(("changes", "said"), MUST_FLAG)
def test_a_phrase_that_stands_out_is_flagged(changes: dict[str, object], said: str) -> None:
    """Off the grid, audibly drifting, or loose."""
    base = hand_analysis(["unit"] * 32, (hand_phrase(1, 0, 32, (1, 2), **changes),))
    flags = flagged(base, place_on_grid(base))
    assert [f.title for f in flags] == ["Phrase 1, bars 1 to 2"]
    assert said in flags[0].sentence


@pytest.mark.parametrize("changes", MUST_NOT_FLAG)
def test_a_phrase_that_does_not_is_not(changes: dict[str, object]) -> None:
    """Feel, chance, doubt and small things are no passages to hear back."""
    base = hand_analysis(["unit"] * 32, (hand_phrase(1, 0, 32, (1, 2), **changes),))
    assert flagged(base, place_on_grid(base)) == ()


def test_the_most_telling_are_kept_in_order(six: Analysis) -> None:
    """Heaviest first decides who stays; the order of the take decides how they stand."""
    flags = tuple(
        dataclasses.replace(f, weight=w)
        for f, w in zip(flagged(six, place_on_grid(six)), (1.0, 5.0, 3.0, 4.0), strict=False)
    )
    kept, left = most_telling(flags, 2)
    assert [f.weight for f in kept] == [5.0, 4.0]
    assert [f.weight for f in left] == [1.0, 3.0]


# --- players -------------------------------------------------------------------


def without_soundfile(form: str) -> bool:
    """As where soundfile is not installed."""
    return form == "wav"


def test_without_soundfile_players_are_wav(six: Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    """Plain WAV within the budget, the played notes audible in their places."""
    monkeypatch.setattr("improv.pages.players.can_encode", without_soundfile)
    placed = place_on_grid(six)
    flags = flagged(six, placed)
    made, left = passages(six, placed, flags, 0.6, drums=False)
    assert len(made) + len(left) == len(flags)
    assert sum(len(c.uri) for p in made for c in p.clips) <= BUDGET_BYTES * 1.02
    assert made
    for one in made:
        assert [c.version for c in one.clips] == ["as played", "slowed to 60 %", "on the grid"]
        assert all(c.uri.startswith("data:audio/wav;base64,") for c in one.clips)


def test_a_short_wav_player_sounds_as_played(monkeypatch: pytest.MonkeyPatch) -> None:
    """One passage fits at 16 kHz and 16 bit; an independent ear hears its notes."""
    monkeypatch.setattr("improv.pages.players.can_encode", without_soundfile)
    analysis = many_runs(1)
    placed = place_on_grid(analysis)
    flags = flagged(analysis, placed)[:1]
    made, _ = passages(analysis, placed, flags, 0.5, drums=False)
    rate, sound = read_wav(base64.b64decode(made[0].clips[0].uri.partition(",")[2]))
    assert rate == 16000 and sound.shape[1] == 1
    assert np.abs(sound).max() <= 0.501
    assert len(onsets_heard(sound[:, 0], rate)) >= len(flags[0].excerpt.rows) * 0.8


def test_too_many_passages_leave_the_least_telling_out() -> None:
    """Six are heard, the others named."""
    analysis = many_runs(9, tempo_bpm=120.0)
    placed = place_on_grid(analysis)
    flags = flagged(analysis, placed)
    assert len(flags) >= 7
    made, left = passages(analysis, placed, flags, 0.6, drums=False)
    assert len(made) == 6
    assert len(left) == len(flags) - 6
    assert min(p.flag.weight for p in made) >= max(f.weight for f in left)


def test_a_passage_too_long_does_not_crowd_out_the_others(six: Analysis) -> None:
    """The heaviest flag is the whole take and would not fit alone: the short ones still sound."""
    placed = place_on_grid(six)
    flags = flagged(six, placed)
    long = dataclasses.replace(flags[0], title="All of it", weight=99.0, excerpt=whole(six, placed))
    room = 2_000_000
    made, left = passages(six, placed, (long, *flags), 0.2, drums=False, room_bytes=room)
    assert made and long in left
    assert sum(len(c.uri) for p in made for c in p.clips) <= room
    nothing, all_left = passages(six, placed, flags, 0.6, drums=False, room_bytes=1000)
    assert nothing == () and all_left == flags


# --- the page ------------------------------------------------------------------


def test_a_three_minute_take_with_six_passages_stays_small(six: Analysis, page: str) -> None:
    """Under 4 MB, with soundfile or without."""
    assert six.take.release_sec.max() > 170
    assert len(page.encode()) < 4_000_000


def test_without_soundfile_the_page_stays_small(
    six: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """WAV within the same 4 MB."""
    monkeypatch.setattr("improv.pages.players.can_encode", without_soundfile)
    assert len(build(six, Choices()).encode()) < 4_000_000


def test_players_are_mp3_where_soundfile_is(page: str) -> None:
    """MP3 is what every browser plays."""
    if not can_encode("mp3"):
        pytest.skip("soundfile with an MP3 encoder is not installed")
    assert page.count('src="data:audio/mpeg;base64,') % 3 == 0
    assert "data:audio/wav" not in page


def test_tags_are_nested_and_ids_unique(page: str) -> None:
    """Every tag is closed in order; no id stands twice; every reference has its target."""
    outline = Outline(page)
    assert outline.open == []
    ids = [a["id"] for _, a in outline.tags if "id" in a]
    assert len(ids) == len(set(ids))
    targets = [a["href"] for t, a in outline.tags if t == "a"]
    targets += [f"#{a['aria-labelledby']}" for _, a in outline.tags if "aria-labelledby" in a]
    assert targets and all(t and t.startswith("#") and t[1:] in ids for t in targets)


def test_nothing_comes_from_elsewhere(page: str) -> None:
    """Sources are data or fragments; the policy forbids everything else."""
    outline = Outline(page)
    names = ("src", "href", "xlink:href", "srcset", "action", "data", "poster")
    sources = [(tag, a[name]) for tag, a in outline.tags for name in names if name in a]
    assert {"a", "audio"} <= {tag for tag, _ in sources}
    assert [s for s in sources if not (s[1] or "").startswith(("data:", "#"))] == []
    assert not re.search(r"@import|url\((?!#)", page)
    policy = next(
        a["content"] for t, a in outline.tags if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy and policy.startswith("default-src 'none';")
    assert "unsafe-eval" not in policy and "script-src 'sha256-" in policy


def test_pictures_and_tables_say_what_they_are(page: str) -> None:
    """Every chart has its words, every table a caption and heads with a scope."""
    tags = Outline(page).tags
    pictures = [a for t, a in tags if t == "svg"]
    assert pictures and all((a.get("aria-label") or "").startswith("Chart of") for a in pictures)
    assert sum(t == "table" for t, _ in tags) == sum(t == "caption" for t, _ in tags) == 3
    scopes = [a.get("scope") for t, a in tags if t == "th"]
    assert set(scopes) == {"col", "row"}
    assert [t for t, _ in tags if t in ("header", "nav", "main")] == ["header", "nav", "main"]


NASTY = (
    "<script>alert(1)</script>.mid",
    '"><img src=x onerror=alert(1)>.mid',
    "</style></title><script>alert(1)</script>",
    "{{ 7*7 }} {% raw %} &lt;b&gt;.mid",
    "take\x1b[31m\u202e\ud800.mid",
)


@pytest.mark.parametrize("name", NASTY)
def test_a_name_is_only_ever_a_name(name: str) -> None:
    """As take, as track, in a warning: no tag of it becomes a tag of the page."""
    plain = floating()
    take = dataclasses.replace(plain.take, name=name, track=name, warnings=(f"About {name}.",))
    nasty = dataclasses.replace(plain, take=take)
    page = build(nasty, Choices())
    page.encode("utf-8")
    outline = Outline(page)
    assert outline.open == []
    assert sum(t == "script" for t, _ in outline.tags) == 1
    assert not any(t == "img" or "onerror" in a for t, a in outline.tags)
    assert not any(k.startswith("on") for _, a in outline.tags for k in a)
    if name.startswith("{{"):
        assert "{{ 7*7 }}" in "".join(outline.text)


def test_a_path_is_not_given_away(six: Analysis) -> None:
    """The page names the file and not the folders of whoever made it."""
    take = dataclasses.replace(six.take, name="/home/teacher/private/solo.mid")
    page = build(dataclasses.replace(six, take=take), Choices())
    assert "solo.mid" in page
    assert "teacher/private" not in page


def test_it_says_what_the_text_report_says(page: str, six: Analysis) -> None:
    """Headline, sentences, advice and its caution are on the page, and the settings."""
    from improv.headline import headline
    from improv.practice import advise
    from improv.sentences import phrase_sentences

    text = " ".join("".join(Outline(page).text).split())
    for said in (headline(six), *phrase_sentences(six)[0], advise(six).text, advise(six).caution):
        assert " ".join(said.split()) in text
    assert "± 20 ms" in text and "turn the volume down" in text


def test_nothing_to_hear_is_said() -> None:
    """A take on the grid has no passages and says so."""
    take, _ = play(Line((Stretch("eighths", 16),)), Hand(spread_ms=5.0), seed=1)
    page = build(analyze(take), Choices())
    assert "No passage of this take stands out" in page
    assert "<audio" not in page


def test_the_same_take_gives_the_same_page(six: Analysis, page: str) -> None:
    """Nothing in it depends on the day or on chance."""
    assert build(six, Choices()) == page


# --- tables --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "form", "text"),
    [(12.4, "+.0f", "+12"), (-3.26, "+.1f", "−3.3"), (-0.01, "+.1f", "0.0"), (None, ".0f", "–")],
)
def test_figures_as_they_are_written(value: float | None, form: str, text: str) -> None:
    """A true minus sign, no negative zero, a dash for what is not known."""
    assert number(value, form) == Cell(text, value)


def test_tables_hold_what_was_heard(six: Analysis) -> None:
    """A row per phrase, per run, per note; long takes say what is left out."""
    assert len(phrase_table(six).rows) == len(six.phrases)
    assert len(run_table(six).rows) == len(six.runs)
    assert len(note_table(six).rows) == len(six.notes)
    assert note_table(six).note == ""
    long = hand_analysis(["unit"] * 1600, (hand_phrase(1, 0, 1600, (1, 100)),))
    assert len(note_table(long).rows) == MOST_NOTES
    assert "100 more are left out" in note_table(long).note


# --- the command ---------------------------------------------------------------


@pytest.fixture
def take_path(tmp_path: Path) -> Path:
    """A short take as a file; bar 1 begins at 1 second."""
    take, _ = play(Line((Stretch("eighths", 8), steady_run(9, 4.5))), Hand(), seed=1)
    write_take(take, tmp_path / "solo.mid")
    return tmp_path / "solo.mid"


def test_the_command_writes_the_page(take_path: Path) -> None:
    """One file; its name and size are told."""
    out = take_path.with_name("solo.html")
    done = CliRunner().invoke(
        cli, ["report", str(take_path), "--start", "1", "--slow", "50", "--output", str(out)]
    )
    assert done.exit_code == 0, done.output
    assert re.search(r"solo\.html: \d\.\d MB\n$", done.stdout)
    text = out.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>") and text.rstrip().endswith("</html>")
    assert "Slowed to 50 %" in text


@pytest.mark.parametrize(
    ("name", "status", "said"),
    [
        ("solo.pdf", 2, "must end in .html"),
        ("no/such/solo.html", 1, "directory does not exist"),
    ],
)
def test_a_page_that_cannot_be_written(take_path: Path, name: str, status: int, said: str) -> None:
    """One clear line, nothing written."""
    done = CliRunner().invoke(
        cli, ["report", str(take_path), "--output", str(take_path.parent / name)]
    )
    assert done.exit_code == status
    assert said in done.stderr
    assert [p.name for p in take_path.parent.iterdir()] == ["solo.mid"]


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        (None, None, "all"),
        (9, None, "from bar 9 on"),
        (None, 12, "to bar 12"),
        (9, 12, "bars 9 to 12"),
    ],
)
def test_the_bars_judged(first: int | None, last: int | None, said: str) -> None:
    """The settings name the bars asked for, with one end stated or both."""
    settings = Settings(first_bar=first, last_bar=last)
    made = dataclasses.replace(floating(), settings=settings)
    assert dict(settings_used(made, "1", 0.6))["Bars judged"] == said
