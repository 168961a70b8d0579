"""Read rhythms out of the corpus that music21 ships, and deal them into the three splits.

    python -m benchmarks.extract        rewrites benchmarks/data/*.json (about 3 minutes)

Ties are merged, rests leave gaps, grace notes are dropped, a short bar next to a repeat or at
the start is a pickup (placed at the end of its bar), two short bars that make one bar are
joined. Bars that do not add up are left silent and counted. Repeats are not unfolded.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

from benchmarks.corpus import DATA, SPLITS, Excerpt, Tune, meter, to_json, write_lines
from improv.errors import UsageError

SEED = 20260
BARS_AT_MOST = 24
NOTES_AT_LEAST = 16
METERS_AT_MOST = 4
BAR_AT_MOST_QUARTERS = 12
FREE = "none"  # how the Essen files mark bars of changing length
FREE_METERS = frozenset(("2/4", "3/4", "4/4", "5/4", "3/8", "5/8", "6/8", "7/8"))

#        genre (None: any)  signature as written     tunes per split (tune, report, pool)
ABC_QUOTAS: tuple[tuple[str | None, tuple[str, ...], tuple[int, int, int]], ...] = (
    (None,           ("12/8",),               (2, 3, 1)),
    (None,           ("6/4", "9/4", "3/2"),   (4, 5, 3)),
    ("reel",         ("2/4",),                (10, 14, 14)),
    ("reel",         ("2/2",),                (10, 14, 14)),
    ("reel",         ("4/4",),                (4, 6, 6)),
    ("jig",          ("6/8",),                (14, 20, 20)),
    ("slip jig",     ("9/8",),                (10, 14, 14)),
    ("hornpipe",     ("2/4",),                (6, 8, 8)),
    ("hornpipe",     ("2/2", "4/4"),          (6, 8, 8)),
    ("strathspey",   ("2/2", "4/4"),          (6, 8, 8)),
    ("air",          ("3/4",),                (12, 16, 16)),
    ("air",          ("4/4", "2/2"),          (10, 14, 14)),
    ("air",          ("2/4",),                (8, 10, 10)),
    ("air",          ("6/8",),                (5, 8, 8)),
    ("air",          ("3/8",),                (4, 6, 5)),
)  # fmt: skip
FOLK_QUOTAS: tuple[tuple[str, tuple[int, int, int]], ...] = (
    ("2/4", (6, 8, 8)), ("3/4", (6, 8, 8)), ("4/4", (6, 8, 8)), ("6/8", (6, 8, 8)),
    ("3/8", (6, 8, 8)), ("3/2", (5, 7, 7)), ("6/4", (5, 7, 7)), ("2/2", (4, 6, 6)),
    ("4/2", (4, 6, 6)), ("5/8", (2, 4, 2)), ("7/8", (0, 2, 0)), ("5/4", (1, 1, 0)),
    ("9/8", (1, 3, 2)), ("4/8", (2, 3, 2)), (FREE, (8, 12, 10)),
)  # fmt: skip
CHORALES = (14, 20, 20)
# Works with changes of meter: lines are cut so that the first change falls in their middle.
CHANGING: tuple[tuple[str, str], ...] = (
    ("tune", "bach/bwv171.6"), ("report", "bach/bwv27.6"), ("report", "bach/bwv362"),
    ("tune", "bach/bwv41.6"), ("report", "beethoven/opus59no3/movement1"),
    ("tune", "schumann_robert/opus41no1/movement5"), ("report", "luca/gloria"),
    ("report", "trecento/PMFC_06_8-In Verde Prato"), ("tune", "trecento/PMFC_24_8-Gloria Ciconia 8"),
    ("report", "trecento/PMFC_06_Giovanni-05_Donna_Gia_Fu_Leggiadra"),
    ("tune", "trecento/PMFC_04-Si dolce non sono"), ("tune", "trecento/PMFC_12_12-Credo Bartholus"),
    ("report", "trecento/PMFC_06_Giovanni-07_In_Sulla_Ripa"),
    ("report", "trecento/PMFC_23_20-Kyrie O Sacra Virgo Beata"),
    ("tune", "trecento/PMFC_06-Jacopo-02-Con-Gran-Furor"),
    ("report", "trecento/PMFC_12_10a-Credo PMFC12.10a"),
)  # fmt: skip
CLASSICAL: tuple[tuple[str, str, str], ...] = (
    ("report", "rag", "joplin/maple_leaf_rag"),
    ("tune", "rag", "leadSheet/berlinAlexandersRagtime"),
    ("tune", "quartet", "haydn/opus1no1/movement1"),
    ("tune", "quartet", "haydn/opus74no1/movement2"),
    ("tune", "quartet", "mozart/k155/movement1"),
    ("tune", "quartet", "mozart/k458/movement3"),
    ("tune", "quartet", "beethoven/opus18no1/movement1"),
    ("tune", "quartet", "beethoven/opus18no1/movement2"),
    ("tune", "song", "leadSheet/fosterBrownHair"),
    ("tune", "song", "verdi/laDonnaEMobile"),
    ("tune", "piano", "schumann_clara/polonaise_op1n1"),
    ("report", "quartet", "haydn/opus1no1/movement2"),
    ("report", "quartet", "haydn/opus1no1/movement4"),
    ("report", "quartet", "haydn/opus74no1/movement1"),
    ("report", "quartet", "mozart/k155/movement2"),
    ("report", "quartet", "mozart/k156/movement2"),
    ("report", "quartet", "mozart/k458/movement1"),
    ("report", "quartet", "beethoven/opus59no1/movement1"),
    ("report", "quartet", "schumann_robert/opus41no1/movement1"),
    ("report", "song", "schubert/Lindenbaum"),
    ("report", "song", "johnson_j_r/lift_every_voice"),
    ("report", "piano", "schumann_clara/polonaise_op1n3"),
    ("report", "solo", "weber/concertino_clarinet"),
    ("pool", "quartet", "haydn/opus74no1/movement4"),
    ("pool", "quartet", "mozart/k80/movement2"),
    ("pool", "quartet", "mozart/k156/movement1"),
    ("pool", "quartet", "mozart/k458/movement4"),
    ("pool", "quartet", "beethoven/opus18no1/movement4"),
    ("pool", "quartet", "beethoven/opus59no2/movement2"),
    ("pool", "piano", "schumann_clara/polonaise_op1n2"),
    ("pool", "piano", "cpebach/h186"),
    ("pool", "song", "schumann_robert/dichterliebe_no2"),
)  # fmt: skip


# --- one line of a score -----------------------------------------------------


def exact(value: Any) -> Fraction:
    """music21's offset as the fraction it stands for."""
    return Fraction(value).limit_denominator(1680)


def line_of(
    part: Any, source: str, genre: str, first_bar: int = 0, signature: str | None = None
) -> Tune | None:
    """The rhythm of one part, or `None` where it is too short or its meter cannot be read.

    A `signature` rules the whole part (the abc reader writes changes of its own where a bar is
    short); `FREE` means each bar's length is its meter.
    """
    measures = list(part.getElementsByClass("Measure"))
    written, rows = None, []
    for measure in measures:
        if measure.timeSignature is not None:
            written = measure.timeSignature.ratioString
        length, onsets, ends = _measure(measure)
        ruling = _as_long_as(length) if signature == FREE else signature or written
        rows.append((ruling, length, onsets, ends))
    rows = _longest_readable(rows[first_bar:])
    bars, pickup, left_out = _to_bars(rows)
    bars = bars[:BARS_AT_MOST]
    if sum(len(onsets) for _, onsets in bars) < NOTES_AT_LEAST:
        return None
    if len({text for text, _ in bars}) > METERS_AT_MOST:
        return None
    meters, onsets_of = zip(*bars, strict=True)
    return Tune(source, genre, pickup, meters, onsets_of, left_out)


def _longest_readable(rows: list) -> list:
    """The longest stretch of measures whose signature a bar can have."""
    best, current = [], []
    for row in rows:
        current = [*current, row] if _is_meter(row[0]) else []
        best = max(best, current, key=len)
    return best


def _is_meter(text: str | None) -> bool:
    try:
        return text is not None and meter(text).bar_quarters <= BAR_AT_MOST_QUARTERS
    except UsageError:
        return False


def _as_long_as(length: Fraction) -> str | None:
    """The signature of a bar of this length, or `None` for one no song has."""
    text = f"{length * 2}/8" if length.denominator == 2 else f"{length}/4"
    return text if text in FREE_METERS else None


def _measure(measure: Any) -> tuple[Fraction, tuple[Fraction, ...], bool]:
    """Length in quarters, onsets, and whether a section ends with it."""
    onsets, length = set(), Fraction(0)
    for n in measure.flatten().notesAndRests:
        if n.duration.isGrace:
            continue
        at = exact(n.offset)
        length = max(length, at + exact(n.quarterLength))
        tie = getattr(n, "tie", None)
        if n.isRest or "ChordSymbol" in n.classes or (tie and tie.type in ("stop", "continue")):
            continue
        onsets.add(at)
    bar_line = measure.rightBarline
    ends = bar_line is not None and bar_line.type not in ("regular", None)
    return length, tuple(sorted(onsets)), ends


def _to_bars(rows: list) -> tuple[list[tuple[str, tuple[Fraction, ...]]], bool, int]:
    """Lay measures on full bars; see the module's first paragraph for the rules."""
    bars: list[tuple[str, tuple[Fraction, ...]]] = []
    pickup, left_out, i = False, 0, 0
    while i < len(rows):
        text, length, onsets, ends = rows[i]
        whole = meter(text).bar_quarters
        following = rows[i + 1] if i + 1 < len(rows) else None
        after_end = i > 0 and rows[i - 1][3]
        if length > whole:
            bars.append((text, ()))
            left_out += 1
        elif length < whole and i == 0:
            pickup = True
            bars.append((text, tuple(t + whole - length for t in onsets)))
        elif (
            length < whole
            and following
            and following[:1] == (text,)
            and (length + following[1] == whole)
        ):
            bars.append((text, onsets + tuple(t + length for t in following[2])))
            i += 1
        elif length < whole and after_end and not ends:
            bars.append((text, tuple(t + whole - length for t in onsets)))
        else:
            bars.append((text, onsets))
        i += 1
    return bars, pickup, left_out


# --- collections -------------------------------------------------------------


def corpus_folder() -> Path:
    """Where the installed music21 keeps its corpus."""
    import music21

    return Path(music21.__file__).parent / "corpus"


def abc_tunes(folder: str) -> Iterator[tuple[str, str, str, str]]:
    """(source, signature or '', kind of tune or '', text) of each tune in a folder of abc files.

    The signature is "changing" where a tune has several.
    """
    for path in sorted((corpus_folder() / folder).glob("*.abc")):
        text = path.read_text(encoding="utf-8", errors="replace").replace("\r", "")
        for piece in re.split(r"(?m)^(?=X:)", text)[1:]:
            number = re.match(r"X:\s*(\d+)", piece)
            signatures = re.findall(r"(?m)^M:\s*([^\s%]+)", piece) + re.findall(
                r"\[M:\s*([^\]\s]+)\]", piece
            )
            written = [{"C": "4/4", "C|": "2/2"}.get(s, s) for s in signatures]
            kind = re.search(r"(?m)^R:\s*(.+)$", piece)
            source = f"{folder}/{path.stem}" + (f"#{number[1]}" if number else "")
            one = written[0] if len(set(written)) == 1 else "changing" if written else ""
            yield source, one, kind[1].strip().lower() if kind else "", piece


_KINDS = (
    ("slip", "slip jig"), ("jig", "jig"), ("slide", "jig"), ("reel", "reel"),
    ("hornpipe", "hornpipe"), ("clog", "hornpipe"), ("strathspey", "strathspey"),
    ("fling", "strathspey"),
)  # fmt: skip


def genre_of(folder: str, kind: str) -> str | None:
    """The genre by which a tune is dealt out, from the tune book's own label."""
    for word, genre in _KINDS:
        if word in kind:
            return genre
    return "air" if folder != "ryansMammoth" or not kind else None


def title_of(text: str) -> str:
    """A tune's title without articles, kinds and points: two books' copies are one work."""
    found = re.search(r"(?m)^T:\s*(.+)$", text)
    words = re.findall(r"[a-z]+", found[1].lower()) if found else []
    kinds = {"the", "a", "reel", "jig", "hornpipe", "strathspey", "clog", "st", "nd", "rd"}
    return " ".join(sorted(set(words) - kinds))


def parse_abc(source: str, genre: str, signature: str, text: str) -> Tune | None:
    """One abc tune through music21's reader; `None` where it fails or is too short."""
    from music21 import converter

    try:
        score = converter.parse(text, format="abc")
        parts = list(score.parts) if score.hasPartLikeStreams() else [score]
    except Exception:  # the reader raises many kinds on odd files; such tunes are passed over
        return None
    return line_of(parts[0], source, genre, 0, signature) if parts else None


Candidate = tuple[str, str, str, str]  # source, genre, signature, text


def _deal(
    candidates: list[Candidate], counts: tuple[int, int, int], used: set[str]
) -> dict[str, list[Tune]]:
    """Parse candidates in a seeded order until each split has its count; no title twice."""
    dealt: dict[str, list[Tune]] = {s: [] for s in SPLITS}
    waiting = [s for s, n in zip(SPLITS, counts, strict=True) for _ in range(n)]
    rng = random.Random(SEED)
    rng.shuffle(waiting)
    rng.shuffle(candidates)
    for source, genre, signature, text in candidates:
        if not waiting:
            break
        title = title_of(text)
        tune = None if title in used else parse_abc(source, genre, signature, text)
        if tune is None or tune.left_out * 8 > len(tune.onsets):
            continue
        if signature == FREE and len(set(tune.meters)) < 2:
            continue
        used.add(title)
        dealt[waiting.pop()].append(tune)
    return dealt


def extract_dances() -> dict[str, list[Tune]]:
    """Dance tunes and airs from the tune books, dealt by genre and signature."""
    shelf: list[Candidate] = []
    for folder in ("ryansMammoth", "oneills1850", "airdsAirs", "miscFolk"):
        for source, written, kind, text in abc_tunes(folder):
            genre = genre_of(folder, kind)
            if genre and written and written != "changing":
                shelf.append((source, genre, written, text))
    found: dict[str, list[Tune]] = {s: [] for s in SPLITS}
    used: set[str] = set()
    for genre, signatures, counts in ABC_QUOTAS:
        fits = [c for c in shelf if genre in (None, c[1]) and c[2] in signatures]
        for split, tunes in _deal(fits, counts, used).items():
            found[split].extend(tunes)
    return found


def extract_folk() -> dict[str, list[Tune]]:
    """Folk songs of the Essen collection, dealt by signature, those with uneven bars too."""
    shelf: dict[str, list[Candidate]] = {}
    for source, written, _, text in abc_tunes("essenFolksong"):
        shelf.setdefault(written, []).append((source, "folk song", written, text))
    found: dict[str, list[Tune]] = {s: [] for s in SPLITS}
    used: set[str] = set()
    for signature, counts in FOLK_QUOTAS:
        for split, tunes in _deal(shelf.get(signature, []), counts, used).items():
            found[split].extend(tunes)
    return found


def extract_scores() -> dict[str, list[Tune]]:
    """Chorale voices (one of each chorale) and lines of larger scores."""
    from music21 import corpus

    found: dict[str, list[Tune]] = {s: [] for s in SPLITS}
    for split, genre, work in CLASSICAL:
        score = corpus.parse(work)
        parts = list(score.parts)[:2] if genre in ("rag", "quartet", "piano") else [score.parts[0]]
        for number, part in enumerate(parts):
            for first in (0, 40) if genre in ("quartet", "rag", "solo") else (0,):
                tune = line_of(part, f"{work}#{number + 1}", genre, first)
                if tune is not None:
                    found[split].append(tune)
    for split, work in CHANGING:
        tune = _around_change(corpus.parse(work).parts[0], f"{work}#1")
        if tune is not None:
            found[split].append(tune)
    apart = {work.split("/")[1] for _, work in CHANGING}
    works = [p for p in corpus.getComposer("bach") if "bwv" in str(p)]
    works = [p for p in works if Path(str(p)).stem not in apart]
    random.Random(SEED).shuffle(works)
    splits = [s for s, n in zip(SPLITS, CHORALES, strict=True) for _ in range(n)]
    random.Random(SEED).shuffle(splits)
    for i, path in enumerate(works):
        if not splits:
            break
        parts = list(corpus.parse(path).parts)
        if len(parts) != 4:
            continue
        tune = line_of(parts[i % 4], f"bach/{Path(str(path)).stem}#{i % 4 + 1}", "chorale")
        if tune is not None:
            found[splits.pop()].append(tune)
    return found


def _around_change(part: Any, source: str) -> Tune | None:
    measures = list(part.getElementsByClass("Measure"))
    changes = [i for i, m in enumerate(measures) if m.timeSignature is not None and i > 1]
    if not changes:
        return None
    first = max(0, changes[0] - BARS_AT_MOST // 2)
    genre = "chorale" if "bach" in source else "motet" if "trecento" in source else "quartet"
    tune = line_of(part, source, genre, first)
    return tune if tune is not None and len(set(tune.meters)) > 1 else None


def excerpts(tunes: Any) -> Iterator[Excerpt]:
    """Cut tunes into excerpts of 2 to 8 bars of one meter, from bar lines, seeded."""
    rng = random.Random(SEED)
    for tune in tunes:
        at = 1 if tune.pickup else 0
        for _ in range(3):
            bars = rng.choice((2, 3, 4, 4, 6, 8))
            text = tune.meters[at] if at < len(tune.meters) else None
            here = tune.meters[at : at + bars]
            if text is None or len(here) < bars or set(here) != {text}:
                break
            whole = meter(text).bar_quarters
            onsets = [
                k * whole + t for k, bar in enumerate(tune.onsets[at : at + bars]) for t in bar
            ]
            if len(onsets) >= 2 * bars:
                yield Excerpt(text, tune.source, bars, tuple(onsets))
            at += bars


def main() -> None:
    """Rewrite the committed data."""
    dances, scores = extract_dances(), extract_scores()
    for split in ("tune", "report"):
        rows = [to_json(t) for t in dances[split] + scores[split]]
        write_lines(DATA / f"rhythms_{split}.json", rows)
        print(split, len(rows), "tunes")
    rows = [
        {"meter": e.meter, "source": e.source, "bars": e.bars,
         "onsets_quarter": [str(t) for t in e.onsets_quarter]}
        for e in excerpts(dances["pool"] + scores["pool"])
    ]  # fmt: skip
    write_lines(DATA / "rhythm_pool.json", rows)
    print("pool", len(rows), "excerpts")


if __name__ == "__main__":
    main()
