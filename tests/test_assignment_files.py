"""Assignment files: what is read, what is refused and how, what is written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from assignment_texts import SHORT, WHOLE

from improv.assignments.keys import line_of
from improv.assignments.model import Alternation, Drift, Pocket, Section, Swing
from improv.assignments.reading import parse_assignment, read_assignment
from improv.assignments.values import full_name
from improv.assignments.writing import assignment_text
from improv.errors import UsageError
from improv.likeness import nearest
from improv.meter import parse_meter


def test_a_whole_file_is_read() -> None:
    """Every key ends in the field it names."""
    read = parse_assignment(WHOLE)
    assert (read.title, read.note, read.count_in_bars, read.bars) == (
        "Eighths and half notes", "Leave space.", 2, 32,
    )  # fmt: skip
    assert read.tempo_bpm == (80.0, 84.5)
    assert [read.tempo_at(bar) for bar in (1, 16, 17, 99)] == [80.0, 80.0, 84.5, 84.5]
    head, one, rest = read.sections
    assert head == Section(
        1, 8, "head", stay_on="eighths", least_notes=3, pocket=Pocket(0.8, 20.0),
        most_drift=Drift(2.0),
    )  # fmt: skip
    assert (one.first_bar, one.last_bar) == (9, 9)
    assert one.allowed == ("eighths", "eighth triplets")
    assert one.swing == Swing(1.2, 2.0)
    assert rest.alternate == Alternation(("eighths", "half notes"), 2, 2)
    assert (rest.last_bar, rest.pocket) == (None, Pocket())
    assert (read.click.beats, read.click.bars_off) == ((2, 4), (1, 2))


def test_short_names_stand_for_the_full_ones() -> None:
    """What the narrow tables print can be written in an assignment; it is kept in full."""
    short = WHOLE.replace('"eighths"', '"8ths"').replace('"triplets"', '"8th trip."')
    assert short != WHOLE
    assert parse_assignment(short) == parse_assignment(WHOLE)


REFUSED = (
    ("tempo = 96", "tempo = 9", "line 1: 'tempo': 9 lies outside 10 to 1000"),
    ("tempo = 96", "tempo = nan", "line 1: 'tempo': nan lies outside"),
    ("tempo = 96", 'tempo = "fast"', "line 1: 'tempo': must be a number, not 'fast'"),
    ("tempo = 96", "tempo = true", "line 1: 'tempo': must be a number, not true"),
    ("tempo = 96", "", "needs 'tempo'"),
    ("tempo = 96", "tempo = [80, 90]", "a list of tempi needs 'bars-per-tempo'"),
    ("tempo = 96", "tempo = 96\nbars-per-tempo = 4", "line 2: 'bars-per-tempo': means something"),
    ("tempo = 96", "tempo = 96\nmetre = '3/4'", "line 2: 'metre': no such key 'metre'; did you"
     " mean 'meter'"),
    ("tempo = 96", "tempo = 96\nmeter = '4/5'", "line 2: 'meter': meter 4/5: the lower figure"),
    ("tempo = 96", "tempo = 96\nbars = 4", "line 4: section 1 'bars': reach beyond the 4 bars"),
    ("stay-on", "stay_on", "line 4: section 1 'stay_on': no such key 'stay_on'; did you mean "
     "'stay-on'"),
    ('"eighths"', '"eigths"', "line 4: section 1 'stay-on': no subdivision 'eigths' in 4/4; "
     "did you mean 'eighths'"),
    ('"eighths"', '"eighths"\nalternate = ["eighths", "quarters"]', "line 5: section 1 "
     "'alternate': contradicts 'stay-on'"),
    ('stay-on = "eighths"', 'alternate = ["eighths", "half notes"]\nevery = 8',
     "line 5: section 1 'every': the turn of half notes never comes in bars 1 to 8, each turn "
     "lasting 8 bars: give the section more bars, or turns fewer"),
    ('bars = "1-8"\nstay-on = "eighths"', 'bars = 3\nalternate = ["rest", "eighths"]',
     "'alternate': the turn of eighths never comes in bar 3, each turn lasting 1 bar"),
    ('"eighths"', '"eighths"\npocket = {share = 0.8, within-ms = 200}',
     "line 5: section 1 'pocket': within 200 ms lies whatever is played: eighths at 96 BPM are "
     "never farther than 156 ms from their grid; ask for less, like within-ms = 20"),
    ('"eighths"', '"eighths"\nevery = 2', "line 5: section 1 'every': means something only beside"),
    ('"eighths"', '"eighths"\nnothing-faster-than = "quarters"', "quarters contradicts eighths"),
    ('"eighths"', '"eighths"\nleast-notes = 9', "9 notes contradict eighths: a bar has 8"),
    ('"eighths"', '"triplets"\nswing = true', "contradicts eighth triplets: only notes that come"),
    ('"eighths"', '"eighths"\nswing = [2.0, 1.3]', "is no band"),
    ('"eighths"', '"eighths"\npocket = {share = 0.8, within-ms = 9, within-percent = 9}',
     "states its tolerance twice"),
    ('"eighths"', '"eighths"\npocket = {shares = 0.8}', "no such key 'shares'; did you mean "
     "'share'"),
    ('"eighths"', '"eighths"\npocket = {share = 80}', "80 lies outside 0.05 to 1"),
    ('"eighths"', '"eighths"\nmost-drift = 0', "0 lies outside 0.1 to 100"),
    ('stay-on = "eighths"', "", "line 2: section 1: asks for nothing"),
    ('"1-8"', '"8-1"', "line 3: section 1 'bars': '8-1': the last bar comes before the first"),
    ('"1-8"', '"0-8"', "bars count from 1"),
    ('"1-8"', '"one"', "must be bars like 7"),
    ('"1-8"', "true", "must be bars like 7"),
    ('bars = "1-8"\n', "", "section 1: needs 'bars'"),
    (SHORT, SHORT + '[[section]]\nbars = "8-9"\nstay-on = "quarters"\n',
     "line 6: section 2 'bars': overlap section 1: bar 8 is in both"),
    (SHORT, 'tempo = 96\n[[section]]\nbars = "3-"\nstay-on = "eighths"\n[[section]]\nbars = 40\n'
     'stay-on = "eighths"\n', "overlap section 1: bar 40 is in both"),
    (SHORT, "tempo = 96\n", "asks for nothing: add a"),
    (SHORT, SHORT + "[click]\nbars-on = 3\n", "click 'bars-on': needs 'bars-off' beside it"),
    (SHORT, SHORT + "[click]\nhalf-time = true\nbeats = [1]\n", "contradicts 'beats'"),
    (SHORT, SHORT + "[click]\nbeats = [5]\n", "5 lies outside 1 to 4"),
    (SHORT, SHORT + "[click]\nplace = 'la'\n", "'la' is no position of the beat in 4/4; it can"),
    (SHORT, SHORT + "[[section]\n", "line 5, column 10: not valid TOML"),
    (SHORT, "section = 3\ntempo = 96", "sections are written"),
)  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), REFUSED)
def test_what_is_wrong_is_refused_by_name(old: str, new: str, said: str) -> None:
    """File, line, key, what is wrong, and the nearest valid name."""
    assert old in SHORT
    with pytest.raises(UsageError) as refused:
        parse_assignment(SHORT.replace(old, new), "week.toml")
    assert str(refused.value).startswith("week.toml")
    assert said in str(refused.value)


MUST_PASS = (
    '[[section]]\nbars = "1-8"\nstay-on = "eighths"\nleast-notes = 8\n',
    '[[section]]\nbars = 1\nallowed = "quarters"\nleast-notes = 4\n',
    '[[section]]\nbars = "1-4"\nstay-on="eighths"\n[[section]]\nbars="5-"\nstay-on="quarters"\n',
    '[[section]]\nbars = "5-"\nstay-on="eighths"\n[[section]]\nbars="1-4"\nstay-on="quarters"\n',
    '[[section]]\nbars = "1-8"\nstay-on = "Swung  Eighths"\nswing = true\n',
    '[[section]]\nbars = "1-8"\nalternate = ["eighths", "rest"]\nleast-notes = 6\n',
    '[[section]]\nbars = "1-8"\nstay-on = "eighths"\nnothing-faster-than = "eighths"\n',
    '[[section]]\nbars = "1-8"\nno-off-grid-runs = true\n[click]\nplace = "&"\n',
    '[[section]]\nbars = "1-8"\npocket = { within-percent = 15 }\nmost-drift = 1.5\n',
)


@pytest.mark.parametrize("body", MUST_PASS)
def test_what_agrees_is_not_refused(body: str) -> None:
    """Limits that touch, any order of sections, rests in turns, defaults: all fine."""
    read = parse_assignment(f"tempo = 96\n{body}")
    assert parse_assignment(assignment_text(read)) == read


def test_names_follow_the_meter() -> None:
    """In 6/8 the beat is a dotted quarter and triplets do not exist."""
    text = SHORT.replace("96\n", '60\nmeter = "6/8"\n')
    assert parse_assignment(text.replace("eighths", "dotted quarters")).sections[0].stay_on
    with pytest.raises(
        UsageError, match="no subdivision 'triplets' in 6/8; it can be: dotted halves"
    ):
        parse_assignment(text.replace("eighths", "triplets"))


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    """Bytes that are not UTF-8 are told with their line; a missing file by its name."""
    path = tmp_path / "a.toml"
    path.write_bytes(b"tempo = 96\ntitle = '\xff'\n")
    with pytest.raises(UsageError, match=r"a\.toml, line 2: not UTF-8"):
        read_assignment(path)
    with pytest.raises(UsageError, match="there is no such file"):
        read_assignment(tmp_path / "b.toml")


def test_hostile_files_are_refused() -> None:
    """Deep nesting and too many sections end in a refusal, not in a traceback."""
    with pytest.raises(UsageError):
        parse_assignment("tempo = " + "[" * 5000)
    with pytest.raises(UsageError, match="more than 500 sections"):
        many = "".join(f"[[section]]\nbars = {b}\nstay-on = 'eighths'\n" for b in range(1, 502))
        parse_assignment(f"tempo = 96\n{many}")


@pytest.mark.parametrize("seed", range(8))
def test_mutated_files_are_read_or_refused(seed: int) -> None:
    """Bytes changed, cut and doubled: an assignment or a `UsageError`, never anything else."""
    rng = np.random.default_rng(seed)
    refused = 0
    for _ in range(150):
        text = list(WHOLE)
        for at in rng.integers(0, len(text), rng.integers(1, 4)).tolist():
            change = rng.integers(0, 3)
            text[at] = (
                ""
                if change == 0
                else text[at] * 2
                if change == 1
                else str(rng.choice(list("0123456789.-\"'[]{}=,#e \n")))
            )
        try:
            again = parse_assignment("".join(text))
        except UsageError as error:
            refused += 1
            assert str(error).startswith("assignment")
        else:
            assert parse_assignment(assignment_text(again)) == again
    assert 30 < refused < 150


def test_what_is_written_parses_to_itself() -> None:
    """A fresh file holds all that the assignment holds, remarks above it."""
    read = parse_assignment(WHOLE)
    text = assignment_text(read, ("why so", "and so"))
    assert text.startswith("# why so\n# and so\n")
    assert parse_assignment(text) == read


def test_strings_survive_writing() -> None:
    """Quotes, backslashes, line ends and other alphabets come back as they went."""
    read = replace(parse_assignment(SHORT), title='a "b" \\ c', note="zwei\nZeilen, ünïcode")
    assert parse_assignment(assignment_text(read)) == read


def test_lines_are_found() -> None:
    """A key's line is that of its own table, not of a namesake elsewhere."""
    assert line_of(WHOLE, "", 0, "bars") == 8
    assert line_of(WHOLE, "section", 1, "bars") == 19
    assert line_of(WHOLE, "section", 2, "nowhere") == 24
    assert line_of(WHOLE, "click", 0, "beats") == 33


def test_nearest_names() -> None:
    """Misspellings find their word, nonsense finds none."""
    assert nearest("Stay On", ("stay-on", "swing")) == "stay-on"
    assert nearest("swnig", ("stay-on", "swing")) == "swing"
    assert nearest("xyz", ("stay-on", "swing")) is None


HEADERS = "headers are written [[section]] and [click], each bracket closed once"
TWICE = "it stands there twice, once is enough"
QUOTES = "texts stand in quotes"


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ("[[section]]", "[[section]", HEADERS),
        ("[[section]]", "[section", HEADERS),
        ("[[section]]", "[[section]]]", HEADERS),
        ("stay-on", "bars = 3\nstay-on", TWICE),
        ("tempo = 96", "tempo = 96\ntempo = 97", TWICE),
        ('"eighths"\n', '"eighths"\n[click]\n[click]\n', TWICE),
        ('"eighths"', "eighths", QUOTES),
        ('"1-8"', "1-8", QUOTES),
        ('"1-8"', '"1-8', None),
        ("tempo = 96", "tempo = [96", None),
        ("tempo = 96", "tempo", None),
        ('"eighths"', '["eighths" "quarters"]', None),
    ],
)
def test_a_hint_about_toml_fits_the_fault(old: str, new: str, hint: str | None) -> None:
    """Quotes are spoken of only where a text has none."""
    with pytest.raises(UsageError, match="not valid TOML") as refusal:
        parse_assignment(SHORT.replace(old, new), "week.toml")
    said = str(refusal.value)
    assert said.endswith(f"; {hint}" if hint else ")")


@pytest.mark.parametrize(
    ("text", "meter", "said"),
    [
        (
            "eights",
            "4/4",
            "'eights' in 4/4; did you mean 'eighths'? It can be:",
        ),
        (
            "Sixtenths",
            "6/8",
            "did you mean 'sixteenths'? It can be: dotted halves",
        ),
        ("triplets", "6/8", "no subdivision 'triplets' in 6/8; it can be: dotted halves, dotted"),
        ("eighth triplets", "6/8", "in 6/8; it can be: dotted halves"),
        ("sextuplets", "6/8", "in 6/8; it can be: dotted halves"),
        ("quarters", "2+2+3/8", "no subdivision 'quarters' in 2+2+3/8; it can be: beats, eighths,"),
        ("dotted quarters", "4/4", "in 4/4; it can be: half notes"),
        ("whatever", "4/4", "in 4/4; it can be: half notes"),
    ],
)
def test_names_another_meter_has_are_no_misspellings(text: str, meter: str, said: str) -> None:
    """A guess only where it is near; the names of the meter always."""
    with pytest.raises(UsageError) as refusal:
        full_name(text, parse_meter(meter))
    assert said in str(refusal.value)


@pytest.mark.parametrize(
    "asks",
    [
        'alternate = ["eighths", "half notes"]\nevery = 4',
        'alternate = ["eighths", "half notes"]\nevery = 7',
        'stay-on = "eighths"\npocket = {within-ms = 150}',
        # Which grid is meant is not said, and quarters would be 312 ms from theirs at most.
        "pocket = {within-ms = 200}",
    ],
)
def test_what_is_possible_is_read(asks: str) -> None:
    """A last turn cut short still comes; a tolerance below half a step still asks something."""
    parse_assignment(SHORT.replace('stay-on = "eighths"', asks))
