"""Many takes as one table of cells, ready to be compared, mapped or drawn. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from improv.cells import PHRASES, Cells, Kind, phrase_numbers
from improv.errors import UsageError
from improv.model import Bools, Floats, Ints

EQUAL_TEMPO = 0.04
"""Takes whose tempi differ by less are played at one tempo where that is asked for (Drake &
Botte 1993: about what is heard between two steady tempi)."""


@dataclass(frozen=True, eq=False)
class Material:
    """Many takes, ready to be compared.

    `cells["subdivision"]` indexes `kinds`. Per cell: `take` (index of its take). Per take:
    `day` (date as a day number, -1 unknown), `tempo_bpm`, `label`.
    """

    cells: Cells
    take: Ints
    kinds: tuple[Kind, ...]
    day: Ints
    tempo_bpm: Floats
    label: tuple[str, ...]

    @property
    def phrase_block(self) -> Ints:
        """A number per cell that is the same for the cells of one phrase of one take only."""
        return np.asarray(self.take * PHRASES + phrase_numbers(self.cells))

    @staticmethod
    def of(
        parts: list[tuple[tuple[Kind, ...], Cells]],
        day: list[int],
        tempo_bpm: list[float],
        label: list[str],
    ) -> Material:
        """From one (kinds, cells) per take, as `cells.from_document` gives them."""
        index: dict[Kind, int] = {}
        moved = []
        for kinds, cells in parts:
            own = cells.copy()
            table = [index.setdefault(kind, len(index)) for kind in kinds]
            own["subdivision"] = np.array(table, dtype=np.int64)[cells["subdivision"]]
            moved.append(own)
        take = np.repeat(np.arange(len(parts)), [len(c) for c in moved])
        return Material(
            np.concatenate(moved), take, tuple(index), np.array(day, dtype=np.int64),
            np.array(tempo_bpm, dtype=np.float64), tuple(label),
        )  # fmt: skip

    def keep(self, takes: Bools) -> Material:
        """Only some takes (a mask over them), numbered anew."""
        number = np.cumsum(takes) - 1
        cells = takes[self.take]
        names = tuple(n for n, kept in zip(self.label, takes.tolist(), strict=True) if kept)
        return Material(
            self.cells[cells], number[self.take[cells]], self.kinds,
            self.day[takes], self.tempo_bpm[takes], names,
        )  # fmt: skip


def joined(before: Material, after: Material) -> Material:
    """Both sets as one, the takes of `before` first."""
    parts, numbers = [], []
    index: dict[Kind, int] = {}
    for material, first in ((before, 0), (after, len(before.label))):
        own = material.cells.copy()
        table = np.array([index.setdefault(k, len(index)) for k in material.kinds], dtype=np.int64)
        own["subdivision"] = table[own["subdivision"]] if len(own) else 0
        parts.append(own)
        numbers.append(material.take + first)
    return Material(
        np.concatenate(parts), np.concatenate(numbers), tuple(index),
        np.concatenate([before.day, after.day]),
        np.concatenate([before.tempo_bpm, after.tempo_bpm]), before.label + after.label,
    )  # fmt: skip


def at_equal_tempo(before: Material, after: Material) -> tuple[Material, Material]:
    """The takes of each set that have a counterpart within `EQUAL_TEMPO` in the other.

    Raises `UsageError` where there is none.
    """
    a, b = np.sort(before.tempo_bpm), np.sort(after.tempo_bpm)

    def near(tempo: Floats, others: Floats) -> Bools:
        i = np.searchsorted(others, tempo)
        low, high = others[np.maximum(i - 1, 0)], others[np.minimum(i, len(others) - 1)]
        gap = np.minimum(np.abs(np.log(tempo / low)), np.abs(np.log(tempo / high)))
        return np.asarray(gap <= EQUAL_TEMPO)

    kept = before.keep(near(before.tempo_bpm, b)), after.keep(near(after.tempo_bpm, a))
    if not len(kept[0].label) or not len(kept[1].label):
        raise UsageError(
            f"no two takes lie within {100 * EQUAL_TEMPO:.0f} % of one tempo; compare without "
            "--equal-tempo, and the tempo is accounted for"
        )
    return kept


def told_apart(material: Material) -> Material:
    """The same, kinds of one name told apart: eighths are 2 a beat in 4/4, 3 a beat in 6/8.

    Only kinds that these takes have count: what others played changes no name.
    """
    played = np.unique(material.cells["subdivision"]).tolist()
    often = Counter(material.kinds[number].name for number in played)
    kinds = tuple(
        replace(kind, name=f"{kind.name} ({kind.per_beat:.3g} a beat)")
        if often[kind.name] > 1
        else kind
        for kind in material.kinds
    )
    return replace(material, kinds=kinds)
