"""`improv click`: the practice track of an assignment, or of a tempo, as MIDI and WAV."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from improv.assignments.limits import LONGEST_GAP_BARS, MOST_COUNT_IN_BARS, MOST_TRACK_BARS
from improv.commands.options import EXISTING_FILE, FiniteRange
from improv.commands.output import refuse_overwriting, say
from improv.counting import counted
from improv.errors import UsageError
from improv.settings import FASTEST_BPM, SLOWEST_BPM

if TYPE_CHECKING:
    from improv.assignments.model import Assignment

EPILOG = """
\b
Examples:
  improv click week3.toml --output week3.mid --output week3.wav
  improv click week3.toml --gaps 3+1 --output gaps.mid
  improv click --tempo 96 --bars 24 --beats 2,4 --output backbeat.wav
  improv click --tempo 80 --step 4 --every 8 --output ladder.mid
  improv click --tempo 90 --meter 7/8 --subdivision eighths --output seven.mid
  improv click --tempo 100 --gaps 4+1,4+2,4+4 --place '&' --output inside.wav

A take recorded against the MIDI file is read with it: --backing week3.mid. Clicks are
sharp sounds: keep them soft in headphones, and stop when the ears ring or tire.
"""


@click.command("click", epilog=EPILOG, short_help="Make the practice track: MIDI and WAV.")
@click.argument(
    "assignment", metavar="[ASSIGNMENT]", required=False,
    type=EXISTING_FILE,
)  # fmt: skip
@click.option(
    "--tempo",
    type=FiniteRange(SLOWEST_BPM, FASTEST_BPM),
    metavar="BPM",
    help="In beats of the meter.",
)
@click.option("--meter", metavar="METER", help="4/4, 6/8, 2+2+2+3/8, or 9/8+10/8.")
@click.option(
    "--bars",
    type=click.IntRange(1, MOST_TRACK_BARS),
    metavar="N",
    help="Length after the count-in.",
)
@click.option(
    "--count-in",
    type=click.IntRange(0, MOST_COUNT_IN_BARS),
    metavar="BARS",
    help="Bars before bar 1 (default 1).",
)
@click.option(
    "--step", type=FiniteRange(-100, 100), metavar="BPM", help="Raise the tempo by BPM ..."
)
@click.option(
    "--every", type=click.IntRange(1, MOST_TRACK_BARS), metavar="BARS", help="... every BARS bars."
)
@click.option("--beats", metavar="LIST", help="Click on these beats only: 2,4.")
@click.option("--half-time", is_flag=True, help="Click on every other beat.")
@click.option("--place", metavar="COUNT", help="Click on this position of the beat: '&', a, let.")
@click.option("--gaps", metavar="ON+OFF", help="Bars drop out: 3+1, or growing 4+1,4+2,4+4.")
@click.option("--subdivision", metavar="NAME", help="Sound this subdivision.")
@click.option(
    "--notes/--no-notes", default=None, help="Sound the assigned subdivision, or leave it out."
)
@click.option("--no-accents", is_flag=True, help="All clicks alike.")
@click.option(
    "--part", type=click.Choice(["1", "2", "both"]), default="1",
    help="Whose turns of an alternation sound.",
)  # fmt: skip
@click.option(
    "--output", "outputs", multiple=True, required=True, metavar="FILE",
    type=click.Path(dir_okay=False), help="FILE.mid or FILE.wav; may be given twice.",
)  # fmt: skip
def command(assignment: str | None, part: str, outputs: tuple[str, ...], **given: Any) -> None:
    """Make the click track to practise with: MIDI, WAV, or both.

    It counts in, accents the groups of the meter, sounds what was assigned, announces
    changes by a pickup sound, and can drop out, shift, or climb in tempo.
    """
    from improv.assignments.clickfiles import click_wav, write_click_midi
    from improv.assignments.clicktrack import bars_in, click_track
    from improv.assignments.jobs import check_part
    from improv.files import write_bytes

    for path in outputs:
        refuse_overwriting(path, [assignment], "assignment")
    kinds = [_kind(path) for path in outputs]
    asked = _assignment(assignment, _Given(**given))
    longest = asked.bars or asked.last_bar or 1
    if longest > MOST_TRACK_BARS:
        raise UsageError(
            f"{longest} bars are too many for one track ({MOST_TRACK_BARS} at most): state --bars"
        )
    of_part = None if part == "both" else int(part)
    check_part(asked, of_part)
    track = click_track(asked, of_part)
    sound = click_wav(track) if "wav" in kinds else b""  # What is refused writes nothing.
    for path, kind in zip(outputs, kinds, strict=True):
        if kind == "mid":
            write_click_midi(track, path)
        else:
            write_bytes(path, sound)
    bars = bars_in(asked)
    gaps = f", {counted(len(track.gaps), 'gap')}" if track.gaps else ""
    length = counted(bars, "bar")
    say(f"Wrote {' and '.join(outputs)}: {length}{gaps}. Keep the click soft.")
    on = asked.click.bars_on
    if on is not None and not track.gaps:
        say(f"Note: no bar drops out: the first would be bar {on + 1}, and the track has {length}.")


@dataclass(frozen=True)
class _Given:
    """What the options say, as they say it; `None` where they say nothing."""

    tempo: float | None
    meter: str | None
    bars: int | None
    count_in: int | None
    step: float | None
    every: int | None
    beats: str | None
    half_time: bool
    place: str | None
    gaps: str | None
    subdivision: str | None
    notes: bool | None
    no_accents: bool


def _kind(path: str) -> str:
    for suffix in ("mid", "midi", "wav"):
        if path.lower().endswith(f".{suffix}"):
            return suffix[:3]
    raise UsageError(f"{path}: end the name in .mid or .wav, so that it says what to write")


def _assignment(path: str | None, given: _Given) -> Assignment:
    """The assignment in the file, or one made of the options, with the options on top."""
    from improv.assignments.reading import read_assignment

    if path is not None and given.subdivision is not None:
        raise UsageError("--subdivision: the assignment says it already; use --notes or --no-notes")
    if path is not None and given.meter is not None:
        raise UsageError("--meter: the assignment says it already")
    base = read_assignment(path) if path is not None else _blank(given)
    on, off = _gaps(given.gaps)
    changed: dict[str, Any] = {
        "beats": _beats(given.beats),
        "half_time": given.half_time or None,
        "place": given.place,
        "subdivision": given.notes,
        "accents": False if given.no_accents else None,
        "bars_on": on,
        "bars_off": off,
    }
    style = replace(base.click, **{k: v for k, v in changed.items() if v is not None})
    made = replace(base, click=style, **_lengths(base, given))
    _recheck(made)
    return made


def _blank(given: _Given) -> Assignment:
    """An assignment that asks for nothing but a click at the tempo stated."""
    from improv.assignments.model import Assignment, ClickStyle, Section
    from improv.assignments.values import full_name
    from improv.meter import parse_meter

    if given.tempo is None:
        raise UsageError("name an assignment, or state at least --tempo")
    meter = parse_meter(given.meter or "4/4")
    sections: tuple[Section, ...] = ()
    if given.subdivision is not None:
        try:
            name = full_name(given.subdivision, meter)
        except UsageError as fault:
            raise UsageError(f"--subdivision: {fault}") from None
        sections = (Section(1, None, stay_on=name),)
    style = ClickStyle(subdivision=True if sections else None)
    return Assignment("", meter, (given.tempo,), sections, count_in_bars=1, click=style)


def _lengths(base: Assignment, given: _Given) -> dict[str, Any]:
    """Bars, count-in and tempi."""
    found: dict[str, Any] = {}
    if given.bars is not None:
        found["bars"] = given.bars
    if given.count_in is not None:
        found["count_in_bars"] = given.count_in
    if given.tempo is not None:
        found |= {"tempo_bpm": (given.tempo,), "bars_per_tempo": None}
    if (given.step is None) != (given.every is None):
        raise UsageError("--step and --every belong together: 4 BPM more every 8 bars")
    if given.step is not None and given.every is not None:
        found |= _ladder(base, given, given.step, given.every)
    return found


def _ladder(base: Assignment, given: _Given, step: float, every: int) -> dict[str, Any]:
    from improv.assignments.clicktrack import bars_in

    bars = given.bars or bars_in(base)
    first = given.tempo if given.tempo is not None else base.tempo_bpm[0]
    count = -(-bars // every)
    tempi = tuple(first + i * step for i in range(count))
    if not all(SLOWEST_BPM <= tempo <= FASTEST_BPM for tempo in tempi):
        raise UsageError(
            f"--step {step:g} every {counted(every, 'bar')} ends at {tempi[-1]:g} BPM, out of range"
        )
    return {"tempo_bpm": tempi, "bars_per_tempo": every if count > 1 else None}


def _beats(text: str | None) -> tuple[int, ...] | None:
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d{1,2})(?:\s*[,&]\s*(\d{1,2}))*\s*", text)
    if not found:
        raise UsageError(f"--beats {text}: name beats like 2,4")
    return tuple(int(n) for n in re.findall(r"\d+", text))


def _gaps(text: str | None) -> tuple[int | None, tuple[int, ...] | None]:
    """`3+1` as 3 bars on, 1 off; `4+1,4+2` as gaps that grow."""
    if text is None:
        return None, None
    pairs = re.findall(r"(\d{1,4})\s*\+\s*(\d{1,2})", text)
    plain = re.sub(r"\s", "", text)
    if not pairs or plain != ",".join(f"{a}+{b}" for a, b in pairs):
        raise UsageError(f"--gaps {text}: write bars on + bars off like 3+1, or 4+1,4+2")
    on, off = {int(a) for a, _ in pairs}, tuple(int(b) for _, b in pairs)
    if min(on) < 1 or min(off) < 1:
        what = "the click sounds for one bar" if min(on) < 1 else "a gap lasts one bar"
        raise UsageError(f"--gaps {text}: {what} at least; without --gaps nothing drops out")
    if len(on) > 1:
        raise UsageError(f"--gaps {text}: the bars with a click stay as many throughout")
    if max(off) > LONGEST_GAP_BARS:
        raise UsageError(f"--gaps {text}: a gap lasts {LONGEST_GAP_BARS} bars at most")
    return on.pop(), off


def _recheck(made: Assignment) -> None:
    """Options on top of a file must agree with it, as the file's own keys must."""
    from improv.assignments.checking import click_fault

    fault = click_fault(made.click, made.meter)
    if fault is not None:
        raise UsageError(f"--{fault[0]}: {fault[1]}")
