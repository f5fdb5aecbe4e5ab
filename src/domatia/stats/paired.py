"""Tests of paired differences, and errors of means whose rows belong to two groupings at once.

Signed ranks: differences of nought are left out, ties share their rank; exact without ties below 50 differences, else
the normal approximation with correction for ties and for continuity (Wilcoxon 1945, Biometrics Bull. 1:80-83; Hollander
and others 2014, Nonparametric Statistical Methods, 3rd ed., section 3.1). Two groupings: the covariance by the one plus
that by the other less that by both (Cameron, Gelbach & Miller 2011, J. Bus. Econ. Stat. 29:238-249).
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import FEW_CLUSTERS, Uncertainty, cluster_codes, sum_by

_EXACT_BELOW = 50


@dataclass(frozen=True)
class PairedTests:
    """Tests of one set of differences.

    Attributes
    ----------
    pairs : int
    mean : float
    t, t_p : float
        Student's paired test on pairs - 1 degrees of freedom.
    v, v_p : float
        Sum of the ranks of positive differences, and its two-sided probability.
    positive, negative : int
    """

    pairs: int
    mean: float
    t: float
    t_p: float
    v: float
    v_p: float
    positive: int
    negative: int


def paired_tests(differences: Floats) -> PairedTests:
    """Test whether paired differences are about nought.

    Raises
    ------
    ValueError
        With fewer than two pairs, or all differences equal.
    """
    from scipy import special

    d = np.sort(np.asarray(differences, dtype=np.float64))
    n = len(d)
    if n < 2 or not np.ptp(d) > 0.0:
        raise ValueError(f"{n} pairs with differences that do not vary; at least two that differ are needed")
    t = float(d.mean() / (d.std(ddof=1) / np.sqrt(n)))
    kept = d[d != 0.0]
    v, p = _signed_ranks(kept)
    return PairedTests(
        pairs=n,
        mean=float(d.mean()),
        t=t,
        t_p=float(2.0 * special.stdtr(n - 1, -abs(t))),
        v=v,
        v_p=p,
        positive=int((d > 0.0).sum()),
        negative=int((d < 0.0).sum()),
    )


def _signed_ranks(d: Floats) -> tuple[float, float]:
    from scipy import special

    n = len(d)
    size, place, ties = np.unique(np.abs(d), return_inverse=True, return_counts=True)
    rank = (np.cumsum(ties) - (ties - 1) / 2.0)[place.ravel()]
    v = float(rank[d > 0.0].sum())
    if len(size) == n < _EXACT_BELOW:
        ways = np.ones(1)
        for r in range(1, n + 1):
            ways = np.convolve(ways, np.concatenate([[0.5], np.zeros(r - 1), [0.5]]))
        low, high = ways[: int(v) + 1].sum(), ways[int(v) :].sum()
        return v, float(min(1.0, 2.0 * min(low, high)))
    spread = np.sqrt(n * (n + 1) * (2 * n + 1) / 24.0 - (ties**3 - ties).sum() / 48.0)
    far = v - n * (n + 1) / 4.0
    z = (far - np.sign(far) * 0.5) / spread
    return v, float(min(1.0, 2.0 * special.ndtr(-abs(z))))


def two_way_uncertainty(adds: Floats, sizes: Floats, one: Ints, other: Ints | None) -> Uncertainty:
    """Give the covariance of means from what each row adds to them.

    Parameters
    ----------
    adds : array (rows, quantities)
        Influence of each row, summing to nought.
    sizes : array (rows, quantities)
        How much of each quantity rests on the row; a group's part of all is what is missing without it.
    one, other : array (rows,)
        The groupings; `other` may be left out.

    Returns
    -------
    Uncertainty
        t on the smaller number of groups less one, below 40; where the difference of covariances is no covariance, the
        larger of the two, quantity by quantity.
    """
    first, groups = _jackknife(adds, sizes, one)
    covariance, count = first, groups
    if other is not None:
        second, others = _jackknife(adds, sizes, other)
        both = np.unique(np.column_stack([one, other]), axis=0, return_inverse=True)[1].ravel()
        third, _ = _jackknife(adds, sizes, both.astype(np.int64))
        covariance, count = first + second - third, min(groups, others)
        if np.linalg.eigvalsh(covariance).min() < 0.0:
            covariance = first if np.trace(first) >= np.trace(second) else second
    df = count - 1.0 if count < FEW_CLUSTERS else np.inf
    text = f"Standard errors from leaving out one of {count} groups at a time."
    return Uncertainty(covariance, covariance, "jackknife", count, df, 0.95, text)


def _jackknife(adds: Floats, sizes: Floats, group: Ints) -> tuple[Floats, int]:
    codes, count = cluster_codes(group)
    part = sum_by(sizes, codes, count) / np.maximum(sizes.sum(axis=0), 1e-300)
    moved = sum_by(adds, codes, count) / np.where(part < 1.0, 1.0 - part, 1.0)
    spread = moved - moved.mean(axis=0)
    return np.asarray((count - 1) / count * spread.T @ spread), count
