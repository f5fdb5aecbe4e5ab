"""Pairs of points that lie close together, and nearest neighbours, by a k-d tree.

Distances are counted into bins that are open below and closed above: a pair at exactly r lies within r.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs of points, each pair once.

    Attributes
    ----------
    i, j : array of int, shape (pairs,)
    distance : array of float
    """

    i: Ints
    j: Ints
    distance: Floats

    def __len__(self) -> int:
        """Count the pairs."""
        return len(self.i)


def close_pairs(xy: Floats, radius: float) -> Pairs:
    """Give all pairs of points no farther apart than `radius`.

    Parameters
    ----------
    xy : array, shape (n, 2)
    radius : float
    """
    from scipy.spatial import KDTree

    if len(xy) < 2:
        nothing = np.zeros(0, dtype=np.int64)
        return Pairs(nothing, nothing, np.zeros(0))
    i, j = KDTree(xy).query_pairs(radius, output_type="ndarray").astype(np.int64).T
    return Pairs(i, j, distances(xy, i, j))


def distances(xy: Floats, i: Ints, j: Ints) -> Floats:
    """Give the distance of each pair, the same way everywhere so that counts agree to the last bit."""
    x, y = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    dx, dy = x[j] - x[i], y[j] - y[i]
    return np.sqrt(dx * dx + dy * dy)


def bin_of(distance: Floats, radius: float, bins: int) -> Ints:
    """Give the bin of each distance: 0 for coincident points, b for ((b - 1) w, b w], w = radius / bins.

    Distances beyond `radius` get bins above `bins`.
    """
    return np.ceil(distance * (bins / radius)).astype(np.int64)


def nearest(xy: Floats) -> tuple[Ints, Floats]:
    """Give each point's nearest other point and its distance; of several equally near the one with the least index.

    Parameters
    ----------
    xy : array, shape (n, 2), n > 1
    """
    from scipy.spatial import KDTree

    n = len(xy)
    k = min(n, 9)
    far, who = KDTree(xy).query(xy, k=k)
    own = who == np.arange(n)[:, None]
    far = np.where(own, np.inf, far)
    least = far.min(axis=1)
    candidates = np.where(far <= least[:, None] * (1 + 1e-12), who, n)
    return candidates.min(axis=1).astype(np.int64), least


def nearest_of(xy: Floats, others: Floats) -> tuple[Ints, Floats]:
    """Give the nearest of `others` to each point of `xy`, and its distance (infinite if there are no others)."""
    from scipy.spatial import KDTree

    if not len(others):
        return np.full(len(xy), -1, dtype=np.int64), np.full(len(xy), np.inf)
    far, who = KDTree(others).query(xy)
    return np.asarray(who, dtype=np.int64), np.asarray(far, dtype=np.float64)
