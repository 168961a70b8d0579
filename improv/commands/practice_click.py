"""`improv click`: the practice track of an assignment, or of a tempo, as MIDI and WAV."""

from __future__ import annotations

import re
from dataclasses import replace

import click

from improv.commands.options import EXISTING_FILE, FiniteRange
from improv.commands.output import refuse_overwriting, say
from improv.counting import counted
from improv.errors import UsageError

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
@click.option("--tempo", type=FiniteRange(10, 1000), metavar="BPM", help="In beats of the meter.")
@click.option("--meter", metavar="METER", help="4/4, 6/8, 2+2+2+3/8, or 9/8+10/8.")
@click.option(
    "--bars", type=click.IntRange(1, 2000), metavar="N", help="Length after the count-in."
)
@click.option(
    "--count-in", type=click.IntRange(0, 64), metavar="BARS", help="Bars before bar 1 (default 1)."
)
@click.option(
    "--step", type=FiniteRange(-100, 100), metavar="BPM", help="Raise the tempo by BPM ..."
)
@click.option("--every", type=click.IntRange(1, 2000), metavar="BARS", help="... every BARS bars.")
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
def command(assignment: str | None, part: str, outputs: tuple[str, ...], **given: object) -> None:
    """Make the click track to practise with: MIDI, WAV, or both.

    It counts in, accents the groups of the meter, sounds what was assigned, announces
    changes by a pickup sound, and can drop out, shift, or climb in tempo.
    """
    from improv.assignments.clickfiles import click_wav, write_click_midi
    from improv.assignments.clicktrack import MOST_BARS, bars_in, click_track
    from improv.assignments.jobs import check_part
    from improv.files import write_bytes

    for path in outputs:
        refuse_overwriting(path, [assignment], "assignment")
    kinds = [_kind(path) for path in outputs]
    asked = _assignment(assignment, given)
    longest = asked.bars or asked.last_bar or 1
    if longest > MOST_BARS:
        raise UsageError(
            f"{longest} bars are too many for one track ({MOST_BARS} at most): state --bars"
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


def _kind(path: str) -> str:
    for suffix in ("mid", "midi", "wav"):
        if path.lower().endswith(f".{suffix}"):
            return suffix[:3]
    raise UsageError(f"{path}: end the name in .mid or .wav, so that it says what to write")


def _assignment(path: str | None, given: dict[str, object]):  # type: ignore[no-untyped-def]
    """The assignment in the file, or one made of the options, with the options on top."""
    from improv.assignments.reading import read_assignment

    if path is None and given["tempo"] is None:
        raise UsageError("name an assignment, or state at least --tempo")
    base = read_assignment(path) if path is not None else _blank(given)
    if path is not None and given["subdivision"] is not None:
        raise UsageError("--subdivision: the assignment says it already; use --notes or --no-notes")
    if path is not None and given["meter"] is not None:
        raise UsageError("--meter: the assignment says it already")
    click_style = base.click
    changed = {
        "beats": _beats(given["beats"]),
        "half_time": given["half_time"] or None,
        "place": given["place"],
        "subdivision": given["notes"],
        "accents": False if given["no_accents"] else None,
    }
    on, off = _gaps(given["gaps"])
    changed |= {"bars_on": on, "bars_off": off}
    style = replace(click_style, **{k: v for k, v in changed.items() if v is not None})
    made = replace(base, click=style, **_lengths(base, given))
    _recheck(made)
    return made


def _blank(given: dict[str, object]):  # type: ignore[no-untyped-def]
    from improv.assignments.model import Assignment, ClickStyle, Section
    from improv.assignments.values import full_name
    from improv.meter import parse_meter

    meter = parse_meter(str(given["meter"] or "4/4"))
    sections: tuple[Section, ...] = ()
    if given["subdivision"] is not None:
        try:
            name = full_name(str(given["subdivision"]), meter)
        except UsageError as fault:
            raise UsageError(f"--subdivision: {fault}") from None
        sections = (Section(1, None, stay_on=name),)
    style = ClickStyle(subdivision=True if sections else None)
    tempo = given["tempo"]
    assert isinstance(tempo, float)
    return Assignment("", meter, (tempo,), sections, count_in_bars=1, click=style)


def _lengths(base, given: dict[str, object]) -> dict[str, object]:  # type: ignore[no-untyped-def]
    """Bars, count-in and tempi."""
    found: dict[str, object] = {}
    if given["bars"] is not None:
        found["bars"] = given["bars"]
    if given["count_in"] is not None:
        found["count_in_bars"] = given["count_in"]
    if given["tempo"] is not None:
        found |= {"tempo_bpm": (given["tempo"],), "bars_per_tempo": None}
    step, every = given["step"], given["every"]
    if (step is None) != (every is None):
        raise UsageError("--step and --every belong together: 4 BPM more every 8 bars")
    if step is not None and every is not None:
        found |= _ladder(base, given, float(str(step)), int(str(every)))
    return found


def _ladder(base, given: dict[str, object], step: float, every: int) -> dict[str, object]:  # type: ignore[no-untyped-def]
    from improv.assignments.clicktrack import bars_in

    bars = given["bars"] or bars_in(base)
    assert isinstance(bars, int)
    first = float(str(given["tempo"])) if given["tempo"] is not None else base.tempo_bpm[0]
    count = -(-bars // every)
    tempi = tuple(first + i * step for i in range(count))
    if not all(10 <= tempo <= 1000 for tempo in tempi):
        raise UsageError(
            f"--step {step:g} every {counted(every, 'bar')} ends at {tempi[-1]:g} BPM, out of range"
        )
    return {"tempo_bpm": tempi, "bars_per_tempo": every if count > 1 else None}


def _beats(text: object) -> tuple[int, ...] | None:
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d{1,2})(?:\s*[,&]\s*(\d{1,2}))*\s*", str(text))
    if not found:
        raise UsageError(f"--beats {text}: name beats like 2,4")
    return tuple(int(n) for n in re.findall(r"\d+", str(text)))


LONGEST_GAP_BARS = 64
"""As `bars-off` of an assignment allows."""


def _gaps(text: object) -> tuple[int | None, tuple[int, ...] | None]:
    """`3+1` as 3 bars on, 1 off; `4+1,4+2` as gaps that grow."""
    if text is None:
        return None, None
    pairs = re.findall(r"(\d{1,4})\s*\+\s*(\d{1,2})", str(text))
    plain = re.sub(r"\s", "", str(text))
    if not pairs or plain != ",".join(f"{a}+{b}" for a, b in pairs):
        raise UsageError(f"--gaps {text}: write bars on + bars off like 3+1, or 4+1,4+2")
    on, off = {int(a) for a, _ in pairs}, tuple(int(b) for _, b in pairs)
    if len(on) > 1 or min(on) < 1 or min(off) < 1:
        raise UsageError(f"--gaps {text}: the bars with a click stay the same, from 1 on")
    if max(off) > LONGEST_GAP_BARS:
        raise UsageError(f"--gaps {text}: a gap lasts {LONGEST_GAP_BARS} bars at most")
    return on.pop(), off


def _recheck(made) -> None:  # type: ignore[no-untyped-def]
    """Options on top of a file must agree with it, as the file's own keys must."""
    from improv.assignments.checking import place_fault

    style = made.click
    if style.half_time and style.beats is not None:
        raise UsageError("--half-time contradicts --beats: give one of them")
    most = max(m.beats for m in made.meter)
    if style.beats is not None and not all(1 <= b <= most for b in style.beats):
        raise UsageError(f"--beats: a bar has beats 1 to {most}")
    fault = place_fault(style, made.meter)
    if fault is not None:
        raise UsageError(f"--place: {fault}")
