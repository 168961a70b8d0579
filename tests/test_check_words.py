"""The words of a check: bars counted once, one meaning of "give or take", every mark explained."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from improv.analysis import analyze
from improv.assignments.judge import judge
from improv.assignments.judge_drift import PhraseDrift, _drift_text, _worst_text
from improv.assignments.judge_limits import _unsure
from improv.assignments.judge_measure import Measured
from improv.assignments.reading import parse_assignment
from improv.assignments.report import verdict_text
from improv.assignments.saying import stretch_text
from improv.assignments.verdict import CANT_TELL, MET, NOT_MET, BarVerdict, Verdict, beside
from improv.cli import cli
from improv.synth import FreeRun, Hand, Line, Rest, Stretch, play

ROOT = Path(__file__).resolve().parent.parent
EXAMPLES = ("benno-drags", "ilka-holds", "juno-swings", "tarek-floats")
ASKS = """\
tempo = 100
[[section]]
bars = "1-8"
nothing-faster-than = "sixteenths"
no-off-grid-runs = true
least-notes = 1
most-drift = 2
pocket = { share = 0.7, within-ms = 20 }
"""
INTO_BAR_THREE = (
    Stretch("eighths", 6), FreeRun((1 / 4.6,) * 9), Rest(6.0 - 9 / 4.6), Stretch("eighths", 16),
)  # fmt: skip


def example(take: str) -> str:
    """What the check of an example prints, on one line."""
    files = [str(ROOT / "examples" / name) for name in ("week-three.toml", f"{take}.mid")]
    return " ".join(CliRunner().invoke(cli, ["check", *files]).stdout.split())


def verdict(seed: int = 3, offset: float = 8.0) -> Verdict:
    """A take whose run ends at a bar line, and that then rests."""
    take, _ = play(Line(INTO_BAR_THREE, tempo_bpm=100.0), Hand(9.0, offset), seed)
    return judge(parse_assignment(ASKS), analyze(take))


@pytest.mark.parametrize("take", EXAMPLES)
def test_bars_are_counted_once(take: str) -> None:
    """Bars held, rested and in doubt add up to the section's twelve."""
    said = example(take)
    counted = re.findall(
        r"Held in (\d+) bars?(?:, (\d+) bars? of rest)?(; bars? [\w ]+ can't)?", said
    )
    assert counted
    for held, rests, doubted in counted:
        numbers = [int(n) for n in re.findall(r"\d+", doubted)]
        spans = " to " in doubted
        bars = numbers[1] - numbers[0] + 1 if spans and len(numbers) == 2 else len(numbers)
        assert int(held) + int(rests or 0) + bars == 12


@pytest.mark.parametrize("seed", range(6))
def test_a_run_breaks_only_bars_with_notes(seed: int) -> None:
    """No bar without a note is marked as broken by a run: rows agree on where notes are."""
    found = {o.kind: o for o in verdict(seed).outcomes}
    empty = [b.state for b in found["no-off-grid-runs"].bars if b.notes == 0]
    assert set(empty) <= {MET}
    assert any(b.notes for b in found["no-off-grid-runs"].bars)
    notes = {kind: [b.notes for b in o.bars] for kind, o in found.items()}
    assert len({tuple(n) for n in notes.values()}) == 1


def test_every_doubted_mark_is_explained() -> None:
    """Below the table each "?" has its requirement, its bars and its reason; 80 columns."""
    one = verdict()
    text = verdict_text(one, parse_assignment(ASKS))
    assert max(map(len, text.splitlines())) <= 80
    assert "Bar by bar   + met   x not met   ? can't tell   . met, no notes" in text
    said = " ".join(text.split())
    assert "most-drift: a mark goes by the phrases in its bar, the verdict by all" in said
    assert "pocket: a mark goes by its bar alone, the verdict by all" in said
    doubted = [
        o for o in one.outcomes
        if o.count(CANT_TELL) and (o.state != CANT_TELL or o.value is not None)
    ]  # fmt: skip
    assert doubted
    for outcome in doubted:
        bars = {b.bar for b in outcome.bars if b.state == CANT_TELL}
        lines = re.findall(rf"\? {outcome.kind}, bars? ([\d to,and]+): \w", said)
        named = set()
        for line in lines:
            for a, b in re.findall(r"(\d+)(?: to (\d+))?", line):
                named |= set(range(int(a), int(b or a) + 1))
        assert named == bars


def test_no_legend_where_all_is_met() -> None:
    """Without a bar table nothing is explained."""
    take, _ = play(Line((Stretch("quarters", 32),), tempo_bpm=100.0), Hand(5.0, 8.0), 3)
    asked = parse_assignment('tempo = 100\n[[section]]\nbars = "1-8"\nleast-notes = 2\n')
    text = verdict_text(judge(asked, analyze(take)), asked)
    assert "Bar by bar" not in text
    assert "?" not in text


@pytest.mark.parametrize(
    ("bpm", "doubt", "said"),
    [(0.04, 0.01, "no drift"), (-0.04, 0.01, "no drift"), (0.0, 0.2, "no drift"),
     (-0.05, 0.19, "no drift"), (0.3, 0.2, "no drift"), (0.06, 0.02, "no drift"),
     # What nobody hears, 1.5 % of 60 BPM, is no drift either.
     (-0.6, 0.01, "no drift"), (0.89, 0.01, "no drift"), (-0.91, 0.01, "dragging by 0.9 BPM"),
     (-1.5, 0.2, "dragging by 1.5 BPM"), (2.0, 0.5, "rushing by 2 BPM"),
     # With the limit of 1 BPM inside its doubt, the figure is what the verdict is about.
     (0.8, 0.5, "rushing by 0.8 BPM"), (-1.2, 0.7, "dragging by 1.2 BPM")],
)  # fmt: skip
def test_no_drift_is_no_drift(bpm: float, doubt: float, said: str) -> None:
    """Nobody drags by nought, nor by what may be chance: two standard errors."""
    assert _drift_text(Measured(bpm, doubt, 20), 1.0, 60.0) == said


@pytest.mark.parametrize(
    ("drifts", "said"),
    [
        ((-1.6,), "dragging by 1.6 BPM in the one phrase"),
        ((-1.6, 0.1, 0.0), "dragging by 1.6 BPM in one of 3 phrases"),
        ((-1.6, -1.5, -1.4), "drifting too much in 3 of 3 phrases, at worst dragging by 1.6 BPM"),
        ((-1.6, 1.3, 0.2), "drifting too much in 2 of 3 phrases, at worst dragging by 1.6 BPM"),
    ],
)
def test_every_phrase_that_drifts_is_counted(drifts: tuple[float, ...], said: str) -> None:
    """As many phrases as the bar table marks: a limit of 1 BPM, a standard error of 0.1."""
    found = [PhraseDrift(i, i, Measured(b, 0.1, 20), 1.0, 80.0) for i, b in enumerate(drifts)]
    assert _worst_text(found[0], found) == said


def test_a_dragging_take_is_told_to_hold_the_time() -> None:
    """As its analysis advises: before the bars that it left silent."""
    said = example("benno-drags")
    assert "Drifting too much in 3 of 3 phrases, at worst dragging by 1.6 BPM" in said
    assert "Next: You are dragging:" in said
    assert "No drift over 2 phrases; bars 1 to 2 can't be told" in example("tarek-floats")


@pytest.mark.parametrize(
    ("value", "state", "said"),
    [
        # Limits 0 and 10, one standard error 1.0: give or take 2.0.
        (5.0, MET, ""),
        (7.9, MET, ""),
        (8.5, MET, " (give or take 2.0 BPM: probably met, not surely)"),
        (9.5, CANT_TELL, " (give or take 2.0 BPM: too close to call)"),
        (10.5, CANT_TELL, " (give or take 2.0 BPM: too close to call)"),
        (11.5, NOT_MET, " (give or take 2.0 BPM: probably not met, not surely)"),
        (12.5, NOT_MET, ""),
        (-1.5, NOT_MET, " (give or take 2.0 BPM: probably not met, not surely)"),
        (-2.5, NOT_MET, ""),
    ],
)
def test_a_doubt_agrees_with_its_verdict(value: float, state: str, said: str) -> None:
    """Whatever is called although the limit lies within the doubt is called probable."""
    assert beside(value, 1.0, 0.0, 10.0) == state
    assert _unsure(Measured(value, 1.0, 20), state, 0.0, 10.0, "BPM") == said


def test_a_doubt_in_other_units() -> None:
    """Shares in points, ratios plain; always two standard errors and never nought."""
    share, ratio = Measured(0.7, 0.06, 30), Measured(1.31, 0.05, 30)
    infinite = float("inf")
    assert _unsure(share, CANT_TELL, 0.68, infinite, "share").startswith(" (give or take 12 points")
    assert _unsure(ratio, CANT_TELL, 1.3, 2.0, "ratio").startswith(" (give or take 0.10:")
    tiny = Measured(1.3, 1e-4, 30)
    assert "take 0.01:" in _unsure(tiny, CANT_TELL, 1.3, 2.0, "ratio")


@pytest.mark.parametrize(
    ("count", "said"),
    [
        ("2", "from beat 2"),
        ("& of 3", "from the & of 3"),
        ("2nd of 5 in 3", "from the 2nd of 5 in beat 3"),
        ("2nd of 3 over 1 and 2", "from the 2nd of 3 over beats 1 and 2"),
    ],
)
def test_a_count_reads_as_in_the_report(count: str, said: str) -> None:
    """Where a breach begins is said in the words that tell a place everywhere else."""
    bar = BarVerdict(3, NOT_MET, 8, "quintuplets", count, "")
    assert stretch_text(bar, bar) == f"bar 3: quintuplets {said}"
