"""The notated rhythms from outside, and the rules that mark an answer against them."""

import json
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.corpus import Excerpt, Tune, from_json, meter, to_json  # noqa: E402
from benchmarks.hand import bar_lines, play, straying_ms  # noqa: E402
from benchmarks.marking import Answer, coarsest, mark, notated_points  # noqa: E402
from benchmarks.material import POOL  # noqa: E402
from benchmarks.rhythms import load_tunes  # noqa: E402
from benchmarks.rivals import nearest_point, penalised_grid, told_grid  # noqa: E402
from benchmarks.score_lines import exact, line_of  # noqa: E402

F = Fraction
SPLIT_TUNES = {split: load_tunes(split, folk=False) for split in ("tune", "report")}


def load_pool() -> list[Excerpt]:
    """The excerpts simulated solos draw from."""
    return [
        Excerpt(r["meter"], r["source"], r["bars"], tuple(map(F, r["onsets_quarter"])))
        for r in json.loads(POOL.read_text(encoding="utf-8"))
    ]


def played(bars: list[str], signature: str = "4/4", genre: str = "air", spread_ms: float = 0.0):
    """A performance of bars of onsets without any straying unless asked for."""
    onsets = tuple(tuple(map(F, bar.split())) for bar in bars)
    tune = Tune("by hand", genre, False, (signature,) * len(bars), onsets)
    return play(tune, spread_ms, np.random.default_rng(1))


def answer(position_beat) -> Answer:
    """Positions on a grid throughout."""
    return Answer(np.asarray(position_beat, float), np.zeros(len(position_beat), dtype=bool))


def work_of(source: str) -> str:
    """The work of a source: in the tune books the number counts, in a score it is the part."""
    books = ("ryansMammoth", "oneills1850", "airdsAirs", "miscFolk")
    return source if source.startswith(books) else source.split("#")[0]


def test_splits_share_no_work():
    """A work is in one of the three splits only."""
    works = [{work_of(t.source) for t in tunes} for tunes in SPLIT_TUNES.values()]
    works.append({work_of(e.source) for e in load_pool()})
    assert all(len(w) > 100 for w in works)
    assert len(works) == 3
    for i, some in enumerate(works):
        for others in works[i + 1 :]:
            assert not some & others


@pytest.mark.parametrize("split", ["tune", "report"])
def test_onsets_lie_in_their_bars(split):
    """Every onset lies in [0, bar length), ascending, and in a bar whose meter can be read."""
    assert len(SPLIT_TUNES[split]) > 100
    for tune in SPLIT_TUNES[split]:
        assert tune.onsets and any(tune.onsets), tune.source
        for text, onsets in zip(tune.meters, tune.onsets, strict=True):
            assert list(onsets) == sorted(set(onsets)), tune.source
            assert all(0 <= t < meter(text).bar_quarters for t in onsets), tune.source


def test_pool_excerpts_lie_in_their_bars():
    """Pool excerpts are 2 to 8 bars and hold their onsets."""
    pool = load_pool()
    assert len(pool) > 100
    for excerpt in pool:
        assert 2 <= excerpt.bars <= 8
        assert excerpt.onsets_quarter[-1] < excerpt.bars * meter(excerpt.meter).bar_quarters


def test_report_covers_genres_and_meters():
    """The report split reaches simple and compound meters, and lines that change meter."""
    tunes = SPLIT_TUNES["report"]
    assert {"reel", "jig", "slip jig", "hornpipe", "strathspey", "chorale", "rag"} <= {
        t.genre for t in tunes
    }
    assert {"2/4", "3/4", "4/4", "2/2", "6/8", "9/8", "12/8", "3/8"} <= {
        t.main_meter for t in tunes
    }
    assert any(len(set(t.meters)) > 1 for t in tunes)


def test_json_round_trip():
    """Writing and reading a tune loses nothing."""
    assert len(SPLIT_TUNES["report"]) > 20
    for tune in SPLIT_TUNES["report"][:20]:
        assert from_json(to_json(tune)) == tune


def test_known_tune_reads_as_printed():
    """The Acacia reel (Ryan's Mammoth Collection, 1883, as music21 ships it): its second bar.

    The abc text is `cBcd .e2((3def)`, sixteenths, an eighth and a sixteenth triplet, in 2/4.
    """
    from music21 import corpus

    score = corpus.parse("ryansMammoth/AcaciaReel")
    tune = line_of(score.parts[0], "AcaciaReel", "reel", 0, "2/4")
    assert tune is not None and tune.pickup and tune.left_out == 0
    assert tune.onsets[0] == (F(3, 2), F(5, 3), F(11, 6))
    quarters = (F(0), F(1, 4), F(1, 2), F(3, 4), F(1), F(3, 2), F(5, 3), F(11, 6))
    assert tune.onsets[2] == quarters


@pytest.mark.parametrize(
    ("offset", "meant"),
    [(85 / 128, "2/3"), (21 / 128, "1/6"), (0.125, "1/8"), (1 / 32, "1/32"), (3 / 28, "3/28")],
)
def test_rounded_triplets_are_mended(offset, meant):
    """Ticks that round a triplet become the triplet; short binary notes and septuplets stay."""
    assert exact(offset) == F(meant)


def test_pickup_lies_before_bar_one():
    """A pickup bar is bar 0 and ends at quarter 0, also where the meter changes after it."""
    tune = Tune("x", "air", True, ("3/4", "4/4", "4/4"), ((F(2),), (F(0), F(2)), (F(0),)))
    bars = bar_lines(tune)
    assert bars.start_quarter[:4].tolist() == [-3.0, 0.0, 4.0, 8.0]
    assert bars.number[:3].tolist() == [0, 1, 2]
    performance = play(tune, 0.0, np.random.default_rng(0))
    assert performance.position_beat.tolist() == [-1.0, 0.0, 2.0, 4.0]


def test_additive_beats_count_one():
    """In 5/8 (2+3) the onset on the fourth eighth is a third into beat 2."""
    assert played(["0 1 3/2 2"], "5/8").position_beat == pytest.approx([0, 1, 4 / 3, 5 / 3])


def test_hand_has_the_stated_spread_and_memory():
    """The AR(1) hand: standard deviation and lag-one correlation as asked, over many notes."""
    late = straying_ms(200_000, 10.0, np.random.default_rng(3))
    core = late - np.median(late)
    wide = np.sqrt(100.0 + 0.02 * 900.0)  # one note in fifty adds three times the spread
    assert np.std(core) == pytest.approx(wide, rel=0.03)
    assert np.corrcoef(core[:-1], core[1:])[0, 1] == pytest.approx(0.5 * 100 / wide**2, abs=0.02)


@pytest.mark.parametrize(
    ("signature", "quarters", "row"),
    [
        ("4/4", ["0"], "two-beat"),
        ("4/4", ["1"], "beat"),
        ("4/4", ["0", "1/2"], "unit"),
        ("4/4", ["0", "1/3"], "triplet"),
        ("4/4", ["0", "2/3"], "three-in-two"),
        ("4/4", ["0", "3/4"], "half-unit"),
        ("4/4", ["0", "1/6"], "sextuplet"),
        ("4/4", ["0", "1/6", "3/4"], None),
        ("6/8", ["0", "1/2", "1"], "unit"),
        ("6/8", ["0", "3/4", "1"], "half-unit"),
        ("6/8", ["0", "3/4"], "triplet"),
        ("5/8", ["1", "3/2", "2"], "unit"),
        ("3/4", ["0", "1/5"], "quintuplet"),
    ],
)
def test_coarsest_row_worked_by_hand(signature, quarters, row):
    """The notated subdivision of a beat is the coarsest straight row holding its onsets."""
    assert coarsest(meter(signature), map(F, quarters)) == row


def test_marks_of_a_perfect_answer_and_of_none():
    """The notation itself is all right; notes on no grid are all wrong."""
    p = played(["0 1/2 1 3/2 2 3", "0 1/3 2/3 1 2"])
    marks = mark(p, answer(p.position_beat))
    assert marks.beats.all() and marks.notes.all() and len(marks.beats) == 7
    none = mark(p, Answer(p.position_beat, np.ones(len(p.take), dtype=bool)))
    assert not none.beats.any() and not none.notes.any()


def test_marks_by_hand():
    """Right rows at wrong places keep the beat and lose the notes; a strayed beat loses both."""
    p = played(["0 1/2 1 2 3"])
    finer = mark(p, answer([0, 0.25, 1, 2, 3]))
    assert finer.beats.tolist() == [False, True, True, True]
    assert finer.notes.tolist() == [True, False, True, True, True]
    outside = mark(p, answer([0, 0.5, 1, 2, 4]))
    assert outside.beats.tolist() == [True, True, True, False]
    p = played(["0 1/4", "0 3/4"])
    swapped = mark(p, answer([0, 0.75, 4, 4.75]))
    assert swapped.beats.tolist() == [True, True]
    assert swapped.notes.tolist() == [True, False, True, True]


def test_what_no_row_writes_is_not_counted():
    """A sixteenth triplet beside an eighth-dotted figure: its beat and its lone notes drop out."""
    p = played(["0 1/6 3/4 1 2 3"])
    marks = mark(p, answer(p.position_beat))
    assert (marks.beats_left_out, len(marks.beats), marks.notes_left_out) == (1, 3, 0)
    p = played(["0 1/9 1 2 3"])
    assert mark(p, answer(p.position_beat)).notes_left_out == 1


@pytest.mark.parametrize("signature", ["4/4", "6/8", "5/8", "2/2"])
def test_rivals_are_right_on_a_clean_hand(signature):
    """Every rival recovers plain units played without straying, whatever the constant offset."""
    m = meter(signature)
    units = [str(k * m.unit_quarter) for k in range(sum(m.groups))]
    p = played([" ".join(units)] * 4, signature)
    for position in (
        nearest_point(p),
        penalised_grid(p, 200.0),
        told_grid(p, notated_points(p)),
    ):
        assert position == pytest.approx(p.position_beat, abs=1e-6)


def test_music21_rival_is_right_on_a_clean_hand():
    """music21's quantiser gets clean eighths and triplets back through our wrapper."""
    from benchmarks.rivals import music21_quantiser

    p = played(["0 1/2 1 4/3 5/3 2 3"] * 3)
    assert music21_quantiser(p, (4, 3)) == pytest.approx(p.position_beat, abs=1e-6)
