"""A class as text: many takes in one table, then what most players missed. 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from improv.assignments.classes import Checked
from improv.assignments.gaps import told_ms
from improv.assignments.model import Assignment
from improv.assignments.report import LEGEND, SIGN
from improv.assignments.verdict import MET, NOT_MET, GapDrift
from improv.counting import counted
from improv.files import printable
from improv.tables import WIDTH, wrapped

LONGEST_PLAYER = 18
GAPS_TO_A_LINE, GAP_WIDTH = 5, 9
GAP_LEGEND = (
    "Drift in ms when the click is back: + later, - earlier, . none to be told, ? too few notes "
    "or no steady grid."
)


def class_text(checked: Sequence[Checked], assignment: Assignment) -> str:
    """Many takes in one table, then what most players missed."""
    title = printable(assignment.title) or "Assignment"
    judged = judged_of(checked)
    met = sum(c.verdict is not None and c.verdict.state == MET for c in judged)
    share = f"{met} of {counted(len(judged), 'take')} met" if judged else "no take could be judged"
    lines = [f"{title}: {share}", ""]
    columns = requirement_columns(assignment)
    lines += _class_table(checked, columns)
    lines += ["", *_legend(columns)]
    lines += ["", *_most_missed(judged, columns)]
    lines += _gap_lines(judged)
    for about in ("tempo", "start"):
        lines += _doubted_lines(checked, about)
    broken = [c for c in checked if c.verdict is None]
    if broken:
        lines += ["", f"Could not be checked: {counted(len(broken), 'file')}"]
        lines += [line for c in broken for line in wrapped(f"- {c.error}", "", "  ")]
    return "\n".join(lines) + "\n"


def _gap_lines(judged: Sequence[Checked]) -> list[str]:
    """How far each player had drifted after each gap, a few gaps to a line of the table."""
    drifts = {
        one.path: {(g.first_bar, g.last_bar): g for g in one.verdict.gaps}
        for one in judged
        if one.verdict is not None
    }
    places = sorted({place for found in drifts.values() for place in found})
    if not places:
        return []
    wide = _player_width(judged)
    lines = ["", "Across the gaps"]
    for at in range(0, len(places), GAPS_TO_A_LINE):
        here = places[at : at + GAPS_TO_A_LINE]
        heads = [f"{first}-{last}" if last > first else str(first) for first, last in here]
        lines.append(f"{'Bars'.ljust(wide)}  " + " ".join(h.rjust(GAP_WIDTH) for h in heads))
        for one in judged:
            cells = [_gap_cell(drifts[one.path].get(place)) for place in here]
            row = " ".join(cell.rjust(GAP_WIDTH) for cell in cells)
            lines.append(f"{_short(one.player, wide).ljust(wide)}  {row}".rstrip())
    return [*lines, *wrapped(GAP_LEGEND)]


def _gap_cell(gap: GapDrift | None) -> str:
    if gap is None:
        return ""
    told = told_ms(gap)
    return "?" if told is None else f"{told:+d}" if told else "."


def _doubted_lines(checked: Sequence[Checked], about: str) -> list[str]:
    """The takes that were not judged because their tempo, or their start, is in doubt."""
    doubted = [
        (c.player, c.verdict.doubt.sentence.removeprefix("Not judged: "))
        for c in checked
        if c.verdict is not None and c.verdict.doubt and c.verdict.doubt.about == about
    ]
    lines = ["", f"The {about} is in doubt: {counted(len(doubted), 'take')}"] if doubted else []
    for player, why in doubted:
        lines += wrapped(f"- {player}: {printable(why)}", "", "  ")
    return lines


def judged_of(checked: Sequence[Checked]) -> list[Checked]:
    """The takes that could be read and judged: their tempo and start are in no doubt."""
    return [c for c in checked if c.verdict is not None and not c.verdict.doubt]


def requirement_columns(assignment: Assignment) -> list[tuple[int, str, str]]:
    """Every requirement as (section, kind, short head), in the assignment's order."""
    found: list[tuple[int, str, str]] = []
    for number, section in enumerate(assignment.sections, start=1):
        for kind in section.requirements():
            found.append((number, kind, chr(ord("A") + len(found) % 26) + _lap(len(found))))
    return found


def _lap(index: int) -> str:
    return str(index // 26 + 1) if index >= 26 else ""


def _class_table(checked: Sequence[Checked], columns: list[tuple[int, str, str]]) -> list[str]:
    wide = _player_width(checked)
    heads = " ".join(head.rjust(2) for _, _, head in columns)
    lines = [f"{'Player'.ljust(wide)}  {'Take'.ljust(10)}  {heads}"[:WIDTH]]
    lines.append("-" * min(len(lines[0]), WIDTH))
    for one in checked:
        player = _short(one.player, wide).ljust(wide)
        if one.verdict is None:
            lines.append(f"{player}  unreadable")
            continue
        by_key = {(o.section, o.kind): o.state for o in one.verdict.outcomes}
        signs = " ".join(SIGN[by_key[s, k]].rjust(2) for s, k, _ in columns)
        lines.append(f"{player}  {one.verdict.state.ljust(10)}  {signs}"[:WIDTH])
    return lines


def _player_width(checked: Sequence[Checked]) -> int:
    return min(max([6, *(len(c.player) for c in checked)]), LONGEST_PLAYER)


def _short(text: str, wide: int) -> str:
    return text if len(text) <= wide else text[: wide - 1] + "…"


def _legend(columns: list[tuple[int, str, str]]) -> list[str]:
    sections = len({section for section, _, _ in columns})
    lines = [LEGEND]
    for section, kind, head in columns:
        where = f" (section {section})" if sections > 1 else ""
        lines.append(f"{head}: {kind}{where}")
    return lines


@dataclass(frozen=True)
class Missed:
    """A requirement, how many players and takes missed it, and the bars missed oftenest.

    A player of several takes is counted once, and missed what any of them missed.
    """

    section: int
    kind: str
    players: int
    takes: int
    bars: tuple[int, ...]


def missed_by(judged: Sequence[Checked], columns: list[tuple[int, str, str]]) -> list[Missed]:
    """Every requirement with who missed it, most missed first."""
    found = []
    for section, kind, _ in columns:
        missing = [
            (c.player, o)
            for c in judged
            if c.verdict is not None
            for o in c.verdict.outcomes
            if (o.section, o.kind) == (section, kind) and o.state == NOT_MET
        ]
        bars: dict[int, int] = {}
        for _, outcome in missing:
            for bar in outcome.bars:
                if bar.state == NOT_MET:
                    bars[bar.bar] = bars.get(bar.bar, 0) + 1
        worst = sorted(bars, key=lambda b: (-bars[b], b))[:4]
        players = len({player for player, _ in missing})
        found.append(Missed(section, kind, players, len(missing), tuple(sorted(worst))))
    return sorted(found, key=lambda row: (-row.players, -row.takes))


def _most_missed(judged: Sequence[Checked], columns: list[tuple[int, str, str]]) -> list[str]:
    rows = [row for row in missed_by(judged, columns) if row.takes]
    if not judged:
        return ["No take could be judged."]
    if not rows:
        return ["Nobody missed anything that could be told."]
    lines = ["Missed most"]
    players = len({c.player for c in judged})
    for row in rows[:5]:
        where = f", section {row.section}" if len({s for s, _, _ in columns}) > 1 else ""
        often = f"; oftenest in {_bar_list(row.bars)}" if row.bars else ""
        who = _who(row, players, len(judged))
        lines += wrapped(f"{row.kind}{where}: {who}{often}", "  ", "    ")
    return lines


def _who(row: Missed, players: int, takes: int) -> str:
    """Players who missed it; takes too where a player has several, takes alone of one player."""
    of_takes = f"{row.takes} of {counted(takes, 'take')}"
    of_players = f"{row.players} of {counted(players, 'player')}"
    if players == takes:
        return of_players
    return of_takes if players == 1 else f"{of_players} ({of_takes})"


def _bar_list(bars: Sequence[int]) -> str:
    text = ", ".join(map(str, bars))
    return f"bar {text}" if len(bars) == 1 else f"bars {text}"
