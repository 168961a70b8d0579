"""Which works of the corpus are taken, and into which split: tables only.

Counts are per split, in the order tune, report, pool.
"""

from __future__ import annotations

FREE = "none"  # how the Essen files mark bars of changing length

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
    ("report", "trecento/PMFC_06_8-In Verde Prato"),
    ("tune", "trecento/PMFC_24_8-Gloria Ciconia 8"),
    ("report", "trecento/PMFC_06_Giovanni-05_Donna_Gia_Fu_Leggiadra"),
    ("tune", "trecento/PMFC_04-Si dolce non sono"),
    ("tune", "trecento/PMFC_12_12-Credo Bartholus"),
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
