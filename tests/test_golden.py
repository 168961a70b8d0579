"""Golden documents: what improv says of the examples does not change unnoticed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from regen_golden import EXAMPLES, GOLDEN, READINGS, golden_text, regenerate


def agree(told: Any, golden: Any, path: str = "$") -> None:
    """Asserts equality all the way down; numbers may differ by what arithmetic may."""
    if isinstance(golden, dict):
        assert list(told) == list(golden), path
        for key in golden:
            agree(told[key], golden[key], f"{path}.{key}")
    elif isinstance(golden, list):
        assert len(told) == len(golden), path
        for i, (one, other) in enumerate(zip(told, golden, strict=True)):
            agree(one, other, f"{path}[{i}]")
    elif isinstance(golden, float):
        assert told == pytest.approx(golden, rel=1e-6, abs=2e-3), path
    else:
        assert told == golden, path


@pytest.mark.parametrize("name", READINGS)
def test_golden(name: str) -> None:
    """The document of an example is the one that was looked at and kept."""
    golden = json.loads((GOLDEN / f"{name}.json").read_text(encoding="utf-8"))
    agree(json.loads(golden_text(name)), golden)


def test_every_example_has_a_golden_document() -> None:
    """Takes, truths and golden documents are the same set, and it is not empty."""
    takes = {path.stem for path in EXAMPLES.glob("*.mid")} - {"blues-backing"}
    assert takes == set(READINGS)
    assert {path.stem for path in GOLDEN.glob("*.json")} == takes
    assert {path.name.removesuffix(".truth.json") for path in EXAMPLES.glob("*.json")} == takes


def test_the_regenerator_writes_what_is_compared(tmp_path: Path) -> None:
    """The script writes one document per example, each as compared above."""
    regenerate(tmp_path)
    assert {path.stem for path in tmp_path.iterdir()} == set(READINGS)
    name = next(iter(READINGS))
    assert (tmp_path / f"{name}.json").read_text(encoding="utf-8") == golden_text(name)


@pytest.mark.parametrize(
    ("told", "golden"),
    [
        ({"a": 1}, {"a": 2}),
        ({"a": 1}, {"b": 1}),
        ([1.0, 2.0], [1.0]),
        ([1.0], [1.1]),
        ([None], [0.0]),
        ({"a": "eighths"}, {"a": "sixteenths"}),
    ],
)
def test_differences_are_noticed(told: Any, golden: Any) -> None:
    """The comparison itself fails where documents differ."""
    with pytest.raises(AssertionError):
        agree(told, golden)
