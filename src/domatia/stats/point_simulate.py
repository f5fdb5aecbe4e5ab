"""Points that fall anywhere in a window alike, drawn many times: the counts that an envelope needs.

Each simulated pattern has as many points as the observed one and a stream of random numbers of its own, keyed by seed
and number (Philox; Salmon et al. 2011, Proc. SC11), so that any part can be drawn again. Pairs are counted by distance;
with the rigid-motion correction, whose weights depend on distance alone, K follows from these counts.
"""

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.point_edge import mean_shared_area
from domatia.stats.point_labels import numba_is_there
from domatia.stats.point_pairs import bin_of, close_pairs
from domatia.stats.point_window import Window

_WORTH_COMPILING = 2e8


def pair_counts(xy: Floats, radius: float, bins: int) -> Ints:
    """Count the pairs of points by distance, shape (bins + 1,): bin b holds ((b - 1) w, b w], w = radius / bins."""
    place = bin_of(close_pairs(xy, radius * (1 + 1e-9)).distance, radius, bins)
    return np.bincount(place[place <= bins], minlength=bins + 1).astype(np.int64)


def simulated_counts(window: Window, n: int, bins: tuple[float, int], draws: int, seed: int) -> Ints:
    """Count the pairs by distance in patterns of n points drawn evenly from the window.

    Parameters
    ----------
    window : Window
    n : int
    bins : (float, int)
        Greatest distance and number of bins.
    draws, seed : int

    Returns
    -------
    array of int, shape (draws, bins + 1)
    """
    count = pair_counts
    near = n * n / 2.0 * min(1.0, np.pi * bins[0] ** 2 / window.area)
    if near * draws > _WORTH_COMPILING and numba_is_there():
        from domatia.stats.point_compiled import pair_histogram

        count = pair_histogram
    out = np.empty((draws, bins[1] + 1), dtype=np.int64)
    for k in range(draws):
        rng = np.random.Generator(np.random.Philox(key=np.array([seed, k + 1], dtype=np.uint64)))
        out[k] = count(window.draw(n, rng), *bins)
    return out


def k_from_counts(window: Window, n: int, counts: Ints, radius: float) -> Floats:
    """Give K with the rigid-motion correction from counts of pairs by distance.

    Parameters
    ----------
    window : Window
    n : int
        Number of points.
    counts : array of int, shape (..., bins + 1)
    radius : float

    Returns
    -------
    array, shape of `counts`
        K at 0, w, 2 w, ...; the weight of a pair is that of the middle of its bin.
    """
    bins = counts.shape[-1] - 1
    middle = np.concatenate([[0.0], (np.arange(bins) + 0.5) * radius / bins])
    r, shared = mean_shared_area(window, radius)
    weight = window.area / np.interp(middle, r, shared)
    return np.asarray(window.area / (n * (n - 1.0)) * 2.0 * np.cumsum(counts * weight, axis=-1), dtype=np.float64)
