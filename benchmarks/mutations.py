"""Damaged files: ten thousand seeded mutations of valid takes, each read and analyzed.

    python -m benchmarks mutations [--count 10000] [--seed 1]

Every file must end in a take, an analysis, or one line of `ImprovError`; none may take
more than two seconds, none may need much memory. Prints a table; exits 1 if a promise
is broken.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import mido
import numpy as np

from benchmarks.goals import at_most, conclude
from improv import analyze
from improv.errors import ImprovError
from improv.meter import parse_meter
from improv.midi import read_take
from improv.model import Reading

SLOWEST_SEC = 2.0
MOST_MEMORY_MB = 500.0
READINGS = (
    Reading(),
    Reading(tempo_bpm=96.0),
    Reading(tempo_bpm=140.0, meter=parse_meter("2+2+2+3/8"), count_in_bars=1),
    Reading(find_start=True),
    Reading(track="2", start_sec=0.5),
)


def valid_file(rng: np.random.Generator) -> mido.MidiFile:
    """A small take of a random kind: solo or band, ramps and meter changes or none."""
    kind = int(rng.integers(0, 3))
    file = mido.MidiFile(type=kind, ticks_per_beat=int(rng.choice([24, 96, 480, 960])))
    tracks = 1 if kind == 0 else int(rng.integers(1, 4))
    playing = int(rng.integers(tracks))
    for number in range(tracks):
        track = mido.MidiTrack()
        track.append(mido.MetaMessage("track_name", name=f"part {number}"))
        for _ in range(int(rng.integers(0, 6))):
            tempo = int(rng.integers(200_000, 1_200_000))
            track.append(mido.MetaMessage("set_tempo", tempo=tempo, time=int(rng.integers(0, 999))))
        if rng.uniform() < 0.5:
            beats = int(rng.integers(2, 13))
            track.append(mido.MetaMessage("time_signature", numerator=beats, denominator=8))
        for _ in range(
            int(rng.integers(0, 150)) if number == playing or rng.uniform() < 0.2 else 0
        ):
            pitch, gap = int(rng.integers(30, 100)), int(rng.integers(0, file.ticks_per_beat))
            track.append(mido.Message("note_on", note=pitch, velocity=80, time=gap))
            track.append(mido.Message("note_off", note=pitch, time=int(rng.integers(0, 200))))
        file.tracks.append(track)
    return file


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """One to five random injuries: bytes changed, cut out, doubled, filled, the end cut off.

    In half of the files only values are bent and no event loses its place, so that they stay
    readable; in most others the chunk lengths are mended, so that damage is met inside.
    """
    work = bytearray(data)
    mild = rng.uniform() < 0.5
    for _ in range(int(rng.integers(1, 6))):
        at, size = int(rng.integers(0, max(len(work), 1))), int(rng.integers(1, 12))
        injury = 0 if mild else int(rng.integers(1, 8))
        if injury == 0:
            work[at] = work[at] & 0x80 | int(rng.integers(128))
        elif injury <= 3 and work:
            work[at] = int(rng.integers(256))
        elif injury == 4:
            del work[at : at + size]
        elif injury == 5:
            work[at:at] = work[at : at + size]
        elif injury == 6:
            work[at : at + size] = bytes([int(rng.choice([0x00, 0x7F, 0xFF]))]) * size
        elif rng.uniform() < 0.3:
            del work[at:]
    return bytes(work) if mild or rng.uniform() < 0.2 else mended(bytes(work))


def mended(data: bytes) -> bytes:
    """The same tracks with chunk lengths that fit them."""
    head, *tracks = data.split(b"MTrk")
    bodies = [track[4:] for track in tracks]
    return head + b"".join(b"MTrk" + len(b).to_bytes(4, "big") + b for b in bodies)


def mutations(count: int, seed: int) -> Iterator[tuple[bytes, Reading]]:
    """`count` damaged files and a way to read each, the same for the same seed."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "valid.mid"
        for number in range(count):
            if number % 20 == 0:
                valid_file(rng).save(path)
                data = path.read_bytes()
            yield mutated(data, rng), READINGS[int(rng.integers(len(READINGS)))]


def outcome(path: Path, reading: Reading) -> str:
    """What became of a file: `analyzed`, a refusal's kind, or `TRACEBACK`."""
    try:
        take = read_take(path, reading)
    except ImprovError as refusal:
        return "refused on reading" if "\n" not in str(refusal) else "TRACEBACK"
    except Exception:
        return _traceback(path)
    try:
        analyze(take)
    except ImprovError:
        return "read, refused by the analysis"
    except Exception:
        return _traceback(path)
    return "read and analyzed"


def _traceback(path: Path) -> str:
    """Show an error that should not be, and the file that brought it about."""
    traceback.print_exc(limit=-2)
    print(f"  from {path.read_bytes().hex()}", file=sys.stderr)
    return "TRACEBACK"


def main(arguments: list[str]) -> int:
    """Run, print the table, return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks mutations")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    counts: Counter[str] = Counter()
    slowest = 0.0
    np.seterr(all="raise", under="ignore")
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "mutated.mid"
        for data, reading in mutations(asked.count, asked.seed):
            path.write_bytes(data)
            begin = time.perf_counter()
            counts[outcome(path, reading)] += 1
            slowest = max(slowest, time.perf_counter() - begin)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    for what, number in sorted(counts.items()):
        print(f"{what:32} {number:7}")
    print(f"{'memory at the start':32} {before_mb:7.0f} MB")
    return conclude(
        (
            at_most("files that end in a traceback", counts["TRACEBACK"], 0),
            at_most("slowest file", slowest, SLOWEST_SEC, "s"),
            at_most("highest memory", peak_mb, MOST_MEMORY_MB, "MB"),
        )
    )
