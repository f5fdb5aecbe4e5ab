"""Exact odds ratios against R's fisher.test and mantelhaen.test (another program's output, `reference/exact`)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from domatia.stats.arrays import Ints
from domatia.stats.exact import ExactOdds, fisher_exact, stratified_exact

ROOT = Path(__file__).parents[2] / "reference" / "exact"

SINGLE = {
    "vines": ((40, 42), (7, 63)),
    "tea": ((3, 1), (1, 3)),
    "convictions": ((2, 10), (15, 3)),
    "none_left": ((0, 20), (9, 11)),
    "all_right": ((12, 0), (4, 9)),
    "rare": ((3, 997), (14, 986)),
    "large": ((4100, 45900), (3600, 46400)),
}
ADMISSIONS = [
    ((512, 313), (89, 19)),
    ((353, 207), (17, 8)),
    ((120, 205), (202, 391)),
    ((138, 279), (131, 244)),
    ((53, 138), (94, 299)),
    ((22, 351), (24, 317)),
]
RABBITS = [((0, 6), (0, 5)), ((3, 3), (0, 6)), ((6, 0), (2, 4)), ((5, 1), (6, 0)), ((2, 0), (5, 0))]


def printed(case: str) -> list[float]:
    """Read odds ratio, ends and p of one case."""
    with (ROOT / "exact.csv").open(encoding="utf-8") as file:
        row = next(r for r in csv.DictReader(file) if r["case"] == case)
    return [float(row[c]) for c in ("odds_ratio", "low", "high", "p")]


def agrees(found: ExactOdds, case: str) -> None:
    """Hold our numbers against R's, run with a finer tolerance for its roots than its own."""
    odds, low, high, p = printed(case)
    assert found.odds_ratio == pytest.approx(odds, rel=1e-7)
    assert found.low == pytest.approx(low, rel=1e-7)
    assert found.high == pytest.approx(high, rel=1e-7)
    assert found.p == pytest.approx(p, rel=1e-8)


@pytest.mark.parametrize("case", sorted(SINGLE))
def test_one_table_as_r(case: str) -> None:
    """One table: estimate, interval and p are those of fisher.test, also with an empty cell and 10^5 plants."""
    agrees(fisher_exact(np.array(SINGLE[case])), case)


def test_vines_on_red_against_white() -> None:
    """7 of 70 against 40 of 82: 0.118 (0.041-0.300), p 1.7e-7 (R 4.2 fisher.test; the simple ratio is 0.117)."""
    found = fisher_exact(np.array([[7, 63], [40, 42]]))
    assert (round(found.odds_ratio, 3), round(found.low, 3), round(found.high, 3)) == (0.118, 0.041, 0.300)
    assert found.p == pytest.approx(1.7e-7, rel=0.01)


@pytest.mark.parametrize(("case", "tables"), [("admissions", ADMISSIONS), ("rabbits", RABBITS)])
def test_strata_as_r(case: str, tables: list[tuple[tuple[int, int], tuple[int, int]]]) -> None:
    """Several tables: the common conditional odds ratio is that of mantelhaen.test(exact = TRUE)."""
    agrees(stratified_exact(np.array(tables)), case)


def test_many_sparse_strata_as_r() -> None:
    """Twenty-four blocks with few events: as mantelhaen.test(exact = TRUE)."""
    with (ROOT / "few.csv").open(encoding="utf-8") as file:
        rows = [{k: int(v) for k, v in r.items()} for r in csv.DictReader(file)]
    tables: Ints = np.array([[[r["a"], r["b"]], [r["c"], r["d"]]] for r in rows])
    agrees(stratified_exact(tables), "few")


def test_the_tea_taster() -> None:
    """Three of four cups right on either side: one-sided chance 17/70, two-sided 34/70 (Fisher 1935)."""
    assert fisher_exact(np.array(SINGLE["tea"])).p == pytest.approx(34 / 70, rel=1e-12)
