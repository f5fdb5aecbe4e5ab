"""Associates: exact odds ratios beside R's fisher.test and mantelhaen.test (`reference/exact`)."""

import csv
from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.exact import ExactOdds, fisher_exact, stratified_exact

ROOM = Path(__file__).parents[2] / "reference" / "exact"
ONE = {
    "vines": ("vines on 82 and 70 trees", ((40, 42), (7, 63))),
    "tea": ("the tea taster", ((3, 1), (1, 3))),
    "convictions": ("convictions of twins", ((2, 10), (15, 3))),
    "rare": ("3 of 1,000 and 14 of 1,000", ((3, 997), (14, 986))),
}
ADMISSIONS = (
    ((512, 313), (89, 19)), ((353, 207), (17, 8)), ((120, 205), (202, 391)), ((138, 279), (131, 244)),
    ((53, 138), (94, 299)), ((22, 351), (24, 317)),
)  # fmt: skip
RABBITS = (((0, 6), (0, 5)), ((3, 3), (0, 6)), ((6, 0), (2, 4)), ((5, 1), (6, 0)), ((2, 0), (5, 0)))
R = "R 4.2.2, reference/exact"


def rows() -> list[Row]:
    """Give every value."""
    with (ROOM / "exact.csv").open(encoding="utf-8") as file:
        out = {r["case"]: [float(r[c]) for c in ("odds_ratio", "low", "high", "p")] for r in csv.DictReader(file)}
    found = []
    for case, (name, table) in ONE.items():
        found += _four(name, "stats.exact.fisher_exact", fisher_exact(np.array(table)), out[case], "fisher.test")
    with (ROOM / "few.csv").open(encoding="utf-8") as file:
        few = [[[int(r["a"]), int(r["b"])], [int(r["c"]), int(r["d"])]] for r in csv.DictReader(file)]
    for case, name, tables in (
        ("admissions", "admissions in 6 departments", np.array(ADMISSIONS)),
        ("rabbits", "rabbits at 5 doses", np.array(RABBITS)),
        ("few", "rare events in 24 blocks", np.array(few)),
    ):
        ours = stratified_exact(tables)
        found += _four(name, "stats.exact.stratified_exact", ours, out[case], "mantelhaen.test(exact = TRUE)")
    return found


def _four(name: str, command: str, ours: ExactOdds, theirs: list[float], test: str) -> list[Row]:
    values = (("odds ratio", ours.odds_ratio), ("low end", ours.low), ("high end", ours.high), ("p", ours.p))
    return [
        Row("associates", f"{name}: {what}", command, value, source, _digits(value), f"{test}, {R}")
        for (what, value), source in zip(values, theirs, strict=True)
    ]


def _digits(value: float) -> int:
    """Give the digits after the point that make eight meaningful ones."""
    return int(7 - np.floor(np.log10(abs(value))))
