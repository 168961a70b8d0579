"""What `improv assign` is asked to hold, from its options: the fields of one section."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from improv.commands.options import comma_list
from improv.errors import UsageError
from improv.meter import Meter

if TYPE_CHECKING:
    from improv.assignments.model import Alternation, Pocket


@dataclass(frozen=True)
class Wanted:
    """What a section is to hold, as the options say it; `None` where they say nothing."""

    stay_on: str | None
    allowed: str | None
    alternate: str | None
    every: int | None
    players: int | None
    nothing_faster_than: str | None
    no_off_grid_runs: bool
    least_notes: int | None
    swing: str | None
    most_drift: str | None
    pocket: str | None


def requirements(given: Wanted, before: Alternation | None = None) -> dict[str, Any]:
    """The fields of `Section` that the options set; one kind of subdivision replaces another.

    `before` is the alternation the section has: what is not said of its turns stays.
    """
    found: dict[str, Any] = {}
    kinds = [k for k in ("stay_on", "allowed", "alternate") if getattr(given, k)]
    if len(kinds) > 1:
        raise UsageError("--stay-on, --allowed and --alternate: a section asks for one of them")
    if kinds:
        found |= {"stay_on": None, "allowed": (), "alternate": None}
    if given.stay_on:
        found["stay_on"] = given.stay_on.strip()
    if given.allowed:
        found["allowed"] = comma_list(given.allowed)
    if given.alternate or given.every or given.players:
        found["alternate"] = _turns(given, None if given.stay_on or given.allowed else before)
    for key in ("nothing_faster_than", "least_notes"):
        if getattr(given, key) is not None:
            found[key] = getattr(given, key)
    if given.no_off_grid_runs:
        found["no_off_grid_runs"] = True
    return found | _measures(given)


def _turns(given: Wanted, before: Alternation | None) -> Alternation:
    from improv.assignments.model import Alternation

    if not given.alternate and before is None:
        raise UsageError("--every and --players belong to --alternate")
    kept = before or Alternation(())
    names = comma_list(given.alternate) if given.alternate else kept.subdivisions
    return Alternation(names, given.every or kept.every, given.players or kept.players)


def check_names(given: Wanted, meters: tuple[Meter, ...]) -> None:
    """Raises `UsageError`, by its option, for a subdivision that the meter does not have."""
    from improv.assignments.model import REST
    from improv.assignments.values import full_name

    for option in ("stay_on", "allowed", "alternate", "nothing_faster_than"):
        for name in comma_list(getattr(given, option) or ""):
            if option == "alternate" and name.lower() == REST:
                continue
            try:
                full_name(name, meters)
            except UsageError as fault:
                raise UsageError(f"--{option.replace('_', '-')}: {fault}") from None


def _measures(given: Wanted) -> dict[str, Any]:
    from improv.assignments.model import Drift, Pocket, Swing

    found: dict[str, Any] = {}
    swing, drift, pocket = given.swing, given.most_drift, given.pocket
    if swing is not None:
        band = re.fullmatch(r"(\d+(?:\.\d+)?)\s*-\s*(\d+(?:\.\d+)?)", swing)
        if not band and swing != "default":
            raise UsageError(f"--swing {swing}: write a band like 1.3-2.0, or default")
        found["swing"] = Swing(float(band[1]), float(band[2])) if band else Swing()
    if drift is not None:
        number = re.fullmatch(r"\d+(?:\.\d+)?", drift)
        if not number and drift != "default":
            raise UsageError(f"--most-drift {drift}: write BPM like 2.5, or default")
        found["most_drift"] = Drift(float(drift)) if number else Drift()
    if pocket is not None:
        form = re.fullmatch(r"(\d+(?:\.\d+)?)\s*%(?:\s*/\s*(\d+(?:\.\d+)?)\s*(ms|%))?", pocket)
        if not form and pocket != "default":
            raise UsageError(f"--pocket {pocket}: write it like 80%/20ms, 75%/15%, or default")
        found["pocket"] = Pocket() if not form else _pocket(form)
    return found


def _pocket(form: re.Match[str]) -> Pocket:
    from improv.assignments.model import Pocket

    within = float(form[2]) if form[2] else None
    in_ms = form[3] == "ms"
    return Pocket(float(form[1]) / 100.0, within if in_ms else None, None if in_ms else within)
