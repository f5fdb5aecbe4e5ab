"""Intervals from leaving out one group at a time (the delete-a-group jackknife).

For statistics that are smooth in the data but have no handy formula for groups that are alike within. With G groups and
the statistic theta_(g) without group g, the covariance is (G - 1) / G * sum of the squared deviations of theta_(g) from
their mean (Quenouille 1956, Biometrika 43:353; Kott 2001, J. Off. Stat. 17:521). Not for medians and other unsmooth
statistics, nor for the level of a step curve.
"""

from collections.abc import Callable

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.clustering import FEW_CLUSTERS, Uncertainty
from domatia.stats.stratified import stratified


def leave_one_out(statistic: Callable[[Bools], Floats], groups: int, level: float = 0.95) -> tuple[Floats, Uncertainty]:
    """Give a vector of statistics and its covariance over groups.

    Parameters
    ----------
    statistic : callable
        `statistic(kept)` gives the vector from the groups for which `kept`, shape (groups,), is true.
    groups : int
        Number of groups, at least 2.
    level : float

    Returns
    -------
    values : array
        The statistic of all groups.
    uncertainty : Uncertainty
        With t on groups - 1 degrees of freedom below 40 groups, else the normal quantile.

    Raises
    ------
    ValueError
        With fewer than two groups.
    """
    if groups < 2:
        raise ValueError(f"leaving out one group needs at least 2 groups, there are {groups}")
    every = np.ones(groups, dtype=np.bool_)
    values = statistic(every)
    without = _without_each(statistic, groups)
    spread = without - without.mean(axis=0)
    covariance = (groups - 1) / groups * spread.T @ spread
    df = groups - 1.0 if groups < FEW_CLUSTERS else np.inf
    text = f"Standard errors from leaving out one of {groups} groups at a time."
    return values, Uncertainty(covariance, covariance, "jackknife", groups, df, level, text)


def leave_one_out_in_strata(statistic: Callable[[Bools], Floats], strata: Ints, level: float = 0.95) -> Uncertainty:
    """Give the covariance of a vector of statistics over groups that stand in fixed strata.

    Parameters
    ----------
    statistic : callable
        As for `leave_one_out`.
    strata : array, shape (groups,)
        Code of each group's stratum, at least two groups in each (see `domatia.stats.stratified`).
    level : float
    """
    without = _without_each(statistic, len(strata))
    influence = (len(strata) - 1) / len(strata) * (without - without.mean(axis=0))
    return stratified(influence, strata, level)


def _without_each(statistic: Callable[[Bools], Floats], groups: int) -> Floats:
    """Give the statistic without each group in turn, shape (groups, values)."""
    return np.stack([statistic(np.arange(groups) != g) for g in range(groups)])
