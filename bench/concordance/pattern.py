"""Point patterns beside spatstat, survfit and printed expectations."""

import csv
import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.arrays import Floats, Ints
from domatia.stats.point_k import Correction, k_function, pair_correlation
from domatia.stats.point_labels import neighbour_table
from domatia.stats.point_marks import mark_connection
from domatia.stats.point_nearest import nearest_distribution
from domatia.stats.point_pairs import nearest
from domatia.stats.point_window import Window, window_of

FOLDER = Path(__file__).parents[2] / "reference" / "points"
SPATSTAT = "spatstat.explore 3.0-6 (reference/points)"
PIXELS = "the source takes shared areas from pixels; its own translation K is as far from its exact one"
ANTS = "spatstat.explore 3.0-6, ants (reference/spatstat)"


@cache
def table(name: str) -> dict[str, list[str]]:
    """Read a table of the reference."""
    with (FOLDER / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {c: [r[c] for r in rows] for c in rows[0]}


def numbers(name: str, column: str) -> Floats:
    """Read a column; what is no number is nan."""
    return np.array([float(v) if v != "NA" else np.nan for v in table(name)[column]])


@cache
def pattern() -> tuple[Window, Floats, Ints]:
    """Give the invented plot with its pond, the nests and their ants."""
    ring = numbers("window.csv", "ring")
    corners = np.column_stack([numbers("window.csv", c) for c in ("x", "y")])
    xy = np.column_stack([numbers("points.csv", c) for c in ("x", "y")])
    ant = np.array(["abc".index(a) for a in table("points.csv")["ant"]])
    return window_of([corners[ring == k] for k in (1, 2)]), xy, ant


def _row(what: str, command: str, values: tuple[float, float], digits: int, source: str = SPATSTAT) -> Row:
    return Row("pattern", what, command, float(values[0]), float(values[1]), digits, source)


def _k() -> Iterator[Row]:
    window, xy, ant = pattern()
    r = numbers("k.csv", "r")
    each: tuple[tuple[Correction, str], ...] = (
        ("isotropic", "isotropic"), ("border", "border_exact"), ("translation", "translation_exact"),
    )  # fmt: skip
    for correction, column in each:
        ours, theirs = k_function(window, xy, r, correction), numbers("k.csv", column)
        for k in (8, 20):
            what = f"K({r[k]:g}) {correction}, plot with a pond"
            yield _row(what, f"k_function(..., {correction!r})", (ours[k], theirs[k]), 9)
    rigid = k_function(window, xy, r)[20]
    yield Row(
        "pattern", "K(5) rigid motion, plot with a pond", "k_function(...)", float(rigid),
        float(numbers("k.csv", "rigid_pixels")[20]), 3, SPATSTAT, PIXELS,
    )  # fmt: skip
    cross = k_function(window, xy, r, "isotropic", (ant == 0, ant == 1))[20]
    theirs = numbers("k.csv", "cross_isotropic")[20]
    yield _row("cross K(5) from ant a to b, isotropic", "k_function(..., between=)", (cross, theirs), 9)
    g = pair_correlation(window, xy, numbers("g.csv", "r"), "isotropic")[19]
    yield _row("pair correlation g(5), isotropic", "pair_correlation", (g, numbers("g.csv", "g")[19]), 9)
    p = mark_connection(window, (xy, ant), (0, 1), numbers("g.csv", "r"), "isotropic")[19]
    yield _row("mark connection p_ab(5)", "mark_connection", (p, numbers("g.csv", "connection")[19]), 9)


def _nearest() -> Iterator[Row]:
    window, xy, ant = pattern()
    r = numbers("nearest.csv", "r")
    share = nearest_distribution(nearest(xy)[1], window.to_edge(xy), r)
    survfit = "survfit of R's survival 3.5-3 (reference/points)"
    for k in (1, 3):
        what = f"share of nests with another within {r[k]:g} m"
        yield _row(what, "nearest_distribution", (share[k], numbers("nearest.csv", "within")[k]), 12, survfit)
    seen = neighbour_table(ant, nearest(xy)[0], 3).observed
    freq = numbers("neighbours.csv", "Freq").reshape(3, 3).T
    for a, b in ((0, 0), (0, 1), (1, 0)):
        yield _row(f"neighbours {'abc'[a]} to {'abc'[b]}", "neighbour_table", (seen[a, b], freq[a, b]), 0)


def _ants() -> Iterator[Row]:
    counts = np.repeat([0, 1], [29, 68])
    expected = neighbour_table(counts, np.roll(np.arange(97), 1), 2).expected.ravel()
    for value, printed in zip(expected, (8.458, 20.542, 20.542, 47.458), strict=True):
        yield _row("ants: neighbours expected", "neighbour_table(...).expected", (value, printed), 3, "Dixon 1994")
    folder = Path(os.environ.get("DOMATIA_REAL_DATA", "")) / "r_reference"
    if not (folder / "spatstat_ants.csv").exists():
        return
    with (folder / "spatstat_ants.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with (folder / "spatstat_ants_window.csv").open(encoding="utf-8") as file:
        outline = np.array([[float(c["x"]), float(c["y"])] for c in csv.DictReader(file)])
    xy = np.array([[float(r["x"]), float(r["y"])] for r in rows])
    ant = np.unique([r["marks"] for r in rows], return_inverse=True)[1]
    seen = neighbour_table(ant, nearest(xy)[0], 2).observed.ravel()
    for value, there in zip(seen, (5, 24, 23, 45), strict=True):
        yield _row("ants: neighbours seen", "neighbour_table(...).observed", (value, there), 0, ANTS)
    k = k_function(window_of([outline]), xy, np.array([47.875, 95.75, 191.5]), "isotropic")
    for value, printed in zip(k, (6569.54175166455, 28369.3100167939, 117053.303832705), strict=True):
        yield _row("ants: K isotropic", "k_function(..., 'isotropic')", (value, printed), 7, ANTS)


def rows() -> list[Row]:
    """Give every value; those of the ants' nests where the real tables are (DOMATIA_REAL_DATA)."""
    return [*_k(), *_nearest(), *_ants()]
