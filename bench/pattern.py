"""Point patterns against spatstat, and random labelling against a plain loop: seconds, ratio and agreement.

usage: python -m bench pattern

R writes a window of 131 corners, 500 and 5,000 points, its K and its processor seconds; ours are the processor's too,
medians of five runs on one thread. Envelopes of 999 patterns: spatstat's time a pattern (border correction, its
quickest) times 999. Random labelling: 50,000 points with about 900 neighbours each, 999 labellings; the first draws of
the plain loop are timed and compared bit by bit.

Where a circle passes very near a corner of the window, spatstat's weight is off: of the 52,492 pairs of 500 points it
is one, by 0.9 %, whose circle passes 1e-5 from a corner; counting along that circle sides with ours. K then differs by
some 1e-6 of itself, in patterns without such a pair (reference/points, ants, demopat, urkiola) by less than 1e-13.
"""

import csv
import pathlib
import statistics
import subprocess
import time
from collections.abc import Callable
from tempfile import TemporaryDirectory

import numpy as np

from domatia.stats import point_labels, point_simulate
from domatia.stats.arrays import Floats
from domatia.stats.point_edge import isotropic_weights
from domatia.stats.point_k import k_function
from domatia.stats.point_labels import Labelling, labelled_counts, numba_is_there
from domatia.stats.point_pairs import close_pairs
from domatia.stats.point_simulate import k_from_counts, pair_counts, simulated_counts
from domatia.stats.point_window import Window, window_of

Row = dict[str, object]

PEER = pathlib.Path(__file__).parent / "pattern_peers.R"
DRAWS, BINS = 999, 128
LABELLED, REACH = 50_000, 1.416
FEW = 5


def columns(path: pathlib.Path) -> dict[str, Floats]:
    """Read a table of numbers."""
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {c: np.array([float(r[c]) if r[c] != "NA" else np.nan for r in rows]) for c in rows[0]}


def cpu(work: Callable[[], object], runs: int = 5) -> float:
    """Give the median of processor seconds, after one run that does not count."""
    work()
    seconds = []
    for _ in range(runs):
        start = time.process_time()
        work()
        seconds.append(time.process_time() - start)
    return statistics.median(seconds)


def row(task: str, ours: float, peer: float, need: str, said: tuple[str, str]) -> Row:
    """Give one line."""
    return {
        "task": task,
        "ours_s": round(ours, 3),
        "peer_s": round(peer, 2),
        "ratio": round(peer / ours, 1),
        "need": need,
        "peer": said[0],
        "agreement": said[1],
    }


def weights_alike(window: Window, xy: Floats, theirs: dict[str, Floats]) -> str:
    """Compare the weights of single pairs."""
    ours = isotropic_weights(window, xy, theirs["i"].astype(np.int64) - 1, theirs["d"])
    off = np.abs(ours / theirs["weight"] - 1)
    return f"; weights of {np.sum(off <= 1e-9):,} of {len(off):,} pairs equal to 1e-9"


def _isotropic(
    window: Window, xy: Floats, theirs: dict[str, Floats], peer: float, weights: dict[str, Floats] | None
) -> Row:
    n, r = len(xy), theirs["r"]
    k = k_function(window, xy, r, "isotropic")
    far = theirs["isotropic"] > 0
    off = np.abs(k[far] / theirs["isotropic"][far] - 1)
    alike = weights_alike(window, xy, weights) if weights else ""
    ours = cpu(lambda: k_function(window, xy, r, "isotropic"))
    need = ">= 25x, 1e-9" if n == 5000 else "1e-9"
    said = (
        "spatstat Kest isotropic",
        f"K differs by {off.max():.1e} at most, {np.median(off):.1e} in the median{alike}",
    )
    return row(f"K isotropic, {n:,} points, 131 corners", ours, peer, need, said)


def _envelope(window: Window, xy: Floats, theirs: dict[str, Floats], peer: float) -> Row:
    n, radius = len(xy), float(theirs["r"][-1])
    counts = simulated_counts(window, n, (radius, BINS), DRAWS, 7)
    drawn = k_from_counts(window, n, counts, radius)
    r = np.linspace(0, radius, BINS + 1)
    mean = float(np.max(np.abs(drawn.mean(axis=0)[32:] / (np.pi * r[32:] ** 2) - 1)))
    own = k_from_counts(window, n, pair_counts(xy, radius, BINS), radius)
    pixels = np.interp(r, theirs["r"], theirs["rigid"])
    off = float(np.max(np.abs(own[32:] / pixels[32:] - 1)))
    without = plain_counts(window, n, radius)
    same = "the same" if np.array_equal(without, counts[:FEW]) else "NOT the same"
    ours = cpu(lambda: simulated_counts(window, n, (radius, BINS), DRAWS, 7), runs=3)
    agreement = (
        f"mean K within {mean:.1e} of pi r2; K of the points within {off:.1e} of spatstat's rigid motion (pixels); "
        f"{same} with and without numba"
    )
    said = ("spatstat envelope, border, scaled to 999", agreement)
    return row(f"999 simulations, n = {n:,}, rigid motion", ours, peer * DRAWS, ">= 6x" if n == 5000 else "-", said)


def plain_counts(window: Window, n: int, radius: float) -> np.ndarray:
    """Give the counts of the first patterns without numba."""
    kept = point_simulate._WORTH_COMPILING
    point_simulate._WORTH_COMPILING = np.inf
    try:
        return simulated_counts(window, n, (radius, BINS), FEW, 7)
    finally:
        point_simulate._WORTH_COMPILING = kept


def _labelling(window: Window) -> Row:
    rng = np.random.default_rng(1)
    xy = window.draw(LABELLED, rng)
    labels = Labelling(rng.integers(0, 3, LABELLED), np.zeros(LABELLED, dtype=np.int64))
    pairs = close_pairs(xy, REACH)
    bins, who = (REACH, BINS), (0, 1)
    found = labelled_counts(pairs, bins, labels, who, (DRAWS, 3))
    ours = cpu(lambda: labelled_counts(pairs, bins, labels, who, (DRAWS, 3)), runs=3)
    finding = cpu(lambda: close_pairs(xy, REACH), runs=3)
    kept = point_labels._WORTH_COMPILING
    point_labels._WORTH_COMPILING = np.inf
    try:
        start = time.process_time()
        plain = labelled_counts(pairs, bins, labels, who, (FEW, 3))
        loop = (time.process_time() - start) / (FEW + 1) * (DRAWS + 1)
    finally:
        point_labels._WORTH_COMPILING = kept
    same = "bit-exact" if np.array_equal(plain, found[: FEW + 1]) else "NOT the same"
    agreement = f"{same} to the plain loop; {len(pairs):,} pairs, found in {finding:.1f} s more"
    said = ("plain numpy loop, scaled from 6 draws", agreement)
    return row(f"999 random labellings, n = {LABELLED:,}", ours, loop, "<= 5 s, bit-exact", said)


def rows() -> list[Row]:
    """Run everything."""
    if not numba_is_there():
        print("numba is not installed (the extra `fast`): simulations and labellings run as plain loops")
    with TemporaryDirectory() as folder:
        subprocess.run(["Rscript", str(PEER), folder], check=True)
        at = pathlib.Path(folder)
        corners = columns(at / "window.csv")
        window = window_of([np.column_stack([corners["x"], corners["y"]])])
        seconds = columns(at / "seconds.csv")
        found = []
        for k, n in enumerate((500, 5000)):
            points = columns(at / f"points{n}.csv")
            xy, theirs = np.column_stack([points["x"], points["y"]]), columns(at / f"k{n}.csv")
            weights = columns(at / "weights.csv") if n == 500 else None
            found.append(_isotropic(window, xy, theirs, float(seconds["isotropic"][k]), weights))
            found.append(_envelope(window, xy, theirs, float(seconds["border_draw"][k])))
    return [*found, _labelling(window)]
