"""`improv compare`: what a class, two players, and doubtful takes are told."""

from __future__ import annotations

from dataclasses import replace

from benchmarks.histories import Player, Side
from improv.commands.comparing import class_text
from improv.compare import NO_DIFFERENCE, Comparison, compare_sets
from tests.log_material import history

STEADY = Player(day_wander=0.03, take_wander=0.03, phrase_wander=0.1, off_grid=0.02)


def with_chance(probability: float) -> Comparison:
    """A comparison in which one change alone can be shown, with this chance."""
    found = compare_sets(*history(1, Side(8), Side(8, spread_times=0.65), STEADY))
    assert found.clearest is not None
    clearest = replace(found.clearest, probability=probability)
    findings = tuple(
        clearest if f is found.clearest else replace(f, verdict=NO_DIFFERENCE, probability=1.0)
        for f in found.findings
    )
    return replace(found, findings=findings, clearest=clearest)


def test_a_class_says_how_chance_is_counted() -> None:
    """What stands of one player and not among three is said to, with both chances."""
    each: list[tuple[str, Comparison | str]] = [
        ("Ana", with_chance(0.03)), ("Ben", with_chance(0.001)), ("Cleo", with_chance(0.9)),
        ("Dov", "nothing to compare over time: only one take was found"),
    ]  # fmt: skip
    text = class_text(each, "text")
    assert max(map(len, text.splitlines())) <= 80
    said = " ".join(text.split())
    assert "Every chance is multiplied by the number of players compared, three, " in said
    assert "Ana: no change can be shown among three players; of this player alone, " in said
    assert "(chance 3.0 %, here 9.0 %)." in said
    assert "Ben: the clearest change: " in said
    assert said.endswith("Dov: nothing to compare over time: only one take was found.")


def test_a_class_of_one_is_one_player() -> None:
    """Nothing is multiplied, and nothing is said of it."""
    text = class_text([("Ana", with_chance(0.03))], "text")
    assert "multiplied" not in text and "the clearest change" in text
