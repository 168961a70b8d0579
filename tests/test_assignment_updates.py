"""An assignment file brought up to date: what does not change stays as it is."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from assignment_texts import SHORT, WHOLE

from improv.assignments.model import ClickStyle, Section
from improv.assignments.reading import parse_assignment
from improv.assignments.updating import updated_text


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
