"""What must agree inside an assignment: no contradiction, no overlap, nothing impossible.

Each rule refuses with a `UsageError` naming file, line and key, and says which two things
disagree. The values themselves have been looked at before (`values`).
"""

from __future__ import annotations

from fractions import Fraction

from improv.assignments.model import REST, Assignment, ClickStyle, Section
from improv.assignments.values import Table
from improv.counting import COMPOUND_SYLLABLES, SYLLABLES, counted
from improv.grid import SUBDIVISIONS, find, positions
from improv.meter import Meter, meter_text
from improv.wording import bars_text


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
    _check_turns(section, table)
    _check_pocket(section, table, assignment)
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


def _check_turns(section: Section, table: Table) -> None:
    """Every turn of an alternation must come within the section."""
    turns = section.alternate
    if turns is None or section.last_bar is None:
        return
    bars = section.last_bar - section.first_bar + 1
    heard = {turns.subdivisions[turns.turn(bar, 1)] for bar in range(bars)}
    never = [text for text in turns.subdivisions if text not in heard]
    if never:
        where = bars_text(section.first_bar, section.last_bar)
        table.fail(
            "every" if turns.every > 1 else "alternate",
            f"the turn of {never[0]} never comes in {where}, each turn lasting "
            f"{counted(turns.every, 'bar')}: give the section more bars, or turns fewer",
        )


def _check_pocket(section: Section, table: Table, assignment: Assignment) -> None:
    """A tolerance as wide as half the step holds whatever is played."""
    within = section.pocket.within_ms if section.pocket is not None else None
    if within is None or not section.asked:
        return
    finest = max(section.asked, key=lambda text: _per_beat(text, assignment.meter))
    beat_ms = 60_000.0 / max(assignment.tempo_bpm)
    half_ms = beat_ms / _per_beat(finest, assignment.meter) / 2.0
    if within >= half_ms:
        table.fail(
            "pocket",
            f"within {within:g} ms lies whatever is played: {finest} at "
            f"{max(assignment.tempo_bpm):g} BPM are never farther than {half_ms:.0f} ms from their "
            "grid; ask for less, like within-ms = 20",
        )


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
    if (click.bars_on is None) != (not click.bars_off):
        missing, there = ("bars-off", "bars-on") if click.bars_on else ("bars-on", "bars-off")
        table.fail(there, f"needs '{missing}' beside it")
    fault = click_fault(click, assignment.meter)
    if fault is not None:
        table.fail(*fault)


def click_fault(click: ClickStyle, meters: tuple[Meter, ...]) -> tuple[str, str] | None:
    """The key of a click's style that cannot hold and why, or `None` where all can."""
    if click.half_time and click.beats is not None:
        return "half-time", "contradicts 'beats': give one of them"
    most = max(m.beats for m in meters)
    if click.beats is not None and not all(1 <= beat <= most for beat in click.beats):
        return "beats", f"a bar has beats 1 to {most}"
    place = place_fault(click, meters)
    return None if place is None else ("place", place)


def place_fault(click: ClickStyle, meters: tuple[Meter, ...]) -> str | None:
    """Why no click can stand at the place asked for, or `None` where it can."""
    if click.place is None:
        return None
    known = places_in(meters)
    if click.place.strip().lower() not in known:
        written = meter_text(meters)
        can = f"it can be: {', '.join(known)}" if known else "its bars have none in common"
        return f"'{click.place}' is no position of the beat in {written}; {can}"
    clicking = (
        place_in_beat(click.place, meter, beat)
        for meter in meters
        for beat in range(meter.beats)
        if click.beats is None or beat + 1 in click.beats
    )
    if all(at is None for at in clicking):
        return f"'{click.place}' is in none of the beats that click"
    return None


def place_in_beat(text: str, meter: Meter, beat: int) -> Fraction | None:
    """How far into a beat (from 0) a counted position lies, in quarter notes.

    `None` where this beat has no such position. In an additive meter a position is a unit of the
    group: "&" the second of every group, "la" and "li" the second and third of a group of
    three, so that no click falls between the units that are counted.
    """
    wanted = text.strip().lower()
    if not wanted:
        return None
    if meter.kind == "additive":
        unit = _unit_places(meter.groups[beat]).get(wanted)
        return None if unit is None else unit * meter.unit_quarter
    for parts, syllables in sorted(_syllables(meter).items()):
        if wanted in syllables:
            return meter.beat_quarters[beat] * Fraction(syllables.index(wanted), parts)
    return None


def places_in(meters: tuple[Meter, ...]) -> list[str]:
    """Every position of the beat with a name of its own that all these bars have."""
    each = [_places_of(meter) for meter in meters]
    return [place for place in each[0] if all(place in other for other in each)]


def _places_of(meter: Meter) -> list[str]:
    if meter.kind == "additive":
        found = [place for group in meter.groups for place in _unit_places(group)]
    else:
        table = _syllables(meter)
        found = [s for parts in sorted(table) for s in table[parts] if s]
    return list(dict.fromkeys(found))


def _unit_places(units: int) -> dict[str, int]:
    """Counted positions within a group of an additive meter, in units from its beginning."""
    found = {"&": 1} if units > 1 else {}
    return found | {"la": 1, "li": 2} if units == 3 else found


def _syllables(meter: Meter) -> dict[int, tuple[str, ...]]:
    return COMPOUND_SYLLABLES if meter.kind == "compound" else SYLLABLES
