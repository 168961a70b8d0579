"""Read rhythms out of the corpus that music21 ships, and deal them into the three splits.

    python -m benchmarks.extract        rewrites benchmarks/data/*.json (about 2 minutes)

How a part becomes a line: `benchmarks.score_lines`. Which works: `benchmarks.choice`.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from benchmarks.choice import ABC_QUOTAS, CHANGING, CHORALES, CLASSICAL, FOLK_QUOTAS, FREE
from benchmarks.corpus import DATA, SPLITS, Excerpt, Tune, meter, to_json, write_lines
from benchmarks.score_lines import BARS_AT_MOST, line_of

SEED = 20260


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
    """Lines of larger scores, lines across a change of meter, chorale voices."""
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
    for split, tune in _chorale_voices():
        found[split].append(tune)
    return found


def _chorale_voices() -> Iterator[tuple[str, Tune]]:
    """One voice of each chorale, the four voices in turn, with the split it goes to."""
    from music21 import corpus

    apart = {work.split("/")[1] for _, work in CHANGING}
    paths = {Path(str(p)).stem: p for p in corpus.getComposer("bach")}  # some are there twice
    works = [p for stem, p in paths.items() if re.fullmatch(r"bwv[\d.]+", stem)]
    works = [p for p in works if Path(str(p)).stem not in apart]
    rng = random.Random(SEED)
    rng.shuffle(works)
    splits = [s for s, n in zip(SPLITS, CHORALES, strict=True) for _ in range(n)]
    rng.shuffle(splits)
    for i, path in enumerate(works):
        if not splits:
            break
        parts = list(corpus.parse(path).parts)
        name = f"bach/{Path(str(path)).stem}#{i % 4 + 1}"
        tune = line_of(parts[i % 4], name, "chorale") if len(parts) == 4 else None
        if tune is not None:
            yield splits.pop(), tune


def _around_change(part: Any, source: str) -> Tune | None:
    measures = list(part.getElementsByClass("Measure"))
    changes = [i for i, m in enumerate(measures) if m.timeSignature is not None and i > 1]
    if not changes:
        return None
    first = max(0, changes[0] - BARS_AT_MOST // 2)
    genre = "chorale" if "bach" in source else "motet" if "trecento" in source else "quartet"
    tune = line_of(part, source, genre, first)
    return tune if tune is not None and len(set(tune.meters)) > 1 else None


def excerpts(tunes: Iterable[Tune]) -> Iterator[Excerpt]:
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
