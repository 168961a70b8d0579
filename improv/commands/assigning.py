"""What `improv assign` does between its options and the core: assignments stated or proposed."""

from __future__ import annotations

import codecs
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from improv.commands.output import Progress, say_warnings
from improv.commands.requirement_options import Wanted, check_names, requirements
from improv.errors import UsageError
from improv.files import read_bytes, shown
from improv.model import Reading, Settings
from improv.tables import wrapped

if TYPE_CHECKING:
    from improv.assignments.model import Assignment, Section
    from improv.model import Analysis


@dataclass(frozen=True)
class Given:
    """What the options say of the assignment itself; `None` where they say nothing."""

    title: str | None
    note: str | None
    section: int
    tempi: tuple[float, ...] | None
    bars_per_tempo: int | None
    from_takes: bool
    wanted: Wanted


def stated_assignment(
    base: Assignment | None, reading: Reading, settings: Settings, given: Given
) -> Assignment:
    """The assignment the options state, on top of an old one if there is one."""
    from improv.assignments.model import Assignment, Section
    from improv.meter import parse_meter

    if base is None:
        if given.tempi is None:
            raise UsageError("state at least --tempo, in beats of the meter per minute")
        meter = reading.meter or parse_meter("4/4")
        base = Assignment("", meter, given.tempi, (Section(1, None),), count_in_bars=1)
    changes = {
        "title": given.title,
        "note": given.note,
        "meter": reading.meter,
        "count_in_bars": reading.count_in_bars,
    }
    if given.tempi is not None:
        base = replace(base, tempo_bpm=given.tempi, bars_per_tempo=given.bars_per_tempo)
    return _with_section(_changed(base, changes), given, settings)


def proposed_assignment(
    paths: Sequence[str],
    base: Assignment | None,
    reading: Reading,
    settings: Settings,
    given: Given,
) -> tuple[Assignment, tuple[str, ...]]:
    """The assignment proposed from takes, on top of an old one if there is one, and why."""
    from improv.assignments.proposal import onto, propose, restated

    made = propose(_analyses(paths, reading, settings))
    asked = _whole(_with_section(made.assignment, given, settings))
    made = restated(made, asked, given.section)
    assignment = made.assignment if base is None else onto(base, made.assignment)
    assignment = _changed(assignment, {"title": given.title, "note": given.note})
    names = ", ".join(shown(path) for path in paths)
    remarks = (f"Proposed from {names}.", *made.reasons, "Edit whatever you know better.")
    return assignment, tuple(line for text in remarks for line in wrapped(text, width=76))


def file_text(assignment: Assignment, remarks: tuple[str, ...], update: str | None) -> str:
    """The text of a new file, or that of the file at `update` with its comments kept."""
    from improv.assignments.reading import LARGEST_FILE_BYTES
    from improv.assignments.updating import updated_text
    from improv.assignments.writing import assignment_text

    whole = _whole(assignment)  # Before anything is written.
    if update is None:
        return assignment_text(whole, remarks)
    data = read_bytes(update, LARGEST_FILE_BYTES, UsageError)
    mark = codecs.BOM_UTF8.decode() if data.startswith(codecs.BOM_UTF8) else ""
    return mark + updated_text(data.decode("utf-8-sig"), whole, shown(update))


def _changed(assignment: Assignment, changes: dict[str, Any]) -> Assignment:
    """The assignment with the fields that something is said of."""
    return replace(assignment, **{k: v for k, v in changes.items() if v is not None})


def _analyses(paths: Sequence[str], reading: Reading, settings: Settings) -> list[Analysis]:
    """The takes analyzed; what there is to say of one is told, but for what will be refused."""
    from improv.analysis import analyze
    from improv.midi import read_take

    analyses = []
    with Progress(paths) as progress:
        for path in progress:
            analyses.append(analyze(read_take(path, reading), settings))
    for analysis in analyses:
        if not analysis.doubt:
            say_warnings(analysis)
    return analyses


def _whole(assignment: Assignment) -> Assignment:
    """The assignment with its names in full; contradictions are refused."""
    from improv.assignments.reading import parse_assignment
    from improv.assignments.writing import assignment_text

    return parse_assignment(assignment_text(assignment), "the assignment as it would be written")


def _with_section(base: Assignment, given: Given, settings: Settings) -> Assignment:
    """The assignment with the requirements of one section set by the options."""
    from improv.assignments.defaults import first_subdivision
    from improv.assignments.model import Section

    if given.section > len(base.sections) + 1:
        raise UsageError(f"--section {given.section}: the assignment has {len(base.sections)}")
    sections = list(base.sections)
    if given.section == len(sections) + 1:
        sections.append(Section(_after(sections), None))
    check_names(given.wanted, base.meter)
    section = sections[given.section - 1]
    section = replace(section, **requirements(given.wanted, section.alternate))
    if settings.first_bar is not None and not given.from_takes:
        section = replace(section, first_bar=settings.first_bar, last_bar=settings.last_bar)
    if not section.requirements():
        section = replace(section, stay_on=first_subdivision(base.tempo_bpm[0], base.meter[0]))
    sections[given.section - 1] = section
    return replace(base, sections=tuple(sections))


def _after(sections: Sequence[Section]) -> int:
    last = sections[-1].last_bar
    if last is None:
        raise UsageError("the last section goes on to the end; give it --bars before adding one")
    return last + 1
