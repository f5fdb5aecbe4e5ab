"""Several plots taken together: ratios of sums, and intervals from leaving out one plot at a time.

What is counted in each plot (pairs, neighbours of the same sort) is summed over plots, and so is what it is compared
with (pairs expected, squared density times area); the ratio of the two sums is the pooled estimate (Diggle et al. 1991,
J. Am. Stat. Assoc. 86:618, with weights from the numbers of points; Baddeley et al. 1993, Applied Statistics 42:641).
Where there are too few plots, parts of a plot take their place, each with what its own points contribute (Loh 2008,
Astrophysical J. 681:726, whose bootstrap resamples such contributions).
"""

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Estimate
from domatia.stats.leave_one_out import leave_one_out

FEW = 5


def pooled_ratio(counted: Floats, expected: Floats, cluster: Ints, level: float = 0.95) -> Estimate:
    """Give the ratio of the sums of two contributions, with an interval that is symmetric for its logarithm.

    Parameters
    ----------
    counted, expected : array, shape (rows,)
    cluster : array of int, shape (rows,)
        Any numbers.
    level : float

    Returns
    -------
    Estimate
        One entry. With fewer than 5 counted, the interval is that of a Poisson number (Garwood 1936, Biometrika
        28:437) and the standard error that of its logarithm.
    """
    c, e, total = _by_cluster(counted, cluster), _by_cluster(expected, cluster), float(np.sum(counted))
    if total < FEW or np.count_nonzero(c) < 2 or np.any(c.sum() - c <= 0) or np.any(e.sum() - e <= 0):
        return _poisson(total, float(e.sum()), level)

    def statistic(kept: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
        return np.array([np.log(c[kept].sum() / e[kept].sum())])

    values, doubt = leave_one_out(statistic, len(c), level)
    return doubt.linear(values, np.ones((1, 1))).exponential()


def pooled_l(counted: Floats, expected: Floats, cluster: Ints, radius: float, level: float = 0.95) -> Estimate:
    """Give L(r) - r of plots taken together.

    Parameters
    ----------
    counted : array, shape (rows,)
        Weighted pairs within the radius, each pair once for each of its points.
    expected : array, shape (rows,)
        n (n - 1) / area of each plot, spread over its rows.
    cluster : array of int, shape (rows,)
    radius, level : float
    """
    c, e, total = _by_cluster(counted, cluster), _by_cluster(expected, cluster), float(np.sum(counted))
    if total < 2 * FEW or np.count_nonzero(c) < 2:
        few = _poisson(total / 2.0, float(e.sum()) / 2.0, level)
        ends = [np.sqrt(v / np.pi) - radius for v in (few.estimate, few.low, few.high)]
        return Estimate(ends[0], (ends[2] - ends[1]) / 4.0, ends[1], ends[2])

    def statistic(kept: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
        return np.array([np.sqrt(c[kept].sum() / e[kept].sum() / np.pi) - radius])

    values, doubt = leave_one_out(statistic, len(c), level)
    return doubt.linear(values, np.ones((1, 1)))


def _by_cluster(values: Floats, cluster: Ints) -> Floats:
    return np.asarray(np.bincount(np.unique(cluster, return_inverse=True)[1], weights=values), dtype=np.float64)


def _poisson(total: float, expected: float, level: float) -> Estimate:
    from scipy.special import gammaincinv

    tail = (1.0 - level) / 2.0
    low = float(gammaincinv(total, tail)) if total > 0 else 0.0
    high = float(gammaincinv(total + 1.0, 1.0 - tail))
    values = (np.array([v / expected if expected > 0 else np.inf]) for v in (total, low, high))
    estimate, down, up = values
    return Estimate(estimate, np.array([1.0 / np.sqrt(max(total, 1.0))]), down, up)


def parts_of(xy: Floats, bounds: tuple[float, float, float, float], across: int = 3) -> Ints:
    """Give the part of a window in which each point lies: the box around it cut into `across` by `across` parts."""
    left, bottom, right, top = bounds
    column = np.clip(((xy[:, 0] - left) / (right - left) * across).astype(np.int64), 0, across - 1)
    row = np.clip(((xy[:, 1] - bottom) / (top - bottom) * across).astype(np.int64), 0, across - 1)
    return np.asarray(row * across + column, dtype=np.int64)
