"""Means of groups over blocks, as a statistic of the blocks that are kept (for leaving out one block at a time)."""

from collections.abc import Callable

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints

Statistic = Callable[[Bools], Floats]


def group_means(group: Ints, block: Ints, value: Floats, groups: int, blocks: int) -> Statistic:
    """Give the function from the blocks kept to the mean of each group.

    Parameters
    ----------
    group, block : int array (n,)
        Codes from 0.
    value : array (n,)
    groups, blocks : int

    Returns
    -------
    callable
        Takes a bool array (blocks,), gives an array (groups,); a group without rows in them has the mean 0.
    """
    at = np.asarray(group, np.int64) * blocks + np.asarray(block, np.int64)
    total = np.bincount(at, value, groups * blocks).reshape(groups, blocks)
    number = np.bincount(at, minlength=groups * blocks).reshape(groups, blocks)

    def statistic(kept: Bools) -> Floats:
        return np.asarray(total[:, kept].sum(1) / np.maximum(number[:, kept].sum(1), 1), dtype=np.float64)

    return statistic


def logits(shares: Statistic) -> Statistic:
    """Give the log odds of shares that lie within 0 and 1."""

    def statistic(kept: Bools) -> Floats:
        share = shares(kept)
        return np.asarray(np.log(share / (1 - share)), dtype=np.float64)

    return statistic


def logs(means: Statistic) -> Statistic:
    """Give the logarithms of means above 0."""

    def statistic(kept: Bools) -> Floats:
        return np.asarray(np.log(means(kept)), dtype=np.float64)

    return statistic


def averaged(statistics: list[Statistic]) -> Statistic:
    """Give the plain average of several statistics, such as one a year."""

    def statistic(kept: Bools) -> Floats:
        return np.asarray(np.mean([s(kept) for s in statistics], axis=0), dtype=np.float64)

    return statistic
