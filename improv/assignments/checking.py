"""What must agree inside an assignment: no contradiction, no overlap, nothing impossible.

Each rule refuses with a `UsageError` naming file, line and key, and says which two things
disagree. The values themselves have been looked at before (`values`).
"""

from __future__ import annotations

from improv.assignments.model import REST, Assignment, Section
from improv.assignments.values import Table
from improv.counting import COMPOUND_SYLLABLES, SYLLABLES
from improv.grid import SUBDIVISIONS, find, positions
from improv.meter import Meter


def check(assignment: Assignment, top: Table) -> None:
    """Raises `UsageError` for the first thing that cannot be."""
    _check_tempi(assignment, top)
    tables = [Table(top.file, top.text, {}, "section", i) for i in range(len(assignment.sections))]
    for section, table in zip(assignment.sections, tables, strict=True):
        _check_section(section, table, assignment)
    _check_overlaps(assignment, tables)
    _check_click(assignment, Table(top.file, top.text, {}, "click"))


def _check_tempi(assignment: Assignment, top: Table) -> None:
    several = len(assignment.tempo_bpm) > 1
    if several and assignment.bars_per_tempo is None:
        top.fail("tempo", "a list of tempi needs 'bars-per-tempo', the bars each one lasts")
    if not several and assignment.bars_per_tempo is not None:
        top.fail("bars-per-tempo", "means something only with a list of tempi")


def _check_section(section: Section, table: Table, assignment: Assignment) -> None:
    if not section.requirements():
        table.fail(None, "asks for nothing: add what to hold, like stay-on, or leave it out")
    made = [k for k in ("stay-on", "allowed", "alternate") if k in section.requirements()]
    if len(made) > 1:
        table.fail(made[1], f"contradicts '{made[0]}': a section asks for one of them")
    if (
        assignment.bars is not None
        and max(section.first_bar, section.last_bar or 0) > assignment.bars
    ):
        table.fail("bars", f"reach beyond the {assignment.bars} bars of the assignment")
    _check_ceiling(section, table, assignment.meter)
    _check_density(section, table, assignment.meter)
    _check_swing(section, table, assignment.meter)


def _row(text: str, meter: tuple[Meter, ...]) -> int:
    return find(text, meter)


def _per_beat(text: str, meter: tuple[Meter, ...]) -> float:
    row = SUBDIVISIONS[_row(text, meter)]
    return max(float(row.per_beat(m.kind) or 0) for m in meter)


def _check_ceiling(section: Section, table: Table, meter: tuple[Meter, ...]) -> None:
    ceiling = section.nothing_faster_than
    if ceiling is None:
        return
    for asked in section.asked:
        if _per_beat(asked, meter) > _per_beat(ceiling, meter):
            table.fail("nothing-faster-than", f"{ceiling} contradicts {asked}, which are faster")


def _check_density(section: Section, table: Table, meter: tuple[Meter, ...]) -> None:
    """Least notes must fit the subdivisions asked for, in every turn that is not a rest."""
    least = section.least_notes
    if least is None:
        return
    asked = section.asked or tuple(filter(None, [section.nothing_faster_than]))
    together = section.alternate is None
    rooms = {
        text: min(len(positions(SUBDIVISIONS[_row(text, meter)], m)) or 10**6 for m in meter)
        for text in asked
    }
    if not rooms:
        return
    tightest = max(rooms, key=rooms.__getitem__) if together else min(rooms, key=rooms.__getitem__)
    if rooms[tightest] < least:
        table.fail(
            "least-notes",
            f"{least} notes contradict {tightest}: a bar has {rooms[tightest]} of them",
        )


def _check_swing(section: Section, table: Table, meter: tuple[Meter, ...]) -> None:
    if section.swing is None:
        return
    if pair_key(section, meter) is None:
        asked = ", ".join(section.asked) or "no notes"
        table.fail("swing", f"contradicts {asked}: only notes that come in pairs can swing")


def pair_key(section: Section, meter: tuple[Meter, ...]) -> str | None:
    """Which subdivision's pairs are to swing: "unit" or "half-unit"; `None` if none can."""
    keys = {SUBDIVISIONS[_row(text, meter)].key for text in section.asked if text != REST}
    units = meter[0].kind == "simple"
    if not keys:
        return "unit" if units else "half-unit"
    if keys & {"swung-unit", "unit"} and units:
        return "unit"
    return "half-unit" if keys & {"half-unit", "swung-half-unit"} else None


def _check_overlaps(assignment: Assignment, tables: list[Table]) -> None:
    order = sorted(range(len(tables)), key=lambda i: (assignment.sections[i].first_bar, i))
    for before, after in zip(order[:-1], order[1:], strict=True):
        end, start = assignment.sections[before].last_bar, assignment.sections[after].first_bar
        if end is None or end >= start:
            table = tables[max(before, after)]
            table.fail("bars", f"overlap section {min(before, after) + 1}: bar {start} is in both")


def _check_click(assignment: Assignment, table: Table) -> None:
    click = assignment.click
    if click.half_time and click.beats is not None:
        table.fail("half-time", "contradicts 'beats': give one of them")
    if (click.bars_on is None) != (not click.bars_off):
        missing, there = ("bars-off", "bars-on") if click.bars_on else ("bars-on", "bars-off")
        table.fail(there, f"needs '{missing}' beside it")
    if click.place is not None and all(place_of(click.place, m) is None for m in assignment.meter):
        table.fail("place", f"'{click.place}' is no position of the beat; it can be: "
                   f"{', '.join(places_in(assignment.meter[0]))}")  # fmt: skip


def place_of(text: str, meter: Meter) -> tuple[int, int] | None:
    """A position of the beat as it is counted, as (part, parts): "&" is (1, 2); or `None`."""
    wanted = text.strip().lower()
    table = COMPOUND_SYLLABLES if meter.kind == "compound" else SYLLABLES
    for parts, syllables in sorted(table.items()):
        if wanted in syllables and wanted:
            return syllables.index(wanted), parts
    return None


def places_in(meter: Meter) -> list[str]:
    """Every position of the beat that has a syllable of its own."""
    table = COMPOUND_SYLLABLES if meter.kind == "compound" else SYLLABLES
    return list(dict.fromkeys(s for parts in sorted(table) for s in table[parts] if s))
