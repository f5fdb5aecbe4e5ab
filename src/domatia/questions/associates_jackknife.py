"""Sums of ratios over blocks, leaving out one block at a time, also where each plant is a block of its own.

As `domatia.stats.leave_one_out` (Quenouille 1956, Biometrika 43:353; Kott 2001, J. Off. Stat. 17:521), but what is left
without each block is a subtraction, so that 100,000 of them take no longer than 24.
"""

import numpy as np
from numpy.typing import NDArray

from domatia.stats.clustering import FEW_CLUSTERS, Estimate, Uncertainty

Array = NDArray[np.float64]
_LEVEL = 0.95


def sums_by(codes: NDArray[np.int64], values: Array, clusters: int) -> Array:
    """Add values up by block, shape (clusters,)."""
    return np.asarray(np.bincount(codes, values, clusters), dtype=np.float64)


def without_each(top: Array, bottom: Array, signs: Array, df: float = np.inf) -> Estimate:
    """Give sum_k signs_k * (sum of top_k) / (sum of bottom_k) with its interval.

    Parameters
    ----------
    top, bottom : array (ratios, clusters)
        Sums by block; a ratio whose `bottom` is empty without a block is 0 there.
    signs : array (ratios,)
    df : float
        Degrees of freedom of t at most; clusters - 1 below 40 clusters.
    """
    clusters = top.shape[1]
    all_top, all_bottom = top.sum(axis=1, keepdims=True), bottom.sum(axis=1, keepdims=True)
    left_top, left = all_top - top, all_bottom - bottom
    ratio = np.divide(left_top, left, out=np.zeros_like(left), where=left > 1e-9 * all_bottom)
    deviation = signs @ ratio
    deviation = deviation - deviation.mean()
    variance = np.array([[(clusters - 1) / clusters * (deviation @ deviation)]])
    of_blocks = clusters - 1.0 if clusters < FEW_CLUSTERS else np.inf
    text = f"Standard errors from leaving out one of {clusters} groups at a time."
    doubt = Uncertainty(variance, variance, "jackknife", clusters, min(of_blocks, df), _LEVEL, text)
    return doubt.linear(signs @ (all_top / all_bottom), np.eye(1))
