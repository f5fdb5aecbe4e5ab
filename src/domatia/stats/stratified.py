"""Variance of levels when groups were placed within fixed strata: only what varies between groups of a stratum counts.

Blocks that stand in chosen habitats are no sample of habitats. A level that is averaged over them then varies from one
such study to another only by the blocks within each habitat. With n_h groups in stratum h and u_g the change of the
estimate that group g causes, the covariance is the sum over strata of n_h / (n_h - 1) times the sum of squares of the
u_g about their stratum's mean; degrees of freedom are groups less strata.

Sources: Cochran 1977, Sampling Techniques, 3rd ed., chapters 5 and 5A (strata with one unit are joined); Binder 1983,
International Statistical Review 51:279-292 (estimates that solve score equations); Wolter 2007, Introduction to
Variance Estimation, 2nd ed., chapter 4 (the jackknife in strata). The intervals hold for these strata in these shares,
not for a wider set of which the strata would be a sample.
"""

from collections.abc import Sequence

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import FEW_CLUSTERS, Uncertainty


def strata_of(labels: Sequence[str | None]) -> Ints | None:
    """Give each group the code of its stratum, strata with one group joined.

    Parameters
    ----------
    labels : sequence of str or None, one a group
        None where the stratum is not known.

    Returns
    -------
    array, shape (G,), or None
        None where a stratum is not known or fewer than two strata are left. Strata of one group make one
        stratum together; a single one left over joins the smallest of the others.
    """
    if any(one is None for one in labels) or not labels:
        return None
    _, codes, sizes = np.unique(np.array(labels, dtype=str), return_inverse=True, return_counts=True)
    joined = np.where(sizes == 1, -1, np.arange(len(sizes)))
    if np.sum(sizes == 1) == 1 and len(sizes) > 1:
        joined[sizes == 1] = int(np.argmin(np.where(sizes == 1, np.iinfo(np.int64).max, sizes)))
    left, renumbered = np.unique(joined[codes.ravel()], return_inverse=True)
    return renumbered.ravel().astype(np.int64) if len(left) > 1 else None


def stratified(influence: Floats, strata: Ints, level: float = 0.95) -> Uncertainty:
    """Give the covariance of estimates from groups within fixed strata.

    Parameters
    ----------
    influence : array, shape (G, p)
        Change of the p estimates that each group causes, to first order: for a sandwich the group's score times the
        inverse information; for values t_(g) without group g, (G - 1) / G times their deviation from their mean.
    strata : array, shape (G,)
        Code of each group's stratum.
    level : float

    Returns
    -------
    Uncertainty
        With t on groups less strata degrees of freedom below 40 groups, else the normal quantile.

    Raises
    ------
    ValueError
        If a stratum holds one group only.
    """
    groups = len(strata)
    covariance = np.zeros((influence.shape[1], influence.shape[1]))
    codes = np.unique(strata)
    for h in codes:
        own = influence[strata == h]
        if len(own) < 2:
            raise ValueError(f"stratum {h} holds one group; its spread is not known: join strata (see `strata_of`)")
        around = own - own.mean(axis=0)
        covariance += len(own) / (len(own) - 1.0) * around.T @ around
    df = float(groups - len(codes)) if groups < FEW_CLUSTERS else np.inf
    text = f"Standard errors from the spread of {groups} groups within {len(codes)} fixed strata."
    return Uncertainty(covariance, covariance, "CR1", groups, df, level, text)
