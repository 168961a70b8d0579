"""Assignment files: what is read, what is refused and how, what is written and kept."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from improv.assignments import defaults
from improv.assignments.keys import line_of
from improv.assignments.model import (
    Alternation,
    Assignment,
    ClickStyle,
    Drift,
    Pocket,
    Section,
    Swing,
)
from improv.assignments.reading import parse_assignment, read_assignment
from improv.assignments.updating import updated_text
from improv.assignments.values import full_name
from improv.assignments.writing import assignment_text
from improv.errors import UsageError
from improv.likeness import nearest
from improv.meter import parse_meter

WHOLE = """\
# week three, blues in F
title = "Eighths and half notes"
note = "Leave space."
tempo = [80, 84.5]        # slow first
bars-per-tempo = 16
meter = "4/4"
count-in = 2
bars = 32

[[section]]
bars = "1-8"
name = "head"
stay-on = "eighths"       # nothing finer
least-notes = 3
pocket = { share = 0.8, within-ms = 20 }
most-drift = 2

[[section]]
bars = 9
allowed = ["eighths", "triplets"]
no-off-grid-runs = true
swing = [1.2, 2.0]

[[section]]
bars = "10-"
alternate = ["eighths", "half notes"]
every = 2
players = 2
nothing-faster-than = "triplets"
pocket = true

[click]
beats = [2, 4]
bars-on = 3
bars-off = [1, 2]
"""
SHORT = 'tempo = 96\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n'


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


def test_an_update_keeps_comments_and_order() -> None:
    """Changed values stand where the old ones stood; every comment is still there."""
    read = parse_assignment(WHOLE)
    first = replace(read.sections[0], stay_on="quarters", most_drift=None, swing=None)
    changed = replace(read, tempo_bpm=(90.0, 94.0), sections=(first, *read.sections[1:]))
    text = updated_text(WHOLE, changed)
    assert parse_assignment(text) == changed
    assert "tempo = [90, 94]        # slow first" in text
    assert 'stay-on = "quarters"       # nothing finer' in text
    assert text.startswith("# week three, blues in F\n")
    assert "most-drift" not in text
    untouched = [line for line in WHOLE.splitlines() if line in text.splitlines()]
    assert len(untouched) == len(WHOLE.splitlines()) - 3


def test_an_update_that_changes_nothing_changes_nothing() -> None:
    """Other ways of writing the same value are left alone."""
    assert updated_text(WHOLE, parse_assignment(WHOLE)) == WHOLE
    assert updated_text(SHORT, parse_assignment(SHORT)) == SHORT


def test_an_update_adds_and_removes_sections() -> None:
    """More sections are appended, fewer are cut from the end."""
    read = parse_assignment(SHORT)
    more = replace(read, sections=(*read.sections, Section(9, 12, least_notes=2)))
    text = updated_text(SHORT, more)
    assert parse_assignment(text) == more
    assert parse_assignment(updated_text(text, read)) == read


COMMENTED = """\
# my class
title = "Wednesday" # keep
tempo = 80
# above the first
[[section]]
bars = "1-8"
# why
stay-on = "eighths" # hold
pocket = true
# about section two
[[section]] # second
bars = "9-16"
alternate = ["eighths", "half notes"] # turn
every = 2

# the click
[click] # soft
# backbeat
beats = [2, 4]  # two and four
bars-on = 3
bars-off = [1]
# the end
"""
LAYOUTS = {
    "tight": COMMENTED,
    "spaced": COMMENTED.replace("# about", "\n# about").replace("# above", "\n\n# above"),
    "below, then above": COMMENTED.replace("# about", "# of section one\n\n# about"),
    "click in the middle": COMMENTED.replace("# about", "[click]\n# mine\nbeats = [2]\n# about")
    .split("\n# the click")[0] + "\n",
    "no line end": COMMENTED.rstrip("\n"),
    "indented": COMMENTED.replace("\n[", "\n  [").replace("\nbars", "\n  bars"),
    "a header in a text": COMMENTED.replace(
        '"Wednesday"', '\"\"\"Wed\n[click]\n# no\n[[section]]\n\"\"\"'
    ),
    "an inner table": COMMENTED.replace(
        "pocket = true\n", "[section.pocket] # near\nshare = 0.8\n"
    ),
    "an array over lines": COMMENTED.replace("[2, 4]", "[\n  2, # two\n  4,\n]"),
    "Windows": COMMENTED.replace("\n", "\r\n"),
    "no click": COMMENTED.split("\n# the click")[0] + "\n",
    "click in one line": COMMENTED.split("\n# the click")[0].replace(
        "tempo = 80", "click = {beats = [2]} # c\ntempo = 80"
    ),
}  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS)
def test_what_an_update_does_not_change_stays_byte_for_byte(layout: str) -> None:
    """A new key stands below the last of its table; every comment stays where it was."""
    text = LAYOUTS[layout]
    read = parse_assignment(text)
    assert updated_text(text, read) == text
    first = replace(read.sections[0], least_notes=2)
    changed = replace(read, sections=(first, *read.sections[1:]))
    made = updated_text(text, changed)
    assert parse_assignment(made) == changed
    end = "\r\n" if "\r\n" in text else "\n"
    without = made.replace(f"least-notes = 2{end}", "", 1)
    assert without.rstrip() == text.rstrip()


@pytest.mark.parametrize("layout", LAYOUTS)
def test_no_comment_is_lost_or_moves_to_another_table(layout: str) -> None:
    """Requirements of another kind, and a section more: all comments, in the same order."""
    text = LAYOUTS[layout]
    read = parse_assignment(text)
    first = replace(read.sections[0], stay_on=None, allowed=("eighths", "quarters"))
    second = replace(read.sections[1], stay_on="quarters", alternate=None)
    third = Section(17, 24, least_notes=2)
    changed = replace(read, sections=(first, second, third))
    made = updated_text(text, changed)
    assert parse_assignment(made) == changed
    for old in ("# above the first", "# about section two", "# the click", "# mine"):
        after = text.partition(old)[2].split()[:2]
        assert made.partition(old)[2].split()[:2] == after
    wanted = [part.strip() for part in re.findall("#.*", text)]
    assert [part.strip() for part in re.findall("#.*", made)] == wanted


def test_sections_less_take_only_their_own_comments_along() -> None:
    """What stands above the click is the click's."""
    read = parse_assignment(COMMENTED)
    made = updated_text(COMMENTED, replace(read, sections=read.sections[:1]))
    first, _, last = COMMENTED.partition("# about section two\n")
    assert made == f"{first}{last[last.index('# the click') :]}"


def test_new_tables_stand_apart() -> None:
    """A section and a click that are new come with an empty line before them."""
    read = parse_assignment(SHORT)
    more = (*read.sections, Section(9, 12, least_notes=2), Section(13, 14, least_notes=1))
    made = updated_text(SHORT, replace(read, sections=more, click=ClickStyle(beats=(2,))))
    assert made == (
        f'{SHORT}\n[[section]]\nbars = "9-12"\nleast-notes = 2\n\n[[section]]\n'
        'bars = "13-14"\nleast-notes = 1\n\n[click]\nbeats = [2]\n'
    )


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


def test_default_pocket() -> None:
    """20 ms (Hofmann et al. 2017); 2.5 % of long steps (Friberg & Sundberg 1995); d/4 at most."""
    assert defaults.pocket_ms(300.0) == 20.0
    assert defaults.pocket_ms(1000.0) == 25.0
    assert defaults.pocket_ms(60.0) == 15.0


def test_default_drift() -> None:
    """1.5 % of the tempo: the lower end of Drake & Botte's 1.5 to 3 % (1993), as in analyses."""
    assert defaults.drift_bpm(100.0) == pytest.approx(1.5)
    assert defaults.drift_bpm(20.0) == 1.0


def test_default_swing_follows_the_short_note() -> None:
    """Short note of 100 ms (Friberg & Sundström 2002): 2.0 at 200 BPM, 1.5 at 240 BPM."""
    assert defaults.swing_band(60_000 / 200) == pytest.approx((1.2, 2.0))
    assert defaults.swing_band(60_000 / 240) == pytest.approx((1.2, 1.5))
    assert defaults.swing_band(60_000 / 60)[1] == 3.5


def test_default_subdivision_by_tempo() -> None:
    """Notes at least 200 ms apart (Repp 2003: below 200 to 250 ms subdividing stops helping)."""
    meter = parse_meter("4/4")[0]
    found = {bpm: defaults.first_subdivision(bpm, meter) for bpm in (60.0, 96.0, 140.0, 280.0)}
    assert found == {
        60.0: "sixteenths", 96.0: "eighths", 140.0: "eighths", 280.0: "quarters",
    }  # fmt: skip


@pytest.mark.parametrize("text", ["4/4", "6/8", "2+2+2+3/8"])
def test_default_subdivision_is_never_a_tuplet(text: str) -> None:
    """Whatever the tempo, a player asked for nothing begins without triplets, duplets, swing."""
    meter = parse_meter(text)[0]
    found = {defaults.first_subdivision(float(bpm), meter) for bpm in range(40, 280, 4)}
    assert found <= {"sixteenths", "eighths", "quarters", "dotted quarters", "beats"}
    assert {"eighths", "sixteenths"} <= found


def test_defaults_survive_as_true() -> None:
    """`true` stays `true`: the number follows the tempo, not the file."""
    text = SHORT + "pocket = true\nmost-drift = true\nswing = true\n"
    read: Assignment = parse_assignment(text)
    assert (read.sections[0].pocket, read.sections[0].swing) == (Pocket(), Swing())
    assert "pocket = true" in assignment_text(read)


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


HEADER = 'tempo = 96\n[[section]]\nbars = "1-8"\n'
WAYS_TO_SAY = (
    f'{HEADER}stay-on = "8ths"\n',
    f'meter = "2/2"\n{HEADER}stay-on = " Triplets"\n',
    f'meter = " 4 / 4"\n{HEADER}nothing-faster-than = "16ths"\n',
    f'title = " a  b "\n{HEADER}allowed = "8ths"\n',
    f'{HEADER}alternate = ["8ths", "Rest "]\nevery = 1\nplayers = 1\n',
    'tempo = 96\n[[section]]\nbars = "8 - 8"\nstay-on = "eighths"\n',
    f'{HEADER}stay-on = "eighths"\nswing = [1.30, 2.0]\npocket = {{ share = 0.80 }}\n',
    f'{HEADER}stay-on = "eighths"\n[section.pocket]\nshare = 0.80\n',
    f'count-in = 0\n{HEADER}stay-on = "eighths"\n[click]\nbeats = [4, 2]\nhalf-time = false\n',
    f'{HEADER}stay-on = "eighths" # no line break after this',
)


@pytest.mark.parametrize("old", WAYS_TO_SAY)
def test_what_is_not_asked_to_change_stays_however_it_is_written(old: str) -> None:
    """Short names, spaces, defaults that are spelled out: another tempo touches none of them."""
    slower = replace(parse_assignment(old), tempo_bpm=(90.0,))
    assert updated_text(old, slower) == old.replace("tempo = 96", "tempo = 90")


def test_an_alternation_takes_its_turns_along() -> None:
    """`every` means nothing beside another requirement, even where it says what holds anyway."""
    old = parse_assignment(text := f'{HEADER}alternate = ["eighths", "rest"]\nevery = 1 # turn\n')
    section = replace(old.sections[0], stay_on="eighths", alternate=None)
    assert updated_text(text, replace(old, sections=(section,))) == (
        f'{HEADER}# turn\nstay-on = "eighths"\n'
    )
