"""How a take was read and judged, as the log keeps it and as it is told.

Settings travel as canonical JSON, so that two readings are equal when their texts are.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from improv.errors import ImprovError, LogError
from improv.files import printable
from improv.log.names import subdivision_called
from improv.meter import meter_text, parse_meter
from improv.midi_parts import check_channel
from improv.midi_place import check_reading
from improv.model import Reading, Settings


def settings_text(reading: Reading, settings: Settings) -> str:
    """How a take was read and judged, as canonical JSON."""
    given = {**asdict(reading), **asdict(settings)}
    given["meter"] = None if reading.meter is None else meter_text(reading.meter)
    names = settings.subdivisions
    given["subdivisions"] = None if names is None else list(names)
    return json.dumps(given, sort_keys=True)


def settings_values(text: str) -> tuple[Reading, Settings]:
    """The inverse of `settings_text`; raises `LogError` for what no command line can have said."""
    try:
        given = json.loads(text)
        if not isinstance(given, dict):
            raise TypeError("they are no object")
        _check_types(given)
        meter, names = given.pop("meter"), given.pop("subdivisions")
        for name in names or ():
            subdivision_called(name)
        reading = Reading(
            **{k: given[k] for k in Reading.__dataclass_fields__ if k in given},
            meter=None if meter is None else parse_meter(meter),
        )
        check_reading(reading)
        check_channel(reading.channel)
        settings = Settings(
            **{k: given[k] for k in Settings.__dataclass_fields__ if k in given},
            subdivisions=None if names is None else tuple(names),
        )
        return reading, settings
    except (ImprovError, ValueError, TypeError, OverflowError) as fault:
        raise LogError(f"its settings cannot be used: {fault}") from None


_FIELDS = {**Reading.__dataclass_fields__, **Settings.__dataclass_fields__}
_TYPES: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(("meter", "track", "backing"), (str,)),
    **dict.fromkeys(("count_in_bars", "channel", "first_bar", "last_bar"), (int,)),
    "find_start": (bool,),
    "subdivisions": (list,),
}
"""What a setting is in JSON; those not named here are numbers."""


def _check_types(given: dict[str, Any]) -> None:
    """Every setting is there and of its type; only what may be left unstated is null."""
    for key in sorted({*_FIELDS, *given}):
        if key not in given:
            raise ValueError(f"'{key}' is missing")
        if key not in _FIELDS:
            raise ValueError(f"'{printable(key)[:40]}' is not known")
        value, allowed = given[key], _TYPES.get(key, (int, float))
        if value is None and _FIELDS[key].default is None:
            continue
        if not isinstance(value, allowed) or (isinstance(value, bool) and bool not in allowed):
            raise TypeError(f"'{key}' is {shortened(value)}")
    names = given["subdivisions"]
    if names is not None and not (names and all(isinstance(name, str) for name in names)):
        raise TypeError("'subdivisions' is no list of names")


def differing(old: str, new: str) -> tuple[str, ...]:
    """The settings in which two readings of one part differ, as `--tempo 96 -> 100`.

    How the part was asked for is no difference.
    """
    was, now = _as_options(json.loads(old)), _as_options(json.loads(new))
    if "--count-in" not in now and was.get("--count-in") == _UNSAID_OF_OLD:
        del was["--count-in"]
    return tuple(
        f"{option} {was.get(option, _UNSET)} -> {now.get(option, _UNSET)}"
        for option in sorted({*was, *now} - {"--track", "--channel"})
        if was.get(option) != now.get(option)
    )


def stated_options(text: str) -> tuple[str, ...]:
    """What was said of how a take is to be read and judged, as the command line says it.

    What holds when nothing is said is left out.
    """
    usual = _as_options(json.loads(settings_text(Reading(), Settings())))
    usual["--count-in"] = _UNSAID_OF_OLD
    given = _as_options(json.loads(text))
    return tuple(f"{option} {said}" for option, said in given.items() if usual.get(option) != said)


_UNSET = "unset"
_UNSAID_OF_OLD = "0"
"""A count-in nobody stated, as logs had it before a file's own click could say one."""
_OPTIONS = {
    "tempo_bpm": "--tempo",
    "meter": "--meter",
    "count_in_bars": "--count-in",
    "start_sec": "--start",
    "track": "--track",
    "channel": "--channel",
    "backing": "--backing",
    "subdivisions": "--subdivisions",
    "tolerance_ms": "--tolerance",
}
"""The options that settings come from, in the order of the command line's own help; those
without one (a library's user can state them) go by their own name."""


def _as_options(given: dict[str, Any]) -> dict[str, str]:
    """Settings as options and what they say; those that are not set are left out."""
    left = dict(given)
    if left.pop("find_start", False):
        left["start_sec"] = "auto"
    first, last = left.pop("first_bar", None), left.pop("last_bar", None)
    order = [key for key in _OPTIONS if key in left] + sorted(set(left) - set(_OPTIONS))
    found = {_OPTIONS.get(key, key): shortened(left[key]) for key in order if left[key] is not None}
    if first is not None or last is not None:
        ends = ["" if bar is None else shortened(bar) for bar in (first, last)]
        found["--bars"] = "-".join(dict.fromkeys(ends))
    return found


def shortened(value: Any) -> str:
    """A value as it is told: what is not set as such, a long text cut."""
    if value is None:
        return _UNSET
    text = ",".join(map(str, value)) if isinstance(value, list) else str(value)
    return printable(text.removesuffix(".0") if isinstance(value, float) else text)[:80]
