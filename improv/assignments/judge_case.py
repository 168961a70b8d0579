"""One section and one take, as the judges of requirements look at them."""

from __future__ import annotations

from dataclasses import dataclass

from improv.assignments.evidence import Evidence
from improv.assignments.judge_grid import bars_of
from improv.assignments.judge_measure import rows_in
from improv.assignments.model import REST, Assignment, Section
from improv.assignments.saying import slower
from improv.assignments.verdict import BarVerdict, Outcome
from improv.model import Analysis, Ints
from improv.practice import BACK_OFF
from improv.wording import bpm_text

NOTHING_PLAYED = "nothing was played here"


@dataclass(frozen=True, eq=False)
class Case:
    """What one section's judges look at."""

    number: int
    section: Section
    assignment: Assignment
    analysis: Analysis
    seen: Evidence
    part: int

    @property
    def bars(self) -> range:
        """The bars judged."""
        return bars_of(self.section, self.seen)

    @property
    def tempo_bpm(self) -> float:
        """Tempo of the backing where these bars begin, as the take was read."""
        here = rows_in(self.seen, self.bars[0], self.bars[-1])
        if not len(here):
            return self.analysis.take.tempo_bpm
        return played_tempi(self.seen, here[:1])[0]

    @property
    def tempi_bpm(self) -> tuple[float, ...]:
        """Slowest and fastest tempo of the backing under the notes of these bars."""
        return played_tempi(self.seen, rows_in(self.seen, self.bars[0], self.bars[-1])) or (
            self.tempo_bpm,
        )

    @property
    def tempo_text(self) -> str:
        """`80`, or `80 to 100` where the tempo steps in these bars."""
        return tempi_text(self.tempi_bpm)

    @property
    def silent(self) -> set[int]:
        """Bars whose turn is a rest."""
        turns = self.section.alternate
        if turns is None:
            return set()
        first = self.section.first_bar
        return {
            b for b in self.bars if turns.subdivisions[turns.turn(b - first, self.part)] == REST
        }


def played_tempi(seen: Evidence, rows: Ints) -> tuple[float, ...]:
    """Slowest and fastest tempo of the backing under some events; empty for no events.

    Where meters take turns, a tempo counts the beats of the first.
    """
    if not len(rows):
        return ()
    bpm = 60_000.0 / (seen.bars.stated_beat_quarter * seen.quarter_ms[rows])
    return float(bpm.min()), float(bpm.max())


def tempi_text(tempi_bpm: tuple[float, ...]) -> str:
    """Tempi in words: `80`, `80 to 100`."""
    low, high = bpm_text(min(tempi_bpm)), bpm_text(max(tempi_bpm))
    return low if low == high else f"{low} to {high}"


def outcome_of(
    case: Case, kind: str, asked: str, state: str, bars: tuple[BarVerdict, ...], **words: object
) -> Outcome:
    first, last = case.bars[0], case.bars[-1]
    blank = {"reason": "", "how_far": "", "next_step": ""}
    return Outcome(
        case.number, case.section.name, kind, asked, first, last, state, bars,
        **{**blank, **words},  # type: ignore[arg-type]
    )  # fmt: skip


def slow(case: Case) -> str:
    """A tempo to slow down to, in words."""
    return slower(case.tempo_bpm, BACK_OFF)
