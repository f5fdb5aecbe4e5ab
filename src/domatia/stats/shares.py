"""Shares and rates of groups, their differences and ratios, with errors from leaving out one cluster at a time.

Shares: what each row adds to the share (its influence) is summed by cluster and divided by the part of the group's rows
that is left without the cluster, the one-step form of leaving it out; rates: each cluster is left out in truth
(delete-a-group jackknife, Kott 2001, J. Off. Stat. 17:521-526). Clusters hold rows of several groups, so that groups of
one block may be alike.

A share that is exactly 0 or 1 has no spread; differences with such a share take their ends from those of the two shares
(square-and-add: Newcombe 1998, Stat. Med. 17:873-890, method 10 without the continuity correction, here with the exact
binomial end on the side that has none). That interval takes the two groups as independent.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import FEW_CLUSTERS, Estimate, Uncertainty, cluster_codes, one_sided, sum_by


@dataclass(frozen=True, eq=False)
class Shares:
    """Shares of several groups.

    Attributes
    ----------
    each : Estimate, arrays (groups,)
        With `se` on the scale of the share.
    uncertainty : Uncertainty
    """

    each: Estimate
    uncertainty: Uncertainty

    def difference(self, of: int, against: int) -> Estimate:
        """Give the share of one group less that of another, arrays (1,)."""
        p = self.each
        gradient = np.zeros((1, len(p.estimate)))
        gradient[0, of], gradient[0, against] = 1.0, -1.0
        gap = p.estimate[[of]] - p.estimate[[against]]
        plain = self.uncertainty.linear(gap, gradient)
        if (p.se[[of, against]] > 0.0).all():
            return Estimate(gap, plain.se, np.maximum(plain.low, -1.0), np.minimum(plain.high, 1.0))
        down = np.hypot(p.estimate[of] - p.low[of], p.high[against] - p.estimate[against])
        up = np.hypot(p.high[of] - p.estimate[of], p.estimate[against] - p.low[against])
        return Estimate(gap, plain.se, np.maximum(gap - down, -1.0), np.minimum(gap + up, 1.0))


def clustered_shares(values: Floats, influences: Sequence[tuple[Ints, Floats]], cluster: Ints, units: Ints) -> Shares:
    """Give shares with clustered intervals.

    Parameters
    ----------
    values : array (groups,)
    influences : sequence of (array of int, array of float)
        By group: its rows, and what each of them adds to its share (summing to nought).
    cluster : array (rows,)
    units : array (groups,)
        Independent units behind each share, for a share of 0 or 1.
    """
    codes, count = cluster_codes(cluster)
    each, size = np.zeros((len(codes), len(values))), np.zeros((len(codes), len(values)))
    for j, (rows, adds) in enumerate(influences):
        each[rows, j], size[rows, j] = adds, 1.0
    part = sum_by(size, codes, count) / np.maximum(size.sum(axis=0), 1.0)
    left = np.where(part < 1.0, 1.0 - part, 1.0)
    doubt = _jackknifed(sum_by(each, codes, count) / left)
    rest = doubt.log_log(1.0 - values, np.eye(len(values)))
    shares = Estimate(values, rest.se, 1.0 - rest.high, 1.0 - rest.low)
    out = [one_sided(Estimate(*(v[[j]] for v in (shares.estimate, shares.se, shares.low, shares.high))), int(n))
           for j, n in enumerate(units)]  # fmt: skip
    ends = (np.array([e.low[0] for e in out]), np.array([e.high[0] for e in out]))
    return Shares(Estimate(values, shares.se, *ends), doubt)


@dataclass(frozen=True, eq=False)
class Rates:
    """Rates of several groups, each a sum over a sum.

    Attributes
    ----------
    each : Estimate, arrays (groups,)
        `se` is that of the logarithm.
    uncertainty : Uncertainty
        Of the logarithms.
    """

    each: Estimate
    uncertainty: Uncertainty

    def ratio(self, of: int, against: int) -> Estimate:
        """Give the rate of one group over that of another, arrays (1,); `se` is that of the logarithm."""
        gradient = np.zeros((1, len(self.each.estimate)))
        gradient[0, of], gradient[0, against] = 1.0, -1.0
        logs = np.log(self.each.estimate)
        return self.uncertainty.linear(logs[[of]] - logs[[against]], gradient).exponential()


def clustered_rates(counts: Floats, sizes: Floats, group: Ints, cluster: Ints) -> Rates:
    """Give the sum of counts over the sum of sizes by group, on the log scale.

    Parameters
    ----------
    counts, sizes : array (rows,)
        Not negative; every group has a positive sum of both.
    group : array (rows,)
        0..groups-1.
    cluster : array (rows,)

    Raises
    ------
    ValueError
        If a group's sum is nought: its rate has no logarithm.
    """
    groups = int(group.max()) + 1
    top, bottom = (np.bincount(group, v, groups) for v in (counts, sizes))
    if not ((top > 0.0).all() and (bottom > 0.0).all()):
        raise ValueError("a group has a sum of nought; its rate is undefined, leave it out and say so")
    codes, count = cluster_codes(cluster)
    own = np.zeros((2, len(group), groups))
    own[0, np.arange(len(group)), group], own[1, np.arange(len(group)), group] = counts, sizes
    above, below = top - sum_by(own[0], codes, count), bottom - sum_by(own[1], codes, count)
    there = (above > 0.0) & (below > 0.0)
    logs_left = np.log(np.where(there, above, top) / np.where(there, below, bottom))
    # without a cluster that holds all that was counted there is no rate: it counts as halved
    moved = np.where(there, logs_left - np.log(top / bottom), np.log(0.5))
    doubt = _jackknifed(moved)
    logs = doubt.linear(np.log(top / bottom), np.eye(groups))
    return Rates(logs.exponential(), doubt)


def _jackknifed(moved: Floats) -> Uncertainty:
    """Give the covariance from how much each quantity moves without each cluster, shape (clusters, quantities)."""
    count = len(moved)
    spread = moved - moved.mean(axis=0)
    covariance = (count - 1) / count * spread.T @ spread
    df = count - 1.0 if count < FEW_CLUSTERS else np.inf
    text = f"Standard errors from leaving out one of {count} groups at a time."
    return Uncertainty(covariance, covariance, "jackknife", count, df, 0.95, text)
