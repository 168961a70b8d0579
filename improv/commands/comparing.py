"""What `compare` and `safety` do between the options and the core."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from improv.commands.output import say_warnings
from improv.compare import CHANGED, Comparison, compare_over_time, compare_sets, judged_among
from improv.compare_data import csv_text, document
from improv.compare_figures import chance
from improv.compare_report import clearest_sentence, text_report
from improv.counting import counted
from improv.document import all_warnings
from improv.errors import OutputError, UsageError
from improv.files import printable, shown, write_bytes
from improv.log.entries import About, Filter
from improv.log.names import fold
from improv.log.place import log_path
from improv.log.store import Log
from improv.material import Material, joined
from improv.measures import pocket_column
from improv.model import Reading, Settings
from improv.tables import wrapped
from improv.wording import listed, number_word

FORMATS = ("png", "svg", "pdf")
MOST_NAMED, MOST_IN_TITLE = 8, 3


@dataclass(frozen=True)
class Asked:
    """How a comparison was asked for."""

    tolerance_ms: float
    equal_tempo: bool
    log_file: str | None

    def __post_init__(self) -> None:
        pocket_column(self.tolerance_ms)

    def log(self) -> Log:
        """The log, for looking only."""
        return Log.open(log_path(self.log_file), writing=False)

    def sets(self, before: Material, after: Material) -> Comparison:
        """Two sets compared."""
        return compare_sets(
            before, after, tolerance_ms=self.tolerance_ms, equal_tempo=self.equal_tempo
        )

    def of_log(
        self, found: Material, split: str | None
    ) -> tuple[Comparison, tuple[Material, Material] | None]:
        """What the log has: over time, or (with the two sides) before and from a day."""
        if split is None:
            if self.equal_tempo:
                raise UsageError("--equal-tempo needs two sets: add --split DATE")
            return compare_over_time(found, tolerance_ms=self.tolerance_ms), None
        at = date.fromisoformat(split).toordinal()
        before = found.keep((found.day >= 0) & (found.day < at))
        after = found.keep(found.day >= at)
        if not len(before.label) or not len(after.label):
            side = "before" if not len(before.label) else "on or after"
            raise UsageError(f"nothing to compare: no dated take was played {side} {split}")
        return self.sets(before, after), (before, after)


def players_of(log: Log, which: Filter) -> list[str]:
    """The players of the takes a filter finds; raises `UsageError` where it finds none."""
    players = log.players(which)
    if not players:
        raise UsageError("no takes found; see 'improv log list'")
    return players


def one_player(log: Log, which: Filter, otherwise: str = "") -> tuple[str, Material]:
    """The one player of the takes a filter finds, and the takes.

    Raises `UsageError` for none and for several; `otherwise` is what else could be asked for.
    """
    players = players_of(log, which)
    if len(players) > 1:
        named = ", ".join(printable(p) or "(no name)" for p in players[:MOST_NAMED])
        more = ", ..." if len(players) > MOST_NAMED else ""
        raise UsageError(
            f"the takes found are by several players ({named}{more}); name one with "
            f"--player{otherwise}"
        )
    return printable(players[0]), log.material(which)


@dataclass(frozen=True, eq=False)
class TakesNamed:
    """The takes named for one side; `players` those the log knows of, `warnings` on the files."""

    material: Material
    players: tuple[str, ...]
    warnings: tuple[str, ...]


def takes_named(
    sources: tuple[str, ...], reading: Reading, settings: Settings, log_file: str | None
) -> TakesNamed:
    """Files, analyzed now, and takes of the log, as kept; raises `UsageError` for none.

    What there is to say of a file goes to standard error, as on `analyze`.
    """
    from improv.cells import from_document
    from improv.commands.log_options import take_numbers
    from improv.log.refresh import read_entry

    numbers = take_numbers(tuple(s for s in sources if s.startswith("log:")))
    files = [s for s in sources if not s.startswith("log:")]
    parts, tempo = [], []
    warnings: list[str] = []
    for path in files:
        entry, analysis = read_entry(path, reading, settings, About())
        parts.append(from_document(entry.document))
        tempo.append(analysis.take.tempo_bpm)
        say_warnings(analysis)
        warnings += (f"{analysis.take.name}: {text}" for text in all_warnings(analysis))
    names = [printable(path) for path in files]
    fresh = Material.of(parts, [-1] * len(parts), tempo, names) if parts else None
    if not numbers:
        assert fresh is not None
        return TakesNamed(fresh, (), tuple(warnings))
    with Log.open(log_path(log_file), writing=False) as log:
        kept = log.material(Filter(ids=numbers))
        players = tuple(p for p in log.players(Filter(ids=numbers)) if p)
    missing = {f"log:{n}" for n in numbers} - set(kept.label)
    if missing:
        raise UsageError(f"there is no take {sorted(missing)[0]}; see 'improv log list'")
    material = kept if fresh is None else joined(fresh, kept)
    return TakesNamed(material, players, tuple(warnings))


def of_different_players(before: TakesNamed, after: TakesNamed) -> str | None:
    """What has to be said first where the takes are by more than one player."""
    everyone = {fold(name): printable(name) for name in (*before.players, *after.players)}
    if len(everyone) < 2:
        return None
    names = listed([everyone[key] for key in sorted(everyone)])
    return (
        f"The takes are by different players ({names}): what follows tells how they differ, not "
        "whether anybody got better or worse."
    )


def title_of(before: TakesNamed, after: TakesNamed) -> str:
    """What a picture of takes named is headed: whose they are, as far as the log knows."""
    first, second = (
        {fold(name): printable(name) for name in side.players} for side in (before, after)
    )
    if first and first.keys() == second.keys():
        return f"{_named(list(first.values()))}: before and after"
    sides = [f" ({_named(list(side.values()))})" if side else "" for side in (first, second)]
    return f"Before{sides[0]} and after{sides[1]}"


def _named(players: list[str]) -> str:
    return listed(players) if len(players) <= MOST_IN_TITLE else counted(len(players), "player")


def text_of(
    comparison: Comparison, form: str, first: str | None = None, warnings: Sequence[str] = ()
) -> str:
    """The comparison in the form asked for; `first` is said before all else."""
    if form == "json":
        told = [*([first] if first else []), *warnings]
        return json.dumps(document(comparison, told), indent=1) + "\n"
    if form == "csv":
        return csv_text(comparison)
    head = "\n".join(wrapped(first)) + "\n\n" if first else ""
    return head + text_report(comparison)


def class_text(each: list[tuple[str, Comparison | str]], form: str) -> str:
    """Every player with their own past, in alphabetical order: no ranking.

    Each player's chance is multiplied by the number of players (Bonferroni), so that a
    large class does not find something by its size.
    """
    many = sum(not isinstance(c, str) for _, c in each)
    if form == "json":
        return json.dumps([_player(name, found, many) for name, found in each], indent=1) + "\n"
    if form == "csv":
        texts: list[str] = []
        for name, found in each:
            if not isinstance(found, str):
                texts.append(csv_text(judged_among(found, many), (name,), header=not texts))
        return "".join(texts)
    head = "Each player compared with their own past; the order is alphabetical."
    if many > 1:
        head += (
            f" Every chance is multiplied by the number of players compared, {number_word(many)}, "
            "for among many players something changes by chance: what 'improv compare --player' "
            "shows of one alone may not stand here."
        )
    lines = [head, ""]
    for name, found in each:
        told = f"{found}." if isinstance(found, str) else _of_class(found, many)
        lines.append(f"{name}: {told[:1].lower()}{told[1:]}")
    return "\n".join(part for line in lines for part in (wrapped(line, then="  ") or [""])) + "\n"


def _of_class(found: Comparison, players: int) -> str:
    """One player's clearest change among so many; where it falls for their number, that it did."""
    judged = judged_among(found, players)
    fell = found.clearest
    if judged.clearest is not None or fell is None:
        return clearest_sentence(judged)
    still = next(
        f for f in judged.findings
        if (f.subdivision, f.measure.key) == (fell.subdivision, fell.measure.key)
    )  # fmt: skip
    would = "have changed" if fell.verdict == CHANGED else f"be {fell.verdict}"
    return (
        f"No change can be shown among {number_word(players)} players; of this player alone, "
        f"{fell.subdivision} would {would} in {fell.measure.title} (chance {chance(fell)}, here "
        f"{chance(still)})."
    )


def _player(name: str, found: Comparison | str, players: int) -> dict[str, object]:
    """One player of a class as data."""
    lead: dict[str, object] = {"player": name, "players": players}
    if isinstance(found, str):
        return {**lead, "reason": found, "comparison": None}
    return {**lead, "reason": None, "comparison": document(judged_among(found, players))}


def draw(
    plot: str | None,
    title: str,
    comparison: Comparison,
    material: Material,
    after: Material | None,
) -> None:
    """Writes the picture of a comparison, if one was asked for."""
    if plot is None:
        return
    form = picture_form(plot)
    from improv.pictures import history
    from improv.pictures.draw_history import before_after_figure, trend_figure

    if after is None:
        trends = history.trends(material, comparison)
        if not trends:
            raise OutputError(f"{shown(plot)}: nothing to draw: no subdivision has two days")
        save(trend_figure(trends, title), form, plot, title)
    else:
        rows = history.before_and_after(material, after, comparison)
        if not rows:
            raise OutputError(f"{shown(plot)}: nothing to draw: no subdivision is on both sides")
        save(before_after_figure(rows, title), form, plot, title)


def picture_form(plot: str) -> str:
    """The form a picture's name asks for; raises `UsageError`."""
    form = plot.rpartition(".")[2].lower()
    if form not in FORMATS:
        raise UsageError(f"{shown(plot)}: a picture's name ends in .png, .svg or .pdf")
    return form


def save(figure: Any, form: str, path: str, title: str) -> None:
    """Writes a figure, whole or not at all."""
    from improv.pictures.draw_save import pdf_bytes, png_bytes, svg_text

    if form == "pdf":
        data = pdf_bytes([figure], title)
    else:
        data = png_bytes(figure) if form == "png" else svg_text(figure, title).encode()
    write_bytes(path, data)
